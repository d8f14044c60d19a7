package demo

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"

	"rigledger/deploy/season"
	"rigledger/deploy/service"
)

// seed makes every demo the same season.
const seed = 2026

// play is one season under way.
type play struct {
	service     *service.Service
	clock       *clock
	zone        *time.Location
	firm        season.Contractor
	first, last time.Time
	office      *office
	bar         io.Writer

	radios  map[string]*season.Radio
	logins  map[string]login
	boots   map[string]bool // rigs on their second boot
	swapped map[string]float64
	asleep  map[string][]int64 // what a rig without signal has not sent
	events  int
	done    int
}

type login struct{ user, password string }

func (p *play) close() {
	for _, r := range p.radios {
		r.Close()
	}
}

func (p *play) run(ctx context.Context) error {
	p.logins, p.swapped, p.asleep = map[string]login{}, map[string]float64{}, map[string][]int64{}
	if err := p.register(ctx); err != nil {
		return fmt.Errorf("registering the fleet: %w", err)
	}
	work := map[string]map[string][]season.Sprays{}
	for _, rig := range p.firm.Rigs {
		work[rig.Code] = season.Work(rig, p.first, p.last, seed)
	}
	days := int(p.last.Sub(p.first).Hours()/24+0.5) + 1
	bar := progressbar.NewOptions(days,
		progressbar.OptionSetWriter(p.bar), progressbar.OptionSetDescription("one season"),
		progressbar.OptionShowCount(), progressbar.OptionSetWidth(30), progressbar.OptionClearOnFinish(),
		progressbar.OptionThrottle(100*time.Millisecond),
	)
	for n := range days {
		day := p.first.AddDate(0, 0, n)
		p.clock.set(day.Add(22 * time.Hour))
		if err := p.day(ctx, day, days-n, work); err != nil {
			return fmt.Errorf("%s: %w", day.Format(time.DateOnly), err)
		}
		_ = bar.Add(1)
	}
	return bar.Finish()
}

// register brings the rigs under the ledger, gives each its credential, and
// enters what was done before: the inspections of the older ones.
func (p *play) register(ctx context.Context) error {
	for _, rig := range p.firm.Rigs {
		in := map[string]any{
			"rig": rig.Code, "name": rig.Name, "class": rig.Class, "yard": rig.Yard, "width_m": rig.WidthM, "tank_l": rig.TankL,
			"meters": []map[string]any{
				{"meter": "pump", "quantity": "hours", "value": rig.PumpHours},
				{"meter": "area", "quantity": "area", "value": rig.Hectares},
			},
		}
		if rig.FirstUse != "" {
			in["first_use"] = rig.FirstUse
		}
		if err := p.office.call(ctx, http.MethodPost, "/v1/rigs", in, nil); err != nil {
			return err
		}
		var c struct{ User, Password string }
		if err := p.office.call(ctx, http.MethodPost, "/v1/rigs/"+rig.Code+"/credential", map[string]any{}, &c); err != nil {
			return err
		}
		p.logins[rig.Code] = login{c.User, c.Password}
		if err := p.connect(rig.Code, 1); err != nil {
			return err
		}
	}
	if _, err := p.service.Raise(ctx); err != nil {
		return err
	}
	inspections, err := p.office.items(ctx, "kind=statutory")
	if err != nil {
		return err
	}
	for i, it := range inspections {
		at := p.first.AddDate(-1-i%3, -(i % 2), 20-3*i)
		in := map[string]any{"by": "Entered from the file", "at": at.UTC().Format(time.RFC3339), "findings": "certificate on file"}
		if err := p.office.call(ctx, http.MethodPost, "/v1/items/"+it.Item+"/finish", in, nil); err != nil {
			return err
		}
	}
	return nil
}

func (p *play) connect(rig string, boot int64) error {
	r := season.NewRadio(rig, boot)
	l := p.logins[rig]
	if err := r.Connect("nats://"+p.service.Addresses.NATS, l.user, l.password); err != nil {
		return err
	}
	if old := p.radios[rig]; old != nil {
		old.Close()
	}
	p.radios[rig] = r
	return nil
}

// day lets every rig work and send, then the scheduler look, then the people
// work off some of what is due. left counts the days to the season's end, this one included.
func (p *play) day(ctx context.Context, day time.Time, left int, work map[string]map[string][]season.Sprays) error {
	name := day.Format(time.DateOnly)
	for _, rig := range p.firm.Rigs {
		if err := p.send(ctx, rig, day, left, work[rig.Code][name]); err != nil {
			return err
		}
	}
	wait, cancel := context.WithTimeout(ctx, 60*time.Second)
	defer cancel()
	for _, rig := range p.firm.Rigs {
		if len(p.asleep[rig.Code]) > 0 {
			continue
		}
		if err := p.radios[rig.Code].Drain(wait, 2*time.Second); err != nil {
			return err
		}
	}
	if err := p.settle(ctx, left); err != nil {
		return err
	}
	if _, err := p.service.Raise(ctx); err != nil {
		return err
	}
	// The last week of the season nobody had time for the workshop.
	if left <= 7 {
		return nil
	}
	return p.workshop(ctx, day)
}

// send lets a rig report its day, with its quirk.
func (p *play) send(ctx context.Context, rig season.Rig, day time.Time, left int, sprays []season.Sprays) error {
	total := int(p.last.Sub(p.first).Hours() / 24)
	middle := left == total/2
	if middle && rig.Quirk == season.Swapped || left == 12 && rig.Quirk == season.Fallen {
		// The electronics were changed: a new boot, and a pump counter that begins at zero.
		if err := p.radios[rig.Code].Drain(ctx, time.Second); err != nil {
			return err
		}
		p.boots[rig.Code] = true
		if err := p.connect(rig.Code, 2); err != nil {
			return err
		}
	}
	radio := p.radios[rig.Code]
	var seqs []int64
	for i, s := range sprays {
		pump := s.Pump
		if p.boots[rig.Code] {
			if _, known := p.swapped[rig.Code]; !known {
				p.swapped[rig.Code] = pump - 0.8
			}
			pump = math.Round((pump-p.swapped[rig.Code])*100) / 100 // as a display shows it
		}
		at := s.At
		if middle && rig.Quirk == season.FastTime && i == 0 {
			at = at.Add(48 * time.Hour)
		}
		seqs = append(seqs, radio.Reading(at, season.Counter{Meter: "pump", Value: pump, Unit: "HUR"}, season.Counter{Meter: "area", Value: s.Area, Unit: "H18"}))
	}
	if rig.Quirk == season.Leaking && left == 5 {
		seqs = append(seqs, radio.Defect(day.Add(17*time.Hour), "hoses-spray", "spray line hose drips at the first boom joint", true))
	}
	p.events += len(seqs)
	switch rig.Quirk {
	case season.Offline:
		p.asleep[rig.Code] = append(p.asleep[rig.Code], seqs...)
		if left%9 == 1 || left == 1 { // back in signal: the newest first
			late := p.asleep[rig.Code]
			delete(p.asleep, rig.Code)
			for i := len(late) - 1; i >= 0; i-- {
				radio.Send(late[i])
			}
		}
	case season.Twice:
		radio.Send(seqs...)
		radio.Send(seqs...)
	case season.Batches:
		radio.SendBatch(seqs...)
	default:
		radio.Send(seqs...)
	}
	return nil
}

// settle lets the office look at what was quarantined: the swapped counter is
// released as one; the reading from the future is dismissed; the last one nobody has seen yet.
func (p *play) settle(ctx context.Context, left int) error {
	var q struct {
		Quarantine []struct {
			Quarantine, Rig, Reason string
		} `json:"quarantine"`
	}
	if err := p.office.call(ctx, http.MethodGet, "/v1/quarantine?limit=500", nil, &q); err != nil {
		return err
	}
	for _, h := range q.Quarantine {
		quirk := season.Plain
		for _, rig := range p.firm.Rigs {
			if rig.Code == h.Rig {
				quirk = rig.Quirk
			}
		}
		path := "/v1/quarantine/" + h.Quarantine
		var err error
		switch {
		case h.Reason == "future":
			err = p.office.call(ctx, http.MethodPost, path+"/dismiss", map[string]any{"reason": "the display's clock was a day ahead; set right"}, nil)
		case quirk == season.Swapped && h.Reason == "falls":
			err = p.office.call(ctx, http.MethodPost, path+"/release", map[string]any{"how": "swap", "reason": "new display fitted", "start": 0}, nil)
			if err == nil {
				return nil // the others follow by themselves once the swap is known
			}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// workshop works off most of what is due: the operators' daily jobs all, the
// workshop's three in four.
func (p *play) workshop(ctx context.Context, day time.Time) error {
	due, err := p.office.items(ctx, "status=due,overdue")
	if err != nil {
		return err
	}
	rnd := rand.New(rand.NewPCG(seed, uint64(day.Unix())))
	jobs := make(chan item)
	errs := make(chan error, 4)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for it := range jobs {
				in := map[string]any{"by": worker(it), "minutes": it.Minutes, "at": p.clock.now().Add(-time.Hour).Format(time.RFC3339)}
				if err := p.office.call(ctx, http.MethodPost, "/v1/items/"+it.Item+"/finish", in, nil); err != nil {
					select {
					case errs <- err:
					default:
					}
				}
			}
		})
	}
	taken := map[string]bool{}
	for _, it := range due {
		// A larger task of the same part closes smaller ones; take one a part and day.
		if rnd.Float64() < 0.75 && !taken[it.Part] {
			taken[it.Part] = true
			p.done++
			jobs <- it
		}
	}
	close(jobs)
	wg.Wait()
	select {
	case err := <-errs:
		return err
	default:
		return p.calibrate(ctx, rnd)
	}
}

func worker(it item) string {
	return map[string]string{"millrace": "Ilka", "hollowtree": "Bram", "saltmarsh": "Odile"}[it.Yard]
}
