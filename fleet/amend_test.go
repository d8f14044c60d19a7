package fleet_test

import (
	"testing"

	"rigledger/events"
	"rigledger/fleet"
)

func TestAnAmendmentNamesOnlyWhatItChanges(t *testing.T) {
	b := newBench(t)
	b.must(trailed("T01"))
	form := func() *fleet.AmendRig { // sends every field
		return &fleet.AmendRig{
			Rig: "T01", Name: ptr("Low meadow"), Yard: ptr("north"), WidthM: ptr(24.0), TankL: ptr(3500.0), FirstUse: ptr("2026-05-01"), Serial: ptr(""),
		}
	}
	if r := b.must(form()); len(r.Facts) != 0 || r.Commit != 0 {
		t.Errorf("nothing changed, and commit %d holds %d facts", r.Commit, len(r.Facts))
	}
	changed := form()
	changed.Name, changed.TankL = ptr("High meadow"), ptr(3600.0)
	r := b.must(changed)
	if len(r.Facts) != 1 {
		t.Fatalf("%d facts", len(r.Facts))
	}
	f := r.Facts[0].Fact.(*events.RigAmended)
	if f.Name == nil || *f.Name != "High meadow" || f.TankML == nil || *f.TankML != 3_600_000 || f.Yard != nil || f.WidthMM != nil || f.FirstUse != nil || f.Serial != nil {
		t.Errorf("the fact says %+v", f)
	}
	b.View(func(s *fleet.State) {
		if rig := s.Rigs["T01"]; rig.Name != "High meadow" || rig.Yard != "north" || rig.WidthMM != 24_000 || rig.FirstUse != "2026-05-01" {
			t.Errorf("the rig is %+v", rig)
		}
	})
}
