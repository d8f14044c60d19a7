package command_test

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigledger/deploy/command"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
)

func TestTokenListSaysWhenEachWasLastUsedAndHowItStands(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	store, err := sqlitestore.Open(ctx, filepath.Join(dir, "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 5, 4, 8, 17, 0, 0, time.UTC)
	f, err := fleet.Open(ctx, fleet.Options{Store: store, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	add := func(name string, until *time.Time) (string, string) {
		cmd, text := fleet.NewToken(name, fleet.RoleReader)
		cmd.Expires = until
		if _, err := f.Do(ctx, "test", cmd, nil); err != nil {
			t.Fatal(err)
		}
		return cmd.ID(), text
	}
	_, used := add("used", nil)
	add("idle", nil)
	soon := now.Add(time.Minute)
	add("guest", &soon)
	lost, _ := add("lost", nil)
	if _, ok := f.HolderOf(used); !ok {
		t.Fatal("was not let in")
	}
	if err := f.NoteUses(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Do(ctx, "test", &fleet.RevokeToken{Token: lost}, nil); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}

	var out bytes.Buffer
	if err := command.ListTokens(ctx, command.Ledger{Data: dir, Zone: time.FixedZone("yard", 2*3600)}, &out); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string][]string{
		"used": {"2026-05-04 10h", "valid"}, "idle": {"never", "valid"}, "guest": {"never", "expired 2026-05-04T08:18:00Z"}, "lost": {"never", "revoked"},
	} {
		line := ""
		for l := range strings.Lines(out.String()) {
			if strings.Contains(l, " "+name+" ") {
				line = l
			}
		}
		for _, w := range want {
			if !strings.Contains(line, w) {
				t.Errorf("%s: no %q in %q", name, w, line)
			}
		}
	}
}
