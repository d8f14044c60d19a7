package openid

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"rigledger/fleet"
)

// claims are what a token says, by name.
type claims map[string]json.RawMessage

// ranks are the roles that an issuer can give, the strongest first. A rig's own
// token comes from the ledger alone.
var ranks = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader}

// numericDates refuses times that are not numbers, as RFC 7519, section 2, has
// them: a library that reads a text as a number would take what others do not.
func (c claims) numericDates() error {
	for _, name := range []string{"exp", "nbf", "iat"} {
		var n json.Number
		raw, said := c[name]
		if said && (raw[0] == '"' || json.Unmarshal(raw, &n) != nil) {
			return fmt.Errorf("claim %s is no number", name)
		}
	}
	return nil
}

// find gives a claim by its name, else by the steps of a name with dots, as in
// realm_access.roles; nil when there is none.
func (c claims) find(name string) json.RawMessage {
	if raw, ok := c[name]; ok {
		return raw
	}
	for at := range len(name) {
		if name[at] != '.' {
			continue
		}
		var inner claims
		if raw, ok := c[name[:at]]; ok && json.Unmarshal(raw, &inner) == nil {
			if found := inner.find(name[at+1:]); found != nil {
				return found
			}
		}
	}
	return nil
}

// words reads a claim that is a text or a list of texts.
func words(raw json.RawMessage) ([]string, error) {
	var one string
	if json.Unmarshal(raw, &one) == nil && string(raw) != "null" {
		return []string{one}, nil
	}
	var many []*string
	if err := json.Unmarshal(raw, &many); err != nil || many == nil {
		return nil, errors.New("is neither a text nor a list of texts")
	}
	list := make([]string, 0, len(many))
	for _, w := range many {
		if w == nil {
			return nil, errors.New("is a list with null in it")
		}
		list = append(list, *w)
	}
	return list, nil
}

// role gives the strongest role that the claim names.
func (c claims) role(name string) (fleet.Role, error) {
	raw := c.find(name)
	if raw == nil {
		return "", fmt.Errorf("has no claim %s", name)
	}
	said, err := words(raw)
	if err != nil {
		return "", fmt.Errorf("claim %s %w", name, err)
	}
	for _, r := range ranks {
		for _, w := range said {
			if w == string(r) {
				return r, nil
			}
		}
	}
	return "", fmt.Errorf("claim %s names no role known here", name)
}

// yards gives the yards that the claim holds its subject to: nil, all of them,
// only when there is no such claim. A claim that names none lets nobody in:
// what was meant as a limit must not end as none.
func (c claims) yards(name string) ([]string, error) {
	raw := c.find(name)
	if raw == nil {
		return nil, nil
	}
	said, err := words(raw)
	if err != nil {
		return nil, fmt.Errorf("claim %s %w", name, err)
	}
	var yards []string
	for _, w := range said {
		for _, y := range strings.Split(w, ",") {
			if y = strings.TrimSpace(y); y != "" {
				yards = append(yards, y)
			}
		}
	}
	if len(yards) == 0 {
		return nil, fmt.Errorf("claim %s names no yard", name)
	}
	return yards, nil
}

// nameMost bounds a name in the ledger, in characters.
const nameMost = 64

// name is how the ledger calls the subject. Only the subject is unique and
// never given to another (OpenID Connect Core 1.0, section 5.7), and people can
// often choose what they are called; so what is shown instead has a print of
// the subject behind it.
func (c claims) name(subject, print string) string {
	var said struct {
		User     string
		Mail     string
		Verified bool
	}
	_ = json.Unmarshal(c["preferred_username"], &said.User) // of another type: as if it were not there
	_ = json.Unmarshal(c["email"], &said.Mail)
	_ = json.Unmarshal(c["email_verified"], &said.Verified)
	user, mail, plain := shown(said.User), shown(said.Mail), shown(subject)
	switch {
	case user != "":
		return user + "#" + print
	case mail != "" && said.Verified:
		return mail + "#" + print
	case plain == subject:
		return subject
	}
	return plain + "#" + print
}

// shown leaves what can be printed in one line.
func shown(s string) string {
	var b strings.Builder
	n := 0
	for _, r := range s {
		if n == nameMost {
			break
		}
		if unicode.IsGraphic(r) && r != unicode.ReplacementChar && r != '#' {
			b.WriteRune(r)
			n++
		}
	}
	return strings.TrimSpace(b.String())
}
