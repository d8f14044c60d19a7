package console

import (
	"context"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rigledger/events/sqlitestore"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

func TestWhatIsFound(t *testing.T) {
	ctx := context.Background()
	store, err := sqlitestore.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	f, err := fleet.Open(ctx, fleet.Options{Store: store, Zone: time.UTC, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		f.Close()
		_ = store.Close()
	})
	do := func(cmd fleet.Command) {
		t.Helper()
		if _, err := f.Do(ctx, "test", cmd, nil); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range plan.StarterTexts() {
		do(&fleet.PublishPlan{Text: string(s.Text)})
	}
	for code, yard := range map[string]string{"T01": "north", "T011": "north", "S01": "south"} {
		do(&fleet.RegisterRig{
			Rig: code, Name: "Meadow " + code, Class: "trailed", Yard: yard, WidthM: 24, TankL: 3500, FirstUse: "2025-03-01", Serial: "SN-" + code, Plan: "trailed-boom",
			Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}},
		})
	}
	do(&fleet.RemovePart{Part: "T01-gauge", Rig: "T01", Reason: "swapped"})
	do(&fleet.FitPart{Part: "G-77", Rig: "T01", Position: "gauge", Kind: "gauge", Name: "Gauge 16 bar", Serial: "gx-9", SKU: "GAUGE-16"})
	do(&fleet.IssueCertificate{ID: "c-1", Rig: "T01", Number: "ZN 4711", Sticker: "D-33", Tester: "A. Tester", Inspected: "2026-04-01"})
	do(&fleet.IssueCertificate{ID: "c-2", Rig: "S01", Number: "ZN 4712", Tester: "A. Tester", Inspected: "2026-04-01"})
	if _, err := fleet.NewRaiser(f).Raise(ctx); err != nil {
		t.Fatal(err)
	}

	all, north := fleet.Holder{Role: fleet.RoleManager}, fleet.Holder{Role: fleet.RoleReader, Yards: []string{"north"}}
	for name, c := range map[string]struct {
		who         fleet.Holder
		q           string
		only        string
		first       string // address of the first hit, "" for nothing found
		has, hasNot []string
	}{
		"a rig's code leads straight there":         {all, "t01", "T01", "/rigs/T01", []string{"/rigs/T011", "/parts/T01-axle"}, nil},
		"a piece of a code leads nowhere by itself": {all, "T0", "", "/rigs/T01", []string{"/rigs/T011"}, []string{"/rigs/S01"}},
		"a name":                                         {all, "meadow s", "", "/rigs/S01", nil, []string{"/rigs/T01"}},
		"a rig's serial":                                 {all, "SN-T011", "", "/rigs/T011", nil, []string{"/rigs/S01"}},
		"a part's serial, whole":                         {all, "GX-9", "", "/parts/G-77", nil, nil},
		"a part's order number":                          {all, "gauge-16", "", "/parts/G-77", nil, nil},
		"a part that was taken off, by its code":         {all, "T01-gauge", "", "/parts/T01-gauge", nil, nil},
		"a certificate's number":                         {all, "ZN 4711", "", "/rigs/T01", nil, []string{"/rigs/S01"}},
		"a sticker":                                      {all, "d-33", "", "/rigs/T01", nil, nil},
		"certificates, several":                          {all, "ZN 47", "", "/rigs/T01", []string{"/rigs/S01"}, nil},
		"a job by its title":                             {all, "nozzle flow CHECK", "", "/items/S01-nozzles.nozzle-flow.1", []string{"/items/T01-nozzles.nozzle-flow.1"}, nil},
		"another yard's certificate is not shown":        {north, "ZN 4712", "", "", nil, nil},
		"another yard's rig is not shown":                {north, "S01", "", "", nil, nil},
		"another yard's parts and jobs are not either":   {north, "nozzle", "", "/parts/T01-nozzles", []string{"/items/T01-nozzles.nozzle-flow.1"}, []string{"S01"}},
		"nothing, and that is said":                      {all, "no such thing", "", "", nil, nil},
		"a rig is not its own part: no code comes twice": {all, "S01", "S01", "/rigs/S01", nil, []string{"/parts/S01 "}},
	} {
		t.Run(name, func(t *testing.T) {
			var kinds []hits
			var only string
			f.View(func(s *fleet.State) { kinds, only = findIn(s, c.who, c.q) })
			if only != c.only {
				t.Errorf("leads straight to %q, want %q", only, c.only)
			}
			first, text := "", ""
			for _, k := range kinds {
				for _, h := range k.Found {
					if first == "" {
						first = h.To
					}
					text += h.To + " " + h.About + "\n"
				}
			}
			if first != c.first {
				t.Errorf("finds %q first, want %q", first, c.first)
			}
			for _, want := range c.has {
				if !strings.Contains(text, want+" ") {
					t.Errorf("does not find %s in\n%s", want, text)
				}
			}
			for _, never := range c.hasNot {
				if strings.Contains(text, never) {
					t.Errorf("finds %s in\n%s", never, text)
				}
			}
		})
	}
}

func TestMoreThanAPageOfHitsIsCounted(t *testing.T) {
	l := &lookup{q: "a"}
	l.begin("Rigs")
	for range findMost + 7 {
		l.look("/x", "a", "", "xa")
	}
	l.look("/exact", "zz", "", "A")
	kinds, exact := l.end(nil, 0)
	if len(kinds[0].Found) != findMost || kinds[0].More != 8 || exact != 1 || kinds[0].Found[0].To != "/exact" {
		t.Errorf("%d shown, %d more, %d exact, %q first", len(kinds[0].Found), kinds[0].More, exact, kinds[0].Found[0].To)
	}
}

func TestAnOpenJobIsFoundBeforeThoseThatHaveEnded(t *testing.T) {
	l := &lookup{q: "filter"}
	l.begin("Jobs")
	for to, ended := range map[string]time.Time{
		"/items/open": {}, "/items/a-long-ago": time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC), "/items/b-lately": time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
	} {
		if !l.look(to, "Suction filter clean", "", "suction filter clean") {
			t.Fatalf("%s is not found", to)
		}
		l.found[len(l.found)-1].ended = ended
	}
	kinds, _ := l.end(nil, 0)
	var order []string
	for _, h := range kinds[0].Found {
		order = append(order, h.To)
	}
	if !slices.Equal(order, []string{"/items/open", "/items/b-lately", "/items/a-long-ago"}) {
		t.Errorf("found in the order %v", order)
	}
}
