package fuzz_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"time"

	"rigledger/api/apitest"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// shot makes a request that the document allows.
func (f *fuzz) shot(op *operation) *shot {
	s := &shot{op: op, method: op.method, query: url.Values{}, header: http.Header{}, path: op.path}
	if len(op.roles) > 0 {
		s.as = "manager"
		if f.chance(45) {
			s.as = op.roles[f.IntN(len(op.roles))]
		} else if f.chance(10) {
			s.as = "northern"
		}
	}
	for _, p := range op.params {
		switch p.in {
		case "path":
			s.path = strings.Replace(s.path, "{"+p.name+"}", url.PathEscape(f.step(s, p)), 1)
		case "query":
			f.parameter(s, p)
		case "header":
			f.header(s, p)
		}
	}
	if len(op.bodies) > 0 && (op.needsBody || f.chance(70)) {
		b := op.bodies[f.IntN(len(op.bodies))]
		if f.chance(60) {
			b = op.bodies[0]
		}
		s.body, s.hasBody = f.body(op, &b), true
		s.header.Set("Content-Type", b.kind)
	}
	if f.chance(25) {
		s.header.Set("Accept-Encoding", "gzip")
	}
	if op.open && op.method == http.MethodGet && f.chance(70) {
		s.header.Set("Cookie", "rigledger="+f.h.Tokens["manager"]) // as a browser that has signed in
	}
	return s
}

func (f *fuzz) step(s *shot, p parameter) string {
	v := fmt.Sprint(f.value(p.name, p.schema))
	if address, ok := f.known("address"); ok && p.name == "secret" && f.chance(80) {
		v = address.(string)[strings.LastIndexByte(address.(string), '/')+1:]
	}
	switch {
	case s.as == "rig" && p.name == "rig":
		return f.rig
	case v == "" || v == "." || v == "..":
		return "x"
	}
	return v
}

func (f *fuzz) header(s *shot, p parameter) {
	if !p.required && !f.chance(12) && !(p.name == "If-Match" && s.method == http.MethodPatch) {
		return
	}
	switch p.name {
	case "Idempotency-Key":
		s.header.Set(p.name, fmt.Sprintf("key-%d", f.IntN(1<<30)))
	case "Last-Event-ID":
		s.header.Set(p.name, fmt.Sprint(f.IntN(int(f.h.Fleet.Head().N)+1)))
	case "If-None-Match":
		s.header.Set(p.name, fmt.Sprintf(`"%d"`, 1+f.IntN(300)))
	case "If-Match":
		s.header.Set(p.name, "*")
		if f.chance(30) {
			s.header.Set(p.name, fmt.Sprintf(`"%d"`, 1+f.IntN(300)))
		}
	}
}

func (f *fuzz) parameter(s *shot, p parameter) {
	switch {
	case p.name == "after_commit":
		if f.chance(4) {
			s.query.Set(p.name, fmt.Sprint(f.h.Fleet.Head().N))
		} else if f.waited < 1+f.requests/2000 && f.chance(1) { // five seconds each
			s.query.Set(p.name, "9007199254740991")
			f.waited++
		}
	case !p.required && !f.chance(14):
	case p.name == "after":
		s.query.Set("after", fmt.Sprint(f.IntN(int(f.h.Fleet.Head().N)+1)))
	case p.name == "cursor":
		if v, ok := f.known("next"); ok {
			s.query.Set("cursor", fmt.Sprint(v))
		}
	case p.joined:
		var words []string
		for range 1 + f.IntN(2) {
			words = append(words, strings.ReplaceAll(fmt.Sprint(f.value(p.name, f.contract.schema(p.schema["items"]))), ",", ""))
		}
		s.query.Set(p.name, strings.Join(words, ","))
	default:
		s.query.Set(p.name, fmt.Sprint(f.value(p.name, p.schema)))
	}
}

// request makes it anew; nil where Go's client would not send it.
func (f *fuzz) request(s *shot) *http.Request {
	target := f.h.URL + s.path
	if len(s.query) > 0 {
		target += "?" + s.query.Encode()
	}
	r, err := http.NewRequest(s.method, target, bytes.NewReader(s.body))
	if err != nil {
		return nil
	}
	if !s.hasBody {
		r.Body, r.ContentLength = http.NoBody, 0
	}
	if s.as != "" {
		r.Header.Set("Authorization", "Bearer "+f.h.Tokens[s.as])
	}
	for k, v := range s.header {
		if k == "Host" {
			r.Host = v[0]
			continue
		}
		r.Header[k] = v
	}
	return r
}

// fire sends it and holds the answer to the document.
func (f *fuzz) fire(s *shot) {
	r := f.request(s)
	if r == nil {
		return
	}
	f.requests++
	s.op.sent++
	head := f.h.Fleet.Head().N
	response, err := f.client.Do(r)
	if err != nil {
		if !strings.Contains(err.Error(), "invalid header") && !strings.Contains(err.Error(), "malformed") {
			f.find(s, nil, nil, "no answer: "+err.Error())
		}
		return
	}
	defer response.Body.Close()
	var body []byte
	if kind, _, _ := mime.ParseMediaType(response.Header.Get("Content-Type")); kind == "text/event-stream" {
		body = someEvents(response.Body)
	} else if body, err = io.ReadAll(response.Body); err != nil {
		f.find(s, response, nil, "the answer broke off: "+err.Error())
		return
	}
	s.op.statuses[response.StatusCode]++
	if response.StatusCode < 300 && s.method == s.op.method {
		s.op.good++
	}
	if response.StatusCode >= 400 && f.h.Fleet.Head().N != head {
		f.find(s, response, body, "refused, and yet something was written")
	}
	f.judge(s, response, body)
	f.neverBelowNothing(s, response, body)
}

// someEvents reads a stream for a moment.
func someEvents(body io.ReadCloser) []byte {
	timer := time.AfterFunc(50*time.Millisecond, func() { body.Close() })
	defer timer.Stop()
	out, _ := io.ReadAll(io.LimitReader(body, 1<<16)) // it is we who end it
	return out
}

// body makes one: from the example, from the schema, or, where the document
// only says "text", in the form that the text has.
func (f *fuzz) body(op *operation, b *mediaBody) []byte {
	switch {
	case b.kind == "application/json" && strings.HasPrefix(op.id, "publish") && f.chance(70):
		return mustJSON(apitest.Obj{"text": f.yaml(op)})
	case b.kind == "application/json" && op.id == "unswapMeter" && f.chance(60):
		return mustJSON(f.aSwap())
	case b.kind == "application/json" && b.example != nil && f.chance(60):
		return mustJSON(f.fresh("", b.example, b.schema))
	case b.kind == "application/json" && op.id == "voidReading" && f.chance(50):
		return mustJSON(f.aReading())
	case b.kind == "application/json":
		return mustJSON(f.value("", b.schema))
	case b.kind == "application/yaml":
		return []byte(f.yaml(op))
	case b.kind == "application/x-www-form-urlencoded":
		form := url.Values{}
		fields, _ := f.value("", b.schema).(map[string]any)
		for _, k := range sortedKeys(fields) {
			form.Set(k, fmt.Sprint(fields[k]))
		}
		return []byte(form.Encode())
	case b.kind == "multipart/form-data":
		var out bytes.Buffer
		w := multipart.NewWriter(&out)
		if part, err := w.CreateFormFile("file", "note.txt"); err == nil {
			_, _ = part.Write(f.file("text/plain"))
		}
		_ = w.Close()
		b.kind = w.FormDataContentType()
		return out.Bytes()
	case strings.HasSuffix(b.kind, "xml"):
		return []byte(f.fleetXML())
	case strings.Contains(op.path, "taskdata"):
		rig, _ := f.known("rig")
		return f.taskData(fmt.Sprint(rig))
	}
	return f.file(b.kind)
}

// aReading names one that a rig has.
func (f *fuzz) aReading() apitest.Obj {
	at := f.now()
	f.h.Fleet.View(func(s *fleet.State) {
		for _, r := range s.Rigs {
			if last := r.LastRead(); !last.IsZero() && f.chance(30) {
				at = last
			}
		}
	})
	return apitest.Obj{"meter": "pump", "at": at.UTC().Format(time.RFC3339Nano), "reason": "typed wrong"}
}

// aSwap names one that a rig's pump counter has.
func (f *fuzz) aSwap() apitest.Obj {
	at := f.now()
	f.h.Fleet.View(func(s *fleet.State) {
		for _, r := range s.Rigs {
			if m := r.Meter("pump"); m != nil && len(m.Series.Epochs) > 1 && f.chance(50) {
				at = time.UnixMilli(m.Series.Epochs[len(m.Series.Epochs)-1].At)
			}
		}
	})
	return apitest.Obj{"at": at.UTC().Format(time.RFC3339Nano), "reason": "it was only cleaned"}
}

func mustJSON(v any) []byte {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return text
}

func (f *fuzz) yaml(op *operation) string {
	n := f.IntN(1000)
	switch op.id {
	case "publishPlan":
		all := plan.StarterTexts()
		return string(all[f.IntN(len(all))].Text) + fmt.Sprintf("\n# try %d\n", n)
	case "publishRuleSet":
		return fmt.Sprintf("id: house-%d\nextends: iso-16122-2-2015\nstandard: House\nedition: \"%d\"\nvalid_from: 2020-01-01\nwhere: here\nlimits:\n  gauge_error_bar: {value: 0.05, unit: bar, source: common practice}\n", n%20, n)
	case "publishIntervals":
		return fmt.Sprintf("rules:\n  - {id: isle-%d, place: Isle%d, name: The isle, kind: law, valid_from: 2000-01-01, first: {months: 12, from: first_use}, then: {months: 12}, source: common practice}\n", n, n%7)
	}
	return fmt.Sprintf("class: small-%d\ntitle: Small sprayer\nsource: common practice\nplan: trailed-boom\nlimits: {max_km_h: 20, max_hours_per_day: 24, max_width_m: 60}\n"+
		"season: {from: \"09-01\", to: \"04-30\"}\nparts:\n  - {part: pump, kind: diaphragm-pump, title: Diaphragm pump}\n", n%30)
}

func (f *fuzz) file(kind string) []byte {
	text := fmt.Sprintf("seen by the tester %d\n", f.IntN(1000))
	switch kind {
	case "application/pdf":
		return []byte("%PDF-1.7\n" + text)
	case "image/png":
		return []byte("\x89PNG\r\n\x1a\n" + text)
	case "image/jpeg":
		return []byte("\xff\xd8\xff\xe0" + text)
	}
	return []byte(text)
}

func (f *fuzz) fleetXML() string {
	rig, _ := f.known("rig")
	return fmt.Sprintf(`<Fleet xmlns="http://standards.iso.org/iso/15143/-3" version="1" snapshotTime="%[1]s"><Equipment><EquipmentHeader><EquipmentID>%[2]v`+
		`</EquipmentID></EquipmentHeader><CumulativeOperatingHours datetime="%[1]s"><Hour>%[3]d</Hour></CumulativeOperatingHours></Equipment></Fleet>`,
		f.moment().UTC().Format("2006-01-02T15:04:05Z"), rig, f.IntN(300))
}

func (f *fuzz) taskData(serial string) []byte {
	text := apitest.TaskDataText(apitest.DLV(215, f.IntN(5000)), apitest.DLV(271, f.IntN(900_000)), apitest.DLV(116, f.IntN(20_000)))
	return apitest.Zip(f.t, "TASKDATA/TASKDATA.XML", strings.Replace(text, "SN-7", serial, 1))
}
