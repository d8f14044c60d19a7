package exchange_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/http/httptrace"
	"net/url"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/api/exchange"
	"rigledger/api/exchange/fleetxml"
	"rigledger/fleet"
)

// zipped is task data with one device and one task; values are the DLVs of its
// only interval, from 06:00 to 07:00 of the day before the tests begin.
func zipped(t *testing.T, serial string, values ...string) []byte {
	t.Helper()
	text := `<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="4" VersionMinor="2" DataTransferOrigin="2">` +
		`<DVC A="DVC-1" B="Sprayer" D="` + apitest.Device + `" E="` + serial + `" F="00" G="00"><DET A="DET-1" B="1" C="1" D="whole" E="1" F="0"/></DVC>` +
		`<PFD A="PFD1" C="Long acre" D="100000"/><TSK A="TSK1" B="Field spraying" E="PFD1" G="4">` +
		`<TIM A="2026-05-03T06:00:00Z" B="2026-05-03T07:00:00Z" D="4">` + strings.Join(values, "") + `</TIM></TSK></ISO11783_TaskData>`
	return apitest.Zip(t, "TASKDATA/TASKDATA.XML", text)
}

// Of ISO 11783-11: 215 lifetime working hours × 0.05 h, 271 lifetime area m²,
// 116 total area m², 119 effective time s, 493 engine hours × 0.1 h.
func season(t *testing.T, serial string) []byte {
	return zipped(t, serial, apitest.DLV(215, 250), apitest.DLV(271, 420_000), apitest.DLV(116, 20_000), apitest.DLV(119, 3000), apitest.DLV(493, 500))
}

func taskData(h *apitest.House, query string, body []byte) apitest.Answer {
	h.T.Helper()
	return h.Send("operator", "POST", "/v1/exchange/taskdata"+query, body, "Content-Type", "application/zip")
}

func TestTaskDataFeedsMetersOnce(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"serial": "SN-7"}, "If-Match", "*").Is(200)
	a := taskData(h, "", season(t, "SN-7")).Is(200)
	a.Has("/devices/0/rig", "T01").Has("/devices/0/taken", 2).Has("/devices/0/known", 0).Has("/devices/0/held_count", 0)
	if skipped := a.Names("/devices/0/skipped", "what"); len(skipped) != 1 || skipped[0] != "lifetime engine time" {
		t.Errorf("skipped: %v", skipped)
	}
	a.Has("/devices/0/totals/0/task", "Field spraying").Has("/devices/0/totals/0/field", "Long acre")
	// 250 × 0.05 h and 420,000 m²; the total of the task, 2 ha, is on no meter.
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 12.5).Has("/totals/area/hectares", 42)
	head := h.Fleet.Head().N
	again := taskData(h, "", season(t, "SN-7")).Is(200)
	again.Has("/devices/0/taken", 0).Has("/devices/0/known", 2)
	if h.Fleet.Head().N != head {
		t.Error("the same file wrote something")
	}
	lines := strings.Split(string(taskData(h, "?rows=csv", season(t, "SN-7")).Is(200).Body), "\r\n")
	if len(lines) < 2 || !strings.HasPrefix(lines[1], "2026-05-03,T01,") || !strings.Contains(lines[1], "Long acre,Field spraying,2,") {
		t.Errorf("rows: %q", lines)
	}
}

func TestTaskDataSaysWhatWasNotTaken(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("S01", "south")
	h.Token("n", fleet.RoleOperator, []string{"north"}, "")
	taskData(h, "", season(t, "SN-7")).Is(200).Has("/devices/0/rig", nil).Has("/devices/0/skipped/0/why", "no rig in service has its serial number")
	south := h.Send("n", "POST", "/v1/exchange/taskdata?device=SN-7:S01", season(t, "SN-7"), "Content-Type", "application/zip").Is(200)
	south.Has("/devices/0/taken", 0).Has("/devices/0/skipped/0/why", `there is no rig "S01"`)
	taskData(h, "?device="+apitest.Device+":T01", season(t, "")).Is(200).Has("/devices/0/taken", 2)
	// 20 h less than the meter shows: a person decides.
	held := taskData(h, "?device=SN-7:T01", zipped(t, "SN-7", apitest.DLV(215, 1))).Is(202)
	held.Has("/devices/0/held_count", 1).Has("/devices/0/held/0/reason", "clash")
	h.Send("reader", "GET", "/v1/quarantine/"+held.At("/devices/0/held/0/quarantine").(string), nil).Is(200).Has("/via", "exchange")
	// Counters that fall within a file speak against themselves.
	falls := apitest.Zip(t, "taskdata.xml", strings.Replace(apitest.TaskDataText(apitest.DLV(271, 900_000)), "</TIM>", `</TIM><TIM A="2026-05-03T08:00:00Z" B="2026-05-03T09:00:00Z" D="4">`+apitest.DLV(271, 800_000)+`</TIM>`, 1))
	suspect := taskData(h, "?device=SN-7:T01", falls).Is(202).Has("/devices/0/held/1/reason", "suspect")
	id := suspect.At("/devices/0/held/1/quarantine").(string)
	h.Send("reader", "GET", "/v1/quarantine/"+id, nil).Is(200).Has("/counters/0/meter", "area").Has("/counters/0/value", 800_000)
	taskData(h, "?rows=csv&device=SN-7:T01", falls).Is(202)
	h.Send("workshop", "POST", "/v1/quarantine/"+id+"/release", apitest.Obj{"how": "corrected", "values": apitest.Obj{"area": 43}, "reason": "read off the terminal"}).Is(200).Has("/open", false)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/area/hectares", 43)
}

func TestExchangeRefusesWhatItCannotRead(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	taskData(h, "", []byte("no zip")).Is(422)
	taskData(h, "", apitest.Zip(t, "readme.txt", "x")).Is(422)
	taskData(h, "", apitest.Zip(t, "../TASKDATA.XML", apitest.TaskDataText())).Is(422)
	taskData(h, "", apitest.Zip(t, "TASKDATA.XML", `<!DOCTYPE x [<!ENTITY a "b">]>`+apitest.TaskDataText())).Is(422)
	h.Send("operator", "POST", "/v1/exchange/taskdata", season(t, "SN-7")).Is(415)
	taskData(h, "?odd=1", season(t, "SN-7")).Is(422)
	bad := taskData(h, "?device=SN-7&zone=Nowhere&rows=xml", season(t, "SN-7")).Is(422)
	for _, name := range []string{"device", "zone", "rows"} {
		if !strings.Contains(bad.Bad(), name) {
			t.Errorf("%s is not named: %s", name, bad.Bad())
		}
	}
	xml := func(text string) apitest.Answer {
		return h.Send("operator", "POST", "/v1/exchange/fleet", text, "Content-Type", "application/xml")
	}
	xml("<Fleet").Is(422)
	xml("<other/>").Is(422)
	xml(`<!DOCTYPE Fleet SYSTEM "file:///etc/hosts"><Fleet/>`).Is(422)
	h.Send("operator", "POST", "/v1/exchange/fleet", "<Fleet/>").Is(415)
	for _, path := range []string{
		"fleet/0", "fleet/2", "fleet/x", "fleet/equipment/T99", "fleet/equipment/T01/Location/2026-05-01/2026-05-02/1", "fleet/equipment/T01/Distance/2026-05-01/2026-05-02/1",
		"fleet/equipment/T01/CumulativeArea/2026-05-01/2026-05-02/2", "sheet/rigs", "sheet/rigs.pdf", "sheet/tokens.csv",
	} {
		h.Send("reader", "GET", "/v1/exchange/"+path, nil).Is(404)
	}
	h.Send("reader", "GET", "/v1/exchange/fleet/equipment/T01/CumulativeArea/yesterday/2026-05-02/1", nil).Is(400)
	h.Send("reader", "GET", "/v1/exchange/sheet/rigs.csv?from=2026-05-01", nil).Is(422)
	h.Send("reader", "GET", "/v1/exchange/sheet/usage.csv?from=2026-05-03&to=2026-05-02", nil).Is(422)
}

func TestFleetDataGoesOutAndComesIn(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("S01", "south")
	h.Token("n", fleet.RoleReader, []string{"north"}, "")
	for i := range 3 {
		h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(time.Duration(i-3)*time.Hour), 10+float64(i), 40)).Is(200)
	}
	a := h.Send("n", "GET", "/v1/exchange/fleet/1", nil).Is(200)
	snap, problems, err := fleetxml.Read(bytes.NewReader(a.Body))
	if err != nil || len(problems) > 0 {
		t.Fatal(err, problems)
	}
	if len(snap.Equipment) != 1 || snap.Equipment[0].Header.EquipmentID != "T01" {
		t.Fatalf("a reader of the north sees %+v", snap.Equipment)
	}
	if e := snap.Equipment[0]; e.OperatingHours.Seconds != 12*3600 || e.Area.SquareMetres != 400_000 || !e.OperatingHours.At.Equal(h.Now().Add(-time.Hour)) {
		t.Errorf("T01 is %+v %+v", e.OperatingHours, e.Area)
	}
	h.Send("n", "GET", "/v1/exchange/fleet/1", nil, "If-None-Match", a.Header.Get("ETag")).Is(304)
	h.Send("n", "GET", "/v1/exchange/fleet/equipment/S01", nil).Is(404)
	one := h.Send("n", "GET", "/v1/exchange/fleet/equipment/T01", nil).Is(200)
	if !bytes.Contains(one.Body, []byte("<EquipmentID>T01</EquipmentID>")) {
		t.Errorf("%s", one.Body)
	}
	line := h.Send("n", "GET", "/v1/exchange/fleet/equipment/T01/CumulativeOperatingHours/2026-05-04/2026-05-05/1", nil).Is(200)
	series, problems, err := fleetxml.ReadSeries(bytes.NewReader(line.Body))
	if err != nil || len(problems) > 0 || len(series.Hours) != 3 || series.Hours[2].Seconds != 12*3600 {
		t.Errorf("series %+v, %v, %v", series.Hours, problems, err)
	}
	datum := func(id, hours string) string {
		return `<Fleet xmlns="http://standards.iso.org/iso/15143/-3" version="1" snapshotTime="2026-05-04T06:00:00Z"><Equipment><EquipmentHeader><EquipmentID>` + id +
			`</EquipmentID></EquipmentHeader><CumulativeOperatingHours datetime="2026-05-04T05:30:00Z"><Hour>` + hours + `</Hour></CumulativeOperatingHours></Equipment></Fleet>`
	}
	post := func(text string) apitest.Answer {
		return h.Send("workshop", "POST", "/v1/exchange/fleet", text, "Content-Type", "text/xml")
	}
	post(datum("T01", "12.25")).Is(200).Has("/devices/0/taken", 1)
	head := h.Fleet.Head().N
	post(datum("T01", "12.25")).Is(200).Has("/devices/0/known", 1)
	if h.Fleet.Head().N != head {
		t.Error("the same document wrote something")
	}
	post(datum("X99", "1")).Is(200).Has("/devices/0/skipped/0/what", "machine")
	post(datum("T01", "3")).Is(202).Has("/devices/0/held_count", 1)
	post(datum("T01", "many")).Is(200).Has("/skipped/0/count", 1)
	h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Has("/totals/pump/hours", 12.25)
}

func TestCalendarOpensToItsSecretAlone(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("S01", "south")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 101, 10)).Is(200)
	h.Raise()
	made := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "Nordhof Pflege ü", "yard": "north"}).Is(201)
	path := made.At("/address").(string)
	a := h.Send("", "GET", path, nil).Is(200)
	text := strings.ReplaceAll(string(a.Body), "\r\n ", "")
	const item = "UID:T01-filter-suction.suction-filter.1@"
	if !strings.Contains(text, item) || strings.Contains(text, "S01") || !strings.Contains(text, "STATUS:TENTATIVE") || !strings.Contains(text, "Nordhof Pflege ü") {
		t.Errorf("the calendar is\n%s", call.Clip(text, 3000))
	}
	h.Send("", "GET", path, nil, "If-None-Match", a.Header.Get("ETag")).Is(304)
	h.Send("operator", "POST", "/v1/items/T01-filter-suction.suction-filter.1/finish", apitest.Obj{"by": "B. Example"}).Is(200)
	event := func(of string) string {
		text := strings.ReplaceAll(string(h.Send("", "GET", path, nil).Is(200).Body), "\r\n ", "")
		_, rest, _ := strings.Cut(text, of)
		rest, _, _ = strings.Cut(rest, "END:VEVENT")
		return rest
	}
	if e := event(item); !strings.Contains(e, "STATUS:CANCELLED") {
		t.Errorf("a finished item is %s", e)
	}
	h.Pass(61 * 24 * time.Hour)
	if e := event(item); e != "" {
		t.Errorf("after 61 days it is still there: %s", e)
	}
	if listed := h.Send("manager", "GET", "/v1/exchange/calendars", nil).Is(200); strings.Contains(string(listed.Body), strings.TrimPrefix(path, "/v1/exchange/calendar/")[:43]) {
		t.Error("the list shows the secret")
	}
	h.Send("", "GET", strings.TrimSuffix(path, ".ics"), nil).Is(404)
	h.Send("", "GET", "/v1/exchange/calendar/"+strings.Repeat("x", 43)+".ics", nil).Is(404)
	id := made.At("/calendar").(string)
	h.Send("manager", "POST", "/v1/exchange/calendars/"+id+"/revoke", apitest.Obj{"reason": "left"}).Is(200).Has("/revoked", true)
	h.Send("manager", "POST", "/v1/exchange/calendars/"+id+"/revoke", nil).Is(409)
	h.Send("", "GET", path, nil).Is(404)

	rig := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "S01", "rig": "S01"}).Is(201)
	if text := string(h.Send("", "GET", rig.At("/address").(string), nil).Is(200).Body); strings.Contains(text, "T01") || !strings.Contains(text, "UID:S01") {
		t.Errorf("the rig's calendar is\n%s", call.Clip(text, 2000))
	}
	h.Token("n", fleet.RoleManager, []string{"north"}, "")
	h.Send("n", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "south"}).Is(403)
	h.Send("n", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "rig": "S01"}).Is(422)
	h.Send("n", "POST", "/v1/exchange/calendars/"+rig.At("/calendar").(string)+"/revoke", nil).Is(404)
	h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "north", "rig": "T01"}).Is(422)
	h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"yard": "north"}).Is(422)
	h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x"}, "Idempotency-Key", "k").Is(422).Has("/type", "/problems/key-unwelcome")
}

func TestSheetsHoldWhatTheListsHold(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("S01", "south")
	h.Token("n", fleet.RoleReader, []string{"north"}, "")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-26*time.Hour), 100, 9)).Is(200)
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-25*time.Hour), 101, 10)).Is(200)
	h.Send("manager", "POST", "/v1/defects", apitest.Obj{"rig": "T01", "text": "=HYPERLINK(1)"}).Is(201)
	h.Send("manager", "POST", "/v1/defects", apitest.Obj{"rig": "S01", "text": "drip"}).Is(201)
	h.Raise()
	for _, name := range exchange.SheetNames() {
		a := h.Send("n", "GET", "/v1/exchange/sheet/"+name+".csv", nil).Is(200)
		rows, err := csv.NewReader(bytes.NewReader(a.Body)).ReadAll()
		if err != nil {
			t.Fatal(name, err)
		}
		if name != "inspections" && len(rows) < 2 || strings.Contains(string(a.Body), "S01") {
			t.Errorf("%s: %q", name, rows)
		}
		x := h.Send("n", "GET", "/v1/exchange/sheet/"+name+".xlsx", nil).Is(200)
		if _, err := zip.NewReader(bytes.NewReader(x.Body), int64(len(x.Body))); err != nil {
			t.Errorf("%s.xlsx: %v", name, err)
		}
		h.Send("n", "GET", "/v1/exchange/sheet/"+name+".csv", nil, "If-None-Match", a.Header.Get("ETag")).Is(304)
	}
	if d := string(h.Send("n", "GET", "/v1/exchange/sheet/defects.csv", nil).Is(200).Body); !strings.Contains(d, "'=HYPERLINK(1)") {
		t.Errorf("a formula got through: %s", d)
	}
	u := h.Send("reader", "GET", "/v1/exchange/sheet/usage.csv?"+url.Values{"rig": {"T01"}, "from": {"2026-05-03"}, "to": {"2026-05-04"}}.Encode(), nil).Is(200)
	if want := "2026-05-03,T01,north,"; !strings.Contains(string(u.Body), want) {
		t.Errorf("usage: %s", u.Body)
	}
}

func TestTaskDataMayBeLargerThanOtherBodies(t *testing.T) {
	h := apitest.New(t)
	taskData(h, "", make([]byte, 2*api.MaxBody)).Is(422)
	h.Send("operator", "POST", "/v1/exchange/fleet", make([]byte, api.MaxBody+1), "Content-Type", "application/xml").Is(413)
	large := make([]byte, api.MaxBody+1)
	h.Send("operator", "POST", "/v1/exchange/taskdata", large, "Content-Type", "application/zip", "Idempotency-Key", "k").Is(422).Has("/type", "/problems/invalid")
}

// sendsSlowly begins to send task data and never ends; it returns when the service
// has begun to receive.
func sendsSlowly(h *apitest.House, as string) {
	h.T.Helper()
	body, sending := io.Pipe()
	r, _ := http.NewRequest("POST", h.URL+"/v1/exchange/taskdata", body)
	receiving := make(chan struct{})
	r = r.WithContext(httptrace.WithClientTrace(r.Context(), &httptrace.ClientTrace{Got100Continue: func() { close(receiving) }}))
	r.ContentLength = 60_000_000
	r.Header.Set("Expect", "100-continue")
	r.Header.Set("Authorization", "Bearer "+h.Tokens[as])
	r.Header.Set("Content-Type", "application/zip")
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if a, err := http.DefaultClient.Do(r); err == nil {
			a.Body.Close()
		}
	}()
	h.T.Cleanup(func() {
		sending.CloseWithError(io.ErrUnexpectedEOF)
		<-ended
	})
	select {
	case <-receiving:
	case <-ended:
		h.T.Fatal("was not let send")
	}
}

// Who sends slowly keeps nobody from being read, and one token cannot take all
// places of those who send.
func TestTaskDataThatComesSlowlyHoldsUpNobodyElse(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Token("slow", fleet.RoleOperator, nil, "")
	for range exchange.ReceivingEach {
		sendsSlowly(h, "slow")
	}
	as := func(who string) apitest.Answer {
		return h.Send(who, "POST", "/v1/exchange/taskdata?device=SN-7:T01", season(t, "SN-7"), "Content-Type", "application/zip")
	}
	if a := as("slow").Is(429); a.Header.Get("Retry-After") == "" {
		t.Error("nothing says when to come again")
	}
	as("operator").Is(200)

	for i := range exchange.ReceivingMost/exchange.ReceivingEach - 1 {
		who := fmt.Sprint("slow ", i)
		h.Token(who, fleet.RoleOperator, nil, "")
		for range exchange.ReceivingEach {
			sendsSlowly(h, who)
		}
	}
	if a := as("operator").Is(503); a.Header.Get("Retry-After") == "" {
		t.Error("nothing says when to come again")
	}
}

func TestACalendarsAddressIsInNoLog(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	path := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "north"}).Is(201).At("/address").(string)
	var log bytes.Buffer
	logged := api.New(api.Options{Fleet: h.Fleet, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	for _, p := range []string{path, path + "x", path + "?x=1"} {
		logged.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", p, nil))
	}
	secret := strings.TrimSuffix(strings.TrimPrefix(path, "/v1/exchange/calendar/"), ".ics")
	if strings.Contains(log.String(), secret) || strings.Count(log.String(), exchange.CalendarPath) != 3 {
		t.Errorf("the log says\n%s", log.String())
	}
}

func TestACalendarsUnchangedAnswerHasTheTagThatTheCallerHolds(t *testing.T) {
	h := apitest.New(t)
	for _, rig := range []string{"T01", "T02", "T03"} {
		h.Register(rig, "north")
	}
	h.Pass(400 * 24 * time.Hour) // much is due, so that it is worth compressing
	h.Raise()
	path := h.Send("manager", "POST", "/v1/exchange/calendars", apitest.Obj{"name": "x", "yard": "north"}).Is(201).At("/address").(string)
	get := func(accept, held string) (int, string) {
		t.Helper()
		r, _ := http.NewRequest("GET", h.URL+path, nil)
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
