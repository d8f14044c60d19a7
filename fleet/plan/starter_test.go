package plan_test

import (
	"slices"
	"strings"
	"testing"

	"rigledger/fleet/plan"
)

// The trade's table of intervals, row by row in its own words; common practice
// unless a source is named. Words are what the table says, every and runIn how
// the house plan for trailed sprayers must put it.
var tradeTable = []struct {
	words  string
	source string
	task   string
	every  plan.Interval
	runIn  []plan.Interval
	check  func(*plan.Task) bool
}{
	{"oil change 500 h or 12 months; run-in 40 h", "", "pump-oil", every(500, 12), steps(40), nil},
	{"diaphragms 500 h or 12 months", "", "pump-diaphragms", every(500, 12), nil, nil},
	{"pump valves 1000 h", "", "pump-valves", every(1000, 0), nil, nil},
	{"air chamber pre-charge 50 h or month in season; before first use", "", "air-chamber", every(50, 1), []plan.Interval{{Days: 1}}, inSeason},
	{"suction and section filters 10 h or each fill", "", "suction-filter", every(10, 0), nil, nil},
	{"suction and section filters 10 h or each fill", "", "section-filters", every(10, 0), nil, nil},
	{"pressure filter 10 h and each product change", "", "pressure-filter", every(10, 0), nil, nil},
	{"nozzle flow check season start and 50 h or 500 ha", "", "nozzle-flow",
		plan.Interval{Amounts: hours(50).With(plan.Area, 500*10_000)}, nil, seasonStart},
	{"gearbox oil 500 h or 12 months; run-in 30 h", "", "gearbox-oil", every(500, 12), steps(30), nil},
	{"wheel nuts 100 h; after 2, 10, 50 km or 10 h, and after every wheel change", "", "wheel-nuts", every(100, 0), []plan.Interval{
		{Amounts: plan.Amounts{}.With(plan.Distance, 2_000)}, {Amounts: plan.Amounts{}.With(plan.Distance, 10_000)},
		{Amounts: hours(10).With(plan.Distance, 50_000)}}, func(t *plan.Task) bool { return t.RunInEveryFitting }},
	{"PTO shaft joints 8–10 h", "", "pto-joints", every(8, 0), nil, nil},
	{"PTO shaft tubes 50 h; run-in 8 h", "", "pto-tubes", every(50, 0), steps(8), nil},
	{"drawbar pivots 50 h; run-in 10 h", "", "drawbar-pivots", every(50, 0), steps(10), nil},
	{"axle pivots 50 h; run-in 10 h", "", "axle-pivots", every(50, 0), steps(10), nil},
	{"boom pivots 50 h; run-in 10 h", "", "boom-pivots", every(50, 0), steps(10), nil},
	{"boom pads and wires 250 h; run-in 10 h", "", "boom-pads", every(250, 0), steps(10), nil},
	{"wheel bearings: play 250 h; run-in 50 h", "", "wheel-bearing-play", every(250, 0), steps(50), nil},
	{"wheel bearings: repack 1000 h or 24 months", "", "wheel-bearing-repack", every(1000, 24), nil, nil},
	{"brakes: drain tank, week", "", "brake-drain", plan.Interval{Days: 7}, nil, nil},
	{"brakes: stroke 250 h; run-in 10 h", "", "brake-stroke", every(250, 0), steps(10), nil},
	{"brakes: lining 500 h", "", "brake-lining", every(500, 0), nil, nil},
	{"brakes: full check 12 months", "", "brake-full", every(0, 12), nil, nil},
	{"tyres: pressure, week", "", "tyre-pressure", plan.Interval{Days: 7}, nil, nil},
	{"tyres: age 10 years", "", "tyre-age", every(0, 10*12), nil, fromMade},
	{"hydraulic hoses: competent check 12 months; before first use", "DIN 20066:2002-10, DGUV 113-020", "hydraulic-hoses-check",
		every(0, 12), []plan.Interval{{Days: 1}}, nil},
	{"hydraulic hoses: replace 6 years from manufacture incl. at most 2 of storage", "DIN 20066:2002-10, DGUV 113-020", "hydraulic-hoses-replace",
		every(0, 6*12), nil, fromMade},
	{"spray-liquid hoses: pressure test 12 months", "", "spray-hoses-test", every(0, 12), nil, nil},
	{"spray-liquid hoses: replace 6 years", "", "spray-hoses-replace", every(0, 6*12), nil, nil},
	{"flow meter and speed sensor season start and after repair; first day", "", "flow-meter-check", plan.Interval{}, []plan.Interval{{Days: 1}}, seasonStart},
	{"flow meter and speed sensor season start and after repair; first day", "", "speed-sensor-check", plan.Interval{}, []plan.Interval{{Days: 1}}, seasonStart},
	{"gauge against a master 12 months", "", "gauge-check", every(0, 12), nil, nil},
	{"lights, wiring, valves season start and 250 h", "", "lights-wiring", every(250, 0), nil, seasonStart},
	{"lights, wiring, valves season start and 250 h", "", "valves-check", every(250, 0), nil, seasonStart},
	{"winter: before first frost (date)", "", "winter", plan.Interval{}, nil, func(t *plan.Task) bool { return len(t.On) == 1 }},
	{"every 3 years", "Directive 2009/128/EC Art. 8 (from memory)", "statutory-inspection", every(0, 3*12), nil,
		func(t *plan.Task) bool { return t.Weight == plan.Statutory }},
}

func every(h float64, months int) plan.Interval {
	i := plan.Interval{Months: months}
	if h > 0 {
		i.Amounts = hours(h)
	}
	return i
}

func steps(h float64) []plan.Interval { return []plan.Interval{every(h, 0)} }
func seasonStart(t *plan.Task) bool   { return t.SeasonStart }
func inSeason(t *plan.Task) bool      { return t.InSeason }
func fromMade(t *plan.Task) bool      { return t.Count == plan.FromMade }
func starterPlan(slug string) *plan.Plan {
	for _, p := range plan.Starter() {
		if p.Slug == slug {
			return p
		}
	}
	return nil
}

func TestTheHousePlanHasTheTradesIntervals(t *testing.T) {
	p := starterPlan("trailed-boom")
	told := map[string]bool{}
	for _, row := range tradeTable {
		told[row.task] = true
		task := p.Task(row.task)
		if task == nil {
			t.Errorf("%q: there is no task %s", row.words, row.task)
			continue
		}
		if task.Every != row.every || !slices.Equal(task.RunIn, row.runIn) {
			t.Errorf("%q: %s has every %+v, run-in %+v", row.words, row.task, task.Every, task.RunIn)
		}
		if row.check != nil && !row.check(task) {
			t.Errorf("%q: %s does not say so", row.words, row.task)
		}
		source := row.source
		if source == "" {
			source = "common practice"
		}
		if !strings.HasPrefix(task.Source, source) {
			t.Errorf("%s: source %q, want %q", row.task, task.Source, source)
		}
	}
	for _, task := range p.Tasks {
		if !told[task.Slug] {
			t.Errorf("%s is not in the trade's table", task.Slug)
		}
	}
}

func TestTheOtherHousePlansAskTheSameOfTheSameParts(t *testing.T) {
	trailed := starterPlan("trailed-boom")
	for _, slug := range []string{"mounted-boom", "self-propelled-boom"} {
		for _, task := range starterPlan(slug).Tasks {
			twin := trailed.Task(task.Slug)
			if twin == nil {
				continue
			}
			if task.Every != twin.Every || !slices.Equal(task.RunIn, twin.RunIn) || task.Weight != twin.Weight || task.Source != twin.Source {
				t.Errorf("%s: %s differs from the plan for trailed sprayers", slug, task.Slug)
			}
		}
	}
	centrifugal := starterPlan("self-propelled-boom")
	// "rotary / centrifugal pump: bearings 250 h; seal 500–1000 h; run-in 10 h", common practice
	if b := centrifugal.Task("centrifugal-bearings"); b.Every != every(250, 0) || !slices.Equal(b.RunIn, steps(10)) {
		t.Errorf("bearings: %+v", b)
	}
	if s := centrifugal.Task("centrifugal-seal"); s.Every != every(500, 0) {
		t.Errorf("seal: %+v", s)
	}
}

func TestLargerServicesIncludeTheSmaller(t *testing.T) {
	p := starterPlan("trailed-boom")
	for slug, want := range map[string][]string{
		"pump-diaphragms":         {"pump-oil"},
		"wheel-bearing-repack":    {"wheel-bearing-play"},
		"brake-full":              {"brake-lining", "brake-drain", "brake-stroke"},
		"boom-pads":               {"boom-pivots"},
		"hydraulic-hoses-replace": {"hydraulic-hoses-check"},
		"spray-hoses-replace":     {"spray-hoses-test"},
		"pump-oil":                nil,
	} {
		if got := p.ResetBy(slug); !slices.Equal(got, want) {
			t.Errorf("%s resets %v, want %v", slug, got, want)
		}
	}
}

func TestPlansClassesAndCautionsFitTogether(t *testing.T) {
	if len(plan.Starter()) != 3 || len(plan.Classes()) != 3 {
		t.Fatalf("got %d plans and %d classes", len(plan.Starter()), len(plan.Classes()))
	}
	for _, c := range plan.Classes() {
		p := plan.StarterFor(c.Name)
		if p == nil || p.Slug != c.Plan {
			t.Errorf("%s begins with plan %s, which is not the one written for it", c.Name, c.Plan)
			continue
		}
		kinds := map[string]bool{plan.WholeRig: true}
		for _, part := range c.Parts {
			kinds[part.Kind] = true
		}
		for _, task := range p.Tasks {
			if !kinds[task.Part] {
				t.Errorf("%s: %s is done on %s, which the class does not have", p.Slug, task.Slug, task.Part)
			}
			if task.Minutes == 0 || len(task.Checklist) == 0 {
				t.Errorf("%s: %s has no time or no checklist", p.Slug, task.Slug)
			}
		}
		for _, check := range p.Daily {
			if !kinds[check.Part] || check.Source == "" {
				t.Errorf("%s: daily check %q", p.Slug, check.Text)
			}
		}
		if !strings.Contains(p.Notice, "handbook") || !strings.Contains(p.Notice, "law of the place") {
			t.Errorf("%s: the notice does not say what comes first", p.Slug)
		}
		if c.Season.From.String() != "03-01" || c.Season.To.String() != "10-31" || c.Limits.MaxKmH != 30 || c.Limits.HoursPerDay != 24 {
			t.Errorf("%s: season %v, limits %+v", c.Name, c.Season, c.Limits)
		}
		for _, position := range []string{"pump", "filter-suction", "filter-pressure", "filter-section", "tank-main", "tank-rinse", "tank-handwash",
			"hoses-hydraulic", "hoses-spray", "regulation", "flow-meter", "speed-sensor", "gauge", "valves", "boom", "boom-section-1", "nozzles", "electrics"} {
			if c.PartAt(position) == nil {
				t.Errorf("%s has no %s", c.Name, position)
			}
		}
	}
	if plan.ClassByName("towed") != nil || plan.ClassByName("trailed").PartAt("pump").Meter != "pump" {
		t.Error("classes are found by name, parts by position")
	}
}

func TestCautionsForAnyJobComeFirst(t *testing.T) {
	kinds := func(cautions []plan.Caution) string {
		var out []string
		for _, c := range cautions {
			out = append(out, c.Kind)
		}
		return strings.Join(out, " ")
	}
	for _, c := range []struct {
		name string
		ask  []string
		want string
	}{
		{"no kind", nil, "any"},
		{"two kinds in the order asked", []string{"pump-pto", "pressure"}, "any pump-pto pressure"},
		{"none twice", []string{"pressure", "any", "pressure"}, "any pressure"},
		{"an unknown kind gives none", []string{"juggling"}, "any"},
	} {
		if got := kinds(plan.Cautions(c.ask)); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
	if got := kinds(plan.AllCautions()); got != "any pressure pump-pto boom-folding under-machine contaminated inside-tank accumulator wheels-brakes-road calibration welding-electrics" {
		t.Errorf("all: %s", got)
	}
	// The words and figures that must not get lost, with where they come from.
	for kind, must := range map[string][]string{
		"any":          {"key out", "PTO stopped", "chocked", "pressure released"}, // PUWER 1998, HSE "safe stop" (from memory)
		"pressure":     {"Never feel for a leak", "hospital at once"},              // DGUV 113-020, 209-071
		"boom-folding": {"9 m", "15 m", "Look up"},                                 // HSE AIS8
		"inside-tank":  {"confined space", "gas test", "rescue"},                   // Confined Spaces Regs 1997 (from memory)
		"accumulator":  {"nitrogen only", "oil side first"},                        // PSSR 2000 (from memory)
		"contaminated": {"Never blow through by mouth", "Gloves"},                  // COSHH (from memory)
		"calibration":  {"Clean water only"},                                       // Ohio State B-817
	} {
		shown := plan.Cautions([]string{kind})
		text := shown[len(shown)-1]
		for _, words := range must {
			if !strings.Contains(text.Text, words) || text.Source == "" {
				t.Errorf("%s does not say %q, or has no source", kind, words)
			}
		}
	}
}
