package meter

// Marks are all kept readings, packed or not.
func (s *Series) Marks() []Mark { return s.read(nil, 0, s.Len()) }

// Sealed is the index of the first raw reading.
func (s *Series) Sealed() int { return s.sealed() }
