package drill_test

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"rigledger/deploy/command"
	"rigledger/deploy/service"
	"rigledger/events"
	"rigledger/events/mongostore"
	"rigledger/events/sqlitestore"
	"rigledger/events/storetest"
	"rigledger/fleet"
)

// exportOf does a fixed piece of work on one store and gives its export.
func exportOf(t *testing.T, kind string) string {
	t.Helper()
	ctx := t.Context()
	l := command.Ledger{Data: t.TempDir(), Zone: time.UTC}
	var store events.Store
	var err error
	if kind == "mongo" {
		l.Mongo, l.MongoDB = storetest.Mongo(t), fmt.Sprintf("export_%d", time.Now().UnixNano())
		store, err = mongostore.Open(ctx, l.Mongo, l.MongoDB)
	} else {
		store, err = sqlitestore.Open(ctx, filepath.Join(l.Data, filepath.Base(service.LedgerPath(l.Data))))
	}
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	f, err := fleet.Open(ctx, fleet.Options{Store: store, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	do := func(cmd fleet.Command) {
		t.Helper()
		if _, err := f.Do(ctx, "tester", cmd, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.PublishStarters(ctx); err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		do(&fleet.RegisterRig{
			Rig: fmt.Sprintf("E%d", i), Name: "Größe <&> 🚜", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500, FirstUse: "2026-02-01",
			Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}, {Meter: "area", Quantity: "area"}},
		})
	}
	for n := range 200 {
		at := now.Add(time.Duration(n-300) * time.Hour)
		var arrivals []events.Arrival
		for i := range 3 {
			arrivals = append(arrivals, events.Arrival{
				Via: "rig.reading", Rig: fmt.Sprintf("E%d", i), Event: fmt.Sprintf("1:%d", n+1), Time: at, Kind: events.KindReading,
				Payload:  fmt.Appendf(nil, "%d", n),
				Counters: []events.RawCounter{{Meter: "pump", Value: float64(n%90) * 0.7, Unit: "HUR"}, {Meter: "area", Value: float64(n) * 8.1, Unit: "H18"}},
			})
		}
		if _, err := f.Take(context.Background(), arrivals); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := fleet.NewRaiser(f).Raise(ctx); err != nil {
		t.Fatal(err)
	}
	do(&fleet.ReportDefect{ID: "d-1", Rig: "E1", Part: "hoses-spray", Text: "drips", Safety: true})
	do(&fleet.ClearDefect{Defect: "d-1", Action: "new clamp"})
	f.Close()
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := command.Export(ctx, l, "ledger", &out); err != nil {
		t.Fatal(err)
	}
	return out.String()
}
