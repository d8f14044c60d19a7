package fleet

import (
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// State is the fleet as it stands after a commit. Everything in it comes from
// facts; it is saved as a snapshot and must equal what a replay gives. Maps
// marked json:"-" are indexes that are rebuilt after loading.
type State struct {
	Head     events.Head `json:"head"`
	Recorded time.Time   `json:"recorded"` // when the newest commit was written

	Rigs       map[string]*Rig             `json:"rigs"`
	Parts      map[string]*Part            `json:"parts"`
	Items      map[string]*Item            `json:"items"`
	Defects    map[string]*Defect          `json:"defects"`
	Held       map[string]*Held            `json:"held"`
	Plans      map[string][]*PlanVersion   `json:"plans"`
	Classes    map[string]*PublishedClass  `json:"classes"` // beside the embedded ones, or in their place
	Bookings   map[string]*Booking         `json:"bookings"`
	Hooks      map[string]*Hook            `json:"hooks"`
	Tokens     map[string]*Token           `json:"tokens"`
	Requests   map[string]*Request         `json:"requests"`
	FactCounts map[string]uint64           `json:"fact_counts"`
	Bay        Bay                         `json:"test_bay"`
	Calendars  map[string]*Calendar        `json:"calendars"`
	Users      map[string]*Rig             `json:"-"` // by NATS/MQTT user
	heldByRig  map[string]map[string]*Held // open quarantine by rig and meter order
	zone       *time.Location
}

// Rig is one sprayer.
type Rig struct {
	Rig        string    `json:"rig"`
	Name       string    `json:"name"`
	Class      string    `json:"class"`
	Yard       string    `json:"yard"`
	WidthMM    int64     `json:"width_mm"`
	TankML     int64     `json:"tank_ml"`
	FirstUse   string    `json:"first_use,omitempty"`
	Serial     string    `json:"serial,omitempty"`
	Registered time.Time `json:"registered"`
	Retired    bool      `json:"retired,omitempty"`

	Plan   PlanRef  `json:"plan"`
	Meters []*Meter `json:"meters"`
	Fitted []string `json:"fitted"`         // parts on the rig now, in order of fitting
	Left   []string `json:"left,omitempty"` // parts that were on it once, each once
	parts  []*Part  // those fitted, as an index

	User     string `json:"user,omitempty"`
	UserHash string `json:"user_hash,omitempty"`

	Boots      map[int64]*Boot       `json:"boots,omitempty"`
	LastHeard  time.Time             `json:"last_heard,omitzero"` // see heard
	LastTaken  time.Time             `json:"last_taken,omitzero"` // when its newest reading was recorded, whoever sent it
	Conditions map[string]*Condition `json:"conditions,omitempty"`

	Bay         RigBay   `json:"test_bay,omitzero"`
	Booked      []string `json:"booked,omitempty"`       // bookings that stand, oldest first
	WorkChanged string   `json:"work_changed,omitempty"` // day since which it does other work

	Exchanged map[string]bool `json:"exchanged,omitempty"` // digests of task data taken

	Noted    Noted            `json:"noted,omitzero"`     // how it stood when that was last noted
	Location *events.Location `json:"location,omitempty"` // where it was last, at Located
	Located  time.Time        `json:"located,omitzero"`

	Open     []string `json:"open"`     // open items, oldest first
	Defects  []string `json:"defects"`  // open defects, oldest first
	Timeline []Logged `json:"timeline"` // every fact but readings, oldest first
	Changed  uint64   `json:"changed"`  // number of the newest commit about this rig
	Amended  uint64   `json:"amended"`  // and of the newest that changed what was registered
}

// PlanRef names one version of a plan.
type PlanRef struct {
	Plan    string `json:"plan,omitempty"`
	Version int    `json:"version,omitempty"`
}

// Meter is one counter of a rig and its whole series.
type Meter struct {
	Meter    string        `json:"meter"`
	Series   *meter.Series `json:"series"`
	Spraying bool          `json:"spraying,omitempty"` // it runs only while spraying
}

// Boot is what has come from one boot of a rig: every sequence up to Seq and
// the ranges in Have above it, sorted and apart.
type Boot struct {
	Seq  int64      `json:"seq"`
	Have [][2]int64 `json:"have,omitempty"`
}

// Condition is the newest measured state under one code.
type Condition struct {
	Part  string    `json:"part,omitempty"`
	Code  string    `json:"code"`
	Value float64   `json:"value"`
	Unit  string    `json:"unit,omitempty"`
	At    time.Time `json:"at"`
}

// Logged is a fact with the commit that proves it.
type Logged struct {
	N        uint64       `json:"commit"`
	Recorded time.Time    `json:"recorded"`
	Entry    events.Entry `json:"entry"`
}

// Part is a thing that is serviced and may move between rigs. The rig as a
// whole is a part too: its id is the rig's code and its kind "rig".
type Part struct {
	Part     string              `json:"part"`
	Kind     string              `json:"kind"`
	Name     string              `json:"name"`
	Position string              `json:"position"`
	Serial   string              `json:"serial,omitempty"`
	SKU      string              `json:"sku,omitempty"`
	Made     string              `json:"made,omitempty"`
	Carried  events.Amounts      `json:"carried,omitempty"`
	Stays    []Stay              `json:"stays"`
	Scrapped bool                `json:"scrapped,omitempty"`
	Tasks    map[string]*TaskLog `json:"tasks,omitempty"`
}

// Stay is a time on one rig: from From to To (Unix ms; To 0 while it lasts).
// FromStart: since the rig's meters began, whenever that was.
type Stay struct {
	Rig       string `json:"rig"`
	From      int64  `json:"from"`
	To        int64  `json:"to,omitempty"`
	FromStart bool   `json:"from_start,omitempty"`
}

// TaskLog is how far a task has come in the life of one part.
type TaskLog struct {
	Cycles int    `json:"cycles"`         // cycles that ended
	Done   int    `json:"done"`           // of which done, not struck
	LastAt int64  `json:"last_at"`        // Unix ms when the last cycle ended; 0 for never
	Open   string `json:"open,omitempty"` // the open item
}

// Stage is how far a service item has come.
type Stage string

const (
	Raised Stage = "raised"
	Booked Stage = "booked"
	InHand Stage = "in-hand"
	Done   Stage = "done"
	Struck Stage = "struck"
)

// Open says whether there is still something to do.
func (s Stage) Open() bool { return s == Raised || s == Booked || s == InHand }

// Item is one service item from raising to its end.
type Item struct {
	events.ItemRaised
	RaisedAt time.Time `json:"raised_at"`
	RaisedIn uint64    `json:"raised_in"` // commit
	Stage    Stage     `json:"stage"`
	Changed  uint64    `json:"changed"`

	BookedOn  string               `json:"booked_on,omitempty"`
	BookedFor string               `json:"booked_for,omitempty"`
	Worker    string               `json:"worker,omitempty"`
	StartedAt time.Time            `json:"started_at,omitzero"`
	Deferral  *events.ItemDeferred `json:"deferral,omitempty"`
	DeferBy   string               `json:"deferred_by,omitempty"`
	EndedAt   time.Time            `json:"ended_at,omitzero"`
	EndedBy   string               `json:"ended_by,omitempty"`
	Finish    *events.ItemFinished `json:"finish,omitempty"`
	StruckFor string               `json:"struck_for,omitempty"`
	Read      []events.Counter     `json:"read,omitempty"` // what the meters showed when it was finished

	Latest string `json:"latest,omitempty"` // its last step before it ended, if any

	// What its end is taken back by: see itemReturned.
	EndedWith string    `json:"ended_with,omitempty"` // the larger item that it was done with
	Before    int64     `json:"before,omitempty"`     // TaskLog.LastAt before it ended
	Counted   []Counted `json:"counted,omitempty"`    // the other tasks that it counted for
}

// Counted is a task's cycle that the end of a larger task's item closed.
type Counted struct {
	Part   string `json:"part"`
	Task   string `json:"task"`
	Cycles int    `json:"cycles"`           // of its log since
	Before int64  `json:"before,omitempty"` // its LastAt before
	Item   string `json:"item,omitempty"`   // its item that was open
}

// DoneBy is the person who did the work or has it in hand, which EndedBy, who
// entered it, need not be; "" for nobody.
func (it *Item) DoneBy() string {
	if it.Finish != nil && it.Finish.Worker != "" {
		return it.Finish.Worker
	}
	return it.Worker
}

// Booking is work or rest planned for a rig.
type Booking struct {
	events.BookingMade
	MadeBy    string `json:"made_by"`
	Cancelled bool   `json:"cancelled,omitempty"`
	Changed   uint64 `json:"changed"`
}

// Defect is a reported fault.
type Defect struct {
	events.DefectReported
	ReportedAt time.Time `json:"reported_at"`
	ReportedBy string    `json:"reported_by"`
	ClearedAt  time.Time `json:"cleared_at,omitzero"`
	ClearedBy  string    `json:"cleared_by,omitempty"`
	Action     string    `json:"action,omitempty"`
	Inspection string    `json:"inspection,omitempty"` // that found it, at Code
	Changed    uint64    `json:"changed"`
}

// Held is a reading or message in quarantine.
type Held struct {
	events.ReadingQuarantined
	At        time.Time `json:"at"` // when the reading was measured
	HeldAt    time.Time `json:"held_at"`
	Outcome   string    `json:"outcome,omitempty"` // "", "as_is", "swap", "corrected", "dismissed"
	OutcomeBy string    `json:"outcome_by,omitempty"`
	OutcomeAt time.Time `json:"outcome_at,omitzero"`
	Why       string    `json:"why,omitempty"`
	Changed   uint64    `json:"changed"`
}

// PlanVersion is one published version of a service plan.
type PlanVersion struct {
	Plan        string     `json:"plan"`
	Version     int        `json:"version"`
	Text        string     `json:"text"`
	PublishedAt time.Time  `json:"published_at"`
	PublishedBy string     `json:"published_by"`
	Parsed      *plan.Plan `json:"-"`
}

// PublishedClass is a class of rig that somebody put on record.
type PublishedClass struct {
	Text   string      `json:"text"`
	Parsed *plan.Class `json:"-"`
}

// Token lets a person or program in.
type Token struct {
	events.TokenIssued
	IssuedAt time.Time `json:"issued_at"`
	LastUsed time.Time `json:"last_used,omitzero"` // as on record: the hour of the first use on the last day
	Revoked  bool      `json:"revoked,omitempty"`
}

// Request remembers a write made under an Idempotency-Key.
type Request struct {
	Print  string `json:"print"`
	Status int    `json:"status"`
	Ref    string `json:"ref,omitempty"`
	N      uint64 `json:"commit"`
}

func newState(zone *time.Location) *State {
	s := &State{
		Rigs:       map[string]*Rig{},
		Parts:      map[string]*Part{},
		Items:      map[string]*Item{},
		Defects:    map[string]*Defect{},
		Held:       map[string]*Held{},
		Plans:      map[string][]*PlanVersion{},
		Classes:    map[string]*PublishedClass{},
		Bookings:   map[string]*Booking{},
		Hooks:      map[string]*Hook{},
		Tokens:     map[string]*Token{},
		Requests:   map[string]*Request{},
		FactCounts: map[string]uint64{},
		Bay:        newBay(),
		Calendars:  map[string]*Calendar{},
		zone:       zone,
	}
	s.index()
	return s
}

// index rebuilds what is not saved with a snapshot.
func (s *State) index() {
	s.Users = map[string]*Rig{}
	s.heldByRig = map[string]map[string]*Held{}
	for _, r := range s.Rigs {
		if r.User != "" {
			s.Users[r.User] = r
		}
		r.parts = make([]*Part, 0, len(r.Fitted))
		for _, id := range r.Fitted {
			r.parts = append(r.parts, s.Parts[id])
		}
	}
	for _, h := range s.Held {
		if h.Outcome == "" {
			s.indexHeld(h)
		}
	}
}

func (s *State) indexHeld(h *Held) {
	m := s.heldByRig[h.Rig]
	if m == nil {
		m = map[string]*Held{}
		s.heldByRig[h.Rig] = m
	}
	m[h.Quarantine] = h
}

// Zone is the fleet's time zone, in which its calendar dates stand.
func (s *State) Zone() *time.Location { return s.zone }

// Meter gives a rig's meter by name, nil if it has none of that name.
func (r *Rig) Meter(name string) *Meter {
	for _, m := range r.Meters {
		if m.Meter == name {
			return m
		}
	}
	return nil
}

// MeterOf gives the rig's meter for a quantity: the preferred one if it is of
// that quantity, else the first; nil when the rig has none.
func (r *Rig) MeterOf(q meter.Quantity, preferred string) *Meter {
	var first *Meter
	for _, m := range r.Meters {
		if m.Series.Quantity != q {
			continue
		}
		if m.Meter == preferred {
			return m
		}
		if first == nil {
			first = m
		}
	}
	return first
}

// LastRead is the time of the newest reading of any meter, zero for none.
func (r *Rig) LastRead() time.Time {
	var newest int64
	for _, m := range r.Meters {
		if _, at := m.Series.Total(); at > newest {
			newest = at
		}
	}
	if newest == 0 {
		return time.Time{}
	}
	return time.UnixMilli(newest).UTC()
}

// LastWorked is when a meter of the rig was last seen to have run, zero for never.
func (r *Rig) LastWorked() time.Time {
	var newest int64
	for _, m := range r.Meters {
		newest = max(newest, m.Series.LastGain())
	}
	return unixMilli(newest)
}

// Received says whether an event of this boot and sequence is in the ledger.
func (b *Boot) Received(seq int64) bool {
	if b == nil {
		return false
	}
	if seq <= b.Seq {
		return true
	}
	for _, r := range b.Have {
		if seq >= r[0] && seq <= r[1] {
			return true
		}
	}
	return false
}

// note marks a sequence as received; oldest (if above 0) says that nothing
// below it will come.
func (b *Boot) note(seq, oldest int64) {
	if oldest-1 > b.Seq {
		b.Seq = oldest - 1
	}
	switch n := len(b.Have); {
	case seq <= b.Seq:
	case seq == b.Seq+1: // the usual case
		b.Seq = seq
	case n > 0 && seq == b.Have[n-1][1]+1: // the usual late case: the next one above a gap
		b.Have[n-1][1] = seq
	default:
		b.insert(seq)
	}
	for len(b.Have) > 0 && b.Have[0][0] <= b.Seq+1 {
		b.Seq = max(b.Seq, b.Have[0][1])
		b.Have = b.Have[1:]
	}
	if len(b.Have) == 0 {
		b.Have = nil
	}
}

func (b *Boot) insert(seq int64) {
	i := 0
	for i < len(b.Have) && b.Have[i][1] < seq-1 {
		i++
	}
	switch {
	case i == len(b.Have) || seq < b.Have[i][0]-1:
		b.Have = append(b.Have, [2]int64{})
		copy(b.Have[i+1:], b.Have[i:])
		b.Have[i] = [2]int64{seq, seq}
	case seq == b.Have[i][0]-1:
		b.Have[i][0] = seq
	case seq == b.Have[i][1]+1:
		b.Have[i][1] = seq
		if i+1 < len(b.Have) && b.Have[i+1][0] == seq+1 {
			b.Have[i][1] = b.Have[i+1][1]
			b.Have = append(b.Have[:i+1], b.Have[i+2:]...)
		}
	}
}
