package events

// PlanPublished puts one version of a service plan on record, as the text that
// was loaded, so that the ledger proves what was asked of the workshop.
type PlanPublished struct {
	Plan    string `bson:"plan" json:"plan"`
	Version int    `bson:"version" json:"version"`
	Text    string `bson:"text" json:"text"`
}

// ClassPublished puts a class of rig on record, new or in place of the one of
// that name: its parts, the plausibility of its readings, its season.
type ClassPublished struct {
	Class string `bson:"class" json:"class"`
	Text  string `bson:"text" json:"text"`
}

// PlanAdopted puts a rig under a published plan.
type PlanAdopted struct {
	Rig     string `bson:"rig" json:"rig"`
	Plan    string `bson:"plan" json:"plan"`
	Version int    `bson:"version" json:"version"`
}

// ItemRaised opens a service item. Its id is made of part, task and
// cycle, so that raising twice is raising once. Due and DueDate are the limits
// that stood when it was raised.
type ItemRaised struct {
	Item    string  `bson:"item" json:"item"`
	Rig     string  `bson:"rig" json:"rig"`
	Part    string  `bson:"part" json:"part"`
	Task    string  `bson:"task" json:"task"`
	Cycle   int     `bson:"cycle" json:"cycle"`
	Plan    string  `bson:"plan" json:"plan"`
	Version int     `bson:"version" json:"version"`
	Due     Amounts `bson:"due,omitempty" json:"due,omitempty"`
	DueDate string  `bson:"due_date,omitempty" json:"due_date,omitempty"`
	Why     string  `bson:"why" json:"why"`
}

// ItemBooked puts an item on a day and, where known, on a person.
type ItemBooked struct {
	Item string `bson:"item" json:"item"`
	Rig  string `bson:"rig" json:"rig"`
	Date string `bson:"date" json:"date"`
	For  string `bson:"for,omitempty" json:"for,omitempty"`
}

// ItemStarted takes an item in hand, after the worker had read its cautions.
// Cautions are the kinds of job that were shown.
type ItemStarted struct {
	Item      string   `bson:"item" json:"item"`
	Rig       string   `bson:"rig" json:"rig"`
	Worker    string   `bson:"worker" json:"worker"`
	Cautioned bool     `bson:"cautioned" json:"cautioned"`
	Cautions  []string `bson:"cautions,omitempty" json:"cautions,omitempty"`
}

// PartUsed is a spare or consumable that a job took.
type PartUsed struct {
	SKU   string `bson:"sku" json:"sku"`
	Count int    `bson:"n" json:"count"`
}

// Money is a decimal amount with its ISO 4217 code.
type Money struct {
	Amount   string `bson:"amount" json:"amount"`
	Currency string `bson:"currency" json:"currency"`
}

// ItemFinished closes an item as done at the entry's time, which may lie weeks
// back. Includes lists the tasks of the same part that the work counted for
// too. The next cycle counts from the usage at that time. Checked are the lines of
// the task's check list that were ticked; Files the hashes of photos and papers.
type ItemFinished struct {
	Item     string     `bson:"item" json:"item"`
	Rig      string     `bson:"rig" json:"rig"`
	Worker   string     `bson:"worker" json:"worker"`
	Findings string     `bson:"findings,omitempty" json:"findings,omitempty"`
	Minutes  int        `bson:"minutes,omitempty" json:"minutes,omitempty"`
	Used     []PartUsed `bson:"used,omitempty" json:"parts,omitempty"`
	Cost     *Money     `bson:"cost,omitempty" json:"cost,omitempty"`
	Includes []string   `bson:"includes,omitempty" json:"includes,omitempty"`
	Checked  []string   `bson:"checked,omitempty" json:"checked,omitempty"`
	Files    []string   `bson:"files,omitempty" json:"files,omitempty"`
}

// ItemDeferred moves an item's limits; refused for safety and statutory tasks
// past their own limit.
type ItemDeferred struct {
	Item   string  `bson:"item" json:"item"`
	Rig    string  `bson:"rig" json:"rig"`
	Reason string  `bson:"reason" json:"reason"`
	Due    Amounts `bson:"due,omitempty" json:"due,omitempty"`
	Date   string  `bson:"date,omitempty" json:"date,omitempty"`
}

// ItemStruck closes an item without the work being done; the task starts its
// next cycle from the entry's time.
type ItemStruck struct {
	Item   string `bson:"item" json:"item"`
	Rig    string `bson:"rig" json:"rig"`
	Reason string `bson:"reason" json:"reason"`
}

// ItemReturned takes back the last step of an item, which was entered by mistake
// or is not to be: "booked", "in-hand", "deferred", "done" or "struck". The item
// is then as it was before that step, with what was done and struck open again.
type ItemReturned struct {
	Item   string `bson:"item" json:"item"`
	Rig    string `bson:"rig" json:"rig"`
	Step   string `bson:"step" json:"step"`
	Reason string `bson:"reason" json:"reason"`
}

// DefectReported is a fault somebody saw. A safety defect stops the rig.
type DefectReported struct {
	Defect string `bson:"defect" json:"defect"`
	Rig    string `bson:"rig" json:"rig"`
	Part   string `bson:"part,omitempty" json:"part,omitempty"`
	Event  string `bson:"ev,omitempty" json:"event,omitempty"`
	Code   string `bson:"code,omitempty" json:"code,omitempty"`
	Text   string `bson:"text" json:"text"`
	Safety bool   `bson:"safety" json:"safety"`
}

// DefectCleared says how a defect was put right.
type DefectCleared struct {
	Defect string `bson:"defect" json:"defect"`
	Rig    string `bson:"rig" json:"rig"`
	Action string `bson:"action" json:"action"`
}

// TokenIssued lets a person or program in. Only the hash (hexadecimal SHA-256)
// of the token's random secret is kept. Yards empty means all yards; Expires
// is RFC 3339, empty for never.
type TokenIssued struct {
	Token   string   `bson:"token" json:"token"`
	Name    string   `bson:"name" json:"name"`
	Role    string   `bson:"role" json:"role"`
	Yards   []string `bson:"yards,omitempty" json:"yards,omitempty"`
	Rig     string   `bson:"rig,omitempty" json:"rig,omitempty"`
	Hash    string   `bson:"hash" json:"hash"`
	Expires string   `bson:"expires,omitempty" json:"expires,omitempty"`
}

// TokenRevoked ends a token.
type TokenRevoked struct {
	Token  string `bson:"token" json:"token"`
	Reason string `bson:"reason,omitempty" json:"reason,omitempty"`
}

// TokenUsed is the first use of a token on a day, at its full hour.
type TokenUsed struct {
	Token string `bson:"token" json:"token"`
}

// RequestKept remembers a write that carried an Idempotency-Key, in the same
// commit as what the write did: Key is a hash of token and key, Print one of
// method, path and body, Ref what was made, Status the answer's code.
type RequestKept struct {
	Key    string `bson:"key" json:"key"`
	Print  string `bson:"print" json:"print"`
	Status int    `bson:"status" json:"status"`
	Ref    string `bson:"ref,omitempty" json:"ref,omitempty"`
}

func (*PlanPublished) Kind() string  { return "plan.published" }
func (*ClassPublished) Kind() string { return "class.published" }
func (*PlanAdopted) Kind() string    { return "plan.adopted" }
func (*ItemRaised) Kind() string     { return "item.raised" }
func (*ItemBooked) Kind() string     { return "item.booked" }
func (*ItemStarted) Kind() string    { return "item.started" }
func (*ItemFinished) Kind() string   { return "item.finished" }
func (*ItemDeferred) Kind() string   { return "item.deferred" }
func (*ItemStruck) Kind() string     { return "item.struck" }
func (*ItemReturned) Kind() string   { return "item.returned" }
func (*DefectReported) Kind() string { return "defect.reported" }
func (*DefectCleared) Kind() string  { return "defect.cleared" }
func (*TokenIssued) Kind() string    { return "token.issued" }
func (*TokenRevoked) Kind() string   { return "token.revoked" }
func (*TokenUsed) Kind() string      { return "token.used" }
func (*RequestKept) Kind() string    { return "request.kept" }

func (f *PlanPublished) Subject() string  { return "" }
func (f *ClassPublished) Subject() string { return "" }
func (f *PlanAdopted) Subject() string    { return f.Rig }
func (f *ItemRaised) Subject() string     { return f.Rig }
func (f *ItemBooked) Subject() string     { return f.Rig }
func (f *ItemStarted) Subject() string    { return f.Rig }
func (f *ItemFinished) Subject() string   { return f.Rig }
func (f *ItemDeferred) Subject() string   { return f.Rig }
func (f *ItemStruck) Subject() string     { return f.Rig }
func (f *ItemReturned) Subject() string   { return f.Rig }
func (f *DefectReported) Subject() string { return f.Rig }
func (f *DefectCleared) Subject() string  { return f.Rig }
func (f *TokenIssued) Subject() string    { return "" }
func (f *TokenRevoked) Subject() string   { return "" }
func (f *TokenUsed) Subject() string      { return "" }
func (f *RequestKept) Subject() string    { return "" }
