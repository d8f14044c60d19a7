package plan_test

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

func TestAmountsAreWrittenInHumanUnits(t *testing.T) {
	var a plan.Amounts
	a.Set(plan.Hours, 4_521_780) // 1256.05 h × 3600 s
	a.Set(plan.Area, 56_178_000) // 5617.8 ha × 10 000 m²
	a.Set(plan.Volume, -1)       // ml
	a.Set(plan.Loads, 3)
	text, err := json.Marshal(a)
	want := `{"hours":1256.05,"hectares":5617.8,"litres":-0.001,"loads":3}`
	if err != nil || string(text) != want {
		t.Fatalf("got %s, %v; want %s", text, err, want)
	}
}

func TestASecondIsRoundedToTheNearestTenThousandthOfAnHour(t *testing.T) {
	for seconds, want := range map[int64]string{1: `{"hours":0.0003}`, 3599: `{"hours":0.9997}`, -1: `{"hours":-0.0003}`, 0: `{"hours":0}`} {
		if text, err := json.Marshal(plan.Amounts{}.With(plan.Hours, seconds)); err != nil || string(text) != want {
			t.Errorf("%d s: got %s, %v; want %s", seconds, text, err, want)
		}
	}
}

func TestAmountsComeBackFromJSONToTheBaseUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a plan.Amounts
		for _, q := range []plan.Quantity{plan.Hours, plan.Area, plan.Volume, plan.Distance, plan.Loads} {
			if rapid.Bool().Draw(t, "held") {
				a.Set(q, rapid.Int64Range(-1e13, 1e13).Draw(t, q.String()))
			}
		}
		text, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back plan.Amounts
		if err := json.Unmarshal(text, &back); err != nil || back != a {
			t.Fatalf("%s came back as %v, %v", text, back, err)
		}
	})
}

func TestAmountsRefuseWhatTheyDoNotKnow(t *testing.T) {
	for _, bad := range []string{`{"acres":3}`, `{"hours":"many"}`, `{"hours":1e300}`, `[1]`, `{"hours":true}`} {
		var a plan.Amounts
		if err := json.Unmarshal([]byte(bad), &a); err == nil {
			t.Errorf("%s was read as %v", bad, a)
		}
	}
}

func TestQuantitiesAreNamedAsMetersNameThem(t *testing.T) {
	for named, want := range map[meter.Quantity]plan.Quantity{
		meter.Hours: plan.Hours, meter.Area: plan.Area, meter.Volume: plan.Volume, meter.Distance: plan.Distance, meter.Loads: plan.Loads,
	} {
		if got, ok := plan.QuantityOf(named); !ok || got != want {
			t.Errorf("%s: got %s, %v", named, got, ok)
		}
	}
}

func TestQuantitiesByName(t *testing.T) {
	for _, q := range []plan.Quantity{plan.Hours, plan.Area, plan.Volume, plan.Distance, plan.Loads} {
		if got, ok := plan.QuantityOf(q.String()); !ok || got != q {
			t.Errorf("%s: got %v, %v", q, got, ok)
		}
	}
	if _, ok := plan.QuantityOf("acres"); ok {
		t.Error("acres are no quantity")
	}
	var a plan.Amounts
	if !a.SetNamed("area", 7) || a.SetNamed("acres", 7) {
		t.Error("SetNamed takes names that facts use, and no other")
	}
	if v, ok := a.Get(plan.Area); !ok || v != 7 || a.Has(plan.Hours) {
		t.Errorf("got %d, %v", v, ok)
	}
}
