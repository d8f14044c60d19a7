package events

// RigStanding notes how a rig stands once that is another than was last noted:
// what the calendar or the counters changed without a word from anybody. Until
// there is one, a rig counts as fit for no reason against it, and an item that
// was raised as "soon". It changes nothing else: fitness and due lists are worked
// out from the other facts alone.
type RigStanding struct {
	Rig     string           `bson:"rig" json:"rig"`
	Fitness string           `bson:"fitness" json:"fitness"`
	Reasons []StandingReason `bson:"reasons,omitempty" json:"reasons,omitempty"` // all that hold now; what stops the rig first
	More    int              `bson:"more,omitempty" json:"more,omitempty"`       // reasons left out of a very long list
	Items   []ItemStanding   `bson:"items,omitempty" json:"items,omitempty"`     // open items whose status is another now
}

// StandingReason is a reason of a fitness, in its code and words.
type StandingReason struct {
	Code   string `bson:"code" json:"code"`
	Text   string `bson:"text" json:"text"`
	Stops  bool   `bson:"stops,omitempty" json:"stops,omitempty"`
	Part   string `bson:"part,omitempty" json:"part,omitempty"`
	Task   string `bson:"task,omitempty" json:"task,omitempty"`
	Defect string `bson:"defect,omitempty" json:"defect,omitempty"`
}

// ItemStanding is the status of an open item: ok, soon, due or overdue.
type ItemStanding struct {
	Item   string `bson:"item" json:"item"`
	Status string `bson:"status" json:"status"`
}

func (*RigStanding) Kind() string      { return "rig.standing" }
func (f *RigStanding) Subject() string { return f.Rig }
