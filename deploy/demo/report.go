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
		because, more := "", ""
		if n := len(r.Fitness.Reasons) - 1; n > 0 {
			more = fmt.Sprintf(", and %d more", n)
		}
		for _, why := range r.Fitness.Reasons {
			if why.Stops || because == "" {
				because = why.Text
			}
			if why.Stops {
				break
			}
		}
		fmt.Fprintf(w, "%s\t%s %s\t%.1f\t%.1f\t%s\t%s\n", r.Yard, r.Rig, r.Name, r.Totals["pump"].Hours, r.Totals["area"].Hectares, r.Fitness.State, because+more)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nWhat is due on %s: %d items (due: at its limit, within the grace; overdue: past it)\n\n",
		p.clock.now().In(p.zone).Format(time.DateOnly), len(due))
	sort.SliceStable(due, func(i, j int) bool {
		a, b := due[i], due[j]
		return strings.Join([]string{a.Yard, pressing(a), a.Rig, a.Part, a.Task}, "\x00") < strings.Join([]string{b.Yard, pressing(b), b.Rig, b.Part, b.Task}, "\x00")
	})
	fmt.Fprintln(w, "YARD\tRIG\tPART\tTASK\tWEIGHT\tSTANDS\tBY\tITEM")
	for _, it := range due {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", it.Yard, it.Rig, it.Part, it.Title, it.Weight, it.Status, past(it), it.Item)
	}
	return w.Flush()
}

// pressing sorts what stops a rig first, then what is overdue.
func pressing(it item) string {
	switch {
	case it.Weight != "routine" && it.Status == "overdue":
		return "0"
	case it.Status == "overdue":
		return "1"
	case it.Weight != "routine":
		return "2"
	}
	return "3"
}

// past says by how much the limits that were reached are passed: "12.4 h past".
func past(it item) string {
	var parts []string
	for _, q := range []struct{ field, unit string }{{"hours", "h"}, {"hectares", "ha"}, {"litres", "l"}, {"kilometres", "km"}, {"days", "days"}} {
		if v, ok := it.Remaining[q.field].(float64); ok && v <= 0 {
			parts = append(parts, strings.TrimSuffix(fmt.Sprintf("%.1f", -v), ".0")+" "+q.unit+" past")
		}
	}
	return strings.Join(parts, ", ")
}
