package console

import (
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/testbay"
)

// ofBay tells of the test bay: places and their law, inspections, calibrations,
// certificates.
func (t *telling) ofBay(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.RigPlaced:
		return t.about(onlyIf(f.Place == "", word("that of its yard"))+placeName(t.s, f.Place), strings.Join(schemeNames(t.s, f.Schemes), ", "), contractorWords(f.Contractor), onlyIf(f.Leased, word("leased")), led(word("first bought"), f.FirstPurchase))
	case *events.YardPlaced:
		return t.about(f.Yard, placeName(t.s, f.Place), strings.Join(schemeNames(t.s, f.Schemes), ", "), contractorWords(f.Contractor))
	case *events.RuleSetPublished:
		return t.about(f.RuleSet, led(word("edition"), f.Edition))
	case *events.IntervalsPublished:
		return t.about(intervalNames(f.Text))
	case *events.InspectionJudged:
		kind := word("own check")
		if f.Statutory {
			kind = word("licensed inspection")
		}
		t.Proof = led(word("paper kept:"), f.File)
		return t.about(plainOutcome(f.Outcome), kind, byAt(f.Tester, f.Station), led(word("not passed:"), failedPoints(t.s, f)), led(word("retest by"), f.RetestBy),
			onlyIf(f.Retest != "", word("retest of an earlier one")), f.Note)
	case *events.CalibrationMade:
		worst := ""
		if w := f.Worst; w != nil {
			worst = word("worst nozzle") + " " + strconv.Itoa(w.Position) + ": " + figure(w.LMin) + " l/min, " + figure(w.Percent) + " % " + word("off the") + " " + w.From
		}
		t.Proof = led(word("paper kept:"), f.File)
		return t.about(plainOutcome(f.Outcome), f.Tester, f.Nozzle, figure(f.LHa)+" l/ha", figure(f.KmH)+" km/h", figure(f.Bar)+" bar", worst, f.Note)
	case *events.CertificateIssued:
		t.Proof = led(word("paper kept:"), f.File)
		return t.about(f.Number, led(word("sticker"), f.Sticker), byAt(f.Tester, f.Station), led(word("inspected"), f.Inspected), led(word("until"), f.Expires))
	case *events.CertificateWithdrawn:
		number := f.Certificate
		if c := t.s.Bay.Certificates[f.Certificate]; c != nil {
			number = c.Number
		}
		return t.about(number, f.Reason)
	case *events.FileKept:
		return t.about(f.Name, f.Type, strconv.Itoa((len(f.Bytes)+1023)/1024)+" KiB")
	}
	return false
}

func byAt(tester, station string) string { return strings.Join(notEmpty(tester, station), ", ") }

func contractorWords(yes bool) string {
	if yes {
		return word("works for others, as a contractor")
	}
	return word("works on its owner's fields alone")
}

// failedPoints names the points that were not passed.
func failedPoints(s *fleet.State, f *events.InspectionJudged) string {
	var names []string
	for _, p := range f.Points {
		if p.Outcome == string(testbay.Fail) {
			names = append(names, s.PointName(f.RuleSet, f.Edition, p.Point))
		}
	}
	return strings.Join(names, " + ")
}

// intervalNames names the rules of a table of intervals.
func intervalNames(text string) string {
	rules, err := testbay.ParseIntervals([]byte(text))
	if err != nil {
		return ""
	}
	var names []string
	for _, r := range rules {
		names = append(names, r.Place+", "+r.Name)
	}
	return inARow(names...)
}
