package scheduler

import (
	"context"
	"log/slog"
	"time"
)

// Raiser opens service items for what has come due.
type Raiser interface {
	Raise(ctx context.Context) (raised int, err error)
}

// Raising opens items every so often.
func Raising(r Raiser, every time.Duration, log *slog.Logger) Job {
	return Job{Name: "raise", When: "@every " + every.String(), Run: func(ctx context.Context) error {
		n, err := r.Raise(ctx)
		if n > 0 {
			log.Info("raised service items", "items", n)
		}
		return err
	}}
}

// Noter notes how rigs stand where that has changed.
type Noter interface {
	Note(ctx context.Context) (noted int, err error)
}

// Standing notes what the calendar and the counters changed, every so often.
func Standing(n Noter, every time.Duration, log *slog.Logger) Job {
	return Job{Name: "standing", When: "@every " + every.String(), Run: func(ctx context.Context) error {
		noted, err := n.Note(ctx)
		if noted > 0 {
			log.Debug("noted how rigs stand", "rigs", noted)
		}
		return err
	}}
}

// Snapshotter saves the fleet so that the next start is quick.
type Snapshotter interface {
	SaveSnapshot(ctx context.Context) (commit uint64, err error)
}

// Snapshots saves one every hour.
func Snapshots(s Snapshotter, log *slog.Logger) Job {
	return Job{Name: "snapshot", When: "17 * * * *", Run: func(ctx context.Context) error {
		n, err := s.SaveSnapshot(ctx)
		if err == nil {
			log.Debug("snapshot saved", "commit", n)
		}
		return err
	}}
}

// Watcher names the rigs that should be heard of and are not.
type Watcher interface {
	SilentRigs() []string
}

// Silence looks every morning for rigs that have gone silent, and says so once
// for each time a rig falls silent.
func Silence(w Watcher, log *slog.Logger) Job {
	known := map[string]bool{}
	return Job{Name: "silent", When: "0 6 * * *", Run: func(context.Context) error {
		now := map[string]bool{}
		for _, rig := range w.SilentRigs() {
			now[rig] = true
			if !known[rig] {
				log.Warn("a rig has gone silent in its season", "rig", rig)
			}
		}
		known = now
		return nil
	}}
}
