package console_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// A failed gauge stops the rig; the retest and the certificate clear it.
func TestStoryAFailedInspectionCleared(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", obj{"first_use": "2019-03-10"})
	h.send("manager", "POST", "/v1/yards/north/place", obj{"place": "uk"})
	h.send("manager", "POST", "/v1/rigs/T01/place", obj{"place": "uk", "first_purchase": "2019-03-01"})
	h.send("workshop", "POST", "/v1/certificates", obj{"rig": "T01", "number": "4711", "tester": "L. Licensed", "inspected": "2024-06-15"})
	state := func() string { return h.send("reader", "GET", "/v1/rigs/T01", nil)["fitness"].(obj)["state"].(string) }
	if got := state(); got != "fit" {
		t.Fatalf("the rig begins %s", got)
	}
	b := h.open("workshop", "/bay/T01/inspection")
	b.sees("Pressure gauge against a master")
	m := "inspection-n-sheet-measured-gauge_error-readings-"
	b.set("#inspection-b-statutory", "true")
	b.set("#inspection-s-tester", "L. Licensed")
	rest := wholeSheet()
	for name := range rest {
		if strings.Contains(name, "/gauge_error/") {
			delete(rest, name)
		}
	}
	b.enter("inspection", rest)
	for i, step := range [][2]string{{"1,5", "1,8"}, {"3", "3,1"}, {"6", "6,2"}} {
		b.type_(fmt.Sprintf("#%s%d-master_bar", m, i), step[0])
		b.type_(fmt.Sprintf("#%s%d-gauge_bar", m, i), step[1])
	}
	b.sees("This stops the rig.")
	b.until(`document.querySelector("#out-gauge_error svg.gauge rect.out") !== null`, "the gauge's plot with the failed step")
	b.looks("bay-inspection")
	b.press("Put the inspection on record")
	b.sees("What to change")
	b.sees("do not use")
	b.sees("Change the gauge and hold the new one against the master.")
	if got := state(); got != "do not use" {
		t.Errorf("after the failure the rig is %s", got)
	}
	b.looks("inspection-failed")
	h.pass(time.Hour)
	b.goTo("/bay")
	b.sees("Waiting for a retest or a repair")
	b.looks("bay")
	b.press("Retest")
	b.sees("Only what failed on the first sheet is asked")
	if !b.eval(`document.querySelectorAll("fieldset.point").length === 1`) {
		t.Error("the retest asks for more than what failed")
	}
	again := strings.Replace(m, "inspection-", "retest-", 1)
	b.type_("#"+again+"0-master_bar", "1,5")
	b.type_("#"+again+"0-gauge_bar", "1,55")
	b.until(`document.querySelector("#out-gauge_error").textContent.includes("passed") && !document.querySelector("#out-gauge_error").textContent.includes("not passed")`, "the retested gauge to pass")
	b.press("Put the inspection on record")
	b.sees("Retest of T01 Low meadow")
	b.sees("measured anew: gauge error")
	b.sees("Its certificate")
	b.type_("#certificate-s-number", "4712")
	b.type_("#certificate-s-sticker", "26-7")
	b.press("Put the certificate on record")
	b.sees("Certificate on record.")
	b.sees("4712")
	b.looks("inspection-passed")
	if got := state(); got != "fit" {
		t.Errorf("in the end the rig is %s: %v", got, h.send("reader", "GET", "/v1/rigs/T01", nil)["fitness"])
	}
	if !b.eval(`document.querySelector(".fitness").textContent === "fit"`) {
		t.Error("the page does not say fit")
	}
}

// enter fills in many fields of a form at once, answers included.
func (b *tab) enter(form string, fields map[string]string) {
	b.t.Helper()
	text, _ := json.Marshal(fields)
	if !b.eval(fmt.Sprintf(`(() => { const form = document.getElementById("form-%s"); for (const [name, value] of Object.entries(%s)) {
		const all = form.elements[name]; if (!all) return false;
		if (all instanceof RadioNodeList) { for (const one of all) one.checked = one.value === value } else all.value = value;
	} form.dispatchEvent(new Event("input", { bubbles: true })); return true })()`, form, text)) {
		b.t.Fatalf("the form %s does not have all of %s", form, text)
	}
}

// wholeSheet answers every point of ISO 16122-2 well (limits: ISO 16122-2:2015, from memory).
func wholeSheet() map[string]string {
	m := "/sheet/measured/"
	fields := map[string]string{
		"n:" + m + "pump_capacity/measured_l_min": "190", "n:" + m + "pump_capacity/nominal_l_min": "200",
		"n:" + m + "pulsation/working_bar": "3", "n:" + m + "pulsation/lowest_bar": "2,9", "n:" + m + "pulsation/highest_bar": "3,1",
		"n:" + m + "air_chamber/working_bar": "3", "n:" + m + "air_chamber/charge_bar": "1,5",
		"n:" + m + "gauge_build/working_bar": "3", "n:" + m + "gauge_build/graduation_bar": "0,2", "n:" + m + "gauge_build/face_mm": "100",
		"n:" + m + "gauge_error/readings/0/master_bar": "1,5", "n:" + m + "gauge_error/readings/0/gauge_bar": "1,55",
		"n:" + m + "flow_meter/indicated_l_min": "101", "n:" + m + "flow_meter/reference_l_min": "100",
		"n:" + m + "speed_sensor/indicated_km_h": "10", "n:" + m + "speed_sensor/reference_km_h": "10",
		"n:" + m + "pressure_recovery/working_bar": "3", "n:" + m + "pressure_recovery/samples/0/seconds": "5", "n:" + m + "pressure_recovery/samples/0/bar": "3",
		"n:" + m + "section_closed/working_bar": "3", "m:" + m + "section_closed/closed_bar": "3,1 3,1 3,0",
		"n:" + m + "pressure_drop/gauge_point_bar": "3", "m:" + m + "pressure_drop/section_end_bar": "2,9 2,9 3",
		"m:" + m + "section_balance/inlet_bar": "3 3 3", "n:" + m + "boom_height/width_m": "24", "m:" + m + "boom_height/heights_cm": "50 51 52 50 49",
		"n:" + m + "nozzle_spacing/nominal_cm": "50", "m:" + m + "nozzle_spacing/spacings_cm": "50 50 50", "m:" + m + "nozzle_upright/degrees": "0 1 -1",
		"m:" + m + "drip/last_drop_seconds": "0", "m:" + m + "transverse_distribution/gutters_ml": "100 104 96 101 99 100",
	}
	for _, point := range []string{
		"shaft_guard", "shaft_joints", "pump_leak", "agitation_visible", "tank_lid", "tank_strainer", "tank_content", "tank_emptying", "backflow", "induction_hopper", "can_rinser",
		"controls_reach", "leak_working", "leak_standing", "hoses", "filters", "filter_shut", "boom_stable", "boom_locks", "nozzles_alike",
	} {
		fields["s:/sheet/looked/"+point+"/result"] = "pass"
	}
	return fields
}

// The row of nozzles is quick to fill in: Enter, a pasted column, and what is
// worked out follows in the reader's numbers.
func TestTheRowOfNozzlesIsFilledInByKeyAndPaste(t *testing.T) {
	h := newHouse(t)
	h.register("T01", "north", nil)
	b := h.open("workshop", "/bay/T01/calibration?nozzles=48")
	b.set("#calibration-s-nozzle", "03")
	for field, value := range map[string]string{"n-bar": "3", "n-km_h": "10", "n-target_l_ha": "120"} {
		b.set("#calibration-"+field, value)
	}
	b.type_("#calibration-q-flows_l_min-0", "1,21\r1,19\r")
	b.until(`document.activeElement.id === "calibration-q-flows_l_min-2"`, "Enter to go to the next nozzle")
	column := make([]string, 46)
	for i := range column {
		column[i] = fmt.Sprintf("1,%d", 17+i%7)
	}
	column[2], column[20] = "1,33", "1,06"
	text, _ := json.Marshal(strings.Join(column, "\n") + "\n")
	b.eval(`(() => { const d = new DataTransfer(); d.setData("text/plain", ` + string(text) + `); document.activeElement.dispatchEvent(new ClipboardEvent("paste", { clipboardData: d, bubbles: true, cancelable: true })); return true })()`)
	b.until(`document.getElementById("calibration-q-flows_l_min-47").value !== ""`, "the column to be pasted in")
	b.sees("Change nozzle 5")
	b.sees("Change nozzle 23")
	b.until(`document.querySelectorAll("#worked svg.bars rect.out").length === 2`, "two bars outside the limit")
	b.looks("bay-calibration")
	b.set("#calibration-q-flows_l_min-0", "much")
	b.until(`document.getElementById("calibration-q-flows_l_min-0").getAttribute("aria-invalid") === "true" && document.querySelector(".flow.refused .wrong") !== null`, "the message at its field")
	b.set("#calibration-q-flows_l_min-0", "1,2")
	b.until(`document.querySelector(".flow.refused") === null`, "the message to go")
	b.type_("#calibration-s-tester", "B. Bench")
	b.press("Put the calibration on record")
	b.sees("Calibration on record.")
	b.looks("calibration")
	b.goTo("/bay/calculators")
	b.type_("#calc-rate-n-l_min", "1,2")
	b.type_("#calc-rate-n-km_h", "10")
	b.type_("#calc-rate-n-spacing_m", "0,5")
	b.until(`document.getElementById("worked-calc-rate").textContent.includes("144")`, "the rate")
	b.looks("bay-calculators")
}
