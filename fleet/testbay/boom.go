package testbay

import "math"

// Distribution is what the gutters of a bench under the boom caught, left to
// right, in any one unit of volume.
type Distribution struct {
	GuttersML []float64 `json:"gutters_ml"`
	// OverlapGutters: so many gutters at each end lie outside the working width
	// and are met by the neighbouring pass. They are folded back, mirrored, onto
	// the inner edge. Zero: the list is the working width as it is.
	OverlapGutters int `json:"overlap_gutters,omitempty"`
}

// DistributionResult is the judged transverse distribution.
type DistributionResult struct {
	GuttersML []float64 `json:"gutters_ml"` // after folding
	MeanML    float64   `json:"mean_ml"`
	SDML      float64   `json:"sd_ml"`
	CVPercent float64   `json:"cv_percent"`
	Verdicts  []Verdict `json:"verdicts"` // CV first, then every gutter
	Pass      bool      `json:"pass"`
	Notice    string    `json:"notice"`
}

const mostGutters = 2000

// JudgeDistribution judges the coefficient of variation (sample deviation over
// mean) and every gutter's distance from the mean.
func JudgeDistribution(rs RuleSet, in Distribution) (DistributionResult, error) {
	b, ls, err := setUp(rs, PointDistribution, LimitDistributionCV, LimitGutter)
	if err := everyError(err, spanGutter.list("gutters_ml", in.GuttersML, 3, mostGutters)); err != nil {
		return DistributionResult{}, err
	}
	gutters, err := foldOverlap(in.GuttersML, in.OverlapGutters)
	if err != nil {
		return DistributionResult{}, err
	}
	s := spreadOf(gutters)
	if s.mean == 0 {
		return DistributionResult{}, refuse("gutters_ml", "caught nothing at all")
	}
	r := DistributionResult{GuttersML: gutters, MeanML: s.mean, SDML: *s.sd, CVPercent: *s.cvPercent(), Notice: Notice}
	b.most("coefficient of variation of the gutters", 0, r.CVPercent, ls[0])
	for i, g := range gutters {
		b.most("gutter from the mean", i+1, percentOff(g, s.mean), ls[1])
	}
	r.Verdicts, r.Pass = b.vs, Passed(b.vs)
	return r, nil
}

// foldOverlap adds the k outer gutters of each end, mirrored, to the k gutters
// inside the edge of the working width and drops them. Driving up and down, the
// neighbouring pass lays exactly its own tail there. No liquid is lost.
func foldOverlap(gutters []float64, k int) ([]float64, error) {
	inner := len(gutters) - 2*k
	if k < 0 || inner < 3 || inner < k {
		return nil, refuse("overlap_gutters", "%d does not leave a working width in %d gutters", k, len(gutters))
	}
	out := append([]float64(nil), gutters[k:k+inner]...)
	for i := range k {
		out[i] += gutters[k-1-i]
		out[inner-1-i] += gutters[k+inner+i]
	}
	return out, nil
}

// NozzleSpacing is the distance between neighbouring nozzles, left to right.
type NozzleSpacing struct {
	NominalCM  float64   `json:"nominal_cm"`
	SpacingsCM []float64 `json:"spacings_cm"`
}

// CheckNozzleSpacing judges each spacing against nominal.
func CheckNozzleSpacing(rs RuleSet, in NozzleSpacing) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointNozzleSpacing, LimitNozzleSpacing)
	if err := everyError(err, spanCM.field("nominal_cm", in.NominalCM), spanCM.list("spacings_cm", in.SpacingsCM, 1, mostNozzles)); err != nil {
		return nil, err
	}
	for i, x := range in.SpacingsCM {
		b.most("spacing from nominal", i+1, percentOff(x, in.NominalCM), ls[0])
	}
	return b.vs, nil
}

// NozzleUpright is the angle of each nozzle body from the vertical.
type NozzleUpright struct {
	Degrees []float64 `json:"degrees"` // signed
}

// CheckNozzleUpright judges each angle.
func CheckNozzleUpright(rs RuleSet, in NozzleUpright) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointNozzleUpright, LimitNozzleUpright)
	if err := everyError(err, spanDegrees.list("degrees", in.Degrees, 1, mostNozzles)); err != nil {
		return nil, err
	}
	for i, x := range in.Degrees {
		b.most("angle from upright", i+1, x, ls[0])
	}
	return b.vs, nil
}

// BoomHeight is the height of the nozzles over level ground along the boom.
type BoomHeight struct {
	WidthM    float64   `json:"width_m"`
	HeightsCM []float64 `json:"heights_cm"`
	// TargetCM is the height the boom was set to; absent: the mean of the heights.
	TargetCM *float64 `json:"target_cm,omitempty"`
}

// BoomHeightLimit gives the allowed deviation (cm) for a boom: the rule set's
// centimetres or its share of half the width, whichever is larger.
func BoomHeightLimit(rs RuleSet, widthM float64) (Limit, error) {
	ls, err := rs.values(LimitBoomHeight, LimitBoomHeightShare)
	if err := everyError(err, spanSwath.field("width_m", widthM)); err != nil {
		return Limit{}, err
	}
	if share := widthM * 100 / 2 * ls[1].Value / 100; share > ls[0].Value {
		return Limit{Value: share, Unit: "cm", Source: ls[1].Source}, nil
	}
	return ls[0], nil
}

// CheckBoomHeight judges every height against the target or the mean.
func CheckBoomHeight(rs RuleSet, in BoomHeight) ([]Verdict, error) {
	b, _, err := setUp(rs, PointBoomHeight)
	if err != nil {
		return nil, err
	}
	limit, err := BoomHeightLimit(rs, in.WidthM)
	if err := everyError(err, spanCM.list("heights_cm", in.HeightsCM, 2, mostNozzles), spanCM.optional("target_cm", in.TargetCM)); err != nil {
		return nil, err
	}
	base, what := spreadOf(in.HeightsCM).mean, "height from the mean"
	if in.TargetCM != nil {
		base, what = *in.TargetCM, "height from target"
	}
	for i, x := range in.HeightsCM {
		b.most(what, i+1, x-base, limit)
	}
	return b.vs, nil
}

// Drip is, per nozzle, how many seconds after the jet collapsed the last drop
// fell; zero where none fell.
type Drip struct {
	LastDropSeconds []float64 `json:"last_drop_seconds"`
}

// CheckDrip judges each nozzle.
func CheckDrip(rs RuleSet, in Drip) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointDrip, LimitDrip)
	if err := everyError(err, spanWait.list("last_drop_seconds", in.LastDropSeconds, 1, mostNozzles)); err != nil {
		return nil, err
	}
	for i, x := range in.LastDropSeconds {
		b.most("last drop after the jet collapsed", i+1, x, ls[0])
	}
	return b.vs, nil
}

// SectionWidth is the width of every boom section.
type SectionWidth struct {
	BoomWidthM float64   `json:"boom_width_m"`
	SectionsM  []float64 `json:"sections_m"`
}

// CheckSectionWidth judges each section against the limit for the boom's width.
// Sections that do not add up to the boom (within 5 %) are refused: one is
// missing or the unit is wrong.
func CheckSectionWidth(rs RuleSet, in SectionWidth) ([]Verdict, error) {
	b, ls, err := setUp(rs, PointSectionWidth, LimitSectionNarrow, LimitSectionNarrowUpTo, LimitSectionWide)
	if err := everyError(err, spanSwath.field("boom_width_m", in.BoomWidthM), spanSwath.list("sections_m", in.SectionsM, 1, mostNozzles)); err != nil {
		return nil, err
	}
	if sum := spreadOf(in.SectionsM).mean * float64(len(in.SectionsM)); math.Abs(percentOff(sum, in.BoomWidthM)) > 5 {
		return nil, refuse("sections_m", "add up to %s m, the boom is %s m wide", number(sum), number(in.BoomWidthM))
	}
	limit := ls[2]
	if atMost(in.BoomWidthM, ls[1].Value) {
		limit = ls[0]
	}
	for i, x := range in.SectionsM {
		b.most("section width", i+1, x, limit)
	}
	return b.vs, nil
}
