package fleet

import (
	"time"

	"rigledger/events"
	"rigledger/fleet/meter"
	"rigledger/fleet/plan"
)

// IssueCertificate records the certificate that a licensed tester gave for a
// rig. Inspected is the day of the inspection; one entered late corrects the
// past. Expires is the last day that the certificate itself names, if it names
// one. With Inspection it belongs to one on the ledger, by a licensed tester: an
// own check earns none. Make it with NewCertificateID.
type IssueCertificate struct {
	ID         string     `json:"-"`
	Rig        string     `json:"rig"`
	Inspection string     `json:"inspection,omitempty"`
	Number     string     `json:"number"`
	Sticker    string     `json:"sticker,omitempty"`
	Tester     string     `json:"tester"`
	Station    string     `json:"station,omitempty"`
	Inspected  string     `json:"inspected"`
	Expires    string     `json:"expires,omitempty"`
	File       string     `json:"file,omitempty"`
	At         *time.Time `json:"at,omitempty"`
}

func (i *IssueCertificate) Touches() []string { return []string{"rig:" + i.Rig, "parts"} }

// Ref is what an Idempotency-Key remembers.
func (i *IssueCertificate) Ref(State) string { return i.ID }

func (i *IssueCertificate) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	rig := d.rigOf(&c, i.Rig)
	if rig == nil {
		return nil, c.err()
	}
	if _, err := d.liveRig(i.Rig); err != nil {
		return nil, err
	}
	if in := d.Bay.Inspections[i.Inspection]; i.Inspection != "" {
		switch {
		case in == nil || in.Rig != i.Rig:
			c.fail("/inspection", "rig %s has no inspection %q", i.Rig, i.Inspection)
		case !in.Statutory:
			c.fail("/inspection", "inspection %s was an own check, which earns no certificate; leave it out, and name the licensed tester who gave one", i.Inspection)
			return nil, c.err()
		case !in.Passed():
			c.fail("/inspection", "inspection %s was not passed", i.Inspection)
		case i.Inspected == "":
			i.Inspected = plan.Of(in.At, d.zone).String()
		case i.Inspected != plan.Of(in.At, d.zone).String():
			c.fail("/inspected", "inspection %s was on %s", i.Inspection, plan.Of(in.At, d.zone))
		}
	}
	return i.facts(d, &c, "", rig, i.At)
}

// facts checks the fields below prefix and gives the certificate and the plan's
// inspection task as done. at nil: as soon as the day of the inspection began.
func (i *IssueCertificate) facts(d Deciding, c *check, prefix string, rig *Rig, at *time.Time) ([]events.Entry, error) {
	c.text(prefix+"/number", i.Number, 100)
	c.optional(prefix+"/sticker", i.Sticker, 100)
	c.text(prefix+"/tester", i.Tester, 100)
	c.optional(prefix+"/station", i.Station, 200)
	inspected := c.date(prefix+"/inspected", i.Inspected)
	expires := c.date(prefix+"/expires", i.Expires)
	d.file(c, prefix+"/file", i.File)
	day, err := plan.ParseDate(inspected)
	if err != nil && i.Inspected == "" {
		c.fail(prefix+"/inspected", "is missing")
	}
	if err == nil {
		switch last, err := plan.ParseDate(expires); {
		case day.After(plan.Of(d.Now, d.zone)):
			c.fail(prefix+"/inspected", "lies in the future")
		case day.Year < 1950:
			c.fail(prefix+"/inspected", "lies before 1950")
		case err == nil && last.Before(day):
			c.fail(prefix+"/expires", "lies before the inspection")
		}
	}
	when := events.Milli(d.Now)
	switch {
	case at != nil:
		when = c.past("/at", at, d.Now)
		if err == nil && plan.Of(when, d.zone).Before(day) {
			c.fail("/at", "lies before the inspection")
		}
	case err == nil && day.Before(plan.Of(d.Now, d.zone)):
		when = events.Milli(meter.FirstInstant(day.Year, day.Month, day.Day, d.zone))
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	for _, id := range rig.Bay.Certificates {
		if old := d.Bay.Certificates[id]; old.Number == i.Number && old.Withdrawn == nil {
			return nil, conflict("rig %s has a certificate number %q already", rig.Rig, i.Number)
		}
	}
	facts := []events.Entry{{At: when, By: d.By, Fact: &events.CertificateIssued{
		Certificate: i.ID, Rig: rig.Rig, Inspection: i.Inspection, Number: i.Number, Sticker: i.Sticker, Tester: i.Tester, Station: i.Station,
		Inspected: inspected, Expires: expires, File: i.File,
	}}}
	done := events.Milli(meter.FirstInstant(day.Year, day.Month, day.Day, d.zone))
	return append(facts, d.answerTask(rig, done, i.Tester, "certificate "+i.Number)...), nil
}

// answerTask counts the plan's own inspection task as done at a time: its open
// item is finished, or one is raised and finished.
func (d Deciding) answerTask(rig *Rig, at time.Time, worker, findings string) []events.Entry {
	adopted := d.PlanOf(rig.Plan)
	if adopted == nil {
		return nil
	}
	t := adopted.Task(statutoryTask)
	if t == nil || t.Part != plan.WholeRig {
		return nil
	}
	var facts []events.Entry
	log := d.Parts[rig.Rig].Tasks[t.Slug]
	item, cycle := "", 1
	if log != nil {
		if log.LastAt >= at.UnixMilli() {
			return nil
		}
		item, cycle = log.Open, log.Cycles+1
	}
	if item == "" {
		item = ItemID(rig.Rig, t.Slug, cycle)
		facts = append(facts, d.entry(&events.ItemRaised{
			Item: item, Rig: rig.Rig, Part: rig.Rig, Task: t.Slug, Cycle: cycle, Plan: rig.Plan.Plan, Version: rig.Plan.Version, Why: "inspected",
		}))
	}
	return append(facts, events.Entry{At: at, By: d.By, Fact: &events.ItemFinished{Item: item, Rig: rig.Rig, Worker: worker, Findings: findings}})
}

// WithdrawCertificate ends a certificate: it was recorded in error, or the
// tester took it back.
type WithdrawCertificate struct {
	Certificate string     `json:"-"`
	Reason      string     `json:"reason"`
	At          *time.Time `json:"at,omitempty"`
}

func (w *WithdrawCertificate) Touches() []string { return []string{"certificate:" + w.Certificate} }

func (w *WithdrawCertificate) Decide(d Deciding) ([]events.Entry, error) {
	known := d.Bay.Certificates[w.Certificate]
	if known == nil {
		return nil, missing("certificate", w.Certificate)
	}
	var c check
	c.text("/reason", w.Reason, 500)
	at := c.past("/at", w.At, d.Now)
	if err := c.err(); err != nil {
		return nil, err
	}
	if known.Withdrawn != nil {
		return nil, conflict("certificate %s was withdrawn at %s", known.Number, known.Withdrawn.At.Format(time.RFC3339))
	}
	e := d.entry(&events.CertificateWithdrawn{Certificate: w.Certificate, Rig: known.Rig, Reason: w.Reason})
	e.At = at
	return []events.Entry{e}, nil
}
