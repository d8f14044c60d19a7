package fleet_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// memoryStore keeps commits in memory, for benchmarks of the fleet alone.
type memoryStore struct {
	mu      sync.Mutex
	commits []*events.Commit
}

func (m *memoryStore) Append(_ context.Context, c *events.Commit) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if c.N != uint64(len(m.commits))+1 {
		return events.ErrTaken
	}
	m.commits = append(m.commits, c)
	return nil
}

func (m *memoryStore) Read(_ context.Context, from uint64, fn func(*events.Commit) error) error {
	m.mu.Lock()
	commits := m.commits[from-1:]
	m.mu.Unlock()
	for _, c := range commits {
		if err := fn(c); err != nil {
			return err
		}
	}
	return nil
}

func (m *memoryStore) Newest(context.Context) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return uint64(len(m.commits)), nil
}

func (*memoryStore) SaveSnapshot(context.Context, events.Snapshot) error { return nil }
func (*memoryStore) LoadSnapshot(context.Context) (events.Snapshot, error) {
	return events.Snapshot{}, events.ErrNoSnapshot
}
func (*memoryStore) Close() error { return nil }

const manyRigs = 10_000

// manyRigsBench is a fleet of ten thousand trailed rigs under the house plan,
// each read a few times.
func manyRigsBench(b *testing.B) *bench {
	b.Helper()
	f := openBench(b, &memoryStore{})
	ctx := context.Background()
	var wg sync.WaitGroup
	for part := range 8 {
		wg.Go(func() {
			for i := part; i < manyRigs; i += 8 {
				r := trailed(fmt.Sprintf("R%05d", i))
				r.FirstUse = "2020-03-01"
				if _, err := f.Do(ctx, "bench", r, nil); err != nil {
					b.Error(err)
				}
			}
		})
	}
	wg.Wait()
	for n := range 4 {
		arrivals := make([]events.Arrival, 0, manyRigs)
		for i := range manyRigs {
			h := float64(n*30) + float64(i%17)
			arrivals = append(arrivals, reading(fmt.Sprintf("R%05d", i), fmt.Sprintf("1:%d", n+1), day("2026-04-01").AddDate(0, 0, 8*n), "pump", h, "HUR", "area", h*15, "H18"))
		}
		f.take(arrivals...)
	}
	return f
}

// BenchmarkDue measures working out every task of ten thousand rigs, and again
// after one rig in a hundred changed.
func BenchmarkDue(b *testing.B) {
	f := manyRigsBench(b)
	now := f.clock.now()
	tasks := 0
	b.Run("full", func(b *testing.B) {
		for b.Loop() {
			tasks = 0
			f.View(func(s *fleet.State) {
				today := plan.Of(now, s.Zone())
				rigs := make(chan *fleet.Rig, 256)
				var wg sync.WaitGroup
				var mu sync.Mutex
				for range runtime.GOMAXPROCS(0) {
					wg.Go(func() {
						n := 0
						for r := range rigs {
							n += len(s.Due(r, today))
						}
						mu.Lock()
						tasks += n
						mu.Unlock()
					})
				}
				for _, r := range s.Rigs {
					rigs <- r
				}
				close(rigs)
				wg.Wait()
			})
		}
		b.ReportMetric(float64(tasks), "tasks")
	})
	b.Run("incremental", func(b *testing.B) {
		look := func() {
			f.View(func(s *fleet.State) {
				for _, r := range s.Rigs {
					f.DueOf(s, r, now)
				}
			})
		}
		look()
		n := 4
		for b.Loop() {
			b.StopTimer()
			n++
			arrivals := make([]events.Arrival, 0, manyRigs/100)
			for i := 0; i < manyRigs; i += 100 {
				arrivals = append(arrivals, reading(fmt.Sprintf("R%05d", i), fmt.Sprintf("1:%d", n), day("2026-05-01").Add(time.Duration(n)*time.Minute), "pump", 120+float64(n)/61, "HUR"))
			}
			f.take(arrivals...)
			b.StartTimer()
			look()
		}
	})
}

// BenchmarkMemory reports the live heap of the meters of ten thousand rigs with
// three seasons of a reading a minute while they work: 100 rigs are worked out
// one by one, each stands for 100 (a deep copy).
func BenchmarkMemory(b *testing.B) {
	for b.Loop() {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		all := make([]*meter.Series, 0, 2*manyRigs)
		kept, told := 0, 0
		for i := range 100 {
			hours, area, n := threeSeasons(uint64(i))
			kept, told = kept+hours.Len()+area.Len(), told+2*n
			for range manyRigs / 100 {
				all = append(all, hours.Clone(), area.Clone())
			}
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/(1<<20), "MiB")
		b.ReportMetric(float64(told)/100, "told/rig")
		b.ReportMetric(float64(kept)/100, "kept/rig")
		runtime.KeepAlive(all)
	}
}

// threeSeasons draws 3 × 100 working days of 4 to 9 hours with a reading every
// minute: the pump runs nine minutes in ten, the area grows with a speed that
// changes every few minutes and stands still while the rig is filled.
func threeSeasons(seed uint64) (hours, area *meter.Series, readings int) {
	rnd := rand.New(rand.NewPCG(seed, 3))
	hours, area = meter.New(meter.Hours, meter.Point{}), meter.New(meter.Area, meter.Point{})
	var h, a int64
	for season := range 3 {
		for d := range 100 {
			at := time.Date(2024+season, 3, 1, 6, 0, 0, 0, time.UTC).AddDate(0, 0, 2*d)
			minutes := 240 + rnd.IntN(300)
			speed, left := 0.0, 0
			for m := range minutes {
				if left--; left <= 0 {
					left = 3 + rnd.IntN(12)
					speed = 0
					if rnd.Float64() < 0.8 {
						speed = 150 + 120*rnd.Float64() // metres a minute
					}
				}
				if speed > 0 || rnd.Float64() < 0.3 {
					h += 60
				}
				a += int64(speed * 24 * (0.97 + 0.06*rnd.Float64()))
				t := at.Add(time.Duration(m) * time.Minute).UnixMilli()
				hours.Insert(meter.Point{At: t, Value: h})
				area.Insert(meter.Point{At: t, Value: a})
				readings++
			}
		}
	}
	return hours, area, readings
}
