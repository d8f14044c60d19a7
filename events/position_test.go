package events

import (
	"reflect"
	"slices"
	"testing"
)

func TestPositionsComeBackAndStandInOrder(t *testing.T) {
	inOrder := []string{"0", "1.0", "1.511", "1", "2.0", "2.1", "2", "10.3", "10", "999999999999999"}
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
	for _, text := range []string{"", "x", "-1", "1.", ".1", "1.-1", "1.512", "0.1", "1.2.3", "+1", " 1", "1000000000000000", "1.0x"} {
		if p, err := ParsePosition(text); err == nil {
			t.Errorf("%q was read as %s", text, p)
		}
	}
}

// A fact with a field that holds a secret or a secret's hash belongs to a private
// kind. A quarantined message is the one exception: the feed leaves it out.
func TestNoSecretIsPublic(t *testing.T) {
	for _, kind := range PublicKinds() {
		of := reflect.TypeOf(newFact(kind)).Elem()
		for _, name := range []string{"Secret", "Hash", "Password", "Token", "Key"} {
			if _, has := of.FieldByName(name); has {
				t.Errorf("%s is public and has a %s", kind, name)
			}
		}
	}
	for kind, want := range map[string]bool{
		"token.issued": true, "token.used": true, "credential.issued": true, "request.kept": true, "hook.added": true, "hook.rotated": true, "calendar.issued": true,
		"rig.registered": false, "meter.read": false, "item.finished": false,
	} {
		if Private(kind) != want || slices.Contains(PublicKinds(), kind) == want {
			t.Errorf("%s is private: %v", kind, Private(kind))
		}
	}
}
