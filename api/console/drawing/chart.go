package drawing

import (
	"html/template"
	"math"
	"strconv"
)

// Use is what a counter gained day by day.
type Use struct {
	Days   []UseDay
	Unit   string
	Months []Tick // where a month begins
}

// UseDay is one day: its gain, and whether it lies in the season.
type UseDay struct {
	Gain     float64
	InSeason bool
}

// Tick marks where a month begins. Name is what is read until a script writes
// the month (2026-05) in the reader's language.
type Tick struct {
	At          int
	Month, Name string
}

// tickRoom is what a month's name takes at the most, on a narrow page.
const tickRoom = 88.0

// Fan is what a counter may come to show.
type Fan struct {
	Unit   string
	Past   []float64 // the total on the mornings of the last days, today's last
	Ahead  []FanDay  // from today on
	Limits []FanLimit
	Booked []FanBooking
	Months []Tick // counted from the first day of Past
	Today  string // what is written at today's line
}

// FanDay is the total that 10, 50 and 90 % of the futures stay below.
type FanDay struct{ P10, P50, P90 float64 }

// FanLimit is the total at which a task falls due, under its letter in the list.
type FanLimit struct {
	At     float64
	Letter string
	Href   string
	Says   string
}

// FanBooking is planned work or rest, in days from today, both included.
type FanBooking struct {
	From, To int
	Rest     bool
}

// The charts' field, beside which stand their scales.
const (
	chartWide, chartLeft, chartRight = 660.0, 46.0, 12.0
	barsTop, barsFoot                = 24.0, 150.0
	fanTop, fanFoot                  = 24.0, 300.0
)

// steps gives round numbers for a scale from low to high, about four of them.
func steps(low, high float64) []float64 {
	if !(high > low) {
		return []float64{low}
	}
	raw := (high - low) / 4
	unit := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, k := range []float64{1, 2, 5, 10} {
		if unit*k >= raw {
			unit *= k
			break
		}
	}
	var out []float64
	for i := math.Ceil(low/unit-1e-9) + 0; i*unit <= high+unit*1e-9; i++ {
		out = append(out, i*unit)
	}
	return out
}

func plain(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

func (p *pen) months(ticks []Tick, x func(int) float64, top, foot float64) {
	last := math.Inf(-1)
	for _, t := range ticks {
		p.put(`<path class="thin grid" d="M%v %vV%v"/>`, x(t.At), top, foot+5)
		if x(t.At) > last+tickRoom && x(t.At) < chartWide-tickRoom {
			p.put(`<text x="%v" y="%v"`, x(t.At)+3, foot+18)
			p.WriteString(` class="scale" text-anchor="start" data-month="` + safe(t.Month) + `">` + safe(t.Name) + `</text>`)
			last = x(t.At)
		}
	}
}

// Bars draws use by day over the season's band.
func Bars(u Use, label, alt string) template.HTML {
	var p pen
	p.begin("bars", label, 0, 0, chartWide, barsFoot+24)
	p.picture(alt)
	high := 0.0
	for _, d := range u.Days {
		high = max(high, d.Gain)
	}
	if high == 0 {
		high = 1
	}
	count := max(len(u.Days), 1)
	x := func(i int) float64 {
		return chartLeft + (chartWide-chartLeft-chartRight)*float64(i)/float64(count)
	}
	y := func(v float64) float64 { return barsFoot - (barsFoot-barsTop)*v/high }
	for i := 0; i < len(u.Days); i++ {
		if !u.Days[i].InSeason {
			continue
		}
		j := i
		for j < len(u.Days) && u.Days[j].InSeason {
			j++
		}
		p.put(`<rect class="season" stroke="none" x="%v" y="%v" width="%v" height="%v"/>`, x(i), barsTop-6, x(j)-x(i), barsFoot-barsTop+6)
		i = j
	}
	for _, v := range steps(0, high) {
		p.put(`<path class="thin grid" d="M%v %vH%v"/>`, chartLeft, y(v), chartWide-chartRight)
		p.text(chartLeft-5, y(v)+4, "scale", "end", plain(v))
	}
	p.months(u.Months, x, barsTop-6, barsFoot)
	p.text(chartLeft-5, 12, "scale", "end", u.Unit)
	wide := x(1) - x(0)
	gap := min(wide*.2, 1.5)
	p.WriteString(`<path class="gain" fill="currentColor" stroke="none" d="`)
	for i, d := range u.Days {
		if d.Gain > 0 {
			p.put(`M%v %vV%vh%vV%vZ`, x(i)+gap/2, barsFoot, y(d.Gain), wide-gap, barsFoot)
		}
	}
	p.WriteString(`"/></g></svg>`)
	return p.html()
}

// limitsOn keeps the limits that fall into what the fan shows.
func (f *Fan) limitsOn() (low, high float64, shown []FanLimit) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range f.Past {
		low, high = min(low, v), max(high, v)
	}
	for _, d := range f.Ahead {
		low, high = min(low, d.P10), max(high, d.P90)
	}
	if math.IsInf(low, 0) {
		low, high = 0, 1
	}
	if high-low < 1 {
		high = low + 1
	}
	high += (high - low) * .06
	for _, l := range f.Limits {
		if l.At >= low && l.At <= high {
			shown = append(shown, l)
		}
	}
	return low, high, shown
}

// FanChart draws a counter's past weeks, its fan, and the totals at which tasks
// fall due.
func FanChart(f Fan, label, alt string) template.HTML {
	var p pen
	p.begin("fan", label, 0, 0, chartWide, fanFoot+24)
	p.picture(alt)
	low, high, limits := f.limitsOn()
	now, count := max(len(f.Past)-1, 0), max(len(f.Past)-1, 0)+max(len(f.Ahead)-1, 1)
	right := chartWide - chartRight - 22 // letters of the limits stand there
	x := func(i int) float64 { return chartLeft + (right-chartLeft)*float64(i)/float64(count) }
	y := func(v float64) float64 { return fanFoot - (fanFoot-fanTop)*(v-low)/(high-low) }
	for _, b := range f.Booked {
		class := "booked"
		if b.Rest {
			class = "rest"
		}
		from, to := max(b.From, 0), min(b.To+1, len(f.Ahead)-1)
		if from >= to {
			continue
		}
		p.WriteString(`<rect class="` + class + `" stroke="none"`)
		p.put(` x="%v" y="%v" width="%v" height="%v"/>`, x(now+from), fanTop-6, x(now+to)-x(now+from), fanFoot-fanTop+6)
	}
	for _, v := range steps(low, high) {
		p.put(`<path class="thin grid" d="M%v %vh-4"/>`, chartLeft, y(v))
		p.text(chartLeft-6, y(v)+4, "scale", "end", plain(v))
	}
	p.months(f.Months, x, fanTop-6, fanFoot)
	p.text(chartLeft-6, 12, "scale", "end", f.Unit)
	p.put(`<path class="thin" d="M%v %vV%vH%v"/>`, chartLeft, fanTop-6, fanFoot, right)
	if len(f.Ahead) > 1 {
		p.WriteString(`<path class="band" stroke="none" d="`)
		for i, d := range f.Ahead {
			p.put(move(i)+`%v %v`, x(now+i), y(d.P90))
		}
		for i := len(f.Ahead) - 1; i >= 0; i-- {
			p.put(`L%v %v`, x(now+i), y(f.Ahead[i].P10))
		}
		p.WriteString(`Z"/><path class="edge" stroke-dasharray="3 3" stroke-width="1" d="`)
		for i, d := range f.Ahead {
			p.put(move(i)+`%v %v`, x(now+i), y(d.P90))
		}
		for i, d := range f.Ahead {
			p.put(move(i)+`%v %v`, x(now+i), y(d.P10))
		}
		p.WriteString(`"/><path class="middle" stroke-width="2.5" d="`)
		for i, d := range f.Ahead {
			p.put(move(i)+`%v %v`, x(now+i), y(d.P50))
		}
		p.WriteString(`"/>`)
	}
	p.WriteString(`<path class="past" stroke-width="2.5" d="`)
	for i, v := range f.Past {
		p.put(move(i)+`%v %v`, x(i), y(v))
	}
	p.WriteString(`"/>`)
	p.put(`<path class="today" stroke-width="1.5" d="M%v %vV%v"/>`, x(now), fanTop-8, fanFoot)
	p.text(x(now), 12, "scale", "middle", f.Today)
	for _, l := range limits {
		p.put(`<path class="limit" stroke-dasharray="7 3" d="M%v %vH%v"/>`, chartLeft, y(l.At), right)
	}
	p.WriteString(`</g>`)
	p.letters(limits, right, y)
	p.WriteString(`</svg>`)
	return p.html()
}

func move(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

// letters names the limits at their right ends, each a link to its row, set
// apart where lines lie close.
func (p *pen) letters(limits []FanLimit, right float64, y func(float64) float64) {
	row := make([]callout, len(limits))
	for i, l := range limits {
		row[i] = callout{mark: &Mark{Number: i}, ax: y(l.At)}
	}
	spread(row, fanTop-10, fanFoot) // along the right edge, from the top
	for _, c := range row {
		l := limits[c.mark.Number]
		p.WriteString(`<a class="mark" href="` + safe(l.Href) + `" aria-label="` + safe(l.Says) + `">`)
		p.put(`<path class="lead" fill="none" stroke="currentColor" d="M%v %vL%v %v"/>`, right, c.ax, right+8, c.x)
		p.put(`<rect class="reach" x="%v" y="%v" width="26" height="26" fill="none"/>`, right+4, c.x-13)
		p.text(right+18, c.x+5, "numeral", "middle", l.Letter)
		p.WriteString(`</a>`)
	}
}
