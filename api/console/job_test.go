package console_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

// aJob is a house with one rig, whose job of a task is open.
func aJob(t *testing.T, task string) (h *house, item string) {
	t.Helper()
	h = newHouse(t)
	h.register("T01", "north", nil)
	h.worked("T01", 60, 4)
	h.raise()
	return h, h.jobOf("T01", task)
}

// A job is finished without script: checks, photo, parts, reading, cost, and a time
// that lies back; and all of it is on record.
func TestAJobFinishedWithoutScript(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	at := "/items/" + item
	v := h.visit("workshop")
	page := v.get(at).is(200).has("First, so that nobody is hurt", "Take it in hand", `<h2 id="checks">Check list</h2>`)
	if list, begin := strings.Index(page.text, `id="checks"`), strings.Index(page.text, `data-form="start"`); begin < list {
		t.Error("what is to be checked cannot be read before the job is taken in hand")
	}
	if c, w := strings.Index(page.text, `class="caution"`), strings.Index(page.text, `data-form="start"`); c < 0 || w < c {
		t.Error("the cautions do not come before the work")
	}
	v.fill(page, at, "start", map[string]string{"s:/by": "Ana"}).is(422).has("read the cautions of the job first", `value="Ana"`)
	v.fill(page, at, "start", map[string]string{"s:/by": "Ana", "b:/cautions_read": "true"}).is(303)
	page = v.get(at).is(200).has("in hand, Ana", `data-form="finish"`).hasNot(`id="checks"`)
	check := regexp.MustCompile(`name="s:/checked/0" value="([^"]+)"`).FindStringSubmatch(page.text)
	if check == nil {
		t.Fatal("there is nothing to check")
	}
	wrong := map[string]string{"n:/minutes": "soon", "s:/findings": "play 2 mm\nleft as it is", "s:/checked/0": check[1]}
	v.fill(page, at, "finish", wrong).is(422).has("This is not a number.", "play 2 mm\nleft as it is", `value="`+check[1]+`" checked`)
	wrong["n:/minutes"], wrong["n:/counters/0/value"] = "25", "1" // the pump's counter stood at 240 h
	v.fill(page, at, "finish", wrong).is(422).has(`id="finish-n-counters-0-value-wrong"`, "does not fit the readings", "play 2 mm")
	h.pass(2 * time.Hour)
	right := map[string]string{
		"s:/checked/0": check[1], "s:/findings": "play 2 mm", "f:/files/-": "@axle.pdf", "n:/minutes": "25", "n:/counters/0/value": "240,5",
		"s:/parts/0/sku": "GREASE-1", "n:/parts/0/count": "2", "s:/cost/amount": "12.50", "t:/at": "2026-05-04T08:30",
	}
	if !strings.Contains(page.text, `name="s:/parts/0/sku"`) {
		delete(right, "s:/parts/0/sku")
		delete(right, "n:/parts/0/count")
		t.Fatal("the plan names parts here: take another task for this test")
	}
	v.fill(page, at, "finish", right).is(303)
	page = v.get(at).is(200).has("Finished.", "play 2 mm", check[1], "12.50 EUR", "GREASE-1", "axle.pdf", "What comes next").hasNot(`data-form="finish"`, `data-form="book"`)
	page.has(`<dt>pump</dt><dd><data class="number" value="240.5">`) // what was read then
	got := h.send("manager", "GET", "/v1/items/"+item, nil)
	if got["stage"] != "done" || got["ended_at"] != "2026-05-04T06:30:00Z" {
		t.Errorf("the job is %v at %v; 8:30 in the yard is 6:30 UTC", got["stage"], got["ended_at"])
	}
	file := regexp.MustCompile(`href="(/items/[^"]+/files/[0-9a-f]{64})"`).FindStringSubmatch(page.text)
	if file == nil {
		t.Fatal("the file is not on the page")
	}
	kept := v.get(file[1]).is(200).has("content of axle.pdf")
	if csp := kept.header.Get("Content-Security-Policy"); !strings.Contains(csp, "sandbox") || !strings.HasPrefix(kept.header.Get("Content-Disposition"), "attachment") {
		t.Errorf("the file is served with %q and %q", csp, kept.header.Get("Content-Disposition"))
	}
	v.get(at + "/files/" + strings.Repeat("0", 64)).is(404)
	h.token("southern", "workshop", []string{"south"})
	other := h.visit("southern")
	other.get(at).is(404)
	other.get(file[1]).is(404)
	other.get(at + "/card").is(404)
}

// Operators see every job of their yards and may work on those that plans give to
// operators; readers look on.
// The steps of a job are taken back from the strip right after, and from the job
// itself later on; a job that the next was counted from stays done.
func TestAJobsStepsAreTakenBackWithAReason(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	at := "/items/" + item
	stage := func(want string) {
		t.Helper()
		if got := h.send("manager", "GET", "/v1/items/"+item, nil); got["stage"] != want {
			t.Fatalf("the job is %v, want %s", got["stage"], want)
		}
	}
	v := h.visit("workshop")
	v.fill(v.get(at).hasNot(`data-form="return"`), at, "book", map[string]string{"d:/date": "2026-05-11"}).is(303)
	v.fill(v.get(at).has("The job is booked.", "Take the booking back"), at, "undo", map[string]string{"s:/reason": "it rains"}).is(303)
	stage("raised")
	v.fill(v.get(at), at, "start", map[string]string{"s:/by": "Ana", "b:/cautions_read": "true"}).is(303)
	v.fill(v.get(at).has("Give it out of hand"), at, "return", nil).is(422).has(`id="move-return" open`)
	v.fill(v.get(at), at, "finish", map[string]string{"s:/by": "Ana"}).is(303)
	v.get(at).has("Finished.", "Take it back") // the strip is shown once
	v.fill(v.get(at).has("Open it again").hasNot("Finished."), at, "return", map[string]string{"s:/reason": "it was T02's axle"}).is(303)
	v.get(at).has("in hand, Ana", "not done after all", "T02").hasNot("Open it again")
	stage("in-hand")
	v.fill(v.get(at), at, "finish", map[string]string{"s:/by": "Ana"}).is(303)
	h.visit("reader").get(at).is(200).hasNot(`data-form="return"`)
	h.pass(40 * 24 * time.Hour)
	h.read("T01", h.now(), 480, 480*7)
	h.raise()
	v.get(at).is(200).hasNot("Open it again") // the next one is counted from its end
}

func TestWhoMayWorkOnAJob(t *testing.T) {
	h, workshops := aJob(t, "boom-pads")
	operators := ""
	for _, item := range h.jobsOf("T01") {
		if h.send("manager", "GET", "/v1/items/"+item, nil)["usually_by"] == "operator" {
			operators = item
		}
	}
	o := h.visit("operator")
	o.get("/items/"+operators).is(200).has(`data-form="start"`, `data-form="finish"`).hasNot(`data-form="book"`, `data-form="defer"`, `data-form="strike"`)
	o.get("/items/"+workshops).is(200).has("gives this job to the workshop", "Engine off, key out").hasNot(`data-form="start"`, `data-form="finish"`)
	h.visit("reader").get("/items/"+operators).is(200).hasNot(`data-form="start"`, `data-form="finish"`, `data-form="book"`)
	h.visit("workshop").get("/items/"+workshops).is(200).has(`data-form="book"`, `data-form="defer"`).hasNot(`data-form="strike"`)
	h.visit("manager").get("/items/" + workshops).is(200).has(`data-form="strike"`)
	h.visit("manager").get("/items/none").is(404)
}

// What carries spray liquid is not opened before the rig was handed over clean; the
// page asks for the hand-over in its place.
func TestWhatCarriesSprayLiquidIsHandedOverFirst(t *testing.T) {
	h, item := aJob(t, "flow-meter-check")
	at := "/items/" + item
	v := h.visit("workshop")
	page := v.get(at).is(200).has(`data-form="handover"`).hasNot(`data-form="start"`)
	v.fill(page, at, "handover", map[string]string{"b:/rinsed": "true", "l:/last_products": "water only"}).is(422).has(`id="handover-b-washed_outside-wrong"`)
	v.fill(page, at, "handover", map[string]string{"b:/rinsed": "true", "b:/washed_outside": "true", "l:/last_products": "water only", "s:/signed_by": "Ana"}).is(303)
	v.get(at).is(200).has(`data-form="start"`, "Handed over clean.").hasNot(`data-form="handover"`)
}

var (
	codePath = regexp.MustCompile(`<svg class="qr" viewBox="0 0 (\d+) \d+"[^>]*>.*?<path d="([^"]+)"`)
	codeBar  = regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`)
)

// decoded reads the code on a card with a decoder that is not ours: the drawing is
// painted, eight pixels a module, and looked at.
func decoded(t *testing.T, page sheet) string {
	t.Helper()
	m := codePath.FindStringSubmatch(page.text)
	if m == nil {
		t.Fatal("there is no code on the card")
	}
	number := func(s string) int { n, _ := strconv.Atoi(s); return n }
	const scale = 8
	side := number(m[1]) * scale
	paper := image.NewGray(image.Rect(0, 0, side, side))
	for i := range paper.Pix {
		paper.Pix[i] = 0xff
	}
	for _, bar := range codeBar.FindAllStringSubmatch(m[2], -1) {
		if bar[3] != bar[4] {
			t.Fatalf("the bar %v does not close", bar)
		}
		x, y, w := number(bar[1])*scale, number(bar[2])*scale, number(bar[3])*scale
		for dy := range scale {
			for dx := range w {
				paper.SetGray(x+dx, y+dy, color.Gray{})
			}
		}
	}
	bitmap, err := gozxing.NewBinaryBitmapFromImage(paper)
	if err != nil {
		t.Fatal(err)
	}
	read, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
	if err != nil {
		t.Fatal("the code cannot be read: ", err)
	}
	return read.GetText()
}

func TestTheCodeOnAJobCardOpensTheJob(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	v := h.visit("workshop")
	page := v.get("/items/" + item + "/card").is(200)
	if got, want := decoded(t, page), h.url+"/items/"+item; got != want {
		t.Errorf("the code reads %q, want %q", got, want)
	}
	if c, b := strings.Index(page.text, `class="caution"`), strings.Index(page.text, `class="boxes"`); c < 0 || b < c {
		t.Error("the cautions do not come before the check list")
	}
	for host, wanted := range map[string]string{
		"rigs.farm.example":               "http://rigs.farm.example/items/" + item,
		"192.0.2.7:8080":                  "http://192.0.2.7:8080/items/" + item,
		"[2001:db8::7]:8080":              "http://[2001:db8::7]:8080/items/" + item,
		strings.Repeat("long-", 40) + "x": "http://" + strings.Repeat("long-", 40) + "x/items/" + item,
		"evil.example/x?":                 "",
		"user@evil.example":               "",
		"evil.example:99999999":           "",
		"-evil.example":                   "",
	} {
		r, err := http.NewRequest("GET", h.url+"/items/"+item+"/card", nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, cookie := range v.http.Jar.Cookies(r.URL) {
			r.AddCookie(cookie)
		}
		r.Host = host
		page := v.send(r)
		if page.status == 400 && wanted == "" {
			continue // the server itself did not take the host
		}
		page.is(200)
		if wanted == "" {
			page.hasNot(`class="qr"`, "evil.example").has("/items/" + item)
		} else if got := decoded(t, page); got != wanted {
			t.Errorf("asked as %s, the code reads %q", host, got)
		}
	}
	b := h.open("workshop", "/items/"+item+"/card")
	b.looks("card")
	b.size(688, 900, "light") // what A4 leaves between its margins
	b.onPaper()
	if !b.eval(`(() => { const r = document.createRange(); r.selectNodeContents(document.querySelector(".jobcard .address")); return r.getClientRects().length === 1 })()`) {
		t.Error("the address of the job is broken over lines")
	}
}

// press keys until the focus is on what a selector finds.
func (b *tab) tabTo(selector string) {
	b.t.Helper()
	for range 120 {
		if b.eval(`document.activeElement !== null && document.activeElement.matches(` + strconv.Quote(selector) + `)`) {
			if !b.eval(`document.activeElement.matches(":focus-visible")`) {
				b.t.Errorf("the focus on %s cannot be seen", selector)
			}
			return
		}
		b.key("\t")
	}
	b.t.Fatalf("no Tab leads to %s", selector)
}

// From the list to a finished job with Tab, Enter, Space and typing, and no mouse.
func TestAJobIsFinishedWithTheKeyboardAlone(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	h.send("workshop", "POST", "/v1/items/"+item+"/book", obj{"date": onDay(0)})
	b := h.open("workshop", "/workshop")
	b.tabTo(`a.job[href="/items/` + item + `"]`)
	b.key("\r")
	b.sees("First, so that nobody is hurt")
	b.tabTo("#start-s-by")
	b.key("Ana")
	b.tabTo("#start-b-cautions_read")
	b.key(" ")
	b.tabTo("[data-form=start] button[type=submit]")
	b.key("\r")
	b.sees("in hand, Ana")
	n := b.count("[data-form=finish] input[type=checkbox]")
	for i := range n {
		b.tabTo(`[name="s:/checked/` + strconv.Itoa(i) + `"]`)
		b.key(" ")
	}
	b.tabTo("#finish-s-findings")
	b.key("pivots free")
	b.tabTo("#finish-n-counters-0-value")
	b.key("241")
	b.tabTo("#finish-n-minutes")
	b.key("15")
	for _, selector := range []string{"button.great", "[data-form=finish] .check", "#finish-n-minutes", "#finish-s-findings"} {
		if !b.eval(`document.querySelector(` + strconv.Quote(selector) + `).getBoundingClientRect().height >= 48`) {
			t.Errorf("%s is less than 48 px high", selector)
		}
	}
	b.tabTo("[data-form=finish] button[type=submit]")
	b.key("\r")
	b.sees("Finished.")
	got := h.send("manager", "GET", "/v1/items/"+item, nil)
	done, _ := got["finished"].(obj)
	if got["stage"] != "done" || done["findings"] != "pivots free" || done["minutes"] != 15.0 || len(done["checked"].([]any)) != n || n == 0 {
		t.Errorf("the job stands as %v", got)
	}
	b.tabTo("ol.day a.job")
	b.key("\r")
	b.sees("First, so that nobody is hurt")
}

// away cuts the tab's connection, or gives it back.
func (b *tab) away(yes bool) {
	b.t.Helper()
	b.must(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		cut := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{}}
		if yes {
			cut.MatchedNetworkConditions = append(cut.MatchedNetworkConditions, &network.Conditions{Offline: true, DownloadThroughput: -1, UploadThroughput: -1})
		}
		if err := call(ctx, t, network.EmulateNetworkConditionsByRule, cut); err != nil {
			return err
		}
		return call(ctx, t, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: yes, DownloadThroughput: -1, UploadThroughput: -1})
	}))
}

// What was typed survives a lost connection, a try to send it, and a reload.
func TestFindingsSurviveALostConnection(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	h.send("workshop", "POST", "/v1/items/"+item+"/start", obj{"by": "Ana", "cautions_read": true})
	b := h.open("workshop", "/items/"+item)
	b.click(`[name="s:/checked/0"]`)
	b.type_("#finish-s-findings", "play 2 mm at the left pivot")
	b.away(true)
	b.sees("No connection.")
	b.press("Finish the job")
	b.sees("No connection.")
	if got := b.text("h1"); got == "" {
		t.Fatal("the page is gone")
	}
	b.away(false)
	b.until(`document.getElementById("away").hidden`, "the connection")
	b.goTo("/workshop")
	b.goTo("/items/" + item)
	b.until(`document.querySelector("#finish-s-findings").value === "play 2 mm at the left pivot"`, "what was typed")
	if !b.eval(`document.querySelector('[name="s:/checked/0"]').checked`) {
		t.Error("the tick is gone")
	}
	b.press("Finish the job")
	b.sees("Finished.")
	done, _ := h.send("manager", "GET", "/v1/items/"+item, nil)["finished"].(obj)
	if done["findings"] != "play 2 mm at the left pivot" {
		t.Errorf("on record is %v", done)
	}
	if !b.eval(`Object.keys(localStorage).filter((k) => k.startsWith("typed /items/")).length === 0`) {
		t.Error("what is on record is still kept as typed")
	}
}

// That the cautions were read is said anew each time the page is opened.
func TestCautionsAreNeverTickedBeforehand(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	b := h.open("workshop", "/items/"+item)
	b.click("#start-b-cautions_read")
	b.goTo("/workshop")
	b.goTo("/items/" + item)
	b.until(`document.readyState === "complete"`, "the page")
	if b.eval(`document.querySelector("#start-b-cautions_read").checked`) {
		t.Error("the box is ticked already")
	}
}

// Several photos go with one job.
func TestPhotosGoWithAJob(t *testing.T) {
	h, item := aJob(t, "axle-pivots")
	var photo bytes.Buffer
	photo.WriteString("\xff\xd8\xff")
	hash := h.sendFile("workshop", "axle.jpg", "image/jpeg", photo.Bytes())
	h.send("workshop", "POST", "/v1/items/"+item+"/finish", obj{"by": "Ana", "files": []string{hash}})
	v := h.visit("reader")
	page := v.get("/items/"+item).is(200).has(`<img class="photo" src="/items/`+item+`/files/`+hash+`"`, "Photo of the job: axle.jpg")
	_ = page
	if got := v.get("/items/" + item + "/files/" + hash).is(200).header.Get("Content-Type"); got != "image/jpeg" {
		t.Errorf("the photo is of type %q", got)
	}
}

// sendFile keeps a file over the API and gives its hash.
func (h *house) sendFile(as, name, kind string, content []byte) string {
	h.t.Helper()
	r, err := http.NewRequest("POST", h.url+"/v1/files?name="+name, bytes.NewReader(content))
	if err != nil {
		h.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+h.tokens[as])
	r.Header.Set("Content-Type", kind)
	v := visitor{h.t, h, http.DefaultClient}
	kept := v.send(r).is(201)
	m := regexp.MustCompile(`"file":"([0-9a-f]+)"`).FindStringSubmatch(kept.text)
	if m == nil {
		h.t.Fatal(kept.text)
	}
	return m[1]
}
