package forecast_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"

	"rigledger/fleet/plan"
	"rigledger/fleet/plan/forecast"
)

// The bounds of the design (section 6).
const (
	leastCover, mostCover = 0.75, 0.85
	leastGroup            = 0.65
	leastGain             = 0.15
)

// The forecaster's constants were set on seeds 1001 to 1006 and 2001 to 2006. Seeds 1
// to 8 were looked at once, before the last change. The test judges on 101 to 108, which
// were not used for setting anything.
var (
	seedFlag  = flag.Uint64("forecast.seed", 101, "first seed of the backtest")
	worldFlag = flag.Int("forecast.worlds", 8, "simulated worlds in the backtest")
)

// guess is what a method says: days until the limit at the three quantiles.
type guess [3]float64

var quantiles = [3]float64{0.1, 0.5, 0.9}

// pinball is the mean over the quantiles of the pinball loss, in days.
func (g guess) pinball(truth float64) float64 {
	sum := 0.0
	for i, q := range quantiles {
		if d := truth - g[i]; d >= 0 {
			sum += q * d
		} else {
			sum += (q - 1) * d
		}
	}
	return sum / 3
}

// outcome is one forecast and what came of it. The methods: ours, yearly
// mean, mean of the last 28 days, and these two with a spread.
type outcome struct {
	groups []string
	truth  float64
	by     [5]guess

	chance  float64 // of getting through a day's work some weeks ahead
	through bool    // what came of it
}

// tally sums a group.
type tally struct {
	n, held, below, above int
	width                 []float64
	loss                  [5]float64
}

func (t *tally) add(o outcome) {
	t.n++
	switch ours := o.by[0]; {
	case o.truth < ours[0]:
		t.below++
	case o.truth > ours[2]:
		t.above++
	default:
		t.held++
	}
	t.width = append(t.width, o.by[0][2]-o.by[0][0])
	for i := range t.loss {
		t.loss[i] += o.by[i].pinball(o.truth)
	}
}

func (t *tally) cover() float64 { return float64(t.held) / float64(t.n) }

// gain is how far our loss lies below the better of two methods, of the sums.
func (t *tally) gain(a, b int) float64 { return 1 - t.loss[0]/min(t.loss[a], t.loss[b]) }

func (t *tally) row(name string) string {
	sort.Float64s(t.width)
	n := float64(t.n)
	return fmt.Sprintf("%-38s %6d  %5.1f%%  %4.1f%% %4.1f%%  %5.0f  %7.2f %7.2f %7.2f %7.2f %7.2f  %5.1f%% %5.1f%%",
		name, t.n, 100*t.cover(), 100*float64(t.below)/n, 100*float64(t.above)/n, t.width[len(t.width)/2],
		t.loss[0]/n, t.loss[1]/n, t.loss[2]/n, t.loss[3]/n, t.loss[4]/n, 100*t.gain(1, 2), 100*t.gain(3, 4))
}

const header = "group                                       n   held  early  late  width     ours  yearly  last28 yearly~ last28~   gain  gain~"

// Rolling origin: on days 37 apart, each rig's history up to the day before is all
// that the forecaster and the naive methods see; the truth is the day on which
// the simulated rig reached the limit, at most three years later.
//
// The two naive methods, as the design wants them: all three quantiles are the day
// that the mean daily use reaches the limit (yearly: of the rig's whole years, of
// all its days when it has less than one, of the class's year when it has none; last28: of
// the last 28 days, at the horizon when that is 0). The two fairer ones (~) put a
// spread around the same mean: use over t days is gamma with that mean and a
// variance of dispersion times mean, the dispersion measured on the rig's own 28-day sums of the
// last two years, with 10 h when there are fewer than six.
func TestBacktestHoldsTheBandsAndBeatsTheNaiveMethods(t *testing.T) {
	var all []outcome
	for w := range *worldFlag {
		all = append(all, playWorld(*seedFlag+uint64(w))...)
	}
	total, groups, names := &tally{}, map[string]*tally{}, []string{}
	for _, o := range all {
		total.add(o)
		for _, g := range o.groups {
			if groups[g] == nil {
				groups[g] = &tally{}
				names = append(names, g)
			}
			groups[g].add(o)
		}
	}
	slices.Sort(names)
	var table strings.Builder
	fmt.Fprintf(&table, "\n%s\n%s\n", header, total.row("all"))
	for _, name := range names {
		fmt.Fprintln(&table, groups[name].row(name))
	}
	t.Log(table.String())
	judgeChances(t, all)
	if c := total.cover(); c < leastCover || c > mostCover {
		t.Errorf("the band held the truth in %.1f %% of all cases, want 75 to 85 %%", 100*c)
	}
	if g := total.gain(1, 2); g < leastGain {
		t.Errorf("pinball loss is %.1f %% below the better naive method, want at least 15 %%", 100*g)
	}
	for _, name := range names {
		g := groups[name]
		if name[0] == '(' { // shown, not judged: see groups
			continue
		}
		if g.n < 50 {
			t.Errorf("group %s has only %d cases: too few to judge", name, g.n)
		}
		if c := g.cover(); c < leastGroup {
			t.Errorf("group %s: the band held the truth in %.1f %% of cases, want at least 65 %%", name, 100*c)
		}
	}
}

// judgeChances holds the chances of getting through a day's work against how often
// the rigs did: in each fifth of the scale within 10 points.
func judgeChances(t *testing.T, all []outcome) {
	var n, said, came [5]float64
	for _, o := range all {
		i := min(int(o.chance*5), 4)
		n[i]++
		said[i] += o.chance
		if o.through {
			came[i]++
		}
	}
	t.Log("getting through a day's work: said, came true, cases")
	for i := range n {
		t.Logf("%5.1f%% %5.1f%% %6.0f", 100*said[i]/n[i], 100*came[i]/n[i], n[i])
		if off := math.Abs(said[i]-came[i]) / n[i]; n[i] < 100 || off > 0.10 {
			t.Errorf("chances of %d to %d %%: off by %.1f points in %.0f cases", 20*i, 20*i+20, 100*off, n[i])
		}
	}
}

const horizon = forecast.Horizon

func playWorld(seed uint64) []outcome {
	r := rand.New(rand.NewPCG(seed, 7))
	var out []outcome
	for _, southern := range []bool{false, true} {
		g := newRegion(r, southern)
		var rigs []*machine
		for i := range 14 {
			born, moved := r.IntN(300), -1
			switch {
			case i >= 11: // bought later
				born = 365*(2+i-10) + r.IntN(365)
			case i >= 7: // moved in mid-life
				moved = 365*(3+(i-7)%3) + r.IntN(365)
			}
			rigs = append(rigs, newMachine(r, g, born, moved))
		}
		out = append(out, playRegion(r, g, rigs)...)
	}
	return out
}

func playRegion(r *rand.Rand, g *region, rigs []*machine) []outcome {
	worked := make([][]int64, len(rigs))
	for i, m := range rigs {
		worked[i] = m.work(nil)
	}
	var out []outcome
	for origin := 400; origin+horizon <= simDays(); origin += 37 {
		today := firstDay.AddDays(origin)
		var members []forecast.Member
		for i, m := range rigs {
			members = append(members, forecast.Member{History: upTo(worked[i], m.born, origin), Season: g.season})
		}
		pool, daily := forecast.NewPool(members, today), classDaily(worked, rigs, origin)
		for i, m := range rigs {
			if origin < m.born-30 {
				continue
			}
			c := backtest{told: i%2 == 0, g: g, m: m, origin: origin, today: today, pool: pool, history: members[i].History, classDaily: daily}
			c.alone = r.IntN(4) == 0 && origin-m.born > 60
			use := worked[i]
			if r.IntN(5) == 0 {
				c.planned = c.fillDiary(r)
				use = m.work(c.planned)
			}
			outlook := c.outlook()
			for range 2 {
				remaining := int64(3600 * 15 * math.Exp(math.Log(50)*r.Float64())) // 15 h to 750 h
				out = append(out, c.judge(outlook, use, remaining))
			}
		}
	}
	return out
}

func upTo(use []int64, born, origin int) forecast.History {
	if born >= origin {
		return forecast.History{}
	}
	return forecast.History{From: firstDay.AddDays(born), Use: use[born:origin]}
}

// backtest is one rig on one day.
type backtest struct {
	g       *region
	m       *machine
	origin  int
	today   plan.Date
	pool    *forecast.Pool
	history forecast.History
	alone   bool // without its class
	told    bool // that the rig was moved, where it was
	planned diary

	classDaily float64 // base units
}

// fillDiary plans a contract of some days and some days of rest in the next weeks.
func (c *backtest) fillDiary(r *rand.Rand) diary {
	d := diary{}
	from := c.origin + r.IntN(40)
	for i := range 4 + r.IntN(8) {
		d[max(from, c.m.born)+i] = 5 + 5*r.Float64()
	}
	from = c.origin + r.IntN(60)
	for i := range 5 + r.IntN(14) {
		d[from+i] = -1
	}
	return d
}

// outlook is all that the forecaster is told.
func (c *backtest) outlook() *forecast.Outlook {
	history, pool := c.history, c.pool
	if c.told && c.m.moved >= 0 && c.m.moved < c.origin {
		history.Changed = firstDay.AddDays(c.m.moved)
	}
	if c.alone {
		pool = nil
	}
	var booked []forecast.Booking
	for d, hours := range c.planned {
		b := forecast.Booking{Day: firstDay.AddDays(d), Rest: hours < 0}
		if hours > 0 {
			b.Amount = int64(hours * 3600)
		}
		booked = append(booked, b)
	}
	return forecast.NewModel(history, pool, c.g.season, c.today).Curves(c.today, booked, horizon)
}

func (c *backtest) judge(outlook *forecast.Outlook, use []int64, remaining int64) outcome {
	o := outcome{truth: horizon}
	sum := int64(0)
	for d := c.origin; d < c.origin+horizon; d++ {
		if sum += use[d]; sum >= remaining {
			o.truth = float64(d - c.origin)
			break
		}
	}
	band := outlook.Passage(remaining)
	ahead, work := 5+int(remaining/3600)%50, int64(8*3600)
	o.chance = outlook.Through(forecast.Booking{Day: c.today.AddDays(ahead), Amount: work}, remaining)
	for _, v := range use[c.origin : c.origin+ahead] {
		work += v
	}
	o.through = work < remaining
	for i, day := range []forecast.Day{band.P10, band.P50, band.P90} {
		o.by[0][i] = horizon
		if day.OK {
			o.by[0][i] = float64(c.today.DaysUntil(day.Date))
		}
	}
	c.naive(&o, float64(remaining))
	o.groups = c.groups(remaining)
	return o
}

// groups are what a case is judged by: each is known on the day of the forecast,
// save those in brackets, which are shown and not judged. A move to come is known
// only afterwards; the first 90 days after a move that nobody tells of, and the first year
// without a class, are shown because they are the hardest, and too few on their own.
func (c *backtest) groups(remaining int64) []string {
	half := "1 northern"
	if c.g.turn != 0 {
		half = "1 southern"
	}
	groups := []string{half}
	age := c.origin - c.m.born
	switch {
	case age <= 0:
		groups = append(groups, "2 no history")
	case age < 120:
		groups = append(groups, "2 history under 4 months")
	case age < 365:
		groups = append(groups, "2 history under a year")
	case age < 2*365:
		groups = append(groups, "2 second year")
	case age < 4*365:
		groups = append(groups, "2 third, fourth year")
	default:
		groups = append(groups, "2 older")
	}
	switch like := c.g.dayOfYear(c.origin); {
	case like < 60 || like >= 305:
		groups = append(groups, "3 between seasons")
	case like < 120:
		groups = append(groups, "3 early season")
	case like < 200:
		groups = append(groups, "3 mid season")
	default:
		groups = append(groups, "3 late season")
	}
	switch h := remaining / 3600; {
	case h < 50:
		groups = append(groups, "4 limit 15-50 h")
	case h < 200:
		groups = append(groups, "4 limit 50-200 h")
	default:
		groups = append(groups, "4 limit 200-750 h")
	}
	if c.m.moved >= 0 {
		told := ", not told"
		if c.told {
			told = ", told"
		}
		switch since := c.origin - c.m.moved; {
		case since <= 0:
		case since < 365:
			groups = append(groups, "5 moved under a year ago"+told)
			if since < 90 {
				groups = append(groups, "(moved under 90 days ago"+told+")")
			}
		default:
			groups = append(groups, "5 moved over a year ago"+told)
		}
		if since := c.origin - c.m.moved; since <= 0 && since > -180 {
			groups = append(groups, "(move to come in 180 days)")
		}
	}
	if c.planned != nil {
		groups = append(groups, "7 with a diary")
	}
	if c.alone {
		groups = append(groups, "8 without its class")
		if c.origin-c.m.born < 365 {
			groups = append(groups, "(first year, no class)")
		}
	} else {
		groups = append(groups, "8 with its class")
	}
	return groups
}
