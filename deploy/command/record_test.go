package command_test

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigledger/deploy/command"
	"rigledger/deploy/service"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

func TestARecordFileIsHeldAgainstALedger(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	zone := time.UTC
	store, err := sqlitestore.Open(ctx, service.LedgerPath(dir))
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Open(ctx, fleet.Options{Store: store, Zone: zone})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.PublishStarters(ctx); err != nil {
		t.Fatal(err)
	}
	handover := &fleet.SignHandover{ID: "h-1", Rig: "T01", Rinsed: true, Washed: true, Products: []string{"water only"}, Signed: "O. Example"}
	for _, cmd := range []fleet.Command{
		&fleet.RegisterRig{Rig: "T01", Name: "Low meadow", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500}, handover,
	} {
		if _, err := f.Do(ctx, "tester", cmd, nil); err != nil {
			t.Fatal(err)
		}
	}
	r, err := f.Record(ctx, fleet.RigRecord, "T01", func(*fleet.Rig) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	verify := func(text []byte) (string, error) {
		file := filepath.Join(t.TempDir(), "record.json")
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		err := command.VerifyRecord(ctx, command.Ledger{Data: dir}, nil, file, &out)
		return out.String(), err
	}
	said, err := verify(text)
	if err != nil || !strings.Contains(said, "verified: the rig record T01") || !strings.Contains(said, r.Hash) {
		t.Errorf("said %q, %v", said, err)
	}
	for _, change := range [][2]string{{"3500", "3501"}, {r.Hash[:8], "00000000"}, {"water only", "water 0nly"}, {`"form": 2`, `"form": 1`}} {
		bad := strings.Replace(string(text), change[0], change[1], 1)
		if bad == string(text) {
			t.Fatalf("the record does not hold %q", change[0])
		}
		if _, err := verify([]byte(bad)); err == nil {
			t.Errorf("verifies with %q for %q", change[1], change[0])
		}
	}
	if _, err := verify([]byte("{}")); err == nil {
		t.Error("an empty record verifies")
	}
}
