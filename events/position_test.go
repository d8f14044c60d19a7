package events

import "testing"

func TestPositionsComeBackAndStandInOrder(t *testing.T) {
	inOrder := []string{"0", "1.0", "1.511", "1", "2.0", "2.1", "2", "10.3", "10", "9007199254740991"}
	for i, text := range inOrder {
		p, err := ParsePosition(text)
		if err != nil || p.String() != text {
			t.Errorf("%s came back as %s, %v", text, p, err)
		}
		for j, other := range inOrder {
			o, _ := ParsePosition(other)
			if p.Before(o) != (i < j) {
				t.Errorf("%s before %s: %v", p, o, p.Before(o))
			}
		}
	}
	for _, text := range []string{"", "x", "-1", "1.", ".1", "1.-1", "1.512", "0.1", "1.2.3", "+1", " 1", "9007199254740992", "1.0x"} {
		if p, err := ParsePosition(text); err == nil {
			t.Errorf("%q was read as %s", text, p)
		}
	}
}

func TestNoSecretIsPublic(t *testing.T) {
	for _, kind := range PublicKinds() {
		switch newFact(kind).(type) {
		case *TokenIssued, *TokenRevoked, *CredentialIssued, *RequestKept, *HookAdded, *HookRotated, *CalendarIssued:
			t.Errorf("%s is public", kind)
		}
	}
	if !Private("hook.added") || Private("rig.registered") || len(PublicKinds()) == 0 {
		t.Error("the kinds are sorted wrongly")
	}
}
