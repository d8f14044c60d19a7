package demo

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"sort"
	"strings"
	"text/tabwriter"
	"time"
)

// report prints the due list and which rigs may go out.
func (p *play) report(ctx context.Context, out io.Writer, took time.Duration) error {
	due, err := p.office.items(ctx, "status=due,overdue")
	if err != nil {
		return err
	}
	var ledger struct {
		Commit uint64 `json:"commit"`
		Hash   string `json:"hash"`
	}
	if err := p.office.call(ctx, http.MethodGet, "/v1/ledger", nil, &ledger); err != nil {
		return err
	}
	var rigs struct {
		Rigs []struct {
			Rig, Name, Yard string
			Totals          map[string]struct{ Hours, Hectares float64 }
			Fitness         struct {
				State   string
				Reasons []struct {
					Text  string
					Stops bool
				}
			}
		}
	}
	if err := p.office.call(ctx, http.MethodGet, "/v1/rigs?limit=500", nil, &rigs); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s, season %s to %s: %d events from %d rigs, %d jobs done, in %s.\nLedger at commit %d, hash %.16s…\n\n",
		p.firm.Name, p.first.Format(time.DateOnly), p.last.Format(time.DateOnly), p.events, len(p.firm.Rigs), p.done, took.Round(100*time.Millisecond), ledger.Commit, ledger.Hash)

	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "YARD\tRIG\tHOURS\tHECTARES\tFIT TO SPRAY\tBECAUSE")
	for _, r := range rigs.Rigs {
		because := ""
		for _, why := range r.Fitness.Reasons {
			if why.Stops || because == "" {
				because = why.Text
			}
			if why.Stops {
				break
			}
		}
		fmt.Fprintf(w, "%s\t%s %s\t%.1f\t%.1f\t%s\t%s\n", r.Yard, r.Rig, r.Name, r.Totals["pump"].Hours, r.Totals["area"].Hectares, r.Fitness.State, because)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nWhat is due today: %d items\n\n", len(due))
	sort.SliceStable(due, func(i, j int) bool {
		a, b := due[i], due[j]
		return strings.Join([]string{a.Yard, a.Rig, a.Status, a.Part, a.Task}, "\x00") < strings.Join([]string{b.Yard, b.Rig, b.Status, b.Part, b.Task}, "\x00")
	})
	fmt.Fprintln(w, "YARD\tRIG\tPART\tTASK\tSTANDS\tREMAINING\tITEM")
	for _, it := range due {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", it.Yard, it.Rig, it.Part, it.Title, it.Status, remaining(it), it.Item)
	}
	return w.Flush()
}

// remaining puts what is left, or past, in words: "-12.4 h", "3 days".
func remaining(it item) string {
	var parts []string
	for _, q := range []struct{ field, unit string }{{"hours", "h"}, {"hectares", "ha"}, {"litres", "l"}, {"kilometres", "km"}, {"days", "days"}} {
		if v, ok := it.Remaining[q.field].(float64); ok {
			parts = append(parts, strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")+" "+q.unit)
		}
	}
	return strings.Join(parts, ", ")
}
