package feed

// How many live streams may be open, in all and of one token.
const (
	StreamsMost = streamsMost
	StreamsEach = streamsEach
)
