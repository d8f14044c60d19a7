package console

import (
	"cmp"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rigledger/fleet"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
	"rigledger/fleet/testbay"
)

var startPages = []page{{"/start", nil, showStart}, {"/start/:rig", nil, showStartOf}}

// startPage is the way from an empty house to a rig on record.
type startPage struct {
	May    bool
	Kinds  []rigKind
	Kind   *rigKind // the one chosen
	Begun  []begunRig
	Yards  []string
	Now    string
	Suffix string
}

// rigKind is a class of rig, by what it brings.
type rigKind struct {
	Class, Title string
	Parts        int
	Some         []string // parts by which people know it
	PlanTitle    string
	Jobs         int
	Meters       []startMeter
}

type startMeter struct{ Meter, Quantity, Label, Unit, Hint string }

// begunRig is a rig whose first steps are not all done.
type begunRig struct{ Rig, Name string }

func showStart(v *visit) error {
	d := startPage{May: v.may(fleet.RoleManager), Now: v.now.UTC().Format(time.RFC3339)}
	chosen := v.query("class")
	v.fleet.View(func(s *fleet.State) {
		for _, class := range s.ClassList() {
			k := kindOf(s, &class)
			d.Kinds = append(d.Kinds, k)
			if k.Class == chosen {
				d.Kind = &k
			}
		}
		for _, r := range s.Rigs {
			if r.Retired || !v.who.MaySee(r.Yard) {
				continue
			}
			if !slices.Contains(d.Yards, r.Yard) {
				d.Yards = append(d.Yards, r.Yard)
			}
			if r.LastHeard.IsZero() {
				d.Begun = append(d.Begun, begunRig{r.Rig, r.Name})
			}
		}
	})
	slices.Sort(d.Yards)
	slices.SortFunc(d.Begun, func(a, b begunRig) int { return cmp.Compare(a.Rig, b.Rig) })
	if len(d.Begun) > 20 {
		d.Begun = d.Begun[:20]
	}
	title := word("The first rig")
	if len(d.Yards) > 0 {
		title = word("Another rig")
	}
	return v.show("start.html", title, "/", d)
}

func kindOf(s *fleet.State, class *plan.Class) rigKind {
	k := rigKind{Class: class.Name, Title: class.Title, Parts: len(class.Parts)}
	engine := false
	for _, p := range class.Parts {
		if p.Parent == "" && len(k.Some) < 6 {
			k.Some = append(k.Some, p.Title)
		}
		engine = engine || p.Meter == "engine"
	}
	if versions := s.Plans[class.Plan]; len(versions) > 0 {
		parsed := versions[len(versions)-1].Parsed
		k.PlanTitle, k.Jobs = parsed.Title, len(parsed.Tasks)
	}
	if engine {
		k.Meters = append(k.Meters, startMeter{"engine", string(meter.Hours), word("Engine hours now"), "h", ""})
	}
	k.Meters = append(k.Meters,
		startMeter{"pump", string(meter.Hours), word("Pump hours now"), "h", word("The counter that runs with the pump. Most jobs go by it.")},
		startMeter{"area", string(meter.Area), word("Hectares now"), "ha", word("As the control box shows them. Leave empty what the rig does not count.")})
	return k
}

// steps is how far one rig has come. All of it is on record; nothing is kept here.
type steps struct {
	May               bool
	Rig, Name, Yard   string
	ClassTitle        string
	WidthM, TankL     float64
	FirstUse          string
	Parts             int
	Law               string
	Laws              []option
	Meters            []meterNow
	Plan              string
	PlanVersion       int
	Jobs              int
	Plans             []option
	Heard             time.Time
	Held              int
	User              bool
	ReadingID, AtNow  string
	Examples          []example
	Next              []nextUp
	Due               []nextUp
	HasPlan, Measured bool
}

type meterNow struct {
	Meter, Unit, Code, Kind string
	Total                   float64
	ReadAt                  time.Time
}

// nextUp is a job that will be due, or is.
type nextUp struct {
	Title, Part, Item, Standing, When string
	Left                              string // what is left until then
	Minutes                           int
}

func showStartOf(v *visit) error {
	d := steps{May: v.may(fleet.RoleManager), ReadingID: "start-" + fleet.Secret()[:12], AtNow: v.now.In(v.zone).Format("2006-01-02T15:04")}
	var err error
	v.fleet.View(func(s *fleet.State) {
		var r *fleet.Rig
		if r, err = v.rig(s, v.param("rig")); err == nil {
			d.look(v, s, r)
		}
	})
	if err != nil {
		return err
	}
	d.Examples = d.examples(v)
	return v.showLive("start_rig.html", word("First steps of a rig"), "/", d)
}

func (d *steps) look(v *visit, s *fleet.State, r *fleet.Rig) {
	d.Rig, d.Name, d.Yard, d.ClassTitle = r.Rig, r.Name, r.Yard, r.Class
	if c := s.Class(r.Class); c != nil {
		d.ClassTitle = c.Title
	}
	d.WidthM, d.TankL, d.FirstUse, d.Parts = float64(r.WidthMM)/1000, float64(r.TankML)/1000, r.FirstUse, len(r.Fitted)
	for _, rule := range s.Intervals() {
		if rule.Kind == testbay.Law && !slices.ContainsFunc(d.Laws, func(o option) bool { return o.Value == rule.Place }) {
			d.Laws = append(d.Laws, option{rule.Place, placeName(s, rule.Place)})
		}
	}
	if p := s.PlacementOf(r); p != nil {
		d.Law = p.Place
		for _, o := range d.Laws {
			if o.Value == p.Place {
				d.Law = o.Label
			}
		}
	}
	slices.SortFunc(d.Laws, func(a, b option) int { return cmp.Compare(a.Label, b.Label) })
	for _, m := range r.Meters {
		q := m.Series.Quantity
		total, at := m.Series.Total()
		now := meterNow{Meter: m.Meter, Unit: quantityUnits[q], Code: q.Unit(), Kind: string(q), Total: q.FromBase(total)}
		if at > 0 {
			now.ReadAt = time.UnixMilli(at)
		}
		d.Meters = append(d.Meters, now)
	}
	if p := s.PlanOf(r.Plan); p != nil {
		d.Plan, d.PlanVersion, d.Jobs, d.HasPlan = p.Title, p.Version, len(p.Tasks), true
	}
	for slug, versions := range s.Plans {
		d.Plans = append(d.Plans, option{slug, versions[len(versions)-1].Parsed.Title})
	}
	slices.SortFunc(d.Plans, func(a, b option) int { return cmp.Compare(a.Value, b.Value) })
	d.Heard, d.Held, d.User = r.LastHeard, s.OpenHeld(r.Rig), r.User != ""
	d.Measured = !d.Heard.IsZero()
	type coming struct {
		up   nextUp
		near float64 // hours, or days after those that count hours
	}
	var next []coming
	for _, l := range v.fleet.DueOf(s, r, v.now) {
		up := nextUp{Title: l.Task.Title, Part: l.Part.Name, Item: l.Item, Standing: string(l.Due.Status), Minutes: l.Task.Minutes, Left: leftOf(&l.Due)}
		switch {
		case l.Item != "" && len(d.Due) < 12:
			d.Due = append(d.Due, up)
		case l.Item == "" && up.Left != "":
			c := coming{up, 1e6 + float64(l.Due.RemainingDays)}
			if l.Due.Remaining.Has(plan.Hours) {
				c.near = l.Due.Remaining.Human(plan.Hours)
			}
			next = append(next, c)
		}
	}
	slices.SortStableFunc(next, func(a, b coming) int { return cmp.Compare(a.near, b.near) })
	for _, c := range next[:min(3, len(next))] {
		d.Next = append(d.Next, c.up)
	}
}

var quantityUnits = map[meter.Quantity]string{meter.Hours: "h", meter.Area: "ha", meter.Volume: "l", meter.Distance: "km", meter.Loads: word("loads")}

// leftOf says how much of a task's interval is left, in the nearest of its counters.
func leftOf(due *plan.Due) string {
	for q, left := range due.Remaining.All() {
		if left > 0 {
			return fmt.Sprintf("%.1f %s", float64(left)/float64(q.Per()), rigUnit(q.Unit()))
		}
	}
	if !due.Date.IsZero() && due.RemainingDays > 0 {
		return fmt.Sprintf("%d %s", due.RemainingDays, word("days"))
	}
	return ""
}

// example is a command to paste. Secret ones come only with the password's answer.
type example struct{ Name, Text, Note string }

// RigAddresses is where rigs reach the service: host:port, or a URL where the road
// is not its own; "" for not at all.
type RigAddresses struct{ NATS, MQTT string }

// examples are made of what the rig's meters show now, so that trying one changes
// nothing; a rig without a meter has none. The host is the one that this page was asked at.
func (d *steps) examples(v *visit) []example {
	if len(d.Meters) == 0 {
		return nil
	}
	base, host := "http://127.0.0.1:8080", "127.0.0.1"
	if u, err := url.Parse("http://" + v.r.Host); err == nil && u.Host == v.r.Host && u.Hostname() != "" && plainHost.MatchString(v.r.Host) {
		base, host = "http://"+u.Host, u.Hostname()
		if v.secure {
			base = "https://" + u.Host
		}
	}
	var counters []string
	for _, m := range d.Meters {
		counters = append(counters, fmt.Sprintf(`{"meter":"%s","value":%s,"unit":"%s"}`, m.Meter, strconv.FormatFloat(m.Total, 'f', -1, 64), m.Code))
	}
	at := v.now.UTC().Format(time.RFC3339)
	data := `"counters":[` + strings.Join(counters, ",") + `]`
	event := `{"specversion":"1.0","id":"1:1","source":"urn:rig:` + d.Rig + `","type":"rig.reading.v1","time":"` + at + `","data":{` + data + `}}`
	rest := example{word("With a token, over HTTP"), "curl -H \"Authorization: Bearer $TOKEN\" " + base + "/v1/rigs/" + d.Rig + "/readings \\\n" +
		"  -H 'Content-Type: application/json' \\\n  -d '{\"id\":\"office-1\",\"time\":\"" + at + "\"," + data + "}'", word("Put a token into TOKEN first; a rig can have one of its own.")}
	password, _ := v.answer["password"].(string)
	user, _ := v.answer["user"].(string)
	var all []example
	if password != "" && v.rigs.NATS != "" {
		all = append(all, example{word("Over NATS"), "nats pub --server " + natsFor(v.rigs.NATS, host, v.secure) + " --user " + user + " --password '" + password + "' \\\n  rig." + d.Rig + ".reading \\\n  '" + event + "'", ""})
	}
	if password != "" && v.rigs.MQTT != "" {
		at, port := hostFor(v.rigs.MQTT, host)
		secure := ""
		if v.secure {
			secure = " --capath /etc/ssl/certs"
		}
		all = append(all, example{word("Over MQTT"), "mosquitto_pub -h " + at + " -p " + port + secure + " -V mqttv311 -q 1 -i " + user + " -u " + user + " -P '" + password + "' \\\n  -t rig/" + d.Rig + "/reading \\\n  -m '" + event + "'", ""})
	}
	return append(all, rest)
}

// natsFor is the NATS server as a client names it.
func natsFor(address, asked string, secure bool) string {
	if strings.Contains(address, "://") {
		return address
	}
	scheme := "nats://"
	if secure {
		scheme = "tls://"
	}
	return scheme + net.JoinHostPort(hostFor(address, asked))
}

// hostFor is the host at which an address is reached from elsewhere: its own, or
// where it listens on loopback or everywhere the one that the page was asked at.
func hostFor(address, asked string) (host, port string) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return asked, address
	}
	if at, err := netip.ParseAddr(host); host == "" || host == "localhost" || err == nil && (at.IsLoopback() || at.IsUnspecified()) {
		host = asked
	}
	return host, port
}
