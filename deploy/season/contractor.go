package season

// Contractor is the fleet that the demo shows. People, places and names are
// invented.
type Contractor struct {
	Name string
	Rigs []Rig
}

// Rig is one of the contractor's sprayers, as it is registered.
type Rig struct {
	Code, Name, Class, Yard string
	WidthM, TankL           float64
	FirstUse                string
	PumpHours, Hectares     float64 // what its counters show when it comes under the ledger
	Quirk                   Quirk
}

// Quirk is what goes wrong with a rig's messages in a season.
type Quirk string

const (
	Plain    Quirk = ""
	Offline  Quirk = "no signal for days, then all at once, the newest first"
	Twice    Quirk = "sends every message twice"
	Swapped  Quirk = "gets a new pump counter in mid-season"
	Fallen   Quirk = "gets a new pump counter that nobody tells the office about"
	FastTime Quirk = "its clock once ran a day ahead"
	Batches  Quirk = "sends a day's readings as one batch"
	Leaking  Quirk = "reports a leaking hose near the season's end"
)

// ThreeLanterns is the demo's contractor: fourteen rigs in three yards.
func ThreeLanterns() Contractor {
	return Contractor{Name: "Three Lanterns Spraying (invented)", Rigs: []Rig{
		{"W01", "Low meadow", "trailed", "millrace", 24, 3500, "2019-03-11", 2810.4, 40112.6, Plain},
		{"W02", "Sandpit", "trailed", "millrace", 24, 3500, "2019-03-11", 2655.0, 38004.1, Twice},
		{"W03", "Long acre", "trailed", "millrace", 27, 4000, "2020-02-24", 2207.7, 34461.0, Offline},
		{"W04", "Crow wood", "trailed", "millrace", 36, 5200, "2022-04-02", 1430.2, 30127.5, Batches},
		{"W05", "Old kiln", "mounted", "millrace", 21, 1500, "2017-03-20", 3122.8, 29960.3, Plain},
		{"W06", "Windmill", "trailed", "hollowtree", 28, 4200, "2021-03-08", 1888.9, 31577.2, Swapped},
		{"W07", "Ferry road", "trailed", "hollowtree", 30, 4500, "2021-03-08", 1904.3, 34020.0, Plain},
		{"W08", "Three oaks", "trailed", "hollowtree", 24, 3800, "2018-04-16", 3360.1, 44812.9, Offline},
		{"W09", "Chalk down", "self-propelled", "hollowtree", 36, 4000, "2023-03-01", 1211.0, 33950.7, Plain},
		{"W10", "Weir", "trailed", "saltmarsh", 24, 3500, "2020-03-30", 2290.6, 30414.4, Fallen},
		{"W11", "Gull bank", "trailed", "saltmarsh", 33, 4800, "2024-02-26", 640.5, 13106.8, FastTime},
		{"W12", "Heron", "trailed", "saltmarsh", 39, 5500, "2025-03-03", 318.2, 8450.0, Batches},
		{"W13", "Drove", "mounted", "saltmarsh", 15, 1200, "2016-05-01", 2950.0, 17702.3, Twice},
		{"W14", "New ground", "trailed", "saltmarsh", 28, 4200, "", 0, 0, Leaking},
	}}
}
