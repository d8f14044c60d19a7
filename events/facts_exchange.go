package events

// CalendarIssued opens a calendar of due work at a secret address, for one yard
// or one rig. Of the secret only the SHA-256 is kept.
type CalendarIssued struct {
	Calendar string `bson:"calendar" json:"calendar"`
	Name     string `bson:"name" json:"name"`
	Yard     string `bson:"yard,omitempty" json:"yard,omitempty"`
	Rig      string `bson:"rig,omitempty" json:"rig,omitempty"`
	Hash     string `bson:"hash" json:"hash"`
}

// CalendarRevoked closes a calendar's address.
type CalendarRevoked struct {
	Calendar string `bson:"calendar" json:"calendar"`
	Reason   string `bson:"reason,omitempty" json:"reason,omitempty"`
}

// ExchangeTaken says that a device's lifetime counters in a set of task data
// were all taken for a rig, so that the same ones need no second look. Digest is
// the SHA-256 over the ids and meters of the readings.
type ExchangeTaken struct {
	Rig      string `bson:"rig" json:"rig"`
	Device   string `bson:"device" json:"device"`
	Digest   string `bson:"digest" json:"digest"`
	Readings int    `bson:"readings" json:"readings"`
}

func (*CalendarIssued) Kind() string  { return "calendar.issued" }
func (*CalendarRevoked) Kind() string { return "calendar.revoked" }
func (*ExchangeTaken) Kind() string   { return "exchange.taken" }

// Calendars are about access, not about a rig, even where they show one alone.
func (*CalendarIssued) Subject() string  { return "" }
func (*CalendarRevoked) Subject() string { return "" }
func (f *ExchangeTaken) Subject() string { return f.Rig }
