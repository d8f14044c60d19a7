package console_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
)

// raw sends a form's fields and follows nothing.
func (v *visitor) raw(path string, fields url.Values) sheet {
	v.t.Helper()
	r, err := http.NewRequest("POST", v.h.url+path, strings.NewReader(fields.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.send(r)
}

// Going back in the browser must never meet a form that was sent.
func TestARefusalLeadsBackToItsPage(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v, other := h.visit("manager"), h.visit("workshop")
	page := v.get("/rigs/T01")
	values := page.fields("defect")
	values.Set("s:/text", "")
	values.Set("s:/part", "T01-boom")
	sent := v.raw("/rigs/T01?page=2", values).is(303)
	to, err := url.Parse(sent.header.Get("Location"))
	if err != nil || to.Path != "/rigs/T01" || to.Query().Get("page") != "2" || to.Query().Get("refused") == "" || to.Fragment != "wrong" {
		t.Fatalf("it leads to %q", sent.header.Get("Location"))
	}
	at := to.RequestURI()
	other.get(at).is(200).hasNot(`value="T01-boom" selected`)
	v.get(strings.Replace(at, "/rigs/T01", "/workshop", 1)).hasNot("T01-boom")
	v.get(at).is(422).has(`id="wrong"`, `value="T01-boom" selected`, `<a href="#defect-s-text">`, `action="/rigs/T01?page=2"`)
	v.get(at).is(200).has("shown only once").hasNot(`value="T01-boom" selected`)
}

// Each refusal is said once, in words that are on the page, with a way to the field.
func TestARefusalNamesItsFields(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	v := h.visit("manager")
	pointer := regexp.MustCompile(`[\s(>“]/[a-z_]+(/[a-z0-9_]+)*[\s:.,)<]`)
	for name, c := range map[string]struct {
		at, form string
		fill     map[string]string
		wants    []string
	}{
		"a deferral without a date": {"/items/" + item, "defer", map[string]string{"s:/reason": "harvest"}, []string{`<a href="#defer-d-until">New last day</a>`, "New limit of the part"}},
		"work that ends before it begins": {
			"/season", "work", map[string]string{"s:/rig": "T01", "d:/from": onDay(3), "d:/to": onDay(1), "n:/hectares": "12"}, []string{`<a href="#work-d-to">`, "lies before “"},
		},
		"an inspection with nothing in it": {"/bay/T01/inspection", "inspection", map[string]string{"s:/tester": "B. Bench"}, []string{"Begin here: nothing is filled in yet", `<a href="#inspection-`}},
		"a number that is none":            {"/items/" + item, "finish", map[string]string{"n:/minutes": "soon"}, []string{`<a href="#finish-n-minutes">Took</a>: This is not a number.`}},
		"a number that is either":          {"/items/" + item, "finish", map[string]string{"n:/minutes": "3,500"}, []string{`>Took</a>: Is it 3.5 or 3500? Write 3500 or 3.5.`}},
	} {
		t.Run(name, func(t *testing.T) {
			got := v.fill(v.get(c.at).is(200), c.at, c.form, c.fill).is(422).has(c.wants...).has(`role="alert"`)
			at := strings.Index(got.text, `id="wrong"`)
			said := got.text[at : at+strings.Index(got.text[at:], "</div>")]
			if strings.Contains(said, "not hold together") || pointer.MatchString(said) {
				t.Errorf("it says %s", said)
			}
			for _, link := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(said, -1) {
				if !strings.Contains(got.text, `id="`+link[1]+`"`) {
					t.Errorf("the link #%s leads nowhere", link[1])
				}
			}
		})
	}
}

// A photo that came with a refused form stays with it, until it is unticked.
func TestAPhotoStaysWithItsForm(t *testing.T) {
	for name, c := range map[string]struct {
		untick bool
		files  int
	}{"kept": {false, 1}, "unticked": {true, 0}} {
		t.Run(name, func(t *testing.T) {
			h, item := aJob(t, "axle-pivots")
			at := "/items/" + item
			v := h.visit("workshop")
			h.send("workshop", "POST", "/v1/items/"+item+"/start", obj{"by": "Ana", "cautions_read": true})
			page := v.get(at).is(200)
			refused := v.fill(page, at, "finish", map[string]string{"f:/files/-": "@axle.jpg", "n:/minutes": "soon"}).is(422).has("Kept: axle.jpg")
			again := v.fill(refused, at, "finish", map[string]string{"n:/minutes": "soon enough"}).is(422).has("Kept: axle.jpg")
			fields := again.fields("finish")
			if c.untick {
				fields.Del("f:/files/-")
			}
			fields.Set("n:/minutes", "20")
			v.post(at, fields).is(303)
			done, _ := h.send("manager", "GET", "/v1/items/"+item, nil)["finished"].(obj)
			files, _ := done["files"].([]any)
			if len(files) != c.files {
				t.Errorf("the job has the files %v, want %d", files, c.files)
			}
		})
	}
	t.Run("what is neither picture nor paper is refused at its field, and the other stays", func(t *testing.T) {
		h, item := aJob(t, "axle-pivots")
		v := h.visit("workshop")
		h.send("workshop", "POST", "/v1/items/"+item+"/start", obj{"by": "Ana", "cautions_read": true})
		page := v.get("/items/" + item)
		refused := v.fill(page, "/items/"+item, "finish", map[string]string{"f:/files/-": "@axle.jpg", "n:/minutes": "soon"}).is(422)
		v.fill(refused, "/items/"+item, "finish", map[string]string{"f:/files/-": "@notes.txt"}).is(422).has(`id="finish-f-files---wrong"`, "notes.txt: only JPEG, PNG and PDF are taken here")
	})
}

// Who signs in again after the session ended finds what was typed.
func TestASessionThatEndsInMidForm(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	h.token("short", "workshop", nil)
	v := h.visit("short")
	values := v.get("/rigs/T01").is(200).fields("defect")
	values.Set("s:/text", "hose chafed")
	id, _, _ := strings.Cut(strings.TrimPrefix(h.tokens["short"], "rl_"), "_")
	h.send("manager", "POST", "/v1/tokens/"+id+"/revoke", nil)
	door := v.post("/rigs/T01", values).is(401).has("Your session has ended", "Nothing was written", "What you typed is kept", `name="to" value="/rigs/T01"`)
	carried := door.carried()
	in := func(to string) url.Values {
		return url.Values{"form": {door.form()}, "token": {h.tokens["workshop"]}, "to": {to}, "carried": {carried}}
	}
	again := v.raw("/sign-in", url.Values{"form": {door.form()}, "token": {"rl_wrong"}, "to": {"/rigs/T01"}, "carried": {carried}}).is(401).has("hose")
	if again.carried() != carried {
		t.Error("a token mistyped costs what was typed")
	}
	at := v.raw("/sign-in", in("/rigs/T01")).is(303).header.Get("Location")
	if !strings.HasPrefix(at, "/rigs/T01?refused=") {
		t.Fatalf("signing in leads to %s", at)
	}
	at, _, _ = strings.Cut(at, "#")
	back := v.get(at).is(200).has("You are signed in again", "hose chafed")
	if n := len(h.send("manager", "GET", "/v1/defects?rig=T01", nil)["defects"].([]any)); n != 0 {
		t.Errorf("%d defects are on record before it was sent", n)
	}
	v.fill(back, "/rigs/T01", "defect", nil).is(303)
	v.get("/rigs/T01").has("hose chafed")

	for _, away := range []string{"//elsewhere.example/", "https://elsewhere.example/", "/\\elsewhere.example"} {
		w := h.visit("")
		door = w.get("/")
		fields := in(away)
		if to := w.raw("/sign-in", fields).is(303).header.Get("Location"); !strings.HasPrefix(to, "/?refused=") && to != "/" {
			t.Errorf("signing in leads away to %s", to)
		}
	}
	t.Run("another site's form is not carried", func(t *testing.T) {
		r, err := http.NewRequest("POST", h.url+"/rigs/T01", strings.NewReader(values.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		h.visit("").send(r).is(401).hasNot("hose chafed", "hose+chafed")
	})
	t.Run("signed in anew in another tab", func(t *testing.T) {
		w := h.visit("workshop")
		stale := w.get("/rigs/T01").fields("defect")
		stale.Set("form", "of another session")
		stale.Set("s:/text", "nut loose")
		w.post("/rigs/T01", stale).is(403).has("You have signed in anew", "nut loose")
	})
}

var carriedField = regexp.MustCompile(`name="carried" value="([^"]*)"`)

func (s sheet) carried() string {
	s.t.Helper()
	m := carriedField.FindStringSubmatch(s.text)
	if m == nil {
		s.t.Fatalf("nothing is carried by %s", s.text)
	}
	return strings.NewReplacer("&amp;", "&", "&#43;", "+", "&#34;", `"`).Replace(m[1])
}

// A law that grounds rigs says which, and is taken back by placing the former one.
func TestALawThatGroundsRigsSaysSo(t *testing.T) {
	h := newHouse(t)
	for _, rig := range []string{"T01", "T02"} {
		h.register(rig, "north", obj{"first_use": h.now().AddDate(0, -8, 0).Format(time.DateOnly)})
	}
	h.register("T03", "south", nil)
	v := h.visit("manager")
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "UK", "contractor": false, "schemes": []string{"uk-crop-assurance"}})
	before := h.send("manager", "GET", "/v1/rigs/T01", nil)["fitness"].(obj)["state"]
	v.fill(v.get("/bay"), "/bay", "yard-north", map[string]string{"s:/place": "DE", "s:/schemes/0": ""}).is(303)
	after := h.send("manager", "GET", "/v1/rigs/T01", nil)["fitness"].(obj)["state"]
	if before == "do not use" || after != "do not use" {
		t.Fatalf("T01 is %v and then %v: this test wants a law that stops it", before, after)
	}
	page := v.get("/bay").is(200).has("Not to be used since then: ", `<a href="/rigs/T01">T01</a>, <a href="/rigs/T02">T02</a>`, "Take it back")
	v.fill(page, "/bay", "undo", nil).is(303)
	if got := h.send("reader", "GET", "/v1/yards/north/place", nil); got["place"] != "UK" || got["contractor"] != false || len(got["schemes"].([]any)) != 1 {
		t.Errorf("taken back, the yard is placed as %v", got)
	}
	if got := h.send("manager", "GET", "/v1/rigs/T01", nil)["fitness"].(obj)["state"]; got != before {
		t.Errorf("T01 is %v", got)
	}
	v.get("/bay").is(200).has("Taken back.").hasNot("Not to be used since then", `data-form="undo"`)
	// Where there was no law, taking back leaves none.
	v.fill(v.get("/bay"), "/bay", "yard-south", map[string]string{"s:/place": "DE"}).is(303)
	v.fill(v.get("/bay"), "/bay", "undo", nil).is(303)
	if got := h.send("reader", "GET", "/v1/yards/south/place", nil); got["place"] != "" && got["place"] != nil {
		t.Errorf("the yard without a law is placed as %v", got)
	}
}
