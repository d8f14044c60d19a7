package feed

// StreamsMost is how many live streams may be open.
const StreamsMost = streamsMost
