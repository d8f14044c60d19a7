package testbay

import (
	"fmt"
	"math"
)

// mostNozzles bounds a catch test: a 60 m boom at 25 cm has 240.
const mostNozzles = 400

// CatchTest is what was caught per nozzle, left to right. A position that was
// not measured is nil (JSON null). Without a nominal flow the set is judged
// against its own mean.
type CatchTest struct {
	FlowsLMin   []*float64 `json:"flows_l_min"`
	NominalLMin *float64   `json:"nominal_l_min,omitempty"` // maker's flow at the test pressure, of the test liquid
}

// Basis says what the nozzles were judged against.
type Basis string

// The two bases of a catch test.
const (
	AgainstNominal Basis = "nominal"
	AgainstMean    Basis = "mean"
)

// NozzleReading is one position of a catch test.
type NozzleReading struct {
	Position           int      `json:"position"` // from 1
	LMin               *float64 `json:"l_min"`    // nil: not measured
	FromNominalPercent *float64 `json:"from_nominal_percent,omitempty"`
	FromMeanPercent    *float64 `json:"from_mean_percent,omitempty"`
	Verdict            *Verdict `json:"verdict,omitempty"`
	// Advisory: inside the limit, outside the rule set's warning band.
	Advisory bool `json:"advisory,omitempty"`
}

// CatchResult is the judged catch test.
type CatchResult struct {
	Nozzles   []NozzleReading `json:"nozzles"`
	Measured  int             `json:"measured"`
	Missing   []int           `json:"missing,omitempty"` // positions not measured
	MeanLMin  float64         `json:"mean_l_min"`
	SDLMin    *float64        `json:"sd_l_min,omitempty"` // sample (n−1); absent with one reading
	CVPercent *float64        `json:"cv_percent,omitempty"`
	Basis     Basis           `json:"basis"`
	// Change lists the positions out of limits; ChangeSet advises the whole set.
	Change       []int   `json:"change,omitempty"`
	Advisories   []int   `json:"advisories,omitempty"`
	ChangeSet    bool    `json:"change_set"`
	ChangeSetWhy string  `json:"change_set_why,omitempty"`
	Outcome      Outcome `json:"outcome"`
	Notice       string  `json:"notice"`
}

// Verdicts are those of the measured positions in order.
func (r CatchResult) Verdicts() []Verdict {
	var vs []Verdict
	for _, n := range r.Nozzles {
		if n.Verdict != nil {
			vs = append(vs, *n.Verdict)
		}
	}
	return vs
}

// JudgeCatch judges a catch test: each nozzle within the rule set's limit of
// nominal, or, nominal unknown, of the mean. The coefficient of variation of
// nozzle flows is shown and never judged: the limit on CV is one of the
// transverse distribution, which is another measurement.
//
// Outcome is fail when any nozzle is out, incomplete when none is out but a
// position was not measured, else pass (with advisories where a nozzle is
// outside the warning band).
func JudgeCatch(rs RuleSet, test CatchTest) (CatchResult, error) {
	b, ls, err := setUp(rs, PointNozzleFlow, LimitNozzleFromNominal, LimitNozzleFromMean, LimitNozzleAdvisory, LimitReplaceSetAt)
	if err != nil {
		return CatchResult{}, err
	}
	fromNominal, fromMean, advisory, setAt := ls[0], ls[1], ls[2], ls[3]
	flows, err := test.flows()
	if err != nil {
		return CatchResult{}, err
	}
	s := spreadOf(flows)
	r := CatchResult{Measured: len(flows), MeanLMin: s.mean, SDLMin: s.sd, CVPercent: s.cvPercent(), Basis: AgainstMean, Notice: Notice}
	limit, base, what := fromMean, s.mean, "from the mean of the set"
	if test.NominalLMin != nil {
		r.Basis, limit, base, what = AgainstNominal, fromNominal, *test.NominalLMin, "from nominal flow"
	}
	for i, flow := range test.FlowsLMin {
		n := NozzleReading{Position: i + 1, LMin: flow}
		if flow == nil {
			r.Missing = append(r.Missing, n.Position)
			r.Nozzles = append(r.Nozzles, n)
			continue
		}
		mean := percentOff(*flow, s.mean)
		n.FromMeanPercent = &mean
		if test.NominalLMin != nil {
			nominal := percentOff(*flow, *test.NominalLMin)
			n.FromNominalPercent = &nominal
		}
		off := percentOff(*flow, base)
		b.most(what, n.Position, off, limit)
		v := b.vs[len(b.vs)-1]
		n.Verdict = &v
		switch {
		case !v.Pass:
			r.Change = append(r.Change, n.Position)
		case !atMost(math.Abs(off), advisory.Value):
			n.Advisory = true
			r.Advisories = append(r.Advisories, n.Position)
		}
		r.Nozzles = append(r.Nozzles, n)
	}
	if out := len(r.Change); float64(out) >= setAt.Value {
		r.ChangeSet = true
		r.ChangeSetWhy = fmt.Sprintf("%d nozzles are out of limits, the whole set is advised from %s: %s", out, number(setAt.Value), setAt.Source)
	}
	switch {
	case len(r.Change) > 0:
		r.Outcome = Fail
	case len(r.Missing) > 0:
		r.Outcome = Incomplete
	case len(r.Advisories) > 0:
		r.Outcome = PassWithAdvisories
	default:
		r.Outcome = Pass
	}
	return r, nil
}

// flows checks the input and gives the measured values.
func (test CatchTest) flows() ([]float64, error) {
	if n := len(test.FlowsLMin); n == 0 || n > mostNozzles {
		return nil, refuse("flows_l_min", "has %d positions, needs 1 to %d", n, mostNozzles)
	}
	if err := spanNozzle.optional("nominal_l_min", test.NominalLMin); err != nil {
		return nil, err
	}
	var flows []float64
	for i, flow := range test.FlowsLMin {
		if flow == nil {
			continue
		}
		field := fmt.Sprintf("flows_l_min[%d]", i)
		if *flow == 0 {
			return nil, refuse(field, "is zero: a blocked nozzle is cleaned and caught again; leave the position open if it was not measured")
		}
		if err := spanNozzle.field(field, *flow); err != nil {
			return nil, err
		}
		flows = append(flows, *flow)
	}
	if len(flows) == 0 {
		return nil, refuse("flows_l_min", "no position was measured")
	}
	if test.NominalLMin == nil && len(flows) < 2 {
		return nil, refuse("flows_l_min", "one reading has no mean to be judged against; give nominal_l_min or catch more nozzles")
	}
	return flows, nil
}

// NozzlePrices are in minor units (cents) of one currency.
type NozzlePrices struct {
	EachMinor int64  `json:"each_minor"`
	SetMinor  *int64 `json:"set_minor,omitempty"` // price of a whole set; absent: every position at EachMinor
}

// NozzleCost compares changing single nozzles with changing the set.
type NozzleCost struct {
	SinglesMinor  int64 `json:"singles_minor"`
	WholeSetMinor int64 `json:"whole_set_minor"`
	// SetCheaper: the set costs no more than the single nozzles now.
	SetCheaper bool `json:"set_cheaper"`
	// SetAdvised repeats the field rule, whatever the prices.
	SetAdvised bool `json:"set_advised"`
}

// CostOfChange prices the change that a catch result asks for.
func CostOfChange(r CatchResult, prices NozzlePrices) (NozzleCost, error) {
	const most = 1_000_000_00
	if prices.EachMinor <= 0 || prices.EachMinor > most {
		return NozzleCost{}, refuse("each_minor", "%d is not a price between 1 and %d", prices.EachMinor, most)
	}
	set := prices.EachMinor * int64(len(r.Nozzles))
	if prices.SetMinor != nil {
		if *prices.SetMinor <= 0 || *prices.SetMinor > most*mostNozzles {
			return NozzleCost{}, refuse("set_minor", "%d is not a price", *prices.SetMinor)
		}
		set = *prices.SetMinor
	}
	singles := prices.EachMinor * int64(len(r.Change))
	return NozzleCost{SinglesMinor: singles, WholeSetMinor: set, SetCheaper: len(r.Change) > 0 && set <= singles, SetAdvised: r.ChangeSet}, nil
}

func roundMinor(x float64) int64 { return int64(math.Round(x)) }
