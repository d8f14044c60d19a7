package console

import (
	"encoding/json"
	"net/url"
	"strings"

	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// workInspection judges what is typed so far, by the sheet's own judge. Points
// that cannot be judged yet are left out, each with its reason.
func (v *visit) workInspection(s *fleet.State, w *worked, rs testbay.RuleSet) *inspectionSeen {
	cmd := fleet.JudgeInspection{ID: "i-typed"}
	w.into(&cmd)
	unclear := map[string]string{}
	sheet := cmd.Sheet
	for point := range halves(w.typed) {
		unclear[point] = word("Not all of it is entered yet.")
		sheet = without(sheet, point)
	}
	for name := range w.Wrong {
		if steps := strings.Split(name, "/"); len(steps) > 3 && steps[1] == "sheet" {
			unclear[steps[3]] = word("Something here cannot be read.")
			sheet = without(sheet, steps[3])
		}
	}
	if cmd.Retest != "" { // what stands from the first inspection is judged with it
		sheet = v.overFirst(s, cmd.Retest, sheet)
	}
	for range len(rs.Points) + 1 {
		result, err := testbay.Judge(sheet, rs)
		if err == nil {
			seen := seeSheet(result, sheet, rs)
			for point, why := range unclear {
				seen.unclear(point, why, rs)
			}
			seen.Typing = true
			return seen
		}
		point := ""
		for _, f := range faultsOf(err) {
			steps := strings.Split(f.Field, "/")
			if len(steps) < 3 {
				continue
			}
			point = steps[2]
			unclear[point] = word("Not all of it is entered yet.")
			if w.fault("/sheet"+f.Field, f.Message) || !strings.Contains(f.Message, "missing") {
				unclear[point] = f.Message
			}
		}
		if point == "" {
			break
		}
		sheet = without(sheet, point)
	}
	return &inspectionSeen{Outcome: string(testbay.Incomplete), Points: map[string]*pointSeen{}, Typing: true}
}

// overFirst lays a retest over the sheet of the first inspection.
func (v *visit) overFirst(s *fleet.State, first string, sheet testbay.Sheet) testbay.Sheet {
	old := s.Bay.Inspections[first]
	if old == nil || !v.who.MaySee(s.Rigs[old.Rig].Yard) {
		return sheet
	}
	merged, err := fleet.OverSheet(old.Sheet, sheet)
	if err != nil {
		return sheet
	}
	return merged
}

// halves finds measured points with a step that is entered by halves.
func halves(typed url.Values) map[string]bool {
	open := map[string]string{}
	halfSteps(typed, open)
	out := map[string]bool{}
	for name := range open {
		out[strings.Split(name, "/")[3]] = true
	}
	return out
}

// halfSteps finds the open fields of steps that are entered by halves, and files
// them in wrong: a gauge that nobody read must not stand for one that shows 0.
func halfSteps(typed url.Values, wrong map[string]string) {
	filled, open := map[string]bool{}, map[string][]string{}
	for name, values := range typed {
		steps := strings.Split(name, "/")
		if !strings.HasPrefix(name, "n:/sheet/measured/") || len(steps) != 7 || len(values) == 0 {
			continue
		}
		row := strings.Join(steps[:6], "/")
		if strings.TrimSpace(values[len(values)-1]) == "" {
			open[row] = append(open[row], name)
		} else {
			filled[row] = true
		}
	}
	for row := range filled {
		for _, name := range open[row] {
			wrong[name] = word("Not all of it is entered yet.")
		}
	}
}

// without takes a point out of a sheet.
func without(sheet testbay.Sheet, point string) testbay.Sheet {
	out := testbay.Sheet{Looked: map[string]testbay.Seen{}}
	for id, seen := range sheet.Looked {
		if id != point {
			out.Looked[id] = seen
		}
	}
	text, err := json.Marshal(sheet.Measured)
	if err != nil {
		return out
	}
	all := map[string]json.RawMessage{}
	if json.Unmarshal(text, &all) != nil {
		return out
	}
	delete(all, point)
	if text, err = json.Marshal(all); err == nil {
		_ = json.Unmarshal(text, &out.Measured) // it was ours a moment ago
	}
	return out
}
