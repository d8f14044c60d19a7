package scheduler_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"rigledger/scheduler"
)

func start(t *testing.T, zone *time.Location, jobs ...scheduler.Job) *scheduler.Scheduler {
	t.Helper()
	s, err := scheduler.Start(t.Context(), zone, slog.New(slog.DiscardHandler), jobs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestAJobRunsOnceAtStartAndThenInItsRhythm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var runs atomic.Int32
		s := start(t, time.UTC, scheduler.Job{Name: "tick", When: "@every 2s", Run: func(context.Context) error {
			runs.Add(1)
			return nil
		}})
		synctest.Wait()
		if got := runs.Load(); got != 1 {
			t.Fatalf("runs at start: %d, want 1", got)
		}
		time.Sleep(7 * time.Second)
		synctest.Wait()
		if got := runs.Load(); got != 4 {
			t.Errorf("runs after 7 s at every 2 s: %d, want 4", got)
		}
		s.Stop()
	})
}

func TestAJobNeverOverlapsItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var running, most atomic.Int32
		s := start(t, time.UTC, scheduler.Job{Name: "slow", When: "@every 1s", Run: func(ctx context.Context) error {
			if n := running.Add(1); n > most.Load() {
				most.Store(n)
			}
			time.Sleep(5 * time.Second)
			running.Add(-1)
			return nil
		}})
		time.Sleep(20 * time.Second)
		if got := most.Load(); got != 1 {
			t.Errorf("runs at the same time: %d, want 1", got)
		}
		s.Stop()
	})
}

func TestAPanicEndsOneRunOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var runs atomic.Int32
		s := start(t, time.UTC, scheduler.Job{Name: "shaky", When: "@every 1s", Run: func(context.Context) error {
			if runs.Add(1) < 3 {
				panic("shaken")
			}
			return nil
		}})
		time.Sleep(4500 * time.Millisecond)
		if got := runs.Load(); got < 4 {
			t.Errorf("runs after two panics: %d, want the job to go on", got)
		}
		s.Stop()
	})
}

func TestAFailingJobShowsAndHeals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var broken atomic.Bool
		broken.Store(true)
		s := start(t, time.UTC, scheduler.Job{Name: "store", When: "@every 1s", Run: func(context.Context) error {
			if broken.Load() {
				return errors.New("no disk")
			}
			return nil
		}})
		synctest.Wait()
		if s.Failing()["store"] == nil {
			t.Error("a failed run does not show")
		}
		broken.Store(false)
		time.Sleep(1500 * time.Millisecond)
		synctest.Wait()
		if got := s.Failing(); len(got) != 0 {
			t.Errorf("still failing after a good run: %v", got)
		}
		s.Stop()
	})
}

func TestStopCancelsARunningJobAndWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ended := false
		s := start(t, time.UTC, scheduler.Job{Name: "long", When: "@every 1h", Run: func(ctx context.Context) error {
			<-ctx.Done()
			ended = true
			return ctx.Err()
		}})
		synctest.Wait()
		s.Stop()
		if !ended {
			t.Error("Stop came back before the job had ended")
		}
	})
}

func TestABadExpressionNamesItsJob(t *testing.T) {
	_, err := scheduler.Start(t.Context(), time.UTC, slog.New(slog.DiscardHandler), []scheduler.Job{{Name: "odd", When: "every now and then"}})
	if err == nil || !strings.Contains(err.Error(), "odd") {
		t.Errorf("error %v, want one that names the job", err)
	}
}

func TestMorningJobsFireInTheFleetsZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) { // begins at 2000-01-01 00:00 UTC, 01:00 in Berlin
		var at []time.Time
		s := start(t, berlin, scheduler.Job{Name: "morning", When: "0 6 * * *", Run: func(context.Context) error {
			at = append(at, time.Now())
			return nil
		}})
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		s.Stop()
		if len(at) != 2 || at[1].In(berlin).Hour() != 6 || at[1].UTC().Hour() != 5 {
			t.Errorf("runs at %v, want one at start and one at 06:00 in Berlin", at)
		}
	})
}
