package receive_test

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"rigledger/api/exchange/fleetxml"
	"rigledger/api/exchange/receive"
	"rigledger/api/exchange/taskdata"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

var now = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

var key = taskdata.Key{Name: "A00C840012345678", Serial: "SN-7"}

func open(t *testing.T, rigs ...*fleet.RegisterRig) *fleet.Fleet {
	t.Helper()
	ctx := context.Background()
	store, err := sqlitestore.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Open(ctx, fleet.Options{Store: store, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close(); _ = store.Close() })
	if err := f.PublishStarters(ctx); err != nil {
		t.Fatal(err)
	}
	for _, r := range rigs {
		if _, err := f.Do(ctx, "test", r, nil); err != nil {
			t.Fatal(err)
		}
	}
	return f
}

func rig(code, serial string, meters ...fleet.StartMeter) *fleet.RegisterRig {
	return &fleet.RegisterRig{Rig: code, Name: code, Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500, FirstUse: "2020-03-01", Serial: serial, Meters: meters}
}

var (
	machine  = fleet.StartMeter{Meter: "machine", Quantity: "hours"}
	spraying = fleet.StartMeter{Meter: "pump", Quantity: "hours", Spraying: true}
	area     = fleet.StartMeter{Meter: "area", Quantity: "area"}
)

var all = receive.Caller{Name: "test", Sees: func(*fleet.Rig) bool { return true }}

func read(m taskdata.Measure, base int64, at time.Time) taskdata.Reading {
	return taskdata.Reading{
		Measure: m, Amount: taskdata.Amount{Quantity: m.Quantity(), Base: base}, At: at, ID: fmt.Sprintf("%s-%d-%d", m.Quantity(), base, at.UnixMilli()),
	}
}

func take(t *testing.T, f *fleet.Fleet, named receive.Rigs, readings ...taskdata.Reading) *receive.Device {
	t.Helper()
	var lot *receive.Lot
	f.View(func(s *fleet.State) {
		lot = receive.TaskData(s, &taskdata.Report{Devices: []taskdata.Device{{Key: key, Readings: readings}}}, named, all)
	})
	if err := lot.Take(context.Background(), f, all); err != nil {
		t.Fatal(err)
	}
	return lot.Devices[0]
}

func TestEachCounterGoesToTheMeterThatCountsIt(t *testing.T) {
	at := now.Add(-time.Hour)
	for _, c := range []struct {
		name    string
		meters  []fleet.StartMeter
		measure taskdata.Measure
		meter   string // "": passed over
	}{
		{"working time is the machine's hour meter", []fleet.StartMeter{spraying, machine}, taskdata.WorkingTime, "machine"},
		{"effective time is the meter that runs while spraying", []fleet.StartMeter{spraying, machine}, taskdata.EffectiveTime, "pump"},
		{"effective time is not the machine's hour meter", []fleet.StartMeter{machine}, taskdata.EffectiveTime, ""},
		{"working time is not the pump's", []fleet.StartMeter{spraying}, taskdata.WorkingTime, ""},
		{"area is the hectare counter", []fleet.StartMeter{machine, area}, taskdata.Area, "area"},
		{"two meters it could be are a question", []fleet.StartMeter{machine, {Meter: "second", Quantity: "hours"}}, taskdata.WorkingTime, ""},
		{"engine time is no meter's", []fleet.StartMeter{machine}, taskdata.EngineTime, ""},
		{"effective distance alone is no odometer", []fleet.StartMeter{{Meter: "wheel", Quantity: "distance"}}, taskdata.EffectiveDistance, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := open(t, rig("T01", "SN-7", c.meters...))
			d := take(t, f, nil, read(c.measure, 7200, at))
			if (d.Taken == 1) != (c.meter != "") || (len(d.Skipped) == 1) != (c.meter == "") {
				t.Fatalf("%+v", d)
			}
			f.View(func(s *fleet.State) {
				for _, m := range s.Rigs["T01"].Meters {
					if _, read := m.Series.Last(); read != (m.Meter == c.meter) {
						t.Errorf("meter %s was read: %v", m.Meter, read)
					}
				}
			})
		})
	}
}

func TestWhichRigADeviceIs(t *testing.T) {
	for _, c := range []struct {
		name  string
		rigs  []*fleet.RegisterRig
		named receive.Rigs
		want  string
	}{
		{"the one with its serial number", []*fleet.RegisterRig{rig("T01", "SN-7", machine), rig("T02", "SN-8", machine)}, nil, "T01"},
		{"none where two have it", []*fleet.RegisterRig{rig("T01", "SN-7", machine), rig("T02", "SN-7", machine)}, nil, ""},
		{"none where nobody has it", []*fleet.RegisterRig{rig("T01", "", machine)}, nil, ""},
		{"the one named for its serial number", []*fleet.RegisterRig{rig("T01", "SN-7", machine), rig("T02", "", machine)}, receive.Rigs{"SN-7": "T02"}, "T02"},
		{"the one named for its NAME", []*fleet.RegisterRig{rig("T02", "", machine)}, receive.Rigs{key.Name: "T02"}, "T02"},
		{"none where the one named is not there", []*fleet.RegisterRig{rig("T01", "SN-7", machine)}, receive.Rigs{"SN-7": "X99"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := take(t, open(t, c.rigs...), c.named, read(taskdata.WorkingTime, 7200, now.Add(-time.Hour)))
			if d.Rig != c.want || (d.Taken == 1) != (c.want != "") {
				t.Errorf("%+v", d)
			}
		})
	}
}

// A season's readings are thinned in memory, so they could not all be told to be
// known by looking: the same file must write nothing all the same.
func TestASeasonTwiceWritesNothing(t *testing.T) {
	f := open(t, rig("T01", "SN-7", machine, area))
	var season []taskdata.Reading
	begin := now.AddDate(0, -2, 0)
	for i := range int64(2000) {
		at := begin.Add(time.Duration(i) * 15 * time.Minute)
		// Mostly standing: what lies on a level line is left out.
		season = append(season, read(taskdata.WorkingTime, 900*(i/10), at), read(taskdata.Area, 17_000*(i/10), at))
	}
	first := take(t, f, nil, season...)
	if first.Taken != len(season) {
		t.Fatalf("%d taken, %d held of %d: %+v", first.Taken, first.HeldCount, len(season), first.Held)
	}
	head := f.Head()
	again := take(t, f, nil, season...)
	if again.Known != len(season) || f.Head() != head {
		t.Errorf("the second time %d were taken, and the ledger went from %d to %d", again.Taken, head.N, f.Head().N)
	}
	// A later file holds the old readings and a new one.
	total := int64(900*199 + 600)
	more := take(t, f, nil, append(slices.Clone(season), read(taskdata.WorkingTime, total, begin.Add(2000*15*time.Minute)))...)
	if more.HeldCount != 0 {
		t.Errorf("%+v", more.Held)
	}
	f.View(func(s *fleet.State) {
		if got, _ := s.Rigs["T01"].Meter("machine").Series.Total(); got != total {
			t.Errorf("the meter shows %d s, want %d", got, total)
		}
	})
}

func TestFleetDataFindsItsRigAndSaysWhatItPassedOver(t *testing.T) {
	f := open(t, rig("T01", "SN-7", machine))
	hours := func(seconds int64) *fleetxml.Hours {
		return &fleetxml.Hours{At: now.Add(-time.Hour), Seconds: seconds}
	}
	snap := fleetxml.Snapshot{Equipment: []fleetxml.Equipment{
		{Header: fleetxml.Header{SerialNumber: "SN-7"}, OperatingHours: hours(3600), IdleHours: hours(60), Area: &fleetxml.Area{At: now, SquareMetres: 1}},
		{Header: fleetxml.Header{EquipmentID: "T01"}, OperatingHours: &fleetxml.Hours{}},
	}}
	var lot *receive.Lot
	f.View(func(s *fleet.State) {
		lot = receive.FleetData(s, snap, fleetxml.Problems{{Equipment: "equipment 3", Field: "Hour", Why: "no number"}}, all)
	})
	if err := lot.Take(context.Background(), f, all); err != nil {
		t.Fatal(err)
	}
	var what []string
	for _, s := range slices.Concat(lot.Devices[0].Skipped, lot.Devices[1].Skipped, lot.Skipped) {
		what = append(what, s.What)
	}
	if lot.Devices[0].Rig != "T01" || lot.Devices[0].Taken != 1 || fmt.Sprint(what) != "[CumulativeArea CumulativeIdleHours CumulativeOperatingHours equipment 3 Hour]" {
		t.Errorf("%+v %v", lot.Devices[0], what)
	}
}

func TestPairsOfDeviceAndRig(t *testing.T) {
	got, err := receive.ParseRigs([]string{"SN:7:T01", "SN-8:T02"})
	if err != nil || got["SN:7"] != "T01" || got["SN-8"] != "T02" {
		t.Error(got, err)
	}
	for _, bad := range []string{"", "SN-7", ":T01", "SN-7:", "SN-7:T 1"} {
		if _, err := receive.ParseRigs([]string{bad}); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	if _, err := receive.ParseRigs([]string{"SN-7:T01", "SN-7:T02"}); err == nil {
		t.Error("one device is two rigs")
	}
}

// A place of a log goes along with its counter; without one the counter counts all the same.
func TestThePlaceOfALogIsKept(t *testing.T) {
	f := open(t, rig("T01", "SN-7", machine))
	first, second := read(taskdata.WorkingTime, 7200, now.Add(-2*time.Hour)), read(taskdata.WorkingTime, 9000, now.Add(-time.Hour))
	first.Fix, first.Lat, first.Lon = true, 0.25, -0.5
	second.Fix = true // a log with a status and no position
	if d := take(t, f, nil, first, second); d.Taken != 2 {
		t.Fatalf("%+v", d)
	}
	f.View(func(s *fleet.State) {
		if r := s.Rigs["T01"]; r.Location == nil || r.Location.Latitude != 2_500_000 || r.Location.Longitude != -5_000_000 || !r.Located.Equal(first.At) {
			t.Errorf("it was at %+v, %v", r.Location, r.Located)
		}
	})
}
