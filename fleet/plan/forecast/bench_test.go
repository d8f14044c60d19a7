package forecast_test

import (
	"math/rand/v2"
	"sync"
	"testing"

	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// benchFleet is 40 simulated rigs with up to seven years of history, some new.
func benchFleet() (histories []forecast.History, pool *forecast.Pool, s plan.Season, today plan.Date) {
	r := rand.New(rand.NewPCG(5, 5))
	g := newRegion(r, false)
	origin := 7*365 + 120
	today = firstDay.AddDays(origin)
	var members []forecast.Member
	for i := range 40 {
		m := newMachine(r, g, i*60, -1)
		h := upTo(m.work(nil), m.born, origin)
		histories = append(histories, h)
		members = append(members, forecast.Member{History: h, Season: g.season})
	}
	return histories, forecast.NewPool(members, today), g.season, today
}

// 10,000 rigs with 40 tasks each, on two workers: learning each rig's model, its
// curves for three years, and a band for each task. Reported for one round of 400,000.
func BenchmarkFourHundredThousandForecasts(b *testing.B) {
	histories, pool, s, today := benchFleet()
	const rigs, tasks, workers = 10_000, 40, 2
	for b.Loop() {
		var wait sync.WaitGroup
		for w := range workers {
			wait.Go(func() {
				for rig := w; rig < rigs; rig += workers {
					o := forecast.NewModel(histories[rig%len(histories)], pool, s, today).Curves(today, nil, 0)
					for task := range tasks {
						sink[w] = o.Passage(int64(task+1) * 25 * 3600)
					}
				}
			})
		}
		wait.Wait()
	}
	b.ReportMetric(rigs*tasks*float64(b.N)/b.Elapsed().Seconds(), "forecasts/s")
}

var sink [2]forecast.Band

func BenchmarkModel(b *testing.B) {
	histories, pool, s, today := benchFleet()
	for b.Loop() {
		forecast.NewModel(histories[0], pool, s, today)
	}
}

func BenchmarkCurves(b *testing.B) {
	histories, pool, s, today := benchFleet()
	m := forecast.NewModel(histories[0], pool, s, today)
	b.ReportAllocs()
	for b.Loop() {
		m.Curves(today, nil, 0)
	}
}

func BenchmarkCurvesWithBookings(b *testing.B) {
	histories, pool, s, today := benchFleet()
	m := forecast.NewModel(histories[0], pool, s, today)
	var booked []forecast.Booking
	for d := range 30 {
		booked = append(booked, forecast.Booking{Day: today.AddDays(2 * d), Amount: 8 * 3600})
	}
	for b.Loop() {
		m.Curves(today, booked, 0)
	}
}

func BenchmarkPassage(b *testing.B) {
	histories, pool, s, today := benchFleet()
	o := forecast.NewModel(histories[0], pool, s, today).Curves(today, nil, 0)
	i := int64(0)
	for b.Loop() {
		i++
		sink[0] = o.Passage(i % 1000 * 3600)
	}
}

func BenchmarkThrough(b *testing.B) {
	histories, pool, s, today := benchFleet()
	o := forecast.NewModel(histories[0], pool, s, today).Curves(today, nil, 0)
	work := forecast.Booking{Day: today.AddDays(20), Amount: 8 * 3600}
	for b.Loop() {
		o.Through(work, 60*3600)
	}
}
