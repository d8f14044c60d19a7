package console

import (
	"strconv"
	"strings"

	"rigledger/events"
	"rigledger/fleet"
)

// ofJobs tells of the workshop's jobs and of defects.
func (t *telling) ofJobs(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.ItemRaised:
		return t.about(jobTitle(t.s, f.Item), led(word("due at"), amountsText(f.Due)), led(word("due by"), f.DueDate))
	case *events.ItemBooked:
		return t.about(jobTitle(t.s, f.Item), led(word("on"), f.Date), led(word("for"), f.For))
	case *events.ItemStarted:
		t.Proof = led(word("cautions shown:"), strings.ReplaceAll(strings.Join(f.Cautions, ", "), "-", " "))
		return t.about(jobTitle(t.s, f.Item), f.Worker, onlyIf(f.Cautioned, word("cautions read")))
	case *events.ItemFinished:
		return t.finished(f)
	case *events.ItemDeferred:
		return t.about(jobTitle(t.s, f.Item), led(word("put off to"), strings.Join(notEmpty(amountsText(f.Due), f.Date), ", ")), f.Reason)
	case *events.ItemStruck:
		return t.about(jobTitle(t.s, f.Item), f.Reason)
	case *events.ItemReturned:
		return t.about(jobTitle(t.s, f.Item), stepWords(f.Step), f.Reason)
	case *events.DefectReported:
		if f.Safety {
			t.What = word("Safety defect reported")
		}
		code := f.Code
		if d := t.s.Defects[f.Defect]; d != nil && d.Inspection != "" {
			code = "" // the point of its sheet, which the text names
		}
		return t.about(partName(t.s, f.Part), f.Text, led(word("fault code"), code))
	case *events.DefectCleared:
		text := ""
		if d := t.s.Defects[f.Defect]; d != nil {
			text = d.Text
		}
		return t.about(text, f.Action)
	case *events.HandoverSigned:
		return t.about(word("signed by")+" "+f.Signed, onlyIf(f.Rinsed, word("rinsed inside")), onlyIf(f.Washed, word("washed outside")), onlyIf(f.FiltersOut, word("filters out")),
			led(word("last products:"), strings.Join(f.Products, ", ")), f.Note)
	}
	return false
}

// finished tells who did a job, what was found and used, and what else it counted for.
func (t *telling) finished(f *events.ItemFinished) bool {
	var used, includes []string
	for _, u := range f.Used {
		used = append(used, strconv.Itoa(u.Count)+" × "+u.SKU)
	}
	for _, key := range f.Includes {
		includes = append(includes, t.alsoDone(f.Item, key))
	}
	cost := ""
	if f.Cost != nil {
		cost = f.Cost.Amount + " " + f.Cost.Currency
	}
	t.Proof = inARow(led(word("ticked:"), strings.Join(f.Checked, ", ")), led(word("files:"), strings.Join(f.Files, ", ")))
	return t.about(jobTitle(t.s, f.Item), f.Worker, f.Findings, workTime(f.Minutes), led(word("parts used:"), strings.Join(used, ", ")), led(word("cost"), cost),
		led(word("counts for"), strings.Join(includes, ", ")))
}

// alsoDone names a task of a part, written "part.task", that a job counts for.
func (t *telling) alsoDone(item, key string) string {
	at := strings.LastIndexByte(key, '.')
	it := t.s.Items[item]
	if at < 0 || it == nil {
		return key
	}
	title, part := taskTitle(t.s, it, key[at+1:]), key[:at]
	if part != it.Part && part != it.Rig {
		title += " (" + partName(t.s, part) + ")"
	}
	return title
}

// ofUse tells of what is planned for a rig.
func (t *telling) ofUse(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.BookingMade:
		t.What = word("Work booked")
		if f.Rest {
			t.What = word("Rest booked")
		}
		return t.about(daysText(f.From, f.To), onlyIf(f.AreaM2 > 0, figure(float64(f.AreaM2)/1e4)+" ha"), onlyIf(f.Seconds > 0, figure(float64(f.Seconds)/3600)+" h"), f.Note)
	case *events.BookingCancelled:
		days := ""
		if b := t.s.Bookings[f.Booking]; b != nil {
			days = daysText(b.From, b.To)
		}
		return t.about(days, f.Reason)
	case *events.WorkChanged:
		return t.about(led(word("from"), f.Date), f.Note)
	}
	return false
}

func daysText(from, to string) string {
	if from == to {
		return from
	}
	return from + " – " + to
}

func notEmpty(of ...string) (some []string) {
	for _, s := range of {
		if s != "" {
			some = append(some, s)
		}
	}
	return some
}

// stepWords says which step of a job was taken back.
func stepWords(step string) string {
	switch step {
	case fleet.StepBooked:
		return word("not booked any more")
	case fleet.StepInHand:
		return word("not in hand any more")
	case fleet.StepDeferred:
		return word("not deferred any more")
	case fleet.StepDone:
		return word("not done after all")
	case fleet.StepStruck:
		return word("not struck any more")
	}
	return step
}
