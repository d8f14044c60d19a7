package events

// BookingMade plans work, or rest, for a rig on the days From to To. Hectares
// and hours are for all the days together, in base units; at least one is given
// unless it is rest.
type BookingMade struct {
	Booking string `bson:"booking" json:"booking"`
	Rig     string `bson:"rig" json:"rig"`
	From    string `bson:"from" json:"from"`
	To      string `bson:"to" json:"to"`
	AreaM2  int64  `bson:"area,omitempty" json:"area_m2,omitempty"`
	Seconds int64  `bson:"seconds,omitempty" json:"seconds,omitempty"`
	Rest    bool   `bson:"rest,omitempty" json:"rest,omitempty"`
	Note    string `bson:"note,omitempty" json:"note,omitempty"`
}

// BookingCancelled takes a booking back.
type BookingCancelled struct {
	Booking string `bson:"booking" json:"booking"`
	Rig     string `bson:"rig" json:"rig"`
	Reason  string `bson:"reason,omitempty" json:"reason,omitempty"`
}

// WorkChanged says that from the day Date on a rig does other work than before,
// so that what it did until then says little of what it will do.
type WorkChanged struct {
	Rig  string `bson:"rig" json:"rig"`
	Date string `bson:"date" json:"date"`
	Note string `bson:"note,omitempty" json:"note,omitempty"`
}

func (*BookingMade) Kind() string      { return "booking.made" }
func (*BookingCancelled) Kind() string { return "booking.cancelled" }
func (*WorkChanged) Kind() string      { return "work.changed" }

func (f *BookingMade) Subject() string      { return f.Rig }
func (f *BookingCancelled) Subject() string { return f.Rig }
func (f *WorkChanged) Subject() string      { return f.Rig }
