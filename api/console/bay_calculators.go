package console

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"

	"rigledger/fleet/testbay"
)

// calculator is one of the API's own, with a form before it: what is typed is
// sent there, and what it answers is shown.
type calculator struct {
	Name, Title, Says string
	Asks, Gives       []ask
	Form              string
	Answer            []bayGiven
	Told              string // a caution that came with the answer
	Needs             []string
	Whole             string
	Wrongs            []wrongAt
}

// bayGiven is one thing of an answer.
type bayGiven struct {
	Label, Unit, Text string
	Value             float64
	Decimals          int
}

const calculatorForm = "calc-"

// calculatorsShown are those of the API that are asked without a rig.
func calculatorsShown() []calculator {
	return []calculator{
		{
			Name: "rate", Title: word("Rate, flow, speed, spacing"), Says: word("Leave one of the four open; it is worked out."),
			Asks: []ask{
				{Path: "l_ha", Label: word("Rate"), Unit: "l/ha"}, {Path: "l_min", Label: word("Flow of one nozzle"), Unit: "l/min"},
				{Path: "km_h", Label: word("Speed"), Unit: "km/h"}, {Path: "spacing_m", Label: word("Nozzle spacing"), Unit: "m"},
			},
		},
		{
			Name: "nozzle", Title: word("Nozzle choice by ISO 10625"), Says: word("The nominal flow of a size at a pressure, or the pressure at which it gives a flow."),
			Asks: []ask{
				{Path: "nozzle", Kind: "sizes", Label: word("Nozzle size by ISO 10625, at 3 bar")}, {Path: "bar", Label: word("Pressure"), Unit: "bar"},
				{Path: "l_min", Label: word("or the flow of one nozzle"), Unit: "l/min"},
			},
			Gives: []ask{{Path: "colour", Label: word("Colour in words")}},
		},
		{
			Name: "speed-range", Title: word("Speeds that a nozzle allows"), Says: word("Between the lowest and the highest pressure of the maker, for one rate."),
			Asks: []ask{
				{Path: "l_ha", Label: word("Rate"), Unit: "l/ha"}, {Path: "spacing_m", Label: word("Nozzle spacing"), Unit: "m"},
				{Path: "l_min", Label: word("Flow of one nozzle"), Unit: "l/min"}, {Path: "at_bar", Label: word("at the pressure"), Unit: "bar"},
				{Path: "low_bar", Label: word("Lowest pressure"), Unit: "bar"}, {Path: "high_bar", Label: word("Highest pressure"), Unit: "bar"},
			},
			Gives: []ask{{Path: "lowest_km_h", Label: word("Slowest"), Unit: "km/h"}, {Path: "highest_km_h", Label: word("Fastest"), Unit: "km/h"}},
		},
		{
			Name: "flow", Title: word("Flow at another pressure"), Says: word("Or the pressure for another flow. With a specific gravity, the flow of that liquid."),
			Asks: []ask{
				{Path: "l_min", Label: word("Flow of one nozzle"), Unit: "l/min"}, {Path: "bar", Label: word("at the pressure"), Unit: "bar"},
				{Path: "at_bar", Label: word("Other pressure"), Unit: "bar"}, {Path: "at_l_min", Label: word("or other flow"), Unit: "l/min"},
				{Path: "specific_gravity", Label: word("Specific gravity")},
			},
		},
		{
			Name: "course", Title: word("Speed over a course, rate of a test run"), Says: word("With litres and width, the rate that was applied over the course."),
			Asks: []ask{
				{Path: "course_m", Label: word("Course"), Unit: "m"}, {Path: "seconds", Label: word("Time over the course"), Unit: "s"},
				{Path: "litres", Label: word("Water used"), Unit: "l"}, {Path: "width_m", Label: word("Working width"), Unit: "m"},
			},
		},
		{
			Name: "capacity", Title: word("Hectares an hour"), Says: word("Efficiency is the share of the time that is sprayed, between 0 and 1."),
			Asks: []ask{
				{Path: "km_h", Label: word("Speed"), Unit: "km/h"}, {Path: "width_m", Label: word("Working width"), Unit: "m"}, {Path: "efficiency", Label: word("Field efficiency")},
			},
		},
		{
			Name: "rinse", Title: word("Rinsing"), Says: word("How far water in portions thins the residual; or, for a dilution that is wanted, the portions or the water."),
			Asks: []ask{
				{Path: "residual_l", Label: word("Residual"), Unit: "l"}, {Path: "water_l", Label: word("Rinse water"), Unit: "l"},
				{Path: "portions", Label: word("Portions")}, {Path: "wanted_dilution", Label: word("Dilution wanted, as 1 to")},
			},
		},
		{
			Name: "units", Title: word("Units"), Says: word("Between metric and US units."),
			Asks: []ask{{Path: "value", Label: word("Value")}, {Path: "from", Kind: "units", Label: word("Unit")}},
		},
	}
}

// bayGives names what answers hold, in the order in which they are shown.
var bayGives = []ask{
	{Path: "l_ha", Label: word("Rate"), Unit: "l/ha"}, {Path: "l_min", Label: word("Flow of one nozzle"), Unit: "l/min"},
	{Path: "km_h", Label: word("Speed"), Unit: "km/h"}, {Path: "spacing_m", Label: word("Nozzle spacing"), Unit: "m"},
	{Path: "bar", Label: word("Pressure"), Unit: "bar"}, {Path: "ha_h", Label: word("Hectares an hour"), Unit: "ha/h"},
	{Path: "dilution", Label: word("Dilution, as 1 to")}, {Path: "portions", Label: word("Portions")}, {Path: "water_l", Label: word("Rinse water"), Unit: "l"},
	{Path: "psi", Label: word("Pressure"), Unit: "psi"}, {Path: "gal_ac", Label: word("Rate"), Unit: "US gal/ac"}, {Path: "gal_min", Label: word("Flow"), Unit: "US gal/min"},
	{Path: "mph", Label: word("Speed"), Unit: "mph"}, {Path: "ha", Label: word("Area"), Unit: "ha"}, {Path: "ac", Label: word("Area"), Unit: "ac"},
	{Path: "m", Label: word("Length"), Unit: "m"}, {Path: "ft", Label: word("Length"), Unit: "ft"}, {Path: "l", Label: word("Volume"), Unit: "l"}, {Path: "gal", Label: word("Volume"), Unit: "US gal"},
}

// unitsKnown are those that the API turns into one another.
var unitsKnown = []option{
	{"bar", "bar"}, {"psi", "psi"}, {"l_ha", "l/ha"}, {"gal_ac", "US gal/ac"}, {"l_min", "l/min"}, {"gal_min", "US gal/min"}, {"km_h", "km/h"}, {"mph", "mph"},
	{"ha", "ha"}, {"ac", "ac"}, {"m", "m"}, {"ft", "ft"}, {"l", "l"}, {"gal", "US gal"},
}

// Field makes the input that asks for a thing.
func (k calculator) Field(f frame, a ask) (field, error) {
	switch a.Kind {
	case "sizes":
		return newField(f, k.Form, "s:/"+a.Path, "choice", a.Label, "options", nozzleSizes())
	case "units":
		return newField(f, k.Form, "s:/"+a.Path, "choice", a.Label, "options", unitsKnown)
	}
	return newField(f, k.Form, "n:/"+a.Path, "number", a.Label, "unit", a.Unit)
}

type calculatorsPage struct {
	All    []calculator
	Asked  *calculator // the one that is worked out now
	Notice string
}

func showCalculators(v *visit) error {
	d := calculatorsPage{All: calculatorsShown(), Notice: testbay.Notice}
	for i := range d.All {
		k := &d.All[i]
		k.Form = calculatorForm + k.Name
		if v.typedInto(k.Form) != nil {
			v.askCalculator(k)
			d.Asked = k
		}
	}
	return v.showWorked("bay_calculators.html", "bay_calculators_worked.html", word("Calculators of the test bay"), d)
}

// askCalculator sends what is typed to the API's calculator.
func (v *visit) askCalculator(k *calculator) {
	w := v.workedOf(v.refused.typed)
	defer func() {
		for name, text := range w.Wrong {
			v.refused.fields[name] = text
		}
		k.Wrongs = w.wrongs(k.Form)
	}()
	if len(w.Wrong) > 0 {
		return
	}
	r, err := http.NewRequestWithContext(v.r.Context(), http.MethodPost, "/v1/testbay/"+k.Name, bytes.NewReader(w.body))
	if err != nil {
		return
	}
	r.Header.Set("Content-Type", "application/json")
	a := v.ask(r)
	if !a.ok() {
		k.explain(w, a.body.Bytes())
		return
	}
	var answer map[string]any
	if json.Unmarshal(a.body.Bytes(), &answer) != nil {
		return
	}
	k.Told, _ = answer["caution"].(string)
	seen := map[string]bool{}
	for _, g := range append(k.Gives, bayGives...) {
		if seen[g.Path] {
			continue
		}
		seen[g.Path] = true
		switch x := answer[g.Path].(type) {
		case float64:
			text := strconv.FormatFloat(x, 'f', -1, 64)
			_, after, _ := strings.Cut(text, ".")
			k.Answer = append(k.Answer, bayGiven{Label: g.Label, Unit: g.Unit, Value: x, Decimals: len(after)})
		case string:
			k.Answer = append(k.Answer, bayGiven{Label: g.Label, Text: x})
		}
	}
}

// explain puts the API's refusal to the fields it is about. What is only still
// missing is named instead.
func (k *calculator) explain(w *worked, body []byte) {
	var p struct {
		Title, Detail string
		Errors        []struct{ Pointer, Detail string }
	}
	if json.Unmarshal(body, &p) != nil || len(p.Errors) == 0 {
		k.Whole = word("This could not be worked out.")
		return
	}
	for _, e := range p.Errors {
		if w.fault(e.Pointer, e.Detail) {
			continue
		}
		label := strings.TrimPrefix(e.Pointer, "/")
		for _, a := range k.Asks {
			if a.Path == label {
				label = a.Label
			}
		}
		k.Needs = append(k.Needs, label+": "+e.Detail)
	}
}
