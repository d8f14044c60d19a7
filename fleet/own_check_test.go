package fleet_test

import (
	"testing"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

func TestAnOwnCheckEarnsNoCertificate(t *testing.T) {
	b := benchAt(t, "2026-05-04 08:00")
	b.must(&fleet.PublishRuleSet{Text: shortRules()})
	b.must(oldRig("T01"))
	b.must(placed("T01", "DE"))
	b.raise()
	own := inspect("T01", gaugeSheet(0.1))
	own.RuleSet = "short"
	b.must(own)
	stopped := b.fitness("T01")
	if stopped != "do not use: certificate-missing" {
		t.Fatalf("before: %q", stopped)
	}
	field := func(cmd fleet.Command, want string) {
		t.Helper()
		if e := b.refused(cmd, fleet.Invalid); len(e.Fields) != 1 || e.Fields[0].Field != want {
			t.Errorf("refused at %+v, want %s", e.Fields, want)
		}
	}
	issue := &fleet.IssueCertificate{ID: fleet.NewCertificateID(), Rig: "T01", Inspection: own.ID, Number: "7", Tester: "Y. Ours"}
	field(issue, "/inspection")
	with := inspect("T01", gaugeSheet(0.1))
	with.RuleSet, with.Certificate = "short", &fleet.PassedCertificate{ID: fleet.NewCertificateID(), Number: "7"}
	field(with, "/certificate")
	if got := b.fitness("T01"); got != stopped {
		t.Errorf("after the refusals: %q", got)
	}
	if line, _ := b.line("T01", "T01", "statutory-inspection"); line.Due.Status != plan.Overdue {
		t.Errorf("the job of the law is %s", line.Due.Status)
	}
	// By a licensed tester the same is an inspection by law.
	with.Statutory = true
	b.must(with)
	if got := b.fitness("T01"); got != "fit" {
		t.Errorf("inspected by law: %q", got)
	}
}
