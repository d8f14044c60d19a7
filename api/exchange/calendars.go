package exchange

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"rigledger/api/call"
	"rigledger/api/exchange/calendar"
	"rigledger/api/planning"
	"rigledger/api/workshop"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// CalendarPath is where a calendar is served to who knows its secret. It is not
// in the table of routes: no token goes with it, and its address is in no log.
const CalendarPath = "/v1/exchange/calendar/:secret"

const (
	calendarDays  = 366 // how far ahead a forecast date is listed
	calendarAfter = 60  // days for which what is over stays listed as cancelled
)

const calendarNotice = "Planning advice. The maker's handbook and the law of the place come first."

// calendarDoc is a calendar without its secret.
type calendarDoc struct {
	Calendar string    `json:"calendar"`
	Name     string    `json:"name"`
	Yard     string    `json:"yard,omitempty"`
	Rig      string    `json:"rig,omitempty"`
	IssuedAt time.Time `json:"issued_at"`
	IssuedBy string    `json:"issued_by"`
	Revoked  bool      `json:"revoked"`
}

func calendarDocOf(k *fleet.Calendar) calendarDoc {
	return calendarDoc{k.Calendar, k.Name, k.Yard, k.Rig, k.IssuedAt.UTC(), k.IssuedBy, k.Revoked}
}

// seesCalendar: a manager held to yards has to do with their calendars alone.
func seesCalendar(c *call.Call, s *fleet.State, yard, rig string) bool {
	if rig != "" {
		return c.Sees(s.Rigs[rig])
	}
	return c.Who.MaySee(yard)
}

// GetCalendars answers GET /v1/exchange/calendars.
func (res *Resources) GetCalendars(c *call.Call) error {
	p := c.Pages("calendars")
	if err := c.Query.Err(); err != nil {
		return err
	}
	docs := []calendarDoc{}
	var next string
	err := c.View(func(s *fleet.State) error {
		var found []call.Placed[*fleet.Calendar]
		for id, k := range s.Calendars {
			if at := (call.Place{ID: id}); p.Wants(at) && seesCalendar(c, s, k.Yard, k.Rig) {
				found = append(found, call.Placed[*fleet.Calendar]{At: at, Of: k})
			}
		}
		found, next = call.Cut(&p, found)
		for _, f := range found {
			docs = append(docs, calendarDocOf(f.Of))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.List("calendars", docs, next, nil)
}

// newCalendarDoc is the one answer that has the address.
type newCalendarDoc struct {
	calendarDoc
	Address string `json:"address"`
	Notice  string `json:"notice"`
}

// PostCalendar answers POST /v1/exchange/calendars.
func (res *Resources) PostCalendar(c *call.Call) error {
	if err := c.NoKey(); err != nil {
		return err
	}
	cmd, secret := fleet.NewCalendar()
	if err := c.Body(cmd); err != nil {
		return err
	}
	may := func(s *fleet.State) error {
		if cmd.Rig != "" {
			return c.MayNamed(&cmd.Rig)(s)
		}
		if cmd.Yard != "" && !c.Who.MaySee(cmd.Yard) {
			return &call.Problem{Kind: call.NotAllowed, Detail: "this token is held to other yards"}
		}
		return nil
	}
	if _, err := c.Do(cmd, http.StatusCreated, may); err != nil {
		return err
	}
	doc := newCalendarDoc{
		Address: strings.Replace(CalendarPath, ":secret", secret+".ics", 1),
		Notice:  "The address is shown once. Who has it reads the calendar without a token.",
	}
	err := c.View(func(s *fleet.State) error {
		doc.calendarDoc = calendarDocOf(s.Calendars[cmd.ID()])
		return nil
	})
	if err != nil {
		return err
	}
	c.SetHeader("Cache-Control", "no-store")
	return c.Answer(http.StatusCreated, doc)
}

// RevokeCalendar answers POST /v1/exchange/calendars/{calendar}/revoke.
func (res *Resources) RevokeCalendar(c *call.Call) error {
	id := c.Param("calendar")
	cmd := fleet.RevokeCalendar{Calendar: id}
	may := func(s *fleet.State) error {
		if k := s.Calendars[id]; k == nil || !seesCalendar(c, s, k.Yard, k.Rig) {
			return call.NoSuch("calendar", id)
		}
		return nil
	}
	if err := c.View(may); err != nil {
		return err
	}
	if err := c.BodyOrNone(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	var doc calendarDoc
	err = c.View(func(s *fleet.State) error {
		doc = calendarDocOf(s.Calendars[id])
		return nil
	})
	if err != nil {
		return err
	}
	return c.Answer(d.Status, doc)
}

// calendarAnswer is a calendar as it was made for a commit and a day: clients
// ask often, and the forecast of a yard is work.
type calendarAnswer struct {
	commit uint64
	day    plan.Date
	body   []byte
	tag    string
}

// ServeCalendar answers who has the secret. A wrong one, a revoked one and one
// that never was are the same.
func (res *Resources) ServeCalendar(c *call.Call) error {
	secret, ics := strings.CutSuffix(c.Param("secret"), ".ics")
	unknown := &call.Problem{Kind: call.NotFound, Detail: "there is no such calendar"}
	if !ics || len(c.Request.URL.RawQuery) > 0 {
		return unknown
	}
	var id string
	var commit uint64
	var day plan.Date
	_ = c.View(func(s *fleet.State) error {
		if k := s.CalendarOf(secret); k != nil {
			id, commit, day = k.Calendar, s.Head.N, c.Today(s)
		}
		return nil
	})
	if id == "" {
		return unknown
	}
	kept, _ := res.calendars.Load(id)
	made, ok := kept.(*calendarAnswer)
	if !ok || made.commit != commit || made.day != day {
		body, err := makeCalendar(c, id)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		made = &calendarAnswer{commit, day, body, `"` + hex.EncodeToString(sum[:12]) + `"`}
		res.calendars.Store(id, made)
	}
	c.SetHeader("Cache-Control", "private, max-age=300")
	if c.Unchanged(made.tag) {
		return nil
	}
	return c.Bytes(http.StatusOK, "text/calendar; charset=utf-8", made.body)
}

func makeCalendar(c *call.Call, id string) ([]byte, error) {
	var name string
	var codes []string
	came := map[string]uint64{}
	c.Fleet.View(func(s *fleet.State) {
		k := s.Calendars[id]
		name = k.Name
		for code, r := range s.Rigs {
			if !r.Retired && (code == k.Rig || k.Yard != "" && r.Yard == k.Yard) {
				codes = append(codes, code)
				_, came[code] = farewellOf(r, k)
			}
		}
	})
	slices.Sort(codes)
	ahead := map[string][]fleet.TaskForecast{}
	for _, code := range codes[:min(len(codes), planning.ForecastRigs)] {
		f, err := c.Fleet.Forecast(code, fleet.WhatIf{})
		if fleet.CodeOf(err) == fleet.NotFound || fleet.CodeOf(err) == fleet.Conflict {
			continue // retired meanwhile
		}
		if err != nil {
			return nil, err
		}
		ahead[code] = f.Tasks
	}
	var entries []calendar.Entry
	c.Fleet.View(func(s *fleet.State) {
		entries = calendarEntries(s, codes, came, ahead, c.Now)
		listed := map[string]bool{}
		for i := range entries {
			listed[entries[i].ID] = true
		}
		earliest := c.Now.AddDate(0, 0, -calendarAfter)
		for _, code := range slices.Sorted(maps.Keys(s.Rigs)) {
			if gone, _ := farewellOf(s.Rigs[code], s.Calendars[id]); gone != nil && !gone.at.Before(earliest) {
				for _, e := range gone.cancelled(s, s.Rigs[code], earliest) {
					if !listed[e.ID] { // a part of it may have stayed, on another rig
						listed[e.ID] = true
						entries = append(entries, e)
					}
				}
			}
		}
	})
	var out bytes.Buffer
	// UIDs hold wherever the ledger is served from, so the domain is no host's.
	err := calendar.Write(&out, calendar.Calendar{Name: name, Domain: "rigledger.invalid", Entries: entries})
	return out.Bytes(), err
}

// calendarEntries lists what is open, what is ahead and what ended of late, each
// item once under the id that it has, or will have when it is raised. came is the
// commit by which each rig came into the calendar: one that was in it before was told
// off under a later commit than that of an item's last change, and sequences only rise.
//
// The sequence of what is only forecast is the rig's newest commit, a reading more
// often than not, although the date may be what it was. A forecast's date is on no
// record, so only who remembers what was last sent could tell; and instances that
// remembered different things would send sequences that fall, after which clients
// keep the older date. One that rises for nothing costs them nothing.
func calendarEntries(s *fleet.State, codes []string, came map[string]uint64, ahead map[string][]fleet.TaskForecast, now time.Time) []calendar.Entry {
	today := plan.Of(now, s.Zone())
	until := today.AddDays(calendarDays)
	entries := map[string]calendar.Entry{}
	for _, code := range codes {
		r := s.Rigs[code]
		if r == nil {
			continue
		}
		likely := map[string]plan.Date{} // of raised items
		for _, t := range ahead[code] {
			if !t.Band.P50.OK || t.Band.P50.Date.After(until) {
				continue
			}
			if t.Item != "" {
				likely[t.Item] = t.Band.P50.Date
				continue
			}
			cycle := 1
			if p := s.Parts[t.Part]; p != nil && p.Tasks[t.Task] != nil {
				cycle = p.Tasks[t.Task].Cycles + 1
			}
			e := calendarEntry(r, fleet.ItemID(t.Part, t.Task, cycle), t.Title)
			e.First, e.Standing, e.Category, e.Commit, e.Changed = t.Band.P50.Date.String(), calendar.Forecast, string(t.Weight), r.Changed, changedAt(r, r.Changed)
			entries[e.ID] = e
		}
		for _, id := range r.Open {
			it := s.Items[id]
			line := workshop.LineOf(s, it, r, nil)
			e := calendarEntry(r, id, line.Title)
			e.Category, e.Standing, e.Commit = line.Weight, calendar.Firm, max(it.Changed, came[code])
			switch day, forecast := likely[id]; {
			case it.BookedOn != "":
				e.First = it.BookedOn
			case it.DueDate != "":
				e.First = it.DueDate
			case forecast:
				e.First, e.Standing, e.Commit = day.String(), calendar.Forecast, max(e.Commit, r.Changed)
			default:
				e.First = plan.Of(it.RaisedAt, s.Zone()).String()
			}
			e.Changed = changedAt(r, e.Commit)
			entries[id] = e
		}
	}
	earliest := now.AddDate(0, 0, -calendarAfter)
	shown := map[string]bool{}
	for _, code := range codes {
		shown[code] = true
	}
	for id, it := range s.Items {
		if it.Stage.Open() || it.EndedAt.Before(earliest) || !shown[it.Rig] {
			continue
		}
		r := s.Rigs[it.Rig]
		e := calendarEntry(r, id, workshop.LineOf(s, it, r, nil).Title)
		e.Standing, e.Commit = calendar.Cancelled, max(it.Changed, came[it.Rig])
		e.Changed = changedAt(r, e.Commit)
		if e.First = it.BookedOn; e.First == "" {
			e.First = plan.Of(it.EndedAt, s.Zone()).String()
		}
		e.Summary += ": " + string(it.Stage)
		entries[id] = e
	}
	list := make([]calendar.Entry, 0, len(entries))
	for _, id := range slices.Sorted(maps.Keys(entries)) {
		list = append(list, entries[id])
	}
	return list
}

func calendarEntry(r *fleet.Rig, id, title string) calendar.Entry {
	return calendar.Entry{ID: id, Summary: r.Rig + " " + title, Description: r.Name + "\n" + id + "\n" + calendarNotice, Place: r.Yard}
}

// changedAt is when a commit about a rig was recorded. Readings are not on its
// timeline: of the newest of them the rig knows the time.
func changedAt(r *fleet.Rig, commit uint64) time.Time {
	at := r.Registered
	for i := len(r.Timeline) - 1; i >= 0; i-- {
		if r.Timeline[i].N <= commit {
			at = r.Timeline[i].Recorded
			break
		}
	}
	if commit == r.Changed && r.LastTaken.After(at) {
		at = r.LastTaken
	}
	return at
}
