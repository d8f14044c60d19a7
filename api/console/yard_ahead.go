package console

import (
	"sync"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// aheadPatience is how long a page waits for forecasts that are not known yet.
// What is not ready by then is worked out behind it, and the page asks again.
const (
	aheadPatience = 60 * time.Millisecond
	aheadFew      = 20                     // so many forecasts are begun at once,
	aheadLater    = 250 * time.Millisecond // more only when the page that asked has been answered
)

// aheadBook keeps of each rig when its jobs will fall due, worked out once a
// commit about the rig and a day, and the rows that were made of it.
type aheadBook struct {
	mu    sync.Mutex
	today plan.Date
	rigs  map[string]*outlook
	rows  map[rowOf]keptRow

	waiting map[string]bool
	queue   []string
	idle    chan struct{} // closed when the queue is worked off; nil when it is
}

// outlook is when the jobs of one rig fall due, the earliest first. What the operator
// does between two fills is not among them: it is always near, and decides nothing.
type outlook struct {
	changed uint64
	jobs    []aheadJob
	season  *rigSeason // the same forecast as the season page shows it
}

type aheadJob struct {
	Key, Part, Title, Item string
	Weight                 plan.Weight
	Status                 plan.Status
	Minutes                int
	Early, Middle, Late    plan.Date // P10, P50, P90; zero beyond the horizon
	Band                   forecast.Band
}

type rowOf struct {
	rig string
	on  plan.Date
}

type keptRow struct {
	changed, seen uint64 // the rig's newest commit, and that of the outlook
	row           *ride
}

// rowsMost bounds the rows that are kept: eight days asked about with 500 rigs.
const rowsMost = 4000

// turn forgets what was of another day. With the lock held.
func (b *aheadBook) turn(today plan.Date) {
	if b.today == today && b.rigs != nil && len(b.rows) <= rowsMost {
		return
	}
	if b.today != today || b.rigs == nil {
		b.rigs, b.waiting, b.queue = map[string]*outlook{}, map[string]bool{}, nil
	}
	b.today, b.rows = today, map[rowOf]keptRow{}
}

// of gives what is known of these rigs. An outlook from before the rig's newest
// commit is given too, while a newer one is made: a reading more moves its days
// little. waiting says how many have none yet.
func (b *aheadBook) of(c *Console, codes []string, today plan.Date) (known map[string]*outlook, waiting int) {
	changed := make(map[string]uint64, len(codes))
	c.fleet.View(func(s *fleet.State) {
		for _, code := range codes {
			if r := s.Rigs[code]; r != nil {
				changed[code] = r.Changed
			}
		}
	})
	b.mu.Lock()
	b.turn(today)
	none := 0
	for _, code := range codes {
		o := b.rigs[code]
		if o == nil {
			none++
		}
		if o != nil && o.changed == changed[code] || b.waiting[code] {
			continue
		}
		b.waiting[code] = true
		b.queue = append(b.queue, code)
	}
	if len(b.queue) > 0 && b.idle == nil {
		b.idle = make(chan struct{})
		if len(b.queue) <= aheadFew {
			go c.lookAhead(today)
		} else {
			time.AfterFunc(aheadLater, func() { c.lookAhead(today) })
		}
	}
	idle := b.idle
	b.mu.Unlock()
	if idle != nil && none > 0 && none <= aheadFew {
		select {
		case <-idle:
		case <-time.After(aheadPatience):
		}
	}
	known = make(map[string]*outlook, len(codes))
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, code := range codes {
		if o := b.rigs[code]; o != nil {
			known[code] = o
		} else {
			waiting++
		}
	}
	return known, waiting
}

// lookAhead works off the queue, one rig at a time.
func (c *Console) lookAhead(today plan.Date) {
	b := &c.ahead
	for {
		b.mu.Lock()
		stop := len(b.queue) == 0 || b.today != today
		select {
		case <-c.stopping:
			stop = true
		default:
		}
		if stop {
			close(b.idle)
			b.idle = nil
			b.mu.Unlock()
			return
		}
		code := b.queue[0]
		b.queue = b.queue[1:]
		b.mu.Unlock()

		o := c.outlookOf(code)

		b.mu.Lock()
		if b.today == today {
			b.rigs[code] = o
			delete(b.waiting, code)
		}
		b.mu.Unlock()
	}
}

// outlookOf asks the forecast of one rig; a rig that is gone has no jobs.
func (c *Console) outlookOf(code string) (o *outlook) {
	defer func() { // it runs behind the pages, where nobody else would catch it
		if wrong := recover(); wrong != nil {
			c.log.Error("a forecast could not be made", "rig", code, "panic", wrong)
			o = &outlook{}
		}
	}()
	o = &outlook{}
	var about map[string]aheadOf
	c.fleet.View(func(s *fleet.State) {
		r := s.Rigs[code]
		if r == nil {
			return
		}
		o.changed = r.Changed
		about = aheadAbout(r.Rig, c.fleet.DueOf(s, r, c.fleet.Now()))
	})
	f, err := c.fleet.Forecast(code, fleet.WhatIf{})
	if err != nil {
		return o
	}
	o.season = seasonOf(f, func(key string) bool { return about[key].operator })
	o.jobs = aheadJobs(f, about)
	return o
}

// aheadOf is what a forecast does not tell of a job.
type aheadOf struct {
	part, title string
	operator    bool
}

func aheadAbout(rig string, lines []fleet.DueLine) map[string]aheadOf {
	about := make(map[string]aheadOf, len(lines))
	for i := range lines {
		l := &lines[i]
		about[lineKey(l)] = aheadOf{partBeside(rig, l.Part), l.Task.Title, l.Task.By == plan.Operator}
	}
	return about
}

// aheadJobs are the workshop's jobs of a forecast.
func aheadJobs(f fleet.RigForecast, about map[string]aheadOf) (jobs []aheadJob) {
	for _, t := range f.Tasks {
		l, there := about[t.Key]
		if !there || l.operator {
			continue
		}
		jobs = append(jobs, aheadJob{
			Key: t.Key, Part: l.part, Title: l.title, Item: t.Item, Weight: t.Weight, Status: t.Status, Minutes: t.Minutes,
			Early: t.Band.P10.Date, Middle: t.Band.P50.Date, Late: t.Band.P90.Date, Band: t.Band,
		})
	}
	return jobs
}

// row gives a row that was made before, nil when something has changed since.
func (b *aheadBook) row(key rowOf, changed, seen uint64) *ride {
	b.mu.Lock()
	defer b.mu.Unlock()
	if k, ok := b.rows[key]; ok && k.changed == changed && k.seen == seen {
		return k.row
	}
	return nil
}

func (b *aheadBook) keep(key rowOf, changed, seen uint64, today plan.Date, row *ride) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.today == today {
		b.rows[key] = keptRow{changed, seen, row}
	}
}
