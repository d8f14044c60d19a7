package command

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"rigledger/fleet"
)

// recordMost bounds a record's file, in bytes.
const recordMost = 64 << 20

// VerifyRecord checks a record that was handed over, as JSON, against a ledger:
// one changed digit makes it fail. A zone of nil is the one that the record names.
func VerifyRecord(ctx context.Context, l Ledger, zone *time.Location, file string, out io.Writer) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, recordMost+1))
	if err != nil {
		return fmt.Errorf("reading %s: %w", file, err)
	}
	if len(text) > recordMost {
		return fmt.Errorf("%s: is larger than %d bytes", file, recordMost)
	}
	store, err := l.open(ctx)
	if err != nil {
		return err
	}
	defer store.Close()
	r, err := fleet.VerifyRecord(ctx, store, zone, text)
	if err != nil {
		return fmt.Errorf("%s: not verified: %w", file, err)
	}
	fmt.Fprintf(out, "verified: the %s record %s of rig %s is what the ledger says at commit %d\nmade in the time zone %s; %d facts in %d commits; record hash %s\n",
		r.Of, r.ID, r.Rig.Rig, r.AsOf.N, r.Zone, len(r.Facts), len(r.Commits), r.Hash)
	fmt.Fprintln(out, r.Notice)
	return nil
}
