// Package demo is `rigledger demo`: an invented contractor's fleet plays one
// season through the real service, rigs over NATS and people over the REST API,
// and leaves the ledger that such a season leaves.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"rigledger/deploy/season"
	"rigledger/deploy/service"
)

// Options are what `rigledger demo` can be told.
type Options struct {
	Data    string // empty folder for the ledger; "" for a temporary one
	Once    bool   // end after printing
	HTTP    string
	NATS    string
	Zone    *time.Location
	Version string
	Days    int // play only the season's last so many days; 0 for all
	Out     io.Writer
	Bar     io.Writer // progress goes here
	Log     *slog.Logger
	Today   time.Time // zero for the real day; tests fix it
}

// Run plays the season, prints what is due and, unless Once, serves until ctx
// ends.
func Run(ctx context.Context, o Options) (err error) {
	if o.Data == "" {
		dir, err := os.MkdirTemp("", "rigledger-demo-")
		if err != nil {
			return err
		}
		o.Data = dir
		if o.Once {
			defer os.RemoveAll(dir)
		}
	} else if entries, err := os.ReadDir(o.Data); err == nil && len(entries) > 0 {
		return fmt.Errorf("--data: %s is not empty; the demo begins a ledger of its own", o.Data)
	}
	clock := &clock{}
	if o.Today.IsZero() {
		o.Today = time.Now()
	}
	first, last := seasonBefore(o.Today.In(o.Zone))
	if o.Days > 0 {
		first = last.AddDate(0, 0, 1-o.Days)
	}
	clock.set(first.AddDate(0, 0, -1).Add(7 * time.Hour))

	began := time.Now()
	s, err := service.Start(ctx, service.Options{
		Data: o.Data, HTTP: o.HTTP, NATS: o.NATS, Zone: o.Zone, RaiseEvery: time.Minute,
		Version: o.Version, Log: o.Log, Now: clock.now,
	})
	if err != nil {
		return err
	}
	defer s.Close()
	token, err := os.ReadFile(filepath.Join(o.Data, service.TokenFile))
	if err != nil {
		return err
	}
	p := &play{
		service: s, clock: clock, zone: o.Zone, firm: season.ThreeLanterns(), first: first, last: last,
		office: &office{base: "http://" + s.Addresses.HTTP, token: strings.TrimSpace(string(token))},
		bar:    o.Bar, radios: map[string]*season.Radio{}, boots: map[string]bool{},
	}
	defer p.close()
	if err := p.run(ctx); err != nil {
		return err
	}
	// The season is over; from here on it is today.
	if end := o.Today; clock.now().Before(end) {
		clock.set(end)
	}
	clock.free()
	if _, err := s.Raise(ctx); err != nil {
		return err
	}
	if err := p.report(ctx, o.Out, time.Since(began)); err != nil {
		return err
	}
	if o.Once {
		return nil
	}
	fmt.Fprintf(o.Out, "\nThe yard:      %s\nSign in with:  %s\nLedger:        %s\nPress Ctrl-C to end.\n",
		p.office.base+"/", filepath.Join(o.Data, service.TokenFile), o.Data)
	select {
	case <-ctx.Done():
		return nil
	case err := <-s.Failed():
		return err
	}
}

// seasonBefore gives the newest spraying season that has at least three months
// to show: from 1 March to 31 October or to yesterday (house plan, common practice).
func seasonBefore(today time.Time) (first, last time.Time) {
	year := today.Year()
	if today.Month() < time.June {
		year--
	}
	first = time.Date(year, time.March, 1, 0, 0, 0, 0, today.Location())
	last = time.Date(year, time.October, 31, 0, 0, 0, 0, today.Location())
	if yesterday := time.Date(today.Year(), today.Month(), today.Day()-1, 0, 0, 0, 0, today.Location()); last.After(yesterday) {
		last = yesterday
	}
	return first, last
}

// clock stands where the season is, and runs on from there once it is free.
type clock struct {
	at    atomic.Int64 // Unix ms where it stands
	freed atomic.Int64 // real Unix ms when it was freed, 0 while it stands
}

func (c *clock) now() time.Time {
	at := time.UnixMilli(c.at.Load())
	if freed := c.freed.Load(); freed != 0 {
		at = at.Add(time.Since(time.UnixMilli(freed)))
	}
	return at.UTC()
}

func (c *clock) set(t time.Time) { c.at.Store(t.UnixMilli()) }
func (c *clock) free()           { c.freed.Store(time.Now().UnixMilli()) }

// errRefused is wrapped by what the office could not do.
var errRefused = errors.New("refused")
