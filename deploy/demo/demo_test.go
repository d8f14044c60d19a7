package demo_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"rigledger/deploy/demo"
	"rigledger/deploy/service"
	"rigledger/events/sqlitestore"
)

// TestTheDemosDueListIsWhatBruteForceGives plays the demo and compares the list
// it printed with one counted from the ledger's bare facts.
func TestTheDemosDueListIsWhatBruteForceGives(t *testing.T) {
	today := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	data := t.TempDir()
	var out bytes.Buffer
	err := demo.Run(t.Context(), demo.Options{
		Data: data, Once: true, HTTP: "127.0.0.1:0", NATS: "127.0.0.1:0", Zone: time.UTC, Out: &out, Bar: io.Discard,
		Log: slog.New(slog.DiscardHandler), Today: today,
	})
	if err != nil {
		t.Fatal(err)
	}
	printed := map[string]string{}
	_, list, _ := strings.Cut(out.String(), "WEIGHT")
	for _, line := range strings.Split(list, "\n") {
		words := strings.Fields(line)
		for _, w := range words {
			if w == "due" || w == "overdue" {
				printed[words[len(words)-1]] = w
				break
			}
		}
	}
	store, err := sqlitestore.Open(t.Context(), service.LedgerPath(data))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	o := newOracle()
	if err := store.Read(context.Background(), 1, o.take); err != nil {
		t.Fatal(err)
	}
	want := o.due(t, today)
	for item, status := range want {
		// W14 alone is new: its run-ins are not the oracle's business, the rest of it is.
		if printed[item] != status {
			t.Errorf("%s: printed %q, brute force says %q", item, printed[item], status)
		}
	}
	for item, status := range printed {
		if want[item] == "" && !strings.HasPrefix(item, "W14") {
			t.Errorf("%s: printed %q, brute force does not have it", item, status)
		}
	}
	if len(want) < 30 {
		t.Errorf("brute force finds only %d items: too few to prove anything", len(want))
	}
	t.Logf("%d items due, all as counted by brute force", len(want))
}
