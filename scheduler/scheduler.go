// Package scheduler owns when things happen by themselves: raising service
// items, noting how rigs stand, saving snapshots, looking for silent rigs. Each entry is a small job
// that asks and commands through a function; what it does is decided elsewhere.
//
// Jobs are level-triggered: they look at what is the case now, not at what
// fired, so a missed run costs nothing but time. Every job runs once at start,
// never overlaps itself, and a panic ends one run, not the scheduler.
package scheduler

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/robfig/cron/v3"
)

// Job is one entry. When is a cron expression of five fields or "@every 1m",
// in the fleet's zone. Mind that a time inside the hour that spring skips never
// comes: do not set jobs between 01:00 and 04:00.
type Job struct {
	Name string
	When string
	Run  func(ctx context.Context) error
}

// Scheduler runs jobs until Stop.
type Scheduler struct {
	cron    *cron.Cron
	entries []cron.EntryID
	stop    context.CancelFunc
	log     *slog.Logger
	first   sync.WaitGroup

	mu    sync.Mutex
	fails map[string]error
}

// Start begins to run jobs in a zone, each once at once. An error names the job
// whose expression cannot be read; then nothing runs.
func Start(ctx context.Context, zone *time.Location, log *slog.Logger, jobs []Job) (*Scheduler, error) {
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	s := &Scheduler{stop: stop, log: log, fails: map[string]error{}}
	// With v3.0.1 Recover must be the inner one: outside, a panic would leave
	// SkipIfStillRunning holding its lock and the job would never run again.
	quiet := cron.DiscardLogger
	s.cron = cron.New(
		cron.WithLocation(zone),
		cron.WithLogger(quiet),
		cron.WithChain(cron.SkipIfStillRunning(quiet), cron.Recover(panics{log})),
	)
	for _, j := range jobs {
		id, err := s.cron.AddFunc(j.When, func() { s.run(ctx, j) })
		if err != nil {
			stop()
			return nil, fmt.Errorf("job %s: %w", j.Name, err)
		}
		s.entries = append(s.entries, id)
	}
	for _, id := range s.entries {
		wrapped := s.cron.Entry(id).WrappedJob
		s.first.Go(wrapped.Run)
	}
	s.cron.Start()
	return s, nil
}

func (s *Scheduler) run(ctx context.Context, j Job) {
	if ctx.Err() != nil {
		return
	}
	err := j.Run(ctx)
	if ctx.Err() != nil {
		err = nil
	}
	s.mu.Lock()
	before := s.fails[j.Name]
	s.fails[j.Name] = err
	s.mu.Unlock()
	switch {
	case err != nil && before == nil:
		s.log.Error("a scheduled job fails", "job", j.Name, "error", err)
	case err == nil && before != nil:
		s.log.Info("a scheduled job works again", "job", j.Name)
	}
}

// Failing gives the error of each job whose last run failed.
func (s *Scheduler) Failing() map[string]error {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]error{}
	for name, err := range s.fails {
		if err != nil {
			out[name] = err
		}
	}
	return out
}

// Stop cancels running jobs and waits for them.
func (s *Scheduler) Stop() {
	s.stop()
	<-s.cron.Stop().Done()
	s.first.Wait()
}

// panics hands what Recover caught to slog.
type panics struct{ log *slog.Logger }

func (p panics) Info(string, ...any) {}
func (p panics) Error(err error, msg string, keysAndValues ...any) {
	p.log.Error("a scheduled job panicked", append([]any{"error", err}, keysAndValues...)...)
}
