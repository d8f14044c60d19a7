package calendar_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/apognu/gocal"
	"pgregory.net/rapid"

	"rigledger/api/exchange/calendar"
)

var changed = time.Date(2026, 5, 4, 14, 30, 15, 0, time.FixedZone("", 7200))

func write(t interface{ Fatal(...any) }, c calendar.Calendar) string {
	var b bytes.Buffer
	if err := calendar.Write(&b, c); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// parse reads with gocal, which has no code in common with the writer. It unfolds and unescapes by itself.
func parse(t interface {
	Fatal(...any)
	Fatalf(string, ...any)
}, out string) []gocal.Event {
	p := gocal.NewParser(strings.NewReader(out))
	p.SkipBounds = true
	p.Strict = gocal.StrictParams{Mode: gocal.StrictModeFailFeed}
	if err := p.Parse(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return p.Events
}

// seen is how gocal gives a text: it leaves \n as it is written, so a line break and the two characters look alike there.
func seen(text string) string { return strings.ReplaceAll(text, "\n", `\n`) }

// value unfolds (RFC 5545 3.1) and unescapes (3.3.11) a property strictly: a backslash before anything but \ ; , n N is an
// error, and so is a bare ; or , in a text.
func value(t interface{ Fatalf(string, ...any) }, out, property string) string {
	for _, l := range strings.Split(strings.ReplaceAll(out, "\r\n ", ""), "\r\n") {
		raw, ok := strings.CutPrefix(l, property+":")
		if !ok {
			continue
		}
		var b strings.Builder
		for i := 0; i < len(raw); i++ {
			switch c := raw[i]; {
			case c == '\\' && i+1 < len(raw) && strings.IndexByte(`\;,`, raw[i+1]) >= 0:
				i++
				b.WriteByte(raw[i])
			case c == '\\' && i+1 < len(raw) && (raw[i+1] == 'n' || raw[i+1] == 'N'):
				i++
				b.WriteByte('\n')
			case c == '\\' || c == ';' || c == ',':
				t.Fatalf("%s: %q is not escaped at %d", property, raw, i)
			default:
				b.WriteByte(c)
			}
		}
		return b.String()
	}
	t.Fatalf("no %s in\n%s", property, out)
	return ""
}

// lines checks the outer form of RFC 5545 3.1 and gives the physical lines.
func lines(t interface{ Fatalf(string, ...any) }, out string) []string {
	if !strings.HasSuffix(out, "\r\n") || strings.Count(out, "\n") != strings.Count(out, "\r\n") || strings.Count(out, "\r") != strings.Count(out, "\r\n") {
		t.Fatalf("a line does not end in CRLF:\n%q", out)
	}
	list := strings.Split(strings.TrimSuffix(out, "\r\n"), "\r\n")
	for _, l := range list {
		if len(l) > 75 {
			t.Fatalf("a line of %d octets: %q", len(l), l)
		}
		if !utf8.ValidString(l) {
			t.Fatalf("a character is split: %q", l)
		}
		if l == "" {
			t.Fatalf("an empty line in\n%q", out)
		}
	}
	return list
}

func TestAnEntryAsItIsWritten(t *testing.T) {
	got := lines(t, write(t, calendar.Calendar{Name: "Workshop", Domain: "fleet.example", Entries: []calendar.Entry{{
		ID: "S07.pump.oil.3", First: "2026-02-28", Standing: calendar.Firm, Summary: "S07: oil, pump", Description: "one;two\nthree\\four",
		Place: "Yard 1", Category: "service", URL: "https://fleet.example/items/1?a=1,2;b", Commit: 4711, Changed: changed}}}))
	// By hand from RFC 5545: 3.3.11 escapes \ ; , and the line break; 3.6.1 has DTEND the day after (2026 is no leap
	// year: 1 March); 3.3.5 form 2 for times in UTC.
	want := map[string]bool{"BEGIN:VCALENDAR": true, "VERSION:2.0": true, "PRODID:-//rigledger//fleet ledger//EN": true, "CALSCALE:GREGORIAN": true,
		"X-WR-CALNAME:Workshop": true, "BEGIN:VEVENT": true, "UID:S07.pump.oil.3@fleet.example": true, "DTSTAMP:20260504T123015Z": true,
		"LAST-MODIFIED:20260504T123015Z": true, "SEQUENCE:4711": true, "DTSTART;VALUE=DATE:20260228": true, "DTEND;VALUE=DATE:20260301": true,
		"TRANSP:TRANSPARENT": true, `SUMMARY:S07: oil\, pump`: true, `DESCRIPTION:one\;two\nthree\\four`: true, "STATUS:CONFIRMED": true,
		"LOCATION:Yard 1": true, "CATEGORIES:service": true, "URL:https://fleet.example/items/1?a=1,2;b": true, "END:VEVENT": true, "END:VCALENDAR": true}
	for _, l := range got {
		if !want[l] {
			t.Errorf("not expected: %q", l)
		}
		delete(want, l)
	}
	for l := range want {
		t.Errorf("missing: %q", l)
	}
}

func TestStandings(t *testing.T) {
	entry := func(id string, s calendar.Standing) calendar.Entry {
		return calendar.Entry{ID: id, First: "2026-05-04", Last: "2026-05-06", Standing: s, Summary: id, Changed: changed}
	}
	events := parse(t, write(t, calendar.Calendar{Domain: "d.example", Entries: []calendar.Entry{
		entry("a", calendar.Forecast), entry("b", calendar.Firm), entry("c", calendar.Cancelled)}}))
	if len(events) != 3 {
		t.Fatalf("%d events", len(events))
	}
	for i, want := range []string{"TENTATIVE", "CONFIRMED", "CANCELLED"} {
		if events[i].Status != want {
			t.Errorf("%s is %s, want %s", events[i].Uid, events[i].Status, want)
		}
		if events[i].RawStart.Value != "20260504" || events[i].RawEnd.Value != "20260507" {
			t.Errorf("three days are %s to before %s", events[i].RawStart.Value, events[i].RawEnd.Value)
		}
	}
}

func TestTheUIDStaysAndTheSequenceRises(t *testing.T) {
	e := calendar.Entry{ID: "S07.hoses.check.1", First: "2026-05-04", Standing: calendar.Forecast, Summary: "x", Commit: 10, Changed: changed}
	before := parse(t, write(t, calendar.Calendar{Domain: "d.example", Entries: []calendar.Entry{e}}))[0]
	e.First, e.Standing, e.Commit, e.Changed = "2026-05-11", calendar.Firm, 12, changed.Add(time.Hour)
	after := parse(t, write(t, calendar.Calendar{Domain: "d.example", Entries: []calendar.Entry{e}}))[0]
	if before.Uid != after.Uid || after.Sequence <= before.Sequence || !after.LastModified.After(*before.LastModified) || !after.Stamp.Equal(*after.LastModified) {
		t.Fatalf("before %+v, after %+v", before, after)
	}
}

func TestHardTextsComeBack(t *testing.T) {
	for name, text := range map[string]string{
		"umlauts":                   "Düsensatz prüfen, Öl wechseln: Größe",
		"emoji of several parts":    "🚜👩🏽‍🔧 " + strings.Repeat("🧰", 100),
		"very long":                 strings.Repeat("Spritze S07 prüfen; ", 400),
		"very long, without spaces": strings.Repeat("ß", 5000),
		"75 octets and a character": strings.Repeat("a", 67) + "ü" + strings.Repeat("a", 80),
		"commas and semicolons":     "a,b;c,d;;,,",
		"line breaks":               "one\ntwo\n\nthree\n",
		"backslashes":               `C:\new\,x\;y\\n`,
		"what looks like a line":    "x\nEND:VEVENT\nBEGIN:VEVENT",
		"colons and quotes":         `a:b "c" d=e`,
		"many spaces":               "a" + strings.Repeat(" ", 200) + "b",
		"angle brackets":            strings.Repeat("<b>x</b>", 40),
	} {
		t.Run(name, func(t *testing.T) {
			out := write(t, calendar.Calendar{Name: "n", Domain: "d.example", Entries: []calendar.Entry{{ID: "a", First: "2026-05-04", Summary: "S", Description: text, Place: text, Changed: changed}}})
			lines(t, out)
			events := parse(t, out)
			if len(events) != 1 || events[0].Description != seen(text) || events[0].Location != seen(text) {
				t.Fatalf("got %d events, %q\nwant %q", len(events), events[0].Description, text)
			}
			if got := value(t, out, "DESCRIPTION"); got != text {
				t.Fatalf("got %q\nwant %q", got, text)
			}
		})
	}
}

func TestTextsComeBackWhateverTheyAre(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune("aaaaaaaa  bc,;:\\\n\"<>=nNäß漢😀\u200d"))).Draw(t, "text")
		out := write(t, calendar.Calendar{Domain: "d.example", Entries: []calendar.Entry{{ID: "a", First: "2026-05-04", Summary: "s", Description: "x" + text + "x", Changed: changed}}})
		lines(t, out)
		events := parse(t, out)
		if len(events) != 1 || events[0].Description != seen("x"+text+"x") {
			t.Fatalf("%q became %q", text, events[0].Description)
		}
		if got := value(t, out, "DESCRIPTION"); got != "x"+text+"x" {
			t.Fatalf("%q became %q", text, got)
		}
	})
}

func TestTextsThatAreCleaned(t *testing.T) {
	long := strings.Repeat("ü", calendar.MaxText)
	for in, want := range map[string]string{"a\r\nb\rc": "a\nb\nc", "a\x00b\x07c": "abc", "a\xffb": "a\uFFFDb", long: strings.Repeat("ü", (calendar.MaxText-3)/2) + "…"} {
		out := write(t, calendar.Calendar{Domain: "d.example", Entries: []calendar.Entry{{ID: "a", First: "2026-05-04", Summary: "s", Description: in, Changed: changed}}})
		lines(t, out)
		if got := value(t, out, "DESCRIPTION"); got != want {
			t.Errorf("%.40q became %.40q", in, got)
		}
	}
}

func TestEntriesThatCannotBe(t *testing.T) {
	good := calendar.Entry{ID: "a", First: "2026-05-04", Changed: changed}
	for name, change := range map[string]func(*calendar.Entry){
		"no id":                       func(e *calendar.Entry) { e.ID = "" },
		"a line break in the id":      func(e *calendar.Entry) { e.ID = "a\nb" },
		"no day":                      func(e *calendar.Entry) { e.First = "" },
		"a day that is none":          func(e *calendar.Entry) { e.First = "2026-02-30" },
		"a last day before the first": func(e *calendar.Entry) { e.Last = "2026-05-03" },
		"an unknown standing":         func(e *calendar.Entry) { e.Standing = 9 },
		"a script for an address":     func(e *calendar.Entry) { e.URL = "javascript:alert(1)" },
		"a line break in the address": func(e *calendar.Entry) { e.URL = "https://x.example/\r\nEND:VEVENT" },
		"an address without a host":   func(e *calendar.Entry) { e.URL = "https:///x" },
		"a commit past 32 bits":       func(e *calendar.Entry) { e.Commit = 1 << 31 },
	} {
		e := good
		change(&e)
		var b bytes.Buffer
		if err := calendar.Write(&b, calendar.Calendar{Entries: []calendar.Entry{e}}); !errors.Is(err, calendar.ErrEntry) || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes written", name, err, b.Len())
		}
	}
	if err := calendar.Write(&bytes.Buffer{}, calendar.Calendar{Entries: []calendar.Entry{good, good}}); !errors.Is(err, calendar.ErrEntry) {
		t.Errorf("one id twice: %v", err)
	}
}

// FuzzWrite: whatever the texts, the outer form holds and there is one event with one UID.
func FuzzWrite(f *testing.F) {
	f.Add("S07", "x\nEND:VEVENT", "https://x.example/?a=b;c", "Yard,1")
	f.Add("a\x00", "\xff\xfe", "", strings.Repeat(" ", 200))
	f.Fuzz(func(t *testing.T, id, text, address, place string) {
		var b bytes.Buffer
		err := calendar.Write(&b, calendar.Calendar{Name: place, Domain: "d.example", Entries: []calendar.Entry{{ID: id, First: "2026-05-04", Summary: text,
			Description: text, URL: address, Place: place, Category: place, Changed: changed}}})
		if err != nil {
			if !errors.Is(err, calendar.ErrEntry) {
				t.Fatal(err)
			}
			return
		}
		events, begins := 0, 0
		for _, l := range lines(t, b.String()) {
			if l == "BEGIN:VEVENT" {
				events++
			}
			if strings.HasPrefix(l, "BEGIN:") || strings.HasPrefix(l, "END:") {
				begins++
			}
		}
		if events != 1 || begins != 4 {
			t.Fatalf("%d events, %d components' lines:\n%s", events, begins, b.String())
		}
		parse(t, b.String())
	})
}
