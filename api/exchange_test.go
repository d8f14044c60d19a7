package api

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"rigledger/api/exchange/fleetxml"
	"rigledger/fleet"
)

// zipped is task data with one device and one task; values are the DLVs of its
// only interval, from 06:00 to 07:00 of the day before the tests begin.
func zipped(t *testing.T, serial string, values ...string) []byte {
	t.Helper()
	text := `<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="4" VersionMinor="2" DataTransferOrigin="2">` +
		`<DVC A="DVC-1" B="Sprayer" D="` + device + `" E="` + serial + `" F="00" G="00"><DET A="DET-1" B="1" C="1" D="whole" E="1" F="0"/></DVC>` +
		`<PFD A="PFD1" C="Long acre" D="100000"/><TSK A="TSK1" B="Field spraying" E="PFD1" G="4">` +
		`<TIM A="2026-05-03T06:00:00Z" B="2026-05-03T07:00:00Z" D="4">` + strings.Join(values, "") + `</TIM></TSK></ISO11783_TaskData>`
	return zipOf(t, "TASKDATA/TASKDATA.XML", text)
}

// Of ISO 11783-11: 215 lifetime working hours × 0.05 h, 271 lifetime area m²,
// 116 total area m², 119 effective time s, 493 engine hours × 0.1 h.
func season(t *testing.T, serial string) []byte {
	return zipped(t, serial, dlv(215, 250), dlv(271, 420_000), dlv(116, 20_000), dlv(119, 3000), dlv(493, 500))
}

func taskData(h *house, query string, body []byte) answer {
	h.t.Helper()
	return h.send("operator", "POST", "/v1/exchange/taskdata"+query, body, "Content-Type", "application/zip")
}

func TestTaskDataFeedsMetersOnce(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.send("manager", "PATCH", "/v1/rigs/T01", obj{"serial": "SN-7"}, "If-Match", "*").is(200)
	a := taskData(h, "", season(t, "SN-7")).is(200)
	a.has("/devices/0/rig", "T01").has("/devices/0/taken", 2).has("/devices/0/known", 0).has("/devices/0/held_count", 0)
	if skipped := a.names("/devices/0/skipped", "what"); len(skipped) != 1 || skipped[0] != "lifetime engine time" {
		t.Errorf("skipped: %v", skipped)
	}
	a.has("/devices/0/totals/0/task", "Field spraying").has("/devices/0/totals/0/field", "Long acre")
	// 250 × 0.05 h and 420,000 m²; the total of the task, 2 ha, is on no meter.
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 12.5).has("/totals/area/hectares", 42)
	head := h.fleet.Head().N
	again := taskData(h, "", season(t, "SN-7")).is(200)
	again.has("/devices/0/taken", 0).has("/devices/0/known", 2)
	if h.fleet.Head().N != head {
		t.Error("the same file wrote something")
	}
	lines := strings.Split(string(taskData(h, "?rows=csv", season(t, "SN-7")).is(200).body), "\r\n")
	if len(lines) < 2 || !strings.HasPrefix(lines[1], "2026-05-03,T01,") || !strings.Contains(lines[1], "Long acre,Field spraying,2,") {
		t.Errorf("rows: %q", lines)
	}
}

func TestTaskDataSaysWhatWasNotTaken(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("S01", "south")
	h.token("n", fleet.RoleOperator, []string{"north"}, "")
	taskData(h, "", season(t, "SN-7")).is(200).has("/devices/0/rig", nil).has("/devices/0/skipped/0/why", "no rig in service has its serial number")
	south := h.send("n", "POST", "/v1/exchange/taskdata?device=SN-7:S01", season(t, "SN-7"), "Content-Type", "application/zip").is(200)
	south.has("/devices/0/taken", 0).has("/devices/0/skipped/0/why", `there is no rig "S01"`)
	taskData(h, "?device="+device+":T01", season(t, "")).is(200).has("/devices/0/taken", 2)
	// 20 h less than the meter shows: a person decides.
	held := taskData(h, "?device=SN-7:T01", zipped(t, "SN-7", dlv(215, 1))).is(202)
	held.has("/devices/0/held_count", 1).has("/devices/0/held/0/reason", "clash")
	h.send("reader", "GET", "/v1/quarantine/"+held.at("/devices/0/held/0/quarantine").(string), nil).is(200).has("/via", "exchange")
	// Counters that fall within a file speak against themselves.
	falls := zipOf(t, "taskdata.xml", strings.Replace(taskDataText(dlv(271, 900_000)), "</TIM>", `</TIM><TIM A="2026-05-03T08:00:00Z" B="2026-05-03T09:00:00Z" D="4">`+dlv(271, 800_000)+`</TIM>`, 1))
	suspect := taskData(h, "?device=SN-7:T01", falls).is(202).has("/devices/0/held/1/reason", "suspect")
	id := suspect.at("/devices/0/held/1/quarantine").(string)
	h.send("reader", "GET", "/v1/quarantine/"+id, nil).is(200).has("/counters/0/meter", "area").has("/counters/0/value", 800_000)
	taskData(h, "?rows=csv&device=SN-7:T01", falls).is(202)
	h.send("workshop", "POST", "/v1/quarantine/"+id+"/release", obj{"how": "corrected", "values": obj{"area": 43}, "reason": "read off the terminal"}).is(200).has("/open", false)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/area/hectares", 43)
}

func TestExchangeRefusesWhatItCannotRead(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	taskData(h, "", []byte("no zip")).is(422)
	taskData(h, "", zipOf(t, "readme.txt", "x")).is(422)
	taskData(h, "", zipOf(t, "../TASKDATA.XML", taskDataText())).is(422)
	taskData(h, "", zipOf(t, "TASKDATA.XML", `<!DOCTYPE x [<!ENTITY a "b">]>`+taskDataText())).is(422)
	h.send("operator", "POST", "/v1/exchange/taskdata", season(t, "SN-7")).is(415)
	taskData(h, "?odd=1", season(t, "SN-7")).is(422)
	bad := taskData(h, "?device=SN-7&zone=Nowhere&rows=xml", season(t, "SN-7")).is(422)
	for _, name := range []string{"device", "zone", "rows"} {
		if !strings.Contains(bad.bad(), name) {
			t.Errorf("%s is not named: %s", name, bad.bad())
		}
	}
	xml := func(text string) answer {
		return h.send("operator", "POST", "/v1/exchange/fleet", text, "Content-Type", "application/xml")
	}
	xml("<Fleet").is(422)
	xml("<other/>").is(422)
	xml(`<!DOCTYPE Fleet SYSTEM "file:///etc/hosts"><Fleet/>`).is(422)
	h.send("operator", "POST", "/v1/exchange/fleet", "<Fleet/>").is(415)
	for _, path := range []string{
		"fleet/0", "fleet/2", "fleet/x", "fleet/equipment/T99", "fleet/equipment/T01/Location/2026-05-01/2026-05-02/1", "fleet/equipment/T01/Distance/2026-05-01/2026-05-02/1",
		"fleet/equipment/T01/CumulativeArea/2026-05-01/2026-05-02/2", "sheet/rigs", "sheet/rigs.pdf", "sheet/tokens.csv",
	} {
		h.send("reader", "GET", "/v1/exchange/"+path, nil).is(404)
	}
	h.send("reader", "GET", "/v1/exchange/fleet/equipment/T01/CumulativeArea/yesterday/2026-05-02/1", nil).is(400)
	h.send("reader", "GET", "/v1/exchange/sheet/rigs.csv?from=2026-05-01", nil).is(422)
	h.send("reader", "GET", "/v1/exchange/sheet/usage.csv?from=2026-05-03&to=2026-05-02", nil).is(422)
}

func TestFleetDataGoesOutAndComesIn(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("S01", "south")
	h.token("n", fleet.RoleReader, []string{"north"}, "")
	for i := range 3 {
		h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(time.Duration(i-3)*time.Hour), 10+float64(i), 40)).is(200)
	}
	a := h.send("n", "GET", "/v1/exchange/fleet/1", nil).is(200)
	snap, problems, err := fleetxml.Read(bytes.NewReader(a.body))
	if err != nil || len(problems) > 0 {
		t.Fatal(err, problems)
	}
	if len(snap.Equipment) != 1 || snap.Equipment[0].Header.EquipmentID != "T01" {
		t.Fatalf("a reader of the north sees %+v", snap.Equipment)
	}
	if e := snap.Equipment[0]; e.OperatingHours.Seconds != 12*3600 || e.Area.SquareMetres != 400_000 || !e.OperatingHours.At.Equal(h.now().Add(-time.Hour)) {
		t.Errorf("T01 is %+v %+v", e.OperatingHours, e.Area)
	}
	h.send("n", "GET", "/v1/exchange/fleet/1", nil, "If-None-Match", a.header.Get("ETag")).is(304)
	h.send("n", "GET", "/v1/exchange/fleet/equipment/S01", nil).is(404)
	one := h.send("n", "GET", "/v1/exchange/fleet/equipment/T01", nil).is(200)
	if !bytes.Contains(one.body, []byte("<EquipmentID>T01</EquipmentID>")) {
		t.Errorf("%s", one.body)
	}
	line := h.send("n", "GET", "/v1/exchange/fleet/equipment/T01/CumulativeOperatingHours/2026-05-04/2026-05-05/1", nil).is(200)
	series, problems, err := fleetxml.ReadSeries(bytes.NewReader(line.body))
	if err != nil || len(problems) > 0 || len(series.Hours) != 3 || series.Hours[2].Seconds != 12*3600 {
		t.Errorf("series %+v, %v, %v", series.Hours, problems, err)
	}
	datum := func(id, hours string) string {
		return `<Fleet xmlns="http://standards.iso.org/iso/15143/-3" version="1" snapshotTime="2026-05-04T06:00:00Z"><Equipment><EquipmentHeader><EquipmentID>` + id +
			`</EquipmentID></EquipmentHeader><CumulativeOperatingHours datetime="2026-05-04T05:30:00Z"><Hour>` + hours + `</Hour></CumulativeOperatingHours></Equipment></Fleet>`
	}
	post := func(text string) answer {
		return h.send("workshop", "POST", "/v1/exchange/fleet", text, "Content-Type", "text/xml")
	}
	post(datum("T01", "12.25")).is(200).has("/devices/0/taken", 1)
	head := h.fleet.Head().N
	post(datum("T01", "12.25")).is(200).has("/devices/0/known", 1)
	if h.fleet.Head().N != head {
		t.Error("the same document wrote something")
	}
	post(datum("X99", "1")).is(200).has("/devices/0/skipped/0/what", "machine")
	post(datum("T01", "3")).is(202).has("/devices/0/held_count", 1)
	post(datum("T01", "many")).is(200).has("/skipped/0/count", 1)
	h.send("reader", "GET", "/v1/rigs/T01", nil).is(200).has("/totals/pump/hours", 12.25)
}

func TestCalendarOpensToItsSecretAlone(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("S01", "south")
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-time.Hour), 101, 10)).is(200)
	h.raise()
	made := h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "Nordhof Pflege ü", "yard": "north"}).is(201)
	path := made.at("/address").(string)
	a := h.send("", "GET", path, nil).is(200)
	text := strings.ReplaceAll(string(a.body), "\r\n ", "")
	const item = "UID:T01-filter-suction.suction-filter.1@"
	if !strings.Contains(text, item) || strings.Contains(text, "S01") || !strings.Contains(text, "STATUS:TENTATIVE") || !strings.Contains(text, "Nordhof Pflege ü") {
		t.Errorf("the calendar is\n%s", clip(text, 3000))
	}
	h.send("", "GET", path, nil, "If-None-Match", a.header.Get("ETag")).is(304)
	h.send("operator", "POST", "/v1/items/T01-filter-suction.suction-filter.1/finish", obj{"by": "B. Example"}).is(200)
	event := func(of string) string {
		text := strings.ReplaceAll(string(h.send("", "GET", path, nil).is(200).body), "\r\n ", "")
		_, rest, _ := strings.Cut(text, of)
		rest, _, _ = strings.Cut(rest, "END:VEVENT")
		return rest
	}
	if e := event(item); !strings.Contains(e, "STATUS:CANCELLED") {
		t.Errorf("a finished item is %s", e)
	}
	h.pass(61 * 24 * time.Hour)
	if e := event(item); e != "" {
		t.Errorf("after 61 days it is still there: %s", e)
	}
	if listed := h.send("manager", "GET", "/v1/exchange/calendars", nil).is(200); strings.Contains(string(listed.body), strings.TrimPrefix(path, "/v1/exchange/calendar/")[:43]) {
		t.Error("the list shows the secret")
	}
	h.send("", "GET", strings.TrimSuffix(path, ".ics"), nil).is(404)
	h.send("", "GET", "/v1/exchange/calendar/"+strings.Repeat("x", 43)+".ics", nil).is(404)
	id := made.at("/calendar").(string)
	h.send("manager", "POST", "/v1/exchange/calendars/"+id+"/revoke", obj{"reason": "left"}).is(200).has("/revoked", true)
	h.send("manager", "POST", "/v1/exchange/calendars/"+id+"/revoke", nil).is(409)
	h.send("", "GET", path, nil).is(404)

	rig := h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "S01", "rig": "S01"}).is(201)
	if text := string(h.send("", "GET", rig.at("/address").(string), nil).is(200).body); strings.Contains(text, "T01") || !strings.Contains(text, "UID:S01") {
		t.Errorf("the rig's calendar is\n%s", clip(text, 2000))
	}
	h.token("n", fleet.RoleManager, []string{"north"}, "")
	h.send("n", "POST", "/v1/exchange/calendars", obj{"name": "x", "yard": "south"}).is(403)
	h.send("n", "POST", "/v1/exchange/calendars", obj{"name": "x", "rig": "S01"}).is(422)
	h.send("n", "POST", "/v1/exchange/calendars/"+rig.at("/calendar").(string)+"/revoke", nil).is(404)
	h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "x", "yard": "north", "rig": "T01"}).is(422)
	h.send("manager", "POST", "/v1/exchange/calendars", obj{"yard": "north"}).is(422)
	h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "x"}, "Idempotency-Key", "k").is(422).has("/type", "/problems/key-unwelcome")
}

func TestSheetsHoldWhatTheListsHold(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	h.register("S01", "south")
	h.token("n", fleet.RoleReader, []string{"north"}, "")
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-26*time.Hour), 100, 9)).is(200)
	h.send("manager", "POST", "/v1/rigs/T01/readings", reading(h.now().Add(-25*time.Hour), 101, 10)).is(200)
	h.send("manager", "POST", "/v1/defects", obj{"rig": "T01", "text": "=HYPERLINK(1)"}).is(201)
	h.send("manager", "POST", "/v1/defects", obj{"rig": "S01", "text": "drip"}).is(201)
	h.raise()
	for name := range sheets {
		a := h.send("n", "GET", "/v1/exchange/sheet/"+name+".csv", nil).is(200)
		rows, err := csv.NewReader(bytes.NewReader(a.body)).ReadAll()
		if err != nil {
			t.Fatal(name, err)
		}
		if name != "inspections" && len(rows) < 2 || strings.Contains(string(a.body), "S01") {
			t.Errorf("%s: %q", name, rows)
		}
		x := h.send("n", "GET", "/v1/exchange/sheet/"+name+".xlsx", nil).is(200)
		if _, err := zip.NewReader(bytes.NewReader(x.body), int64(len(x.body))); err != nil {
			t.Errorf("%s.xlsx: %v", name, err)
		}
		h.send("n", "GET", "/v1/exchange/sheet/"+name+".csv", nil, "If-None-Match", a.header.Get("ETag")).is(304)
	}
	if d := string(h.send("n", "GET", "/v1/exchange/sheet/defects.csv", nil).is(200).body); !strings.Contains(d, "'=HYPERLINK(1)") {
		t.Errorf("a formula got through: %s", d)
	}
	u := h.send("reader", "GET", "/v1/exchange/sheet/usage.csv?"+url.Values{"rig": {"T01"}, "from": {"2026-05-03"}, "to": {"2026-05-04"}}.Encode(), nil).is(200)
	if want := "2026-05-03,T01,north,"; !strings.Contains(string(u.body), want) {
		t.Errorf("usage: %s", u.body)
	}
}

// Task data may be larger than other bodies, and no more than so much of it is
// unpacked at a time.
func TestTaskDataHasBoundsOfItsOwn(t *testing.T) {
	h := newHouse(t)
	taskData(h, "", make([]byte, 2*maxBody)).is(422)
	h.send("operator", "POST", "/v1/exchange/fleet", make([]byte, maxBody+1), "Content-Type", "application/xml").is(413)
	for range unpackingMost { // each sends on and on, so that it is being read
		body, sending := io.Pipe()
		r, _ := http.NewRequest("POST", h.url+"/v1/exchange/taskdata", body)
		r.Header.Set("Authorization", "Bearer "+h.tokens["operator"])
		r.Header.Set("Content-Type", "application/zip")
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			if a, err := http.DefaultClient.Do(r); err == nil {
				a.Body.Close()
			}
		}()
		t.Cleanup(func() {
			sending.CloseWithError(io.ErrUnexpectedEOF)
			<-ended
		})
	}
	var a answer
	for began := time.Now(); a.status != 503; time.Sleep(10 * time.Millisecond) {
		if a = taskData(h, "", season(t, "SN-7")); a.status != 503 && (a.status != 200 || time.Since(began) > 10*time.Second) {
			t.Fatalf("while others are read, answers %d", a.status)
		}
	}
	if a.header.Get("Retry-After") == "" {
		t.Error("nothing says when to come again")
	}
}

func TestACalendarsAddressIsInNoLog(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north")
	path := h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "x", "yard": "north"}).is(201).at("/address").(string)
	var log bytes.Buffer
	logged := New(Options{Fleet: h.fleet, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	for _, p := range []string{path, path + "x", path + "?x=1"} {
		logged.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", p, nil))
	}
	secret := strings.TrimSuffix(strings.TrimPrefix(path, "/v1/exchange/calendar/"), ".ics")
	if strings.Contains(log.String(), secret) || strings.Count(log.String(), calendarPath) != 3 {
		t.Errorf("the log says\n%s", log.String())
	}
}

func TestACalendarsUnchangedAnswerHasTheTagThatTheCallerHolds(t *testing.T) {
	h := newHouse(t)
	for _, rig := range []string{"T01", "T02", "T03"} {
		h.register(rig, "north")
	}
	h.pass(400 * 24 * time.Hour) // much is due, so that it is worth compressing
	h.raise()
	path := h.send("manager", "POST", "/v1/exchange/calendars", obj{"name": "x", "yard": "north"}).is(201).at("/address").(string)
	get := func(accept, held string) (int, string) {
		t.Helper()
		r, _ := http.NewRequest("GET", h.url+path, nil)
		r.Header.Set("Accept-Encoding", accept)
		if held != "" {
			r.Header.Set("If-None-Match", held)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		return a.StatusCode, a.Header.Get("ETag")
	}
	for _, accept := range []string{"gzip", "identity"} {
		_, tag := get(accept, "")
		if strings.Contains(tag, "+gzip") != (accept == "gzip") {
			t.Fatalf("%s has the tag %s", accept, tag)
		}
		if status, again := get(accept, tag); status != 304 || again != tag {
			t.Errorf("%s: %d under %s, held %s", accept, status, again, tag)
		}
	}
}
