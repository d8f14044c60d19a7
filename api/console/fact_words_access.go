package console

import (
	"strconv"
	"strings"

	"rigledger/events"
)

// ofAccess tells who and what is let in or told. Secrets and their hashes are
// never among the words.
func (t *telling) ofAccess(fact events.Fact) bool {
	switch f := fact.(type) {
	case *events.TokenIssued:
		return t.about(f.Name, f.Role, yardsWords(f.Yards), led(word("rig"), f.Rig), led(word("until"), dayOf(f.Expires)))
	case *events.TokenRevoked:
		return t.about(t.token(f.Token), f.Reason)
	case *events.TokenUsed:
		return t.about(t.token(f.Token))
	case *events.RequestKept:
		return t.about(word("answered with")+" "+strconv.Itoa(f.Status), f.Ref)
	case *events.CalendarIssued:
		return t.about(f.Name, led(word("yard"), f.Yard), led(word("rig"), f.Rig))
	case *events.CalendarRevoked:
		name := f.Calendar
		if c := t.s.Calendars[f.Calendar]; c != nil {
			name = c.Name
		}
		return t.about(name, f.Reason)
	case *events.HookAdded:
		return t.about(f.Name, f.URL, led(word("only:"), strings.Join(kindsWords(f.Kinds), ", ")), yardsWords(f.Yards))
	case *events.HookRotated:
		return t.about(t.hook(f.Hook), led(word("the one before signs until"), dayOf(f.OldUntil)))
	case *events.HookDelivered:
		return t.about(t.hook(f.Hook), word("taken up to")+" "+f.Position, led(word("takes nothing since"), dayOf(f.FailingSince)))
	case *events.HookDisabled:
		return t.about(t.hook(f.Hook), f.Reason)
	case *events.HookEnabled:
		return t.about(t.hook(f.Hook))
	case *events.HookRemoved:
		return t.about(t.hook(f.Hook), f.Reason)
	}
	return false
}

func (t *telling) token(id string) string {
	if k := t.s.Tokens[id]; k != nil {
		return k.Name
	}
	return id
}

func (t *telling) hook(id string) string {
	if h := t.s.Hooks[id]; h != nil {
		return h.Name
	}
	return id
}

func yardsWords(yards []string) string {
	if len(yards) == 1 {
		return word("yard") + " " + yards[0]
	}
	return led(word("yards"), strings.Join(yards, ", "))
}

func kindsWords(kinds []string) (words []string) {
	for _, kind := range kinds {
		words = append(words, strings.ToLower(wordsOfKind(kind)[:1])+wordsOfKind(kind)[1:])
	}
	return words
}

// dayOf is the day of a time in RFC 3339, as far as one can be read off it.
func dayOf(moment string) string {
	day, _, _ := strings.Cut(moment, "T")
	return day
}
