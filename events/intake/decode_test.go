package intake

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"rigledger/events"
)

var received = time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)

const good = `{"specversion":"1.0","id":"3:18231","source":"urn:rig:T01","type":"rig.reading.v1","time":"2026-05-04T09:31:12.250Z","data":{"counters":[{"meter":"pump","value":1256.05,"unit":"HUR"}]}}`

// with gives the good event with one member replaced, or left out when value is "".
func with(member, value string) string {
	var b strings.Builder
	b.WriteByte('{')
	found := false
	for _, m := range [][2]string{{"specversion", `"1.0"`}, {"id", `"3:18231"`}, {"source", `"urn:rig:T01"`}, {"type", `"rig.reading.v1"`},
		{"time", `"2026-05-04T09:31:12.250Z"`}, {"data", `{"counters":[{"meter":"pump","value":1256.05,"unit":"HUR"}]}`}} {
		if m[0] == member {
			m[1], found = value, true
		}
		if m[1] != "" {
			fmt.Fprintf(&b, "%q:%s,", m[0], m[1])
		}
	}
	if !found && value != "" {
		fmt.Fprintf(&b, "%q:%s,", member, value)
	}
	return strings.TrimSuffix(b.String(), ",") + "}"
}

// sdk says whether the CloudEvents project's own reader takes the event.
func sdk(text []byte) (event.Event, error) {
	var e event.Event
	if err := json.Unmarshal(text, &e); err != nil {
		return e, err
	}
	return e, e.Validate()
}

// The rules of CloudEvents 1.0.2 (core specification section 3, JSON format
// section 2 and 3) and of our own data. alike says that the CloudEvents SDK
// judges the same way; where it does not, ours is the stricter, but for +json
// media types, which are JSON by the JSON format (section 3.1) and which the SDK does not know.
func TestEventsAreTakenOrRefusedByTheRules(t *testing.T) {
	base64Data := base64.StdEncoding.EncodeToString([]byte(`{"counters":[{"meter":"pump","value":1,"unit":"HUR"}]}`))
	without := func(member string) string { return with(member, "") }
	for _, c := range []struct {
		name, text, fault, detail string
		alike                     bool
	}{
		{"a whole event is taken", good, "", "", true},
		{"white space between members is taken", strings.ReplaceAll(good, ",", " ,\r\n\t"), "", "", true},
		{"nanoseconds are taken", with("time", `"2026-05-04T09:31:12.250123456Z"`), "", "", true},
		{"an offset from UTC is taken", with("time", `"2026-05-04T11:31:12.250+02:00"`), "", "", true},
		{"a negative offset is taken", with("time", `"2026-05-04T05:31:12.250-04:00"`), "", "", true},
		{"an id of any form is taken", with("id", `"reading of monday"`), "", "", true},
		{"a relative source is taken", with("source", `"/yards/north/T01"`), "", "", true},
		{"a source that is a UUID is taken", with("source", `"urn:uuid:6e8bc430-9c3a-11d9-9669-0800200c9a66"`), "", "", true},
		{"a rig's URN in capitals is taken", with("source", `"URN:RIG:T01"`), "", "", true},
		{"a unit of the same rig is taken", with("source", `"urn:rig:T01:pump"`), "", "", true},
		{"a string extension is taken", with("signal", `"weak"`), "", "", true},
		{"a number extension is taken", with("signal5", `-12`), "", "", true},
		{"a boolean extension is taken", with("moving", `true`), "", "", true},
		{"a JSON media type is taken", with("datacontenttype", `"application/json; charset=utf-8"`), "", "", true},
		{"a +json media type is taken", with("datacontenttype", `"application/vnd.rig+json"`), "", "", false},
		{"a schema is taken", with("dataschema", `"https://example.com/reading"`), "", "", true},
		{"a subject is taken", with("subject", `"pump"`), "", "", true},
		{"escaped letters are taken", strings.Replace(good, `"id"`, `"\u0069d"`, 1), "", "", true},
		{"data unknown to us is passed over", with("data", `{"lat":1,"counters":[{"meter":"pump","value":1,"unit":"HUR","raw":[1,{}]}]}`), "", "", true},
		{"the oldest sequence is taken", with("data", `{"counters":[{"meter":"pump","value":1,"unit":"HUR"}],"oldest":18000}`), "", "", true},
		{"a place is taken", with("data", `{"counters":[`+counters(1)+`],"position":{"longitude":0.5,"latitude":-0.25}}`), "", "", true},
		{"a place off the globe costs no counter", with("data", `{"counters":[`+counters(1)+`],"position":{"latitude":-90.5,"longitude":1e300}}`), "", "", true},
		{"no fix costs no counter", with("data", `{"position":{"latitude":0,"longitude":0.0},"counters":[`+counters(1)+`]}`), "", "", true},
		{"a place in words costs no counter", with("data", `{"counters":[`+counters(1)+`],"position":"at the yard"}`), "", "", true},
		{"a place that is null costs no counter", with("data", `{"counters":[`+counters(1)+`],"position":null}`), "", "", true},
		{"a place with more to it is taken", with("data", `{"position":{"latitude":1,"longitude":2,"altitude":[3]},"counters":[`+counters(1)+`]}`), "", "", true},
		{"data in base64 is taken", `{"data_base64":"` + base64Data + `",` + without("data")[1:], "", "", true},
		{"an attribute that is null counts as left out", with("subject", `null`), "", "", true},

		{"words are not JSON", `pump 12.5`, FaultJSON, "", true},
		{"nothing is not JSON", ``, FaultJSON, "", true},
		{"half an event is not JSON", good[:90], FaultJSON, "too early", true},
		{"two events in a row are not JSON", good + good, FaultJSON, "", true},
		{"a trailing comma is not JSON", good[:len(good)-1] + ",}", FaultJSON, "", true},
		{"a name twice is refused", with("subject", `"a","subject":"b"`), FaultJSON, "duplicate", false},
		{"broken UTF-8 is refused", with("subject", "\"\xff\""), FaultJSON, "", false},
		{"a string is no event", `"reading"`, FaultEvent, "object", true},
		{"a number is no event", `12`, FaultEvent, "object", true},
		{"no specversion", without("specversion"), FaultEvent, "/specversion: is missing", true},
		{"an older specversion", with("specversion", `"0.3"`), FaultEvent, "/specversion", false},
		{"a specversion that is a number", with("specversion", `1.0`), FaultEvent, "/specversion", true},
		{"no id", without("id"), FaultEvent, "/id: is missing", true},
		{"an empty id", with("id", `""`), FaultEvent, "/id", true},
		{"an id of blanks", with("id", `"  "`), FaultEvent, "/id", true},
		{"an id that is a number", with("id", `18231`), FaultEvent, "/id: must be a string", true},
		{"an id that is null", with("id", `null`), FaultEvent, "/id: is missing", true},
		{"an id with a control character", with("id", `"3:1\u0000"`), FaultEvent, "/id: holds a control", false},
		{"an id without end", with("id", `"`+strings.Repeat("9", 257)+`"`), FaultEvent, "/id: is longer", false},
		{"no source", without("source"), FaultEvent, "/source: is missing", true},
		{"an empty source", with("source", `""`), FaultEvent, "/source", true},
		{"a source that is no URI reference", with("source", `"::rig"`), FaultEvent, "/source", true},
		{"a source with a bad escape", with("source", `"urn:x%zz"`), FaultEvent, "/source", false},
		{"a source with a blank", with("source", `"rig one"`), FaultEvent, "/source", false},
		{"another rig's source", with("source", `"urn:rig:T02"`), FaultWrongRig, `/source: is rig "T02", the subject is of rig "T01"`, false},
		{"another rig's source in capitals", with("source", `"URN:Rig:T02"`), FaultWrongRig, "/source", false},
		{"a rig's code in small letters is another rig", with("source", `"urn:rig:t01"`), FaultWrongRig, "/source", false},
		{"no type", without("type"), FaultEvent, "/type: is missing", true},
		{"an empty type", with("type", `""`), FaultEvent, "/type", true},
		{"another kind's type", with("type", `"rig.defect.v1"`), FaultUnknownType, "/type", false},
		{"a later version's type", with("type", `"rig.reading.v2"`), FaultUnknownType, "/type", false},
		{"no time", without("time"), FaultTime, "/time: is missing", false},
		{"a time without seconds", with("time", `"2026-05-04T09:31Z"`), FaultTime, "/time", true},
		{"a time with a short offset", with("time", `"2026-05-04T09:31:12+05"`), FaultTime, "/time", true},
		{"a time without an offset", with("time", `"2026-05-04T09:31:12"`), FaultTime, "/time", true},
		{"a time with a comma", with("time", `"2026-05-04T09:31:12,250Z"`), FaultTime, "/time", false},
		{"a time with an hour of one digit", with("time", `"2026-05-04T9:31:12Z"`), FaultTime, "/time", false},
		{"a time with a point and no fraction", with("time", `"2026-05-04T09:31:12.Z"`), FaultTime, "/time", true},
		{"a time with an offset of 24 hours", with("time", `"2026-05-04T09:31:12+24:00"`), FaultTime, "/time", false},
		{"a time in words", with("time", `"monday"`), FaultTime, "/time", true},
		{"a time that never was", with("time", `"2026-02-30T09:31:12Z"`), FaultTime, "/time", true},
		{"a time that is a number", with("time", `1777887072`), FaultEvent, "/time: must be a string", true},
		{"an extension in capitals", with("Signal", `"weak"`), FaultEvent, "/Signal", false},
		{"an extension with an underscore", with("signal_db", `"weak"`), FaultEvent, "/signal_db", true},
		{"an extension that is an object", with("signal", `{"db":1}`), FaultEvent, "/signal", true},
		{"an extension that is a fraction", with("signal", `1.5`), FaultEvent, "/signal", false},
		{"a media type that is none", with("datacontenttype", `"json;;"`), FaultEvent, "/datacontenttype", true},
		{"a media type that is not JSON", with("datacontenttype", `"text/plain"`), FaultData, "/datacontenttype", true},
		{"a schema that is relative", with("dataschema", `"reading"`), FaultEvent, "/dataschema", true},
		{"an empty subject", with("subject", `""`), FaultEvent, "/subject", false},
		{"data and data_base64 at once", with("data_base64", `"e30="`), FaultEvent, "/data_base64", false},
		{"data_base64 that is not base64", `{"data_base64":"?",` + without("data")[1:], FaultEvent, "/data_base64", true},
		{"data_base64 that holds no JSON", `{"data_base64":"eA==",` + without("data")[1:], FaultData, "/data_base64", false},
		{"no data", without("data"), FaultData, "/data: is missing", false},
		{"data in a string", with("data", `"{}"`), FaultData, "/data: must be an object", false},
		{"data that is null", with("data", `null`), FaultData, "/data: must be an object", false},
		{"no counters", with("data", `{}`), FaultData, "/data/counters: is missing", false},
		{"counters that are empty", with("data", `{"counters":[]}`), FaultData, "/data/counters: must not be empty", false},
		{"counters that are an object", with("data", `{"counters":{"pump":1}}`), FaultData, "/data/counters: must be an array", false},
		{"a counter that is a number", with("data", `{"counters":[1]}`), FaultData, "/data/counters/0: must be an object", false},
		{"a counter without a meter", with("data", `{"counters":[{"value":1,"unit":"HUR"}]}`), FaultData, "/data/counters/0/meter: is missing", false},
		{"a counter without a value", with("data", `{"counters":[{"meter":"pump","unit":"HUR"}]}`), FaultData, "/data/counters/0/value: is missing", false},
		{"a counter without a unit", with("data", `{"counters":[{"meter":"pump","value":1}]}`), FaultData, "/data/counters/0/unit: is missing", false},
		{"a value in a string", with("data", `{"counters":[{"meter":"pump","value":"1","unit":"HUR"}]}`), FaultData, "/data/counters/0/value: must be a number", false},
		{"a value past all numbers", with("data", `{"counters":[{"meter":"pump","value":1e999,"unit":"HUR"}]}`), FaultData, "/data/counters/0/value", true},
		{"a value that is not a number", with("data", `{"counters":[{"meter":"pump","value":NaN,"unit":"HUR"}]}`), FaultJSON, "", true},
		{"a meter twice", with("data", `{"counters":[{"meter":"a","value":1,"unit":"HUR"},{"meter":"a","value":2,"unit":"HUR"}]}`), FaultData, "/data/counters/1/meter", false},
		{"33 counters", with("data", `{"counters":[`+counters(33)+`]}`), FaultData, "/data/counters/32: more than 32", false},
		{"32 counters are taken", with("data", `{"counters":[`+counters(32)+`]}`), "", "", true},
		{"an oldest below zero", with("data", `{"counters":[`+counters(1)+`],"oldest":-1}`), FaultData, "/data/oldest", false},
		{"an oldest that is a fraction", with("data", `{"counters":[`+counters(1)+`],"oldest":1.5}`), FaultData, "/data/oldest", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, form := range []string{c.text, "[" + c.text + "]", "[" + good + ",\n" + c.text + "]"} {
				if form != c.text && (c.fault == FaultJSON || c.text == "") {
					continue // an array that is not JSON is not an array
				}
				got := Decode("rig.T01.reading", []byte(form), received)
				a := got[len(got)-1]
				if a.Fault != c.fault || !strings.Contains(a.Detail, c.detail) {
					t.Fatalf("fault %q %q, want %q %q\n%s", a.Fault, a.Detail, c.fault, c.detail, form)
				}
				if string(a.Payload) != c.text && c.fault != FaultJSON {
					t.Errorf("payload is %q", a.Payload)
				}
				if len(got) == 2 && got[0].Fault != "" {
					t.Errorf("the good event beside it was refused: %s", got[0].Detail)
				}
			}
			_, err := sdk([]byte(c.text))
			if agree := (err == nil) == (c.fault == ""); agree != c.alike {
				t.Errorf("the CloudEvents SDK says %v: alike is %v", err, agree)
			}
		})
	}
}

func counters(n int) string {
	var all []string
	for i := range n {
		all = append(all, fmt.Sprintf(`{"meter":"m%d","value":%d,"unit":"HUR"}`, i, i))
	}
	return strings.Join(all, ",")
}

func TestAReadingIsReadWhole(t *testing.T) {
	text := `{"data":{"oldest":18000,"counters":[{"unit":"HUR","value":1256.05,"meter":"pump"},{"meter":"fl\u00e4che","value":-0.5e1,"unit":"H18"}]},` +
		`"time":"2026-05-04T11:31:12.2509+02:00","type":"rig.reading.v1","source":"urn:rig:T01","id":"3:\u0031","specversion":"1.0"}`
	a := Decode("rig.T01.reading", []byte(text), received)[0]
	want := events.Arrival{Via: "rig.T01.reading", Rig: "T01", Kind: "reading", Event: "3:1", Oldest: 18000,
		Time: time.Date(2026, 5, 4, 9, 31, 12, 250e6, time.UTC), Payload: []byte(text),
		Counters: []events.RawCounter{{Meter: "pump", Value: 1256.05, Unit: "HUR"}, {Meter: "fläche", Value: -5, Unit: "H18"}}}
	if fmt.Sprint(a) != fmt.Sprint(want) || a.Time.Location() != time.UTC {
		t.Errorf("got  %+v\nwant %+v", a, want)
	}
}

// Both ways of reading give the same place, and a wrong one gives none.
func TestThePlaceOfAReading(t *testing.T) {
	for text, want := range map[string]string{
		`{"latitude":53.1234567,"longitude":-1.25}`:      "&{531234567 -12500000}",
		` { "longitude" : -1.25e0 , "latitude": 5.31e1}`: "&{531000000 -12500000}",
		`{"latitude":1,"longitude":2,"altitude":3}`:      "&{10000000 20000000}",
		`{"latitude":91,"longitude":2}`:                  "<nil>",
		`{"latitude":1,"longitude":1e999}`:               "<nil>",
		`{"latitude":0,"longitude":-0}`:                  "<nil>",
		`{"latitude":1}`:                                 "<nil>", `{}`: "<nil>", `null`: "<nil>", `[1,2]`: "<nil>", `{"latitude":"1","longitude":1}`: "<nil>",
	} {
		payload := []byte(strings.Replace(good, `"data":{`, `"data":{"position":`+text+`,`, 1))
		a := Decode("rig.T01.reading", payload, received)[0]
		d := decoders.New().(*decoder)
		slow := d.careful(events.Arrival{Via: a.Via, Rig: a.Rig, Kind: a.Kind, Time: events.Milli(received), Payload: payload}, payload)[0]
		for _, x := range []events.Arrival{a, slow} {
			got := "<nil>"
			if x.Location != nil {
				got = fmt.Sprintf("&%+v", []int64{x.Location.Latitude, x.Location.Longitude})
				got = strings.NewReplacer("[", "{", "]", "}").Replace(got)
			}
			if got != want || x.Fault != "" || len(x.Counters) == 0 {
				t.Errorf("%s is %s with %d counters (%s), want %s", text, got, len(x.Counters), x.Detail, want)
			}
		}
	}
}

func TestDefectsAndConditionsAreRead(t *testing.T) {
	envelope := `{"specversion":"1.0","id":"a","source":"urn:rig:T01","time":"2026-05-04T09:31:12Z","type":"rig.%s.v1","data":%s}`
	for _, c := range []struct{ name, kind, data, want, fault string }{
		{"a defect", "defect", `{"part":"pto","code":"G1","text":"guard gone","safety":true}`, `{pto G1 guard gone true}`, ""},
		{"a defect in words only", "defect", `{"text":"drips"}`, `{  drips false}`, ""},
		{"a defect by code only", "defect", `{"code":"E14","safety":false}`, `{ E14  false}`, ""},
		{"a defect that says nothing", "defect", `{"part":"pump"}`, "", "/data/text: is missing"},
		{"a defect whose safety is a word", "defect", `{"text":"x","safety":"yes"}`, "", "/data/safety: must be true or false"},
		{"a defect whose safety is null", "defect", `{"text":"x","safety":null}`, "", "/data/safety: must be true or false"},
		{"a defect as long as a book", "defect", `{"text":"` + strings.Repeat("x", 5000) + `"}`, "", "/data/text: is longer"},
		{"conditions", "condition", `{"conditions":[{"part":"pump","code":"oil","value":0.4,"unit":"P1"},{"code":"temp","value":-3}]}`, `[{pump oil 0.4 P1} { temp -3 }]`, ""},
		{"a condition without a code", "condition", `{"conditions":[{"value":1}]}`, "", "/data/conditions/0/code: is missing"},
		{"a condition without a value", "condition", `{"conditions":[{"code":"a","value":null}]}`, "", "/data/conditions/0/value: is missing"},
		{"no conditions", "condition", `{}`, "", "/data/conditions: is missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := Decode("rig.T01."+c.kind, fmt.Appendf(nil, envelope, c.kind, c.data), received)[0]
			if c.fault != "" {
				if a.Fault != FaultData || !strings.Contains(a.Detail, c.fault) || a.Defect != nil || a.Conditions != nil {
					t.Errorf("got %q %q", a.Fault, a.Detail)
				}
				return
			}
			got := fmt.Sprint(a.Conditions)
			if a.Defect != nil {
				got = fmt.Sprint(*a.Defect)
			}
			if a.Fault != "" || got != c.want {
				t.Errorf("got %s (%s), want %s", got, a.Detail, c.want)
			}
		})
	}
}

func TestABadEventDoesNotTakeOthersWithIt(t *testing.T) {
	twice := with("subject", `"a","subject":"b"`)
	text := "[" + strings.Join([]string{good, twice, "7", "[]", with("id", `"3:9"`), with("subject", "\"\xff\"")}, ", ") + "]"
	got := Decode("rig.T01.reading", []byte(text), received)
	var faults []string
	for _, a := range got {
		faults = append(faults, a.Fault)
	}
	if want := []string{"", FaultJSON, FaultEvent, FaultEvent, "", FaultJSON}; !slices.Equal(faults, want) {
		t.Fatalf("faults %q, want %q", faults, want)
	}
	if got[1].Event != "3:18231" || string(got[1].Payload) != twice {
		t.Errorf("the refused event is kept as %q %q", got[1].Event, got[1].Payload)
	}
	for name, text := range map[string]string{"one that ends too early": "[" + good + "," + good[:40], "one with a stranger behind it": "[" + good + "] x"} {
		got := Decode("rig.T01.reading", []byte(text), received)
		if len(got) != 1 || got[0].Fault != FaultJSON || string(got[0].Payload) != text {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func TestAFaultBehindTheIdKeepsIdAndTime(t *testing.T) {
	text := `{"Bad":1,"data":7,"id":"3:5","time":"2026-05-04T09:31:12Z","specversion":"1.0","source":"urn:rig:T01","type":"rig.reading.v1"}`
	a := Decode("rig.T01.reading", []byte(text), received)[0]
	if a.Event != "3:5" || a.Time.Hour() != 9 || a.Fault != FaultEvent || !strings.HasPrefix(a.Detail, "/Bad") {
		t.Errorf("got %+v", a)
	}
}

func TestAMessageCarriesAtMost500Events(t *testing.T) {
	for n, want := range map[int]int{0: 0, 1: 1, 500: 500, 501: 1, 900: 1} {
		var all []string
		for i := range n {
			all = append(all, with("id", fmt.Sprintf(`"1:%d"`, i)))
		}
		text := []byte("[" + strings.Join(all, ",") + "]")
		got := Decode("rig.T01.reading", text, received)
		if len(got) != want {
			t.Errorf("%d events gave %d arrivals", n, len(got))
		}
		if n > 500 && (got[0].Fault != FaultTooMany || !bytes.Equal(got[0].Payload, text)) {
			t.Errorf("%d events: %q", n, got[0].Fault)
		}
	}
}

func TestOnlyOurSubjectsAreTaken(t *testing.T) {
	for _, subject := range []string{"", "rig", "rig.T01", "rig..reading", "rig.T01.ack", "rig.T 1.reading", "rig.T01.reading.x", "ledger.T01.reading", "rig.*.reading", "rig." + strings.Repeat("x", 65) + ".reading"} {
		if a := Decode(subject, []byte(good), received)[0]; a.Fault != FaultUnknownType {
			t.Errorf("%q was taken", subject)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("reading", []byte(good))
	f.Add("reading", []byte("["+good+","+with("subject", `"a","subject":"b"`)+"]"))
	f.Add("reading", []byte(strings.Replace(good, `"data":{`, `"data":{"position":{"latitude":0.25,"longitude":-0.5},`, 1)))
	f.Add("defect", []byte(`{"specversion":"1.0","id":"a","source":"x","time":"2026-05-04T09:31:12Z","type":"rig.defect.v1","data":{"text":"x"}}`))
	f.Add("condition", []byte(`{"specversion":"1.0","id":"a","source":"x","time":"2026-05-04T09:31:12Z","type":"rig.condition.v1","data_base64":"e30="}`))
	faults := []string{"", FaultJSON, FaultEvent, FaultTime, FaultData, FaultTooMany, FaultWrongRig, FaultUnknownType}
	f.Fuzz(func(t *testing.T, kind string, payload []byte) {
		before := bytes.Clone(payload)
		got := Decode("rig.T01."+kind, payload, received)
		if rig, kind, ok := parseSubject("rig.T01." + kind); ok {
			d := decoders.New().(*decoder)
			slow := d.careful(events.Arrival{Via: "rig.T01." + kind, Rig: rig, Kind: kind, Time: events.Milli(received), Payload: payload}, payload)
			if len(slow) != len(got) {
				t.Fatalf("%d arrivals, read with care %d", len(got), len(slow))
			}
			for i := range got {
				if !reflect.DeepEqual(got[i], slow[i]) {
					t.Fatalf("read as\n%+v\nwith care as\n%+v", got[i], slow[i])
				}
			}
		}
		if !bytes.Equal(before, payload) {
			t.Fatal("the payload was changed")
		}
		if len(got) == 0 && !bytes.HasPrefix(bytes.TrimSpace(payload), []byte("[")) || len(got) > MaxEvents {
			t.Fatalf("%d arrivals", len(got))
		}
		for _, a := range got {
			if !slices.Contains(faults, a.Fault) || (a.Fault == "") != (a.Detail == "") || a.Rig != "T01" && a.Fault != FaultUnknownType {
				t.Fatalf("odd arrival %+v", a)
			}
			if !bytes.Contains(payload, a.Payload) || a.Time.Location() != time.UTC || a.Time.Nanosecond()%1e6 != 0 {
				t.Fatalf("odd payload or time %+v", a)
			}
			if a.Fault != "" {
				continue
			}
			e, err := sdk(a.Payload)
			if err != nil && strings.Contains(err.Error(), "+json") {
				continue // see the table above
			}
			if err != nil {
				t.Fatalf("taken, but the CloudEvents SDK says %v\n%s", err, a.Payload)
			}
			if e.ID() != a.Event || !events.Milli(e.Time()).Equal(a.Time) || e.Type() != "rig."+kind+".v1" {
				t.Fatalf("read as %+v, by the SDK as %v", a, e)
			}
			if kind == "reading" && (len(a.Counters) == 0 || len(a.Counters) > 32) || kind == "defect" && a.Defect == nil || kind == "condition" && len(a.Conditions) == 0 {
				t.Fatalf("nothing in it: %+v", a)
			}
			for _, c := range a.Counters {
				if math.IsNaN(c.Value) || math.IsInf(c.Value, 0) || c.Meter == "" || c.Unit == "" {
					t.Fatalf("odd counter %+v", c)
				}
			}
			var plain struct {
				Data struct{ Counters []events.RawCounter }
			}
			if e.DataEncoded != nil && kind == "reading" {
				if err := json.Unmarshal(e.Data(), &plain.Data); err == nil && !slices.Equal(plain.Data.Counters, a.Counters) && !bytes.ContainsAny(e.Data(), "METRVALUNI") {
					t.Fatalf("counters %+v, by encoding/json %+v", a.Counters, plain.Data.Counters)
				}
			}
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	var batch []string
	for i := range 100 {
		batch = append(batch, string(reading("T01", fmt.Sprintf("1:%d", i), 1256.05)))
	}
	for name, text := range map[string][]byte{"one": reading("T01", "1:1", 1256.05), "array": []byte("[" + strings.Join(batch, ",") + "]")} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				n += len(Decode("rig.T01.reading", text, received))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/event")
		})
	}
}
