package testbay

import (
	"fmt"
	"slices"
	"strings"
	"sync"
)

// NozzleSize is one size of the nozzle table.
type NozzleSize struct {
	Code   string  `json:"code"`             // "03"
	Colour string  `json:"colour,omitempty"` // empty: not known here
	LMin   float64 `json:"l_min"`            // water, at AtBar
	AtBar  float64 `json:"at_bar"`
}

// FlowAt gives the size's nominal flow (l/min of water) at a pressure.
func (n NozzleSize) FlowAt(bar float64) (float64, error) {
	return FlowAtPressure(n.LMin, n.AtBar, bar)
}

// PressureFor gives the pressure (bar) at which the size flows lMin of water.
func (n NozzleSize) PressureFor(lMin float64) (float64, error) {
	return PressureForFlow(n.LMin, n.AtBar, lMin)
}

// Strainer is one mesh of the strainer table.
type Strainer struct {
	Mesh   int    `json:"mesh" yaml:"mesh"`
	Colour string `json:"colour" yaml:"colour"`
}

// NozzleTable holds nozzle sizes and strainer colours with where they are from.
type NozzleTable struct {
	Standard          string       `json:"standard"`
	ValidFrom         Date         `json:"valid_from"`
	Source            string       `json:"source"`
	Sizes             []NozzleSize `json:"sizes"`
	StrainerStandard  string       `json:"strainer_standard"`
	StrainerValidFrom Date         `json:"strainer_valid_from"`
	StrainerSource    string       `json:"strainer_source"`
	Strainers         []Strainer   `json:"strainers"`
}

// Size finds a size by its code ("03") or its colour ("blue").
func (t NozzleTable) Size(codeOrColour string) (NozzleSize, error) {
	want := strings.ToLower(strings.TrimSpace(codeOrColour))
	if want != "" {
		for _, n := range t.Sizes {
			if want == n.Code || want == n.Colour {
				return n, nil
			}
		}
	}
	return NozzleSize{}, refuse("size", "%q is no nozzle size of %s", codeOrColour, t.Standard)
}

type nozzleFile struct {
	Nozzles struct {
		Standard  string  `yaml:"standard"`
		ValidFrom string  `yaml:"valid_from"`
		Source    string  `yaml:"source"`
		AtBar     float64 `yaml:"at_bar"`
		Sizes     []struct {
			Code   string  `yaml:"code"`
			Colour string  `yaml:"colour"`
			LMin   float64 `yaml:"l_min"`
		} `yaml:"sizes"`
	} `yaml:"nozzles"`
	Strainers struct {
		Standard  string     `yaml:"standard"`
		ValidFrom string     `yaml:"valid_from"`
		Source    string     `yaml:"source"`
		Meshes    []Strainer `yaml:"meshes"`
	} `yaml:"strainers"`
}

// ParseNozzleTable reads a nozzle table from YAML. Errors are *[ParseError].
func ParseNozzleTable(data []byte) (NozzleTable, error) {
	var file nozzleFile
	if err := decodeRules(data, &file); err != nil {
		return NozzleTable{}, err
	}
	t := NozzleTable{Standard: file.Nozzles.Standard, Source: file.Nozzles.Source,
		StrainerStandard: file.Strainers.Standard, StrainerSource: file.Strainers.Source, Strainers: file.Strainers.Meshes}
	var err error
	if t.ValidFrom, err = ParseDate(file.Nozzles.ValidFrom); err != nil {
		return NozzleTable{}, &ParseError{Field: "nozzles.valid_from", Reason: err.Error()}
	}
	if t.StrainerValidFrom, err = ParseDate(file.Strainers.ValidFrom); err != nil {
		return NozzleTable{}, &ParseError{Field: "strainers.valid_from", Reason: err.Error()}
	}
	for _, s := range []struct{ field, text string }{{"nozzles.standard", t.Standard}, {"nozzles.source", t.Source},
		{"strainers.standard", t.StrainerStandard}, {"strainers.source", t.StrainerSource}} {
		if strings.TrimSpace(s.text) == "" {
			return NozzleTable{}, &ParseError{Field: s.field, Reason: "is missing"}
		}
	}
	if err := spanBar.field("at_bar", file.Nozzles.AtBar); err != nil {
		return NozzleTable{}, &ParseError{Field: "nozzles", Reason: err.Error()}
	}
	seen := map[string]bool{}
	for i, n := range file.Nozzles.Sizes {
		field := fmt.Sprintf("nozzles.sizes[%d]", i)
		if n.Code == "" || seen[n.Code] || (n.Colour != "" && seen[n.Colour]) {
			return NozzleTable{}, &ParseError{Field: field, Reason: "has no code, or a code or colour that is there twice"}
		}
		if err := spanNozzle.field("l_min", n.LMin); err != nil {
			return NozzleTable{}, &ParseError{Field: field, Reason: err.Error()}
		}
		seen[n.Code], seen[n.Colour] = true, true
		t.Sizes = append(t.Sizes, NozzleSize{Code: n.Code, Colour: n.Colour, LMin: n.LMin, AtBar: file.Nozzles.AtBar})
	}
	if len(t.Sizes) == 0 {
		return NozzleTable{}, &ParseError{Field: "nozzles.sizes", Reason: "is empty"}
	}
	for i := 1; i < len(t.Sizes); i++ {
		if atMost(t.Sizes[i].LMin, t.Sizes[i-1].LMin) {
			return NozzleTable{}, &ParseError{Field: fmt.Sprintf("nozzles.sizes[%d]", i), Reason: "does not flow more than the size before it"}
		}
	}
	for i, m := range t.Strainers {
		if m.Mesh < 1 || m.Mesh > 1000 || m.Colour == "" {
			return NozzleTable{}, &ParseError{Field: fmt.Sprintf("strainers.meshes[%d]", i), Reason: "needs a mesh of 1 to 1000 and a colour"}
		}
	}
	return t, nil
}

var builtInNozzles = sync.OnceValues(func() (NozzleTable, error) {
	data, err := ruleFiles.ReadFile("rules/nozzle-sizes.yaml")
	if err != nil {
		return NozzleTable{}, fmt.Errorf("reading the nozzle table: %w", err)
	}
	return ParseNozzleTable(data)
})

// Nozzles returns the built-in nozzle table. The caller owns the copy.
func Nozzles() NozzleTable {
	t, err := builtInNozzles()
	if err != nil {
		panic(err) // the embedded file is wrong: no test of this package passes then
	}
	t.Sizes, t.Strainers = slices.Clone(t.Sizes), slices.Clone(t.Strainers)
	return t
}
