package console

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rigledger/fleet"
)

// reasonHeld says why something is held: in a few words, and what that means.
type reasonHeld struct{ Short, Long string }

// reasonsHeld has the desk's reasons and those of the wire (events/intake, whose
// server the pages have no use for: a test compares the two).
var reasonsHeld = map[string]reasonHeld{
	fleet.WhyFalls:        {word("runs backwards"), word("The counter shows less than it did before, or more than it did after. A counter does not run backwards: either it was changed for another, or a digit was misread.")},
	fleet.WhyTooFast:      {word("ran too fast"), word("The counter gained more than a rig can have run in that time.")},
	fleet.WhyClash:        {word("two values for one time"), word("For the very same time another value is on record already.")},
	fleet.WhyFuture:       {word("from the future"), word("It says that it was measured at a time that has not come yet. The rig's clock is wrong.")},
	fleet.WhyUnknownRig:   {word("unknown rig"), word("No rig of that name is registered. If it is one of yours, register it and have it send anew.")},
	fleet.WhyRetiredRig:   {word("retired rig"), word("The rig is retired, and yet something came from it.")},
	fleet.WhyUnknownMeter: {word("unknown meter"), word("The rig has no meter of that name. Add the meter at the rig, or dismiss this.")},
	fleet.WhyBadUnit:      {word("unit does not fit"), word("The value came in a unit that does not belong to this meter.")},
	fleet.WhyUnknownPart:  {word("unknown part"), word("It names a part that is not on the rig.")},
	fleet.WhySuspect:      {word("its file speaks against it"), word("The file that it stood in says something else itself.")},
	"bad-json":            {word("cannot be read"), word("The message is no JSON, so nothing of it could be taken.")},
	"bad-event":           {word("no proper event"), word("The message does not have the form that rigs send in.")},
	"bad-time":            {word("no proper time"), word("The message does not say when it was measured.")},
	"bad-data":            {word("data does not hold together"), word("The message could be opened, but what is in it does not make sense.")},
	"too-many":            {word("too many at once"), word("There were more events in one message than are taken.")},
	"wrong-rig":           {word("says another rig"), word("It came on one rig's line and names another rig as its source.")},
	"unknown-type":        {word("unknown kind"), word("It came on a line for one kind of message and is of another.")},
}

func whyHeld(code string) reasonHeld {
	if r, ok := reasonsHeld[code]; ok {
		return r
	}
	return reasonHeld{code, ""}
}

// outcomeWords says how something held was decided.
func outcomeWords(how string) string {
	switch how {
	case fleet.ReleaseAsIs:
		return word("released as it is")
	case fleet.ReleaseSwap:
		return word("released as the first of a new counter")
	case fleet.ReleaseCorrected:
		return word("released with another value")
	case "dismissed":
		return word("dismissed")
	}
	return how
}

// wayIn says in words by which way something came: a subject is a rig's own
// line, over NATS or MQTT alike.
func wayIn(via string) string {
	switch {
	case via == "api":
		return word("over the API or by hand")
	case via == "import":
		return word("by import")
	case strings.HasPrefix(via, "rig."):
		return word("by its own line (NATS or MQTT)")
	}
	return via
}

// span writes a length of time in its largest units.
func span(d time.Duration) string {
	d = d.Abs()
	one := func(n int, unit, units string) string {
		if n == 1 {
			return "1 " + unit
		}
		return strconv.Itoa(n) + " " + units
	}
	switch hours := int(d.Hours()); {
	case d < time.Minute:
		return one(int(d.Seconds()), word("second"), word("seconds"))
	case d < 2*time.Hour && d%time.Hour != 0:
		return one(int(d.Minutes()), word("minute"), word("minutes"))
	case hours < 48:
		return one(hours, word("hour"), word("hours"))
	default:
		days := one(hours/24, word("day"), word("days"))
		if rest := hours % 24; rest > 0 && hours < 240 {
			days += " " + one(rest, word("hour"), word("hours"))
		}
		return days
	}
}

// lateness says how long after it was measured something was recorded.
func lateness(measured, recorded time.Time) string {
	switch d := recorded.Sub(measured); {
	case d < -time.Minute:
		return span(d) + " " + word("early")
	case d < time.Minute:
		return word("at once")
	default:
		return span(d) + " " + word("late")
	}
}

// messageMost is how much of a message is shown, in bytes.
const messageMost = 1500

// messageText writes a message as it came: what does not print, turns the
// writing round or is not UTF-8 is written out as its code, so that what is
// read is what was sent. more is how many bytes were left out.
func messageText(raw []byte) (text string, more int) {
	if len(raw) > messageMost {
		raw, more = raw[:messageMost], len(raw)-messageMost
		for range utf8.UTFMax - 1 { // not in the middle of a character
			if r, _ := utf8.DecodeLastRune(raw); r != utf8.RuneError {
				break
			}
			raw, more = raw[:len(raw)-1], more+1
		}
	}
	var b strings.Builder
	for len(raw) > 0 {
		r, n := utf8.DecodeRune(raw)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, raw[0])
		case r == '\n' || r == '\t' || unicode.IsPrint(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		raw = raw[n:]
	}
	return b.String(), more
}
