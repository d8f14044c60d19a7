package console_test

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// workOut sends a form of the bay as the page's script does, and gives the parts
// that follow the typing.
func (v *visitor) workOut(page sheet, form string, fields map[string]string) sheet {
	v.t.Helper()
	values := page.fields(form)
	for name, value := range fields {
		if !strings.Contains(page.text, `name="`+name+`"`) {
			v.t.Fatalf("the form %s has no field %s", form, name)
		}
		values.Set(name, value)
	}
	return v.compute(values, "worked")
}

func (v *visitor) compute(values url.Values, part string) sheet {
	v.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for name, all := range values {
		for _, value := range all {
			_ = w.WriteField(name, value)
		}
	}
	_ = w.Close()
	r, err := http.NewRequest("POST", v.h.url+"/bay/compute", &b)
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", w.FormDataContentType())
	if part != "" {
		r.Header.Set("Rigledger-Part", part)
	}
	return v.send(r)
}

// numbers gives every number that a page shows, as its value.
func (s sheet) numbers() map[string]bool {
	s.t.Helper()
	doc, err := html.Parse(strings.NewReader(s.text))
	if err != nil {
		s.t.Fatal(err)
	}
	all := map[string]bool{}
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == "data" {
			all[attr(n, "value")] = true
		}
	}
	return all
}

// shows wants numbers on the page, each with so many decimals.
func (s sheet) shows(what string, x float64, decimals int) {
	s.t.Helper()
	text := strconv.FormatFloat(x, 'f', decimals, 64)
	if all := s.numbers(); !all[text] {
		s.t.Errorf("%s %s is not among the numbers shown: %v", what, text, all)
	}
}

// tradeFlows is the example of the trade's notes (arithmetic): mean 1.2175, CV
// 4.159 %, the fifth 10.83 % over the nominal 1.20 l/min of a 03 nozzle at 3 bar
// (ISO 10625, from memory).
var tradeFlows = []string{"1,21", "1,19", "1.24", "1,18", "1,33", "1.20", "1,22", "1,17"}

func flowFields(prefix string, flows []string) map[string]string {
	fields := map[string]string{}
	for i, q := range flows {
		fields["q:"+prefix+strconv.Itoa(i)] = q
	}
	return fields
}

func calibrationFields() map[string]string {
	fields := flowFields("/flows_l_min/", tradeFlows)
	fields["s:/nozzle"], fields["n:/bar"], fields["n:/spacing_m"], fields["n:/km_h"], fields["n:/target_l_ha"] = "03", "3,0", "0,5", "10", "120"
	return fields
}

// What is worked out while typing is what the API's calculators answer, and what
// stands on record in the end.
func TestTheBayWorksOutWhatTheAPIWorksOut(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("workshop")
	page := v.get("/bay/T01/calibration?nozzles=8").is(200).has("Clean water only", `name="q:/flows_l_min/7"`, "03 blue").hasNot(`name="q:/flows_l_min/8"`)
	before := h.fleet.Head().N
	part := v.workOut(page, "calibration", calibrationFields()).is(200).has(`data-place="worked"`, "<svg", "not passed").hasNot("<html", "data-wrong")
	if h.fleet.Head().N != before {
		t.Error("working out wrote to the ledger")
	}
	flows := []float64{1.21, 1.19, 1.24, 1.18, 1.33, 1.20, 1.22, 1.17}
	caught := h.send("reader", "POST", "/v1/testbay/catch?ruleset=field-rules", obj{"flows_l_min": flows, "nominal_l_min": 1.2})
	mean, cv := caught["mean_l_min"].(float64), caught["cv_percent"].(float64)
	part.shows("the mean", mean, 4)
	part.shows("the CV", cv, 2)
	part.shows("the worst nozzle's distance", caught["nozzles"].([]any)[4].(obj)["from_nominal_percent"].(float64), 1)
	rate := h.send("reader", "POST", "/v1/testbay/rate", obj{"l_min": mean, "km_h": 10, "spacing_m": 0.5})["l_ha"].(float64)
	part.shows("the rate", rate, 1)
	want := h.send("reader", "POST", "/v1/testbay/rate", obj{"l_ha": 120, "km_h": 10, "spacing_m": 0.5})["l_min"].(float64)
	part.shows("the flow for the target", want, 3)
	part.shows("the pressure for the target", h.send("reader", "POST", "/v1/testbay/flow", obj{"l_min": mean, "bar": 3, "at_l_min": want})["bar"].(float64), 2)
	// The trade's own figures, beside the API's (arithmetic).
	part.shows("the mean of the example", 1.2175, 4)
	part.shows("the CV of the example", 4.159, 2)
	part.shows("the fifth of the example", 10.83, 1)
	part.has("Change nozzle <b>5</b>")

	gone := v.fill(page, "/bay/T01/calibration", "calibration", with(calibrationFields(), "s:/tester", "B. Bench")).is(303)
	final := v.get(gone.header.Get("Location")).is(200).has("not passed", "Change nozzle <b>5</b>", "<svg", "/record", "/rigs/T01")
	seen := part.numbers()
	for text := range final.numbers() {
		delete(seen, text)
	}
	if len(seen) > 0 {
		t.Errorf("worked out while typing, and not on the page of the record: %v", seen)
	}
	made := h.send("reader", "GET", "/v1/calibrations?rig=T01", nil)["calibrations"].([]any)[0].(obj)
	final.shows("the mean on record", made["mean_l_min"].(float64), 4)
	if got := len(made["flows_l_min"].([]any)); got != 8 || made["outcome"] != "fail" {
		t.Errorf("on record are %d flows, %v", got, made["outcome"])
	}
}

func with(fields map[string]string, more ...string) map[string]string {
	for i := 0; i+1 < len(more); i += 2 {
		fields[more[i]] = more[i+1]
	}
	return fields
}

func TestTheRowKeepsThePlaceOfANozzleThatWasNotMeasured(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("operator")
	page := v.get("/bay/T01/calibration?nozzles=8").is(200)
	fields := with(calibrationFields(), "q:/flows_l_min/1", "", "q:/flows_l_min/7", " ", "s:/tester", "O")
	v.workOut(page, "calibration", fields).is(200).has("Change nozzle <b>5</b>", "Measure what is still open: 2, 8")
	gone := v.fill(page, "/bay/T01/calibration", "calibration", fields).is(303)
	made := h.send("reader", "GET", "/v1"+gone.header.Get("Location"), nil)
	flows := made["flows_l_min"].([]any)
	if len(flows) != 8 || flows[1] != nil || flows[7] != nil || flows[4] != 1.33 {
		t.Errorf("the row on record is %v", flows)
	}
}

func TestGarbageIsToldAtItsField(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("workshop")
	page := v.get("/bay/T01/calibration?nozzles=8").is(200)
	fields := with(calibrationFields(), "q:/flows_l_min/1", "lots", "q:/flows_l_min/2", "700", "n:/bar", "3..0")
	part := v.workOut(page, "calibration", fields).is(200)
	part.has(`data-wrong="calibration-q-flows_l_min-1"`, `data-wrong="calibration-q-flows_l_min-2"`, `data-wrong="calibration-n-bar"`, "This is not a number", "is absurd for a field sprayer")
	part.has("the pressure", "Mean flow") // the rest is worked out all the same

	// Without script the same page comes back with what was typed.
	whole := v.compute(with2(page.fields("calibration"), fields), "").is(200)
	whole.has(`value="lots"`, `value="3..0"`, "This is not a number", "is absurd for a field sprayer", `action="/bay/T01/calibration?nozzles=8"`, "Mean flow", "<h1>")
	// And so it is refused on the way to the record.
	v.fill(page, "/bay/T01/calibration", "calibration", fields).is(422).has(`value="lots"`, "This is not a number")
	if n := len(h.send("reader", "GET", "/v1/calibrations?rig=T01", nil)["calibrations"].([]any)); n != 0 {
		t.Errorf("%d calibrations are on record", n)
	}
	// A form that is not ours, a rig that may not be seen, a form nobody knows.
	v.compute(url.Values{"is": {"calibration"}, "h:/rig": {"T01"}, "page": {"/bay/T01/calibration"}}, "worked").is(403)
	h.token("south", "workshop", []string{"south"})
	south := h.visit("south")
	bay := south.get("/bay/calculators").is(200)
	south.compute(url.Values{"form": {bay.form()}, "is": {"calibration"}, "h:/rig": {"T01"}, "page": {"/bay/T01/calibration"}}, "worked").is(404).hasNot("Low meadow")
	south.compute(url.Values{"form": {bay.form()}, "is": {"other"}, "page": {"//elsewhere.example/"}}, "worked").is(404)
	south.get("/bay/T01/inspection").is(404)
	south.get("/bay").is(200).hasNot("T01")
}

func with2(values url.Values, fields map[string]string) url.Values {
	for name, value := range fields {
		values.Set(name, value)
	}
	return values
}

func TestAnInspectionIsJudgedWhileItIsTyped(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	v := h.visit("workshop")
	page := v.get("/bay/T01/inspection").is(200).has("Power transmission", "PTO shaft guard", "Measuring systems, control and regulation", "iso-16122-2-2015, 2015", "field-rules, 2026")
	m := "/sheet/measured/"
	fields := map[string]string{
		"n:" + m + "gauge_error/readings/0/master_bar": "1,5", "n:" + m + "gauge_error/readings/0/gauge_bar": "1,8",
		"n:" + m + "gauge_error/readings/1/master_bar": "4", "n:" + m + "gauge_error/readings/1/gauge_bar": "4,3",
		"n:" + m + "pump_capacity/measured_l_min":  "180", // its nominal flow is still open
		"m:" + m + "pressure_drop/section_end_bar": "2,9 3,0 3,1", "n:" + m + "pressure_drop/gauge_point_bar": "3,0",
		"m:" + m + "transverse_distribution/gutters_ml": "100\n104\n96\n101\n99\n100",
		"n:" + m + "pulsation/working_bar":              "three", "s:/sheet/looked/shaft_guard/result": "pass", "s:/sheet/looked/hoses/result": "fail", "s:/sheet/looked/hoses/note": "chafed at the fold",
		"n:" + m + "pressure_recovery/samples/0/seconds": "5",
	}
	part := v.workOut(page, "inspection", fields).is(200)
	// The same numbers as the API's calculators.
	gauge := h.send("reader", "POST", "/v1/testbay/gauge", obj{"points": []obj{{"master_bar": 1.5, "read_bar": 1.8}, {"master_bar": 4, "read_bar": 4.3}}})
	part.shows("the gauge's error", gauge["points"].([]any)[0].(obj)["error_bar"].(float64), 2)
	spread := h.send("reader", "POST", "/v1/testbay/distribution", obj{"gutters_ml": []float64{100, 104, 96, 101, 99, 100}})
	part.shows("the gutters' CV", spread["cv_percent"].(float64), 2)
	drop := h.send("reader", "POST", "/v1/testbay/pressure-drop", obj{"gauge_point_bar": 3, "section_end_bar": []float64{2.9, 3.0, 3.1}})
	part.shows("the drop", drop["verdicts"].([]any)[0].(obj)["measured"].(float64), 2)
	out := func(point string) string {
		at := strings.Index(part.text, `data-place="out-`+point+`"`)
		if at < 0 {
			t.Fatalf("nothing is said of %s", point)
		}
		rest := part.text[at:]
		if end := strings.Index(rest[10:], "data-place="); end > 0 {
			rest = rest[:end+10]
		}
		return rest
	}
	for point, want := range map[string]string{
		"gauge_error": "not passed", "hoses": "chafed at the fold", "pressure_drop": "<svg", "transverse_distribution": "<svg",
		"pump_capacity": "Not all of it is entered yet", "pressure_recovery": "Not all of it is entered yet", "pulsation": "cannot be read",
	} {
		if !strings.Contains(out(point), want) {
			t.Errorf("of %s is said %s, not %q", point, out(point), want)
		}
	}
	part.has(`href="#point-shaft_joints"`).hasNot(`href="#point-shaft_guard"`) // still to be done, and done
	part.has(`data-wrong="inspection-n-sheet-measured-pulsation-working_bar"`, "Change the gauge and hold the new one against the master")
	if regexp.MustCompile(`data-wrong="[^"]*pump_capacity`).MatchString(part.text) {
		t.Error("a field that is still open is called wrong")
	}
	// A gauge that nobody read is not put on record as one that shows 0.
	half := map[string]string{"n:" + m + "gauge_error/readings/0/master_bar": "1,5", "s:/tester": "B. Bench"}
	v.fill(page, "/bay/T01/inspection", "inspection", half).is(422).has("Not all of it is entered yet", `value="1,5"`)
	if n := len(h.send("reader", "GET", "/v1/inspections?rig=T01", nil)["inspections"].([]any)); n != 0 {
		t.Errorf("%d inspections are on record", n)
	}
	v.get("/bay/T01/inspection?rules=field-rules+2026").is(200).has("Field rules")
	v.get("/bay/T01/inspection?rules=none+1").is(404)
	v.get("/bay/T01/inspection?retest=i-none").is(404)
}

func TestTheCalculatorsAnswerWhatTheAPIAnswers(t *testing.T) {
	h := newHouse(t)
	v := h.visit("reader")
	page := v.get("/bay/calculators").is(200).has("Rinsing", "Units")
	// 03 nozzle at 3 bar, 10 km/h, 0.5 m: 144 l/ha (arithmetic on ISO 10625).
	v.workOut(page, "calc-rate", map[string]string{"n:/l_min": "1,2", "n:/km_h": "10", "n:/spacing_m": "0,5"}).is(200).has("Rate").shows("the rate", 144, 0)
	v.workOut(page, "calc-nozzle", map[string]string{"s:/nozzle": "03", "n:/l_min": "1"}).is(200).has("blue").shows("the pressure", 2.0833, 4)
	// Residual 30 l, 300 l in three portions: 1/81 by the portion's formula of the trade's notes is c/c0 = (30/(30+100))^3.
	v.workOut(page, "calc-rinse", map[string]string{"n:/residual_l": "30", "n:/water_l": "300", "n:/portions": "1"}).is(200).shows("the dilution", 11, 0)
	v.workOut(page, "calc-units", map[string]string{"n:/value": "1", "s:/from": "gal_ac"}).is(200).shows("litres a hectare", h.send("reader", "POST", "/v1/testbay/units", obj{"value": 1, "from": "gal_ac"})["l_ha"].(float64), 3)
	v.workOut(page, "calc-rate", map[string]string{"n:/l_min": "1,2,3"}).is(200).has(`data-wrong="calc-rate-n-l_min"`, "This is not a number")
	v.workOut(page, "calc-course", map[string]string{"n:/course_m": "100"}).is(200).has("Time over the course: is missing")
	whole := v.compute(with2(page.fields("calc-rate"), map[string]string{"n:/l_min": "1,2", "n:/km_h": "10", "n:/spacing_m": "0,5"}), "").is(200).has("<h1>", `value="1,2"`)
	whole.shows("the rate", 144, 0)
}

// The bay lists who has to be tested, and the places that decide it.
func TestTheBayListsWhoHasToBeTested(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2019-03-10"})
	h.register("T02", "north", obj{"first_use": "2019-03-10"})
	h.register("T03", "south", nil)
	v := h.visit("manager")
	page := v.get("/bay").is(200).has("T01", "T03", `action="/bay"`, "no place set", "By its plan to be inspected by")
	if n := strings.Count(page.text, "No place is set for the yard"); n != 2 || !strings.Contains(page.text, `href="#place-north"`) || !strings.Contains(page.text, `id="place-north"`) {
		t.Errorf("of two yards it is said %d times that they have no place", n)
	}
	v.fill(page, "/bay", "yard-north", map[string]string{"s:/place": "UK", "s:/schemes/0": "uk-crop-assurance", "b:/contractor": "false"}).is(303)
	if got := h.send("reader", "GET", "/v1/yards/north/place", nil); got["place"] != "UK" || got["contractor"] != false || fmt.Sprint(got["schemes"]) != "[uk-crop-assurance]" {
		t.Errorf("the yard's place is %v", got)
	}
	if again := v.get("/bay").fields("yard-north"); again.Get("s:/place") != "UK" || again.Get("s:/schemes/0") != "uk-crop-assurance" || again.Get("b:/contractor") != "false" {
		t.Errorf("the form has forgotten what stands: %v", again)
	}
	form := v.get("/bay/T01/place").is(200).has("It works under the place of its yard: United Kingdom", "is needed by rule uk")
	v.fill(form, "/bay/T01/place", "place", map[string]string{"s:/place": "UK", "d:/first_purchase": "2024-03-01", "b:/contractor": "true"}).is(422).has("lies after the rig&#39;s first use")
	v.fill(form, "/bay/T01/place", "place", map[string]string{"s:/place": "UK", "d:/first_purchase": "2019-03-01", "b:/contractor": "true"}).is(303)
	v.fill(v.get("/bay/T01/place"), "/bay/T01/place", "place", map[string]string{"s:/schemes/0": "uk-crop-assurance"}).is(303)
	if again := v.get("/bay/T01/place").fields("place"); again.Get("s:/schemes/0") != "uk-crop-assurance" || again.Get("d:/first_purchase") != "2019-03-01" || again.Get("b:/leased") != "false" {
		t.Errorf("the rig's form has forgotten what stands: %v", again)
	}
	bay := v.get("/bay").is(200).has("To be inspected within sixty days, or late", "To be inspected by", "(over)", "/bay/T01/inspection", "/bay/T01/calibration")
	if a, z := strings.Index(bay.text, "/bay/T01/inspection"), strings.Index(bay.text, "/bay/T03/inspection"); a > z {
		t.Error("who is late does not come first")
	}
	v.get("/bay?yard=south").is(200).has("T03").hasNot(`/bay/T01/inspection`)
	h.visit("operator").get("/bay").is(200).hasNot(`data-form="yard-north"`, "/bay/T01/place")
	h.visit("operator").get("/bay/T01/place").is(403)
	h.visit("operator").get("/bay/T01/inspection").is(200).hasNot("Put the inspection on record")
}

func TestAHostileNameIsTextAtTheBay(t *testing.T) {
	h := newHouse(t)
	long := strings.Repeat("W", 60)
	h.register("T01", "north", obj{"name": `<script>alert(1)</script> שלום 🚜 ` + long})
	v := h.visit("workshop")
	page := v.get("/bay/T01/calibration?nozzles=8").is(200)
	evil := `"><script>x</script>` + strings.Repeat("E", 70)
	v.workOut(page, "calibration", with(calibrationFields(), "s:/instruments/0/name", evil, "s:/note", evil)).is(200).hasNot("<script>x")
	gone := v.fill(page, "/bay/T01/calibration", "calibration", with(calibrationFields(), "s:/instruments/0/name", evil, "s:/note", evil, "s:/tester", evil)).is(303)
	sheetPage := v.get("/bay/T01/inspection").is(200)
	fields := map[string]string{"s:/sheet/looked/hoses/result": "fail", "s:/sheet/looked/hoses/note": evil, "s:/tester": evil, "s:/station": evil}
	v.workOut(sheetPage, "inspection", fields).is(200).has("&lt;script&gt;").hasNot("<script>x")
	judged := v.fill(sheetPage, "/bay/T01/inspection", "inspection", fields).is(303)
	for _, path := range []string{"/bay", "/bay/T01/calibration", "/bay/T01/inspection", gone.header.Get("Location"), judged.header.Get("Location")} {
		v.get(path).is(200).has("&lt;script&gt;").hasNot("<script>alert", "<script>x")
	}
	b := h.open("workshop", judged.header.Get("Location"))
	for _, path := range []string{judged.header.Get("Location"), gone.header.Get("Location"), "/bay", "/bay/T01/inspection"} {
		b.goTo(path)
		for _, width := range []int64{390, 1440} {
			b.size(width, 900, "light")
			if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
				t.Errorf("%s scrolls sideways at %d px", path, width)
			}
		}
	}
}

// An own check that passed earns no certificate: the page has no form for one, and
// leads to where that of a licensed tester is entered.
func TestAnOwnCheckHasNoFormForACertificate(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2020-03-01"})
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "DE"})
	v := h.visit("workshop")
	at := "/bay/T01/inspection"
	for statutory, form := range map[string]bool{"false": false, "true": true} {
		fields := wholeSheet()
		fields["s:/tester"], fields["b:/statutory"] = "B. Bench", statutory
		done := v.get(v.fill(v.get(at).is(200), at, "inspection", fields).is(303).header.Get("Location")).is(200)
		done.has("passed").hasNot("not passed")
		if got := strings.Contains(done.text, `data-form="certificate"`); got != form {
			t.Errorf("statutory %s: a form for its certificate: %v, want %v", statutory, got, form)
		}
		if got := strings.Contains(done.text, `href="/bay/T01/inspection#elsewhere"`); got == form {
			t.Errorf("statutory %s: the way to another station's certificate: %v", statutory, got)
		}
	}
}

// A rig that was tested at another station brings its certificate: it is entered
// where the rig would else be inspected, and taken back there.
func TestACertificateFromAnotherStation(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2020-03-01"})
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "DE"})
	v := h.visit("workshop")
	at := "/bay/T01/inspection"
	page := v.get(at).is(200).has("It was tested elsewhere")
	v.fill(page, at, "certificate", map[string]string{"s:/number": "DE-77", "s:/tester": "B. Bench", "d:/inspected": onDay(3)}).is(422).
		has(`id="elsewhere" open`, `id="certificate-d-inspected-wrong"`, `value="DE-77"`)
	v.fill(page, at, "certificate", map[string]string{"s:/number": "DE-77", "s:/tester": "B. Bench", "d:/inspected": onDay(-200)}).is(303)
	v.get("/rigs/T01").is(200).has("Certificate on record.", "DE-77").hasNot(`data-form="undo"`)
	h.visit("reader").get(at).is(200).hasNot("It was tested elsewhere", `data-form="certificate"`)

	m := h.visit("manager")
	m.fill(m.get(at).is(200), at, "certificate", map[string]string{"s:/number": "DE-78", "s:/tester": "B. Bench", "d:/inspected": onDay(-100)}).is(303)
	rig := m.get("/rigs/T01").is(200).has("DE-78", `data-form="undo"`)
	m.fill(rig, "/rigs/T01", "undo", map[string]string{"s:/reason": "of another rig"}).is(303)
	all := h.send("manager", "GET", "/v1/certificates?rig=T01", nil)["certificates"].([]any)
	withdrawn := map[any]bool{}
	for _, c := range all {
		withdrawn[c.(obj)["number"]] = c.(obj)["withdrawn"] != nil
	}
	if len(all) != 2 || withdrawn["DE-77"] || !withdrawn["DE-78"] {
		t.Errorf("withdrawn are %v", withdrawn)
	}
}
