package demo

import (
	"context"
	"math"
	"math/rand/v2"
	"net/http"
	"slices"
	"time"
)

// calibrate measures every rig that was worked on at pump, meter or nozzles: an
// 03 set (1.2 l/min at 3 bar, ISO 10625, from memory) a few percent either way,
// with a jug, clean water and a measured course.
func (p *play) calibrate(ctx context.Context, rnd *rand.Rand) error {
	var rigs struct {
		Rigs []struct {
			Rig, Yard string
			WidthM    float64 `json:"width_m"`
			Fitness   struct{ Reasons []struct{ Code string } }
		}
	}
	if err := p.office.call(ctx, http.MethodGet, "/v1/rigs?state=do+not+use&limit=500", nil, &rigs); err != nil {
		return err
	}
	for _, r := range rigs.Rigs {
		if !slices.ContainsFunc(r.Fitness.Reasons, func(why struct{ Code string }) bool { return why.Code == "calibration-required" }) {
			continue
		}
		flows := make([]float64, int(r.WidthM*2)) // a nozzle every half metre
		for i := range flows {
			flows[i] = math.Round((1.2+0.02*rnd.NormFloat64())*1000) / 1000
		}
		in := map[string]any{
			"rig": r.Rig, "tester": worker(item{Yard: r.Yard}), "nozzle": "03", "bar": 3, "flows_l_min": flows, "spacing_m": 0.5,
			"course":      map[string]any{"course_m": 100, "seconds": 45},
			"instruments": []map[string]any{{"name": "measuring jug", "checked_until": p.clock.now().AddDate(0, 6, 0).Format(time.DateOnly)}},
		}
		if err := p.office.call(ctx, http.MethodPost, "/v1/calibrations", in, nil); err != nil {
			return err
		}
	}
	return nil
}
