package fleet_test

import (
	"testing"

	"rigledger/events"
	"rigledger/fleet"
)

func TestNoJobIsBookedOnADayThatHasGoneBy(t *testing.T) {
	b := worked(t) // it is 7 May or later there
	today := b.clock.now()
	yesterday := today.AddDate(0, 0, -1)
	for name, cmd := range map[string]fleet.Command{
		"one job":  &fleet.BookItem{Item: suction, Date: yesterday.Format("2006-01-02")},
		"a visit":  &fleet.BookVisit{Rig: "T01", Date: yesterday.Format("2006-01-02"), Items: []string{suction}},
		"no day":   &fleet.BookItem{Item: suction},
		"no date":  &fleet.BookItem{Item: suction, Date: "soon"},
		"last May": &fleet.BookItem{Item: suction, Date: "2025-05-04"},
	} {
		if e := b.refused(cmd, fleet.Invalid); len(e.Fields) != 1 || e.Fields[0].Field != "/date" {
			t.Errorf("%s is refused at %+v, want /date", name, e.Fields)
		}
	}
	b.must(&fleet.BookItem{Item: suction, Date: today.Format("2006-01-02")})
	// What was done then is entered as done, with its time.
	b.must(&fleet.FinishItem{Item: suction, By: "Ana", At: &yesterday})
}

func TestTheReadingThatCameWithAJobsEndIsKeptWithIt(t *testing.T) {
	b := worked(t)
	shown := b.total("T01", "pump")
	b.must(&fleet.FinishItem{Item: suction, By: "Ana", Counters: []events.RawCounter{{Meter: "pump", Value: shown + 1, Unit: "HUR"}}})
	read := func() (all []events.Counter) {
		b.View(func(s *fleet.State) { all = s.Items[suction].Read })
		return all
	}
	if got := read(); len(got) != 1 || got[0].Meter != "pump" || got[0].Value != int64((shown+1)*3600) {
		t.Errorf("with the job is kept %+v, want pump at %v h", got, shown+1)
	}
	b.must(&fleet.ReturnItem{Item: suction, Step: fleet.StepDone, Reason: "wrong rig"})
	if got := read(); got != nil {
		t.Errorf("the job is open again, and keeps %+v", got)
	}
	b.must(&fleet.FinishItem{Item: suction, By: "Ana"})
	if got := read(); got != nil {
		t.Errorf("no reading came with it, and it keeps %+v", got)
	}
}
