package events

// The facts of the test bay. Readings of instruments are kept as they were
// read, decimals in the unit that their name carries (bar, l_min, l_ha, km_h,
// m, percent): they are never added up, so they need no base unit.

// RigPlaced says under which law a rig works from the entry's time on. Place is
// one of the interval tables; "" takes the rig out of all of them, so that its
// yard's place counts. Schemes are assurance schemes on top of the law.
type RigPlaced struct {
	Rig           string   `bson:"rig" json:"rig"`
	Place         string   `bson:"place" json:"place"`
	Schemes       []string `bson:"schemes,omitempty" json:"schemes,omitempty"`
	Contractor    bool     `bson:"contractor" json:"contractor"`
	Leased        bool     `bson:"leased" json:"leased"`
	FirstPurchase string   `bson:"purchase,omitempty" json:"first_purchase,omitempty"` // by whichever owner
}

// YardPlaced is the same for the rigs of a yard that have no place of their own.
type YardPlaced struct {
	Yard       string   `bson:"yard" json:"yard"`
	Place      string   `bson:"place" json:"place"`
	Schemes    []string `bson:"schemes,omitempty" json:"schemes,omitempty"`
	Contractor bool     `bson:"contractor" json:"contractor"`
}

// RuleSetPublished puts a set of limits on record that somebody added, as the
// text that was loaded.
type RuleSetPublished struct {
	RuleSet string `bson:"ruleset" json:"ruleset"`
	Edition string `bson:"edition" json:"edition"`
	Text    string `bson:"text" json:"text"`
}

// IntervalsPublished puts a table of inspection intervals on record. Its rules
// replace those of the same id that were known before.
type IntervalsPublished struct {
	Text string `bson:"text" json:"text"`
}

// Instrument is what was measured with. CheckedUntil is the last day on which
// its own check holds, "" when nobody knows.
type Instrument struct {
	Name         string `bson:"name" json:"name"`
	Serial       string `bson:"serial,omitempty" json:"serial,omitempty"`
	CheckedUntil string `bson:"until,omitempty" json:"checked_until,omitempty"`
}

// PointJudged is one point of an inspection sheet. Of a measured point it gives
// the reading with the least margin. Defect is the defect that a failure opened.
type PointJudged struct {
	Point    string  `bson:"point" json:"point"`
	Outcome  string  `bson:"outcome" json:"outcome"`
	Why      string  `bson:"why,omitempty" json:"why,omitempty"`
	StopsRig bool    `bson:"stops,omitempty" json:"stops_rig,omitempty"`
	Defect   string  `bson:"defect,omitempty" json:"defect,omitempty"`
	Worst    *Margin `bson:"worst,omitempty" json:"worst,omitempty"`
}

// Margin is a reading beside its limit, both in Unit.
type Margin struct {
	What     string  `bson:"what" json:"what"`
	Position int     `bson:"pos,omitempty" json:"position,omitempty"` // nozzle, section …, from 1
	Measured float64 `bson:"measured" json:"measured"`
	Sense    string  `bson:"sense" json:"sense"` // "at most" or "at least"
	Limit    float64 `bson:"limit" json:"limit"`
	Unit     string  `bson:"unit" json:"unit"`
	Margin   float64 `bson:"margin" json:"margin"`
	Source   string  `bson:"source" json:"source"`
}

// InspectionJudged is a filled sheet and how it was judged, at the entry's
// time. Sheet is its JSON; with Retest it is the sheet of the inspection named
// there with the points of Retested measured anew. The defects that failed
// points open, and those that passed points close, are facts of the same commit.
type InspectionJudged struct {
	Inspection  string        `bson:"id" json:"inspection"`
	Rig         string        `bson:"rig" json:"rig"`
	Statutory   bool          `bson:"statutory" json:"statutory"` // by a licensed tester, as the law asks
	RuleSet     string        `bson:"ruleset" json:"ruleset"`
	Edition     string        `bson:"edition" json:"edition"`
	Tester      string        `bson:"tester" json:"tester"`
	Station     string        `bson:"station,omitempty" json:"station,omitempty"`
	Retest      string        `bson:"retest,omitempty" json:"retest_of,omitempty"`
	Retested    []string      `bson:"retested,omitempty" json:"retested,omitempty"`
	Sheet       string        `bson:"sheet" json:"sheet"`
	Points      []PointJudged `bson:"points" json:"points"`
	Outcome     string        `bson:"outcome" json:"outcome"`
	RetestBy    string        `bson:"retest_by,omitempty" json:"retest_by,omitempty"`
	Instruments []Instrument  `bson:"instruments,omitempty" json:"instruments,omitempty"`
	Advisories  []string      `bson:"advice,omitempty" json:"advisories,omitempty"`
	Note        string        `bson:"note,omitempty" json:"note,omitempty"`
	File        string        `bson:"file,omitempty" json:"file,omitempty"`
}

// CalibrationMade is a calibration at the entry's time. FlowsLMin lists the
// nozzles from left to right, nil where none was measured.
type CalibrationMade struct {
	Calibration string       `bson:"id" json:"calibration"`
	Rig         string       `bson:"rig" json:"rig"`
	Part        string       `bson:"part,omitempty" json:"part,omitempty"` // the nozzle set
	Nozzle      string       `bson:"nozzle,omitempty" json:"nozzle,omitempty"`
	Tester      string       `bson:"tester" json:"tester"`
	RuleSet     string       `bson:"ruleset" json:"ruleset"`
	Edition     string       `bson:"edition" json:"edition"`
	Bar         float64      `bson:"bar" json:"bar"`
	NominalLMin *float64     `bson:"nominal,omitempty" json:"nominal_l_min,omitempty"`
	FlowsLMin   []*float64   `bson:"flows" json:"flows_l_min"`
	KmH         float64      `bson:"km_h" json:"km_h"`
	SpacingM    float64      `bson:"spacing" json:"spacing_m"`
	MeanLMin    float64      `bson:"mean" json:"mean_l_min"`
	CVPercent   *float64     `bson:"cv,omitempty" json:"cv_percent,omitempty"`
	LHa         float64      `bson:"l_ha" json:"l_ha"`
	TargetLHa   *float64     `bson:"target,omitempty" json:"target_l_ha,omitempty"`
	Checks      []Margin     `bson:"checks,omitempty" json:"checks,omitempty"` // the worst reading of each check
	Worst       *WorstNozzle `bson:"worst,omitempty" json:"worst_nozzle,omitempty"`
	Change      []int        `bson:"change,omitempty" json:"change,omitempty"` // positions out of limits
	ChangeSet   bool         `bson:"set,omitempty" json:"change_set,omitempty"`
	Outcome     string       `bson:"outcome" json:"outcome"`
	Instruments []Instrument `bson:"instruments,omitempty" json:"instruments,omitempty"`
	Advisories  []string     `bson:"advice,omitempty" json:"advisories,omitempty"`
	Note        string       `bson:"note,omitempty" json:"note,omitempty"`
	File        string       `bson:"file,omitempty" json:"file,omitempty"`
}

// WorstNozzle is the nozzle furthest from what it should flow. From is
// "nominal" or "mean".
type WorstNozzle struct {
	Position int     `bson:"pos" json:"position"`
	LMin     float64 `bson:"l_min" json:"l_min"`
	Percent  float64 `bson:"percent" json:"percent"`
	From     string  `bson:"from" json:"from"`
}

// CertificateIssued says that a tester found the rig fit. Inspected is the day
// of the inspection, Expires the last day that the certificate itself names.
type CertificateIssued struct {
	Certificate string `bson:"id" json:"certificate"`
	Rig         string `bson:"rig" json:"rig"`
	Inspection  string `bson:"inspection,omitempty" json:"inspection,omitempty"`
	Number      string `bson:"number" json:"number"`
	Sticker     string `bson:"sticker,omitempty" json:"sticker,omitempty"`
	Tester      string `bson:"tester" json:"tester"`
	Station     string `bson:"station,omitempty" json:"station,omitempty"`
	Inspected   string `bson:"inspected" json:"inspected"`
	Expires     string `bson:"expires,omitempty" json:"expires,omitempty"`
	File        string `bson:"file,omitempty" json:"file,omitempty"`
}

// CertificateWithdrawn ends a certificate at the entry's time.
type CertificateWithdrawn struct {
	Certificate string `bson:"id" json:"certificate"`
	Rig         string `bson:"rig" json:"rig"`
	Reason      string `bson:"reason" json:"reason"`
}

// HandoverSigned hands a rig to the workshop as clean at the entry's time.
type HandoverSigned struct {
	Handover   string   `bson:"id" json:"handover"`
	Rig        string   `bson:"rig" json:"rig"`
	Rinsed     bool     `bson:"rinsed" json:"rinsed"`
	Washed     bool     `bson:"washed" json:"washed_outside"`
	FiltersOut bool     `bson:"filters" json:"filters_out"`
	Products   []string `bson:"products" json:"last_products"`
	Signed     string   `bson:"signed" json:"signed_by"`
	Note       string   `bson:"note,omitempty" json:"note,omitempty"`
}

// MaxFileBytes bounds a file that is kept in the ledger.
const MaxFileBytes = 2 << 20

// FileKept holds a file inside the ledger, so that backup, replication and
// proof cover it. File is the hexadecimal SHA-256 of its bytes.
type FileKept struct {
	File  string `bson:"file" json:"file"`
	Name  string `bson:"name" json:"name"`
	Type  string `bson:"type" json:"type"` // media type, as its content says
	Bytes []byte `bson:"bytes" json:"bytes"`
}

func (*RigPlaced) Kind() string            { return "rig.placed" }
func (*YardPlaced) Kind() string           { return "yard.placed" }
func (*RuleSetPublished) Kind() string     { return "ruleset.published" }
func (*IntervalsPublished) Kind() string   { return "intervals.published" }
func (*InspectionJudged) Kind() string     { return "inspection.judged" }
func (*CalibrationMade) Kind() string      { return "calibration.made" }
func (*CertificateIssued) Kind() string    { return "certificate.issued" }
func (*CertificateWithdrawn) Kind() string { return "certificate.withdrawn" }
func (*HandoverSigned) Kind() string       { return "handover.signed" }
func (*FileKept) Kind() string             { return "file.kept" }

func (f *RigPlaced) Subject() string            { return f.Rig }
func (f *YardPlaced) Subject() string           { return "" }
func (f *RuleSetPublished) Subject() string     { return "" }
func (f *IntervalsPublished) Subject() string   { return "" }
func (f *InspectionJudged) Subject() string     { return f.Rig }
func (f *CalibrationMade) Subject() string      { return f.Rig }
func (f *CertificateIssued) Subject() string    { return f.Rig }
func (f *CertificateWithdrawn) Subject() string { return f.Rig }
func (f *HandoverSigned) Subject() string       { return f.Rig }
func (f *FileKept) Subject() string             { return "" }
