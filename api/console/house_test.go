package console_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/console"
	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// house is a whole service on a real ledger, with a clock that the test sets.
type house struct {
	t      testing.TB
	fleet  *fleet.Fleet
	url    string
	clock  *atomic.Int64
	raiser *fleet.Raiser
	tokens map[string]string // by name: manager, workshop, operator, reader, and what the test adds
}

// theZone is two hours ahead of UTC in summer, so that local dates differ from
// UTC ones, and has a name that browsers know.
var theZone = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	return zone
}()

// theMorning is when tests begin: a Monday in May.
var theMorning = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

type obj = map[string]any

func newHouse(t testing.TB) *house {
	t.Helper()
	store, err := sqlitestore.Open(context.Background(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, clock: &atomic.Int64{}, tokens: map[string]string{}}
	h.clock.Store(theMorning.UnixMilli())
	h.fleet, err = fleet.Open(context.Background(), fleet.Options{Store: store, Zone: theZone, Now: func() time.Time { return time.UnixMilli(h.clock.Load()) }})
	if err != nil {
		t.Fatal(err)
	}
	h.raiser = fleet.NewRaiser(h.fleet)
	stopping := make(chan struct{})
	server := httptest.NewServer(api.New(api.Options{Fleet: h.fleet, Version: "test", Stopping: stopping, Rigs: console.RigAddresses{NATS: "127.0.0.1:14222"}}))
	h.url = server.URL
	t.Cleanup(func() {
		close(stopping)
		server.CloseClientConnections()
		server.Close()
		h.fleet.Close()
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	for _, s := range plan.StarterTexts() {
		h.do(&fleet.PublishPlan{Text: string(s.Text)})
	}
	for _, r := range []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader} {
		h.token(string(r), r, nil)
	}
	return h
}

// do has a command carried out at the desk.
func (h *house) do(cmd fleet.Command) {
	h.t.Helper()
	if _, err := h.fleet.Do(context.Background(), "test", cmd, nil); err != nil {
		h.t.Fatal(err)
	}
}

// token makes a token and keeps it under its name.
func (h *house) token(name string, role fleet.Role, yards []string) {
	h.t.Helper()
	cmd, text := fleet.NewToken(name, role)
	cmd.Yards = yards
	h.do(cmd)
	h.tokens[name] = text
}

func (h *house) now() time.Time { return time.UnixMilli(h.clock.Load()).UTC() }

func (h *house) pass(d time.Duration) { h.clock.Add(d.Milliseconds()) }

// raise does what the scheduler does: it puts on the list what is due.
func (h *house) raise() {
	h.t.Helper()
	if _, err := h.raiser.Raise(context.Background()); err != nil {
		h.t.Fatal(err)
	}
}

// send writes or reads over the REST API and wants a status of 2xx.
func (h *house) send(as, method, path string, body any) obj {
	h.t.Helper()
	text, err := json.Marshal(body)
	if err != nil {
		h.t.Fatal(err)
	}
	if body == nil {
		text = nil
	}
	r, err := http.NewRequest(method, h.url+path, bytes.NewReader(text))
	if err != nil {
		h.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+h.tokens[as])
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		h.t.Fatal(err)
	}
	defer func() { _ = a.Body.Close() }()
	answer, err := io.ReadAll(a.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	if a.StatusCode/100 != 2 {
		h.t.Fatalf("%s %s answered %d: %s", method, path, a.StatusCode, answer)
	}
	var doc obj
	_ = json.Unmarshal(answer, &doc)
	return doc
}

// register brings a rig under the ledger; more overwrites members of the body.
func (h *house) register(code, yard string, more obj) {
	h.t.Helper()
	body := obj{
		"rig": code, "name": "Low meadow", "class": "trailed", "yard": yard, "width_m": 24, "tank_l": 3500, "first_use": "2025-03-01",
		"meters": []obj{{"meter": "pump", "quantity": "hours", "value": 0}, {"meter": "area", "quantity": "area", "value": 0}},
		"plan":   "trailed-boom",
	}
	maps.Copy(body, more)
	h.send("manager", "POST", "/v1/rigs", body)
}

var sent atomic.Int64

// read sends a reading of the pump's hours and the area's hectares.
func (h *house) read(rig string, at time.Time, hours, hectares float64) {
	h.t.Helper()
	h.send("manager", "POST", "/v1/rigs/"+rig+"/readings", obj{
		"id": fmt.Sprintf("r-%d", sent.Add(1)), "time": at.UTC().Format(time.RFC3339Nano), "counters": []obj{
			{"meter": "pump", "value": hours, "unit": "HUR"}, {"meter": "area", "value": hectares, "unit": "H18"},
		}})
}

// worked gives a rig days of work before now, at so many hours a day and 7 ha an hour.
func (h *house) worked(rig string, days int, hoursADay float64) {
	h.t.Helper()
	begin := h.now().Add(-time.Duration(days) * 24 * time.Hour)
	var all []events.Arrival
	for d := range days {
		at := begin.Add(time.Duration(d) * 24 * time.Hour)
		hours := hoursADay * float64(d+1)
		all = append(all, events.Arrival{
			Via: "api", By: "test", Rig: rig, Event: fmt.Sprintf("w-%d", sent.Add(1)), Time: at, Kind: events.KindReading, Payload: []byte("{}"),
			Counters: []events.RawCounter{{Meter: "pump", Value: hours, Unit: "HUR"}, {Meter: "area", Value: hours * 7, Unit: "H18"}},
		})
	}
	if _, err := h.fleet.Take(context.Background(), all); err != nil {
		h.t.Fatal(err)
	}
}

// many registers n rigs over three yards, with a month of work each.
func (h *house) many(n int) {
	h.t.Helper()
	yards := []string{"millrace", "hollowtree", "saltmarsh"}
	for i := range n {
		code := fmt.Sprintf("M%03d", i+1)
		h.do(&fleet.RegisterRig{
			Rig: code, Name: fmt.Sprintf("Furrow %d", i+1), Class: "trailed", Yard: yards[i%len(yards)], WidthM: 24, TankL: 3500, FirstUse: "2025-03-01", Plan: "trailed-boom",
			Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}, {Meter: "area", Quantity: "area"}},
		})
		h.worked(code, 30, 2+float64(i%5))
	}
	h.raise()
}

// visitor is a signed-in person without script: cookies and forms only.
type visitor struct {
	t    testing.TB
	h    *house
	http *http.Client
}

// visit signs a person in through the door.
func (h *house) visit(as string) *visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	v := &visitor{h.t, h, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if as == "" {
		return v
	}
	door := v.get("/")
	v.post("/sign-in", url.Values{"form": {door.form()}, "token": {h.tokens[as]}, "to": {"/"}}).is(303)
	return v
}

// sheet is a page as it came.
type sheet struct {
	t      testing.TB
	status int
	header http.Header
	text   string
}

func (v *visitor) get(path string) sheet {
	v.t.Helper()
	r, err := http.NewRequest("GET", v.h.url+path, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	return v.send(r)
}

func (v *visitor) send(r *http.Request) sheet {
	v.t.Helper()
	a, err := v.http.Do(r)
	if err != nil {
		v.t.Fatal(err)
	}
	defer func() { _ = a.Body.Close() }()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return sheet{v.t, a.StatusCode, a.Header, string(text)}
}

// post sends fields as a form of a page.
func (v *visitor) post(path string, fields url.Values) sheet {
	v.t.Helper()
	r, err := http.NewRequest("POST", v.h.url+path, strings.NewReader(fields.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.led(v.send(r))
}

// led follows the way back to a page that shows what was refused, and no other.
func (v *visitor) led(a sheet) sheet {
	v.t.Helper()
	to, err := url.Parse(a.header.Get("Location"))
	if err != nil || a.status != http.StatusSeeOther || !to.Query().Has("refused") {
		return a
	}
	return v.get(to.RequestURI())
}

// fill sends a form of a page as it stands there, with some of its fields filled
// in; a field whose value begins with @ is a file of that name and content.
func (v *visitor) fill(page sheet, path, form string, fields map[string]string) sheet {
	v.t.Helper()
	values := page.fields(form)
	for name, value := range fields {
		if _, there := values[name]; !there && !strings.Contains(page.text, `name="`+name+`"`) {
			v.t.Fatalf("the form %s has no field %s", form, name)
		}
		values.Set(name, value)
	}
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for name, all := range values {
		for _, value := range all {
			if file, ok := strings.CutPrefix(value, "@"); ok && strings.HasPrefix(name, "f:") {
				part, _ := w.CreateFormFile(name, file)
				_, _ = part.Write([]byte(firstBytes[filepath.Ext(file)] + "content of " + file))
				continue
			}
			_ = w.WriteField(name, value)
		}
	}
	_ = w.Close()
	r, err := http.NewRequest("POST", v.h.url+path, &b)
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", w.FormDataContentType())
	return v.led(v.send(r))
}

// firstBytes are those by which a kind of file is known.
var firstBytes = map[string]string{".jpg": "\xff\xd8\xff", ".pdf": "%PDF-1.7\n"}

var formToken = regexp.MustCompile(`name="form" value="([^"]+)"`)

func (s sheet) form() string {
	s.t.Helper()
	m := formToken.FindStringSubmatch(s.text)
	if m == nil {
		s.t.Fatalf("no form in %s", s.text)
	}
	return m[1]
}

func (s sheet) is(status int) sheet {
	s.t.Helper()
	if s.status != status {
		s.t.Fatalf("answered %d, want %d: %s", s.status, status, s.text)
	}
	return s
}

// has fails the test unless the page's text holds all of these.
func (s sheet) has(wants ...string) sheet {
	s.t.Helper()
	for _, want := range wants {
		if !strings.Contains(s.text, want) {
			s.t.Errorf("the page does not hold %q", want)
		}
	}
	return s
}

// hasNot fails the test if the page's text holds any of these.
func (s sheet) hasNot(never ...string) sheet {
	s.t.Helper()
	for _, n := range never {
		if strings.Contains(s.text, n) {
			s.t.Errorf("the page holds %q", n)
		}
	}
	return s
}
