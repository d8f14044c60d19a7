// Command gosmoke is what an integrator's program does, in Go: it knows a running
// rigledger by its address, a token, and a client generated from the document alone.
// tssmoke takes the same steps in TypeScript; both print the same lines.
package main

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"gosmoke/rigapi"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// smoke is the client and what earlier steps learned.
type smoke struct {
	*rigapi.ClientWithResponses
	ctx    context.Context
	url    string
	commit int
	tag    string
}

func run() error {
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	s := &smoke{ctx: ctx, url: os.Getenv("RIGLEDGER_URL")}
	bearer := func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+os.Getenv("RIGLEDGER_TOKEN"))
		return nil
	}
	var err error
	if s.ClientWithResponses, err = rigapi.NewClientWithResponses(s.url, rigapi.WithRequestEditorFn(bearer)); err != nil {
		return err
	}
	for _, step := range []struct {
		name string
		do   func() (string, error)
	}{
		{"no token", s.noToken}, {"register", s.register}, {"refused", s.refused}, {"readings", s.readings}, {"after a commit", s.afterCommit},
		{"rigs", s.rigs}, {"items", s.items}, {"finish twice", s.finishTwice}, {"feed", s.feed}, {"forecast", s.forecast},
		{"fitness", s.fitness}, {"calculators", s.calculators}, {"not modified", s.notModified}, {"options", s.options},
	} {
		said, err := step.do()
		if err != nil {
			return fmt.Errorf("%s: %w", step.name, err)
		}
		fmt.Printf("%s: %s\n", step.name, said)
	}
	return nil
}

func to[T any](v T) *T { return &v }

// odd is an answer that the step does not want.
func odd(status int, body []byte) error { return fmt.Errorf("status %d: %s", status, body) }

func (s *smoke) noToken() (string, error) {
	bare, err := rigapi.NewClientWithResponses(s.url)
	if err != nil {
		return "", err
	}
	a, err := bare.ListRigsWithResponse(s.ctx, nil)
	if err != nil {
		return "", err
	}
	if a.ApplicationproblemJSON401 == nil {
		return "", odd(a.StatusCode(), a.Body)
	}
	return string(a.ApplicationproblemJSON401.Type), nil
}

func body(rig string) rigapi.RegisterRig {
	return rigapi.RegisterRig{
		Rig: rig, Name: "Low meadow", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500,
		Meters: &[]rigapi.StartMeter{{Meter: "pump", Quantity: "hours", Value: to(0.0)}, {Meter: "area", Quantity: "area", Value: to(0.0)}},
	}
}

func (s *smoke) register() (string, error) {
	var said []string
	for _, rig := range []string{"T01", "T02", "T03"} {
		a, err := s.RegisterRigWithResponse(s.ctx, nil, body(rig))
		if err != nil {
			return "", err
		}
		if a.JSON201 == nil || a.Headers201.Location == nil || a.Headers201.ETag == nil || a.JSON201.Plan == nil {
			return "", odd(a.StatusCode(), a.Body)
		}
		said = append(said, fmt.Sprint(*a.Headers201.Location, " under ", a.JSON201.Plan.Plan, ", ", a.JSON201.Fitness.State))
	}
	return strings.Join(said, "; "), nil
}

func (s *smoke) refused() (string, error) {
	bad := body("no code")
	bad.WidthM, bad.TankL, bad.Name = 61, -1, ""
	a, err := s.RegisterRigWithResponse(s.ctx, nil, bad)
	if err != nil {
		return "", err
	}
	p := a.ApplicationproblemJSON422
	if p == nil || p.Errors == nil {
		return "", odd(a.StatusCode(), a.Body)
	}
	var pointers []string
	for _, e := range *p.Errors {
		pointers = append(pointers, *e.Pointer)
	}
	slices.Sort(pointers)
	return string(p.Type) + " " + strings.Join(pointers, " "), nil
}

func reading(id string, ago time.Duration, hours, hectares float64) rigapi.SendReading {
	r := rigapi.SendReading{Id: id, Time: time.Now().Add(-ago).UTC()}
	r.Counters = append(r.Counters, rigapi.Counter{Meter: "pump", Value: hours, Unit: "HUR"}, rigapi.Counter{Meter: "area", Value: hectares, Unit: "H18"})
	return r
}

func (s *smoke) send(list ...rigapi.SendReading) error {
	var all rigapi.SendReadings
	if err := all.FromSendReadingList(list); err != nil {
		return err
	}
	a, err := s.SendReadingsWithResponse(s.ctx, "T01", nil, all)
	if err != nil {
		return err
	}
	if a.JSON200 == nil || a.Headers200.RigledgerCommit == nil {
		return odd(a.StatusCode(), a.Body)
	}
	s.commit = *a.Headers200.RigledgerCommit
	return nil
}

func (s *smoke) readings() (string, error) {
	if err := s.send(reading("smoke-1", 48*time.Hour, 10.25, 80.1234), reading("smoke-2", 2*time.Hour, 12.5, 88.4321)); err != nil {
		return "", err
	}
	a, err := s.GetRigWithResponse(s.ctx, "T01", &rigapi.GetRigParams{AfterCommit: &s.commit})
	if err != nil {
		return "", err
	}
	if a.JSON200 == nil {
		return "", odd(a.StatusCode(), a.Body)
	}
	if a.JSON200.Totals == nil { // left out where fields asks for others only
		return "", odd(a.StatusCode(), a.Body)
	}
	totals := *a.JSON200.Totals
	return fmt.Sprintf("%v h, %v ha", *totals["pump"].Hours, *totals["area"].Hectares), nil
}

// afterCommit asks for what the ledger does not hold yet, and writes it while the
// question waits.
func (s *smoke) afterCommit() (string, error) {
	next := s.commit + 1
	type got struct {
		a   *rigapi.GetRigResponse
		err error
	}
	waits := make(chan got, 1)
	go func() {
		a, err := s.GetRigWithResponse(s.ctx, "T01", &rigapi.GetRigParams{AfterCommit: &next})
		waits <- got{a, err}
	}()
	time.Sleep(200 * time.Millisecond)
	if err := s.send(reading("smoke-3", time.Hour, 13, 90)); err != nil {
		return "", err
	}
	g := <-waits
	if g.err != nil {
		return "", g.err
	}
	if g.a.JSON200 == nil || *g.a.Headers200.RigledgerCommit < next {
		return "", odd(g.a.StatusCode(), g.a.Body)
	}
	return "seen", nil
}

func (s *smoke) rigs() (string, error) {
	var said []string
	p := rigapi.ListRigsParams{Limit: to(2), Yard: &[]string{"north", "south"}}
	for {
		a, err := s.ListRigsWithResponse(s.ctx, &p)
		if err != nil {
			return "", err
		}
		if a.JSON200 == nil {
			return "", odd(a.StatusCode(), a.Body)
		}
		for _, r := range a.JSON200.Rigs {
			said = append(said, r.Rig)
		}
		if a.JSON200.Next == nil {
			return strings.Join(said, " "), nil
		}
		said = append(said, "|")
		p.Cursor = a.JSON200.Next
	}
}

// filter is an item that 13 hours make overdue.
const filter = "T01-filter-suction.suction-filter.1"

func (s *smoke) items() (string, error) {
	for {
		p := rigapi.ListItemsParams{Status: &[]string{"due", "overdue"}, Rig: &[]string{"T01"}, Limit: to(1)}
		for {
			a, err := s.ListItemsWithResponse(s.ctx, &p)
			if err != nil {
				return "", err
			}
			if a.JSON200 == nil {
				return "", odd(a.StatusCode(), a.Body)
			}
			for _, i := range a.JSON200.Items {
				if i.Item == filter {
					return fmt.Sprintf("%s %s %s at %v h, remaining %v h", i.Item, *i.Weight, *i.Status, *i.Due.Hours, *i.Remaining.Hours), nil
				}
			}
			if p.Cursor = a.JSON200.Next; p.Cursor == nil {
				break
			}
		}
		select {
		case <-s.ctx.Done():
			return "", fmt.Errorf("the item was never raised: %w", s.ctx.Err())
		case <-time.After(200 * time.Millisecond):
		}
	}
}

func (s *smoke) finishTwice() (string, error) {
	done := rigapi.FinishItem{By: "A. Example", Minutes: to(20), Findings: to("Sieb unbeschädigt, „sauber“")}
	var said []string
	var changed int
	for range 2 {
		a, err := s.FinishItemWithResponse(s.ctx, filter, &rigapi.FinishItemParams{IdempotencyKey: to("smoke-finish")}, done)
		if err != nil {
			return "", err
		}
		if a.JSON200 == nil || a.JSON200.Finished == nil || changed != 0 && a.JSON200.ChangedCommit != changed {
			return "", odd(a.StatusCode(), a.Body)
		}
		changed = a.JSON200.ChangedCommit
		replayed := a.Headers200.IdempotencyReplayed != nil && *a.Headers200.IdempotencyReplayed
		said = append(said, fmt.Sprint(a.JSON200.Stage, ", ", *a.JSON200.Finished.Findings, ", replayed ", replayed))
	}
	return strings.Join(said, "; "), nil
}

func (s *smoke) feed() (string, error) {
	count := map[string]int{}
	seen := map[string]bool{}
	after, last := "0", -1
	for {
		a, err := s.ReadFeedWithResponse(s.ctx, &rigapi.ReadFeedParams{After: &after, Limit: to(7)})
		if err != nil {
			return "", err
		}
		if a.JSON200 == nil {
			return "", odd(a.StatusCode(), a.Body)
		}
		for _, f := range a.JSON200.Facts {
			if place := f.Commit<<10 + f.Index; place <= last || seen[f.Position] {
				return "", fmt.Errorf("%s comes late or twice", f.Position)
			} else {
				last = place
			}
			seen[f.Position] = true
			count[f.Kind]++
		}
		if a.JSON200.Next == after {
			break
		}
		after = a.JSON200.Next
	}
	return fmt.Sprint(count["rig.registered"], " registered, ", count["item.finished"], " finished"), nil
}

func (s *smoke) forecast() (string, error) {
	a, err := s.GetRigForecastWithResponse(s.ctx, "T01", nil)
	if err != nil {
		return "", err
	}
	if a.JSON200 == nil || len(a.JSON200.Tasks) == 0 || a.JSON200.Notice == "" {
		return "", odd(a.StatusCode(), a.Body)
	}
	return a.JSON200.Rig, nil
}

func (s *smoke) fitness() (string, error) {
	a, err := s.GetFitnessWithResponse(s.ctx, "T02", nil)
	if err != nil {
		return "", err
	}
	if a.JSON200 == nil || a.JSON200.Notice == "" {
		return "", odd(a.StatusCode(), a.Body)
	}
	return fmt.Sprint(a.JSON200.Rig, " ", a.JSON200.AskedAbout, " ", a.JSON200.State), nil
}

// calculators: l/ha = 600 · l/min / (km/h · m), and flow goes with the root of
// the pressure; both as the document says.
func (s *smoke) calculators() (string, error) {
	r, err := s.CalcRateWithResponse(s.ctx, nil, rigapi.RateIn{LMin: to(1.3), KmH: to(8.0), SpacingM: to(0.5)})
	if err != nil {
		return "", err
	}
	if r.JSON200 == nil || math.Abs(*r.JSON200.LHa-600*1.3/(8*0.5)) > 0.01 {
		return "", odd(r.StatusCode(), r.Body)
	}
	f, err := s.CalcFlowWithResponse(s.ctx, nil, rigapi.FlowIn{LMin: 1.2, Bar: 3, AtBar: to(2.0)})
	if err != nil {
		return "", err
	}
	if f.JSON200 == nil || math.Abs(*f.JSON200.LMin-1.2*math.Sqrt(2.0/3)) > 0.001 {
		return "", odd(f.StatusCode(), f.Body)
	}
	return fmt.Sprint(*r.JSON200.LHa, " l/ha"), nil
}

func (s *smoke) notModified() (string, error) {
	a, err := s.GetRigWithResponse(s.ctx, "T02", nil)
	if err != nil {
		return "", err
	}
	if a.JSON200 == nil || a.Headers200.ETag == nil {
		return "", odd(a.StatusCode(), a.Body)
	}
	again, err := s.GetRigWithResponse(s.ctx, "T02", &rigapi.GetRigParams{IfNoneMatch: a.Headers200.ETag})
	if err != nil {
		return "", err
	}
	return fmt.Sprint(again.StatusCode(), " ", len(again.Body)), nil
}

// options is no operation of the document, which says of all that it is answered.
func (s *smoke) options() (string, error) {
	r, err := http.NewRequestWithContext(s.ctx, http.MethodOptions, s.url+"/v1/rigs/T01", nil)
	if err != nil {
		return "", err
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return "", err
	}
	a.Body.Close()
	return fmt.Sprint(a.StatusCode, " ", a.Header.Get("Allow")), nil
}
