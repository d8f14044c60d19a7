package console

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

var accessPages = []page{{"/access", managers, showAccess}}

// accessView is who and what comes in. It reads the API's own lists, which know
// when a token was last used and how a hook fares, and what of it this manager
// may see.
type accessView struct {
	Tokens    []accessToken
	Revoked   []accessToken
	Hooks     []accessHook
	Calendars []accessCalendar
	Rigs      []accessRig
	Rig       *accessRig // whose way in is to be made anew
	Yards     []string
	Roles     []option
	Kinds     []string
	Of        string // the hook whose deliveries are shown
	Sent      []accessDelivery
	Shown     *shownOnce

	RefusedForm string // whose fields are to be shown open
}

type accessToken struct {
	Token, Name, Role, Rig, Expires string
	Yards                           []string
	IssuedAt                        time.Time  `json:"issued_at"`
	LastUsed                        *time.Time `json:"last_used"`
	Revoked                         bool
	Over                            bool      `json:"-"` // it has expired
	Until                           time.Time `json:"-"`
	Mine                            bool      `json:"-"` // it is the one that looks
}

type accessHook struct {
	Hook, Name, URL string
	Kinds, Yards    []string
	AddedAt         time.Time `json:"added_at"`
	AddedBy         string    `json:"added_by"`
	State, Reason   string
	Since           *time.Time
	Position        string
	OldUntil        *time.Time `json:"old_until"`
	Words           string     `json:"-"`
}

type accessCalendar struct {
	Calendar, Name, Yard, Rig string
	IssuedAt                  time.Time `json:"issued_at"`
	IssuedBy                  string    `json:"issued_by"`
	Revoked                   bool
}

type accessDelivery struct {
	ID, Position, Kind, Detail string
	At                         time.Time
	Attempt, Status            int
	Delivered                  bool
	Seconds                    float64
}

type accessRig struct {
	Rig, Name, Yard, User string
	Last                  time.Time
}

// shownOnce is what the answer to a form holds that is never shown again.
type shownOnce struct {
	Form, Name                  string
	Secret                      string // a token or a hook's secret
	Address                     string // of a calendar
	User, Password, InboxPrefix string
	Subjects, Topics            []string
	Tried                       *accessDelivery // what came of trying a hook
}

func showAccess(v *visit) error {
	d := accessView{
		Of:    v.query("hook"),
		Roles: optionsOf("reader", word("reader: looks, and writes nothing"), "operator", word("operator: reports, and works off an operator's tasks"), "workshop", word("workshop: jobs, test bay and intake"), "manager", word("manager: everything"), "rig", word("rig: its own readings alone")),
		Shown: v.shownOnce(), Kinds: events.PublicKinds(),
	}
	if v.refused != nil {
		d.RefusedForm = v.refused.form
	}
	var tokens []accessToken
	if err := v.listOf("tokens", "/v1/tokens", &tokens); err != nil {
		return err
	}
	for _, t := range tokens {
		t.Mine = t.Token == v.who.Token
		if until, err := time.Parse(time.RFC3339Nano, t.Expires); err == nil {
			t.Until, t.Over = until, !until.After(v.now)
		}
		if t.Revoked || t.Over {
			d.Revoked = append(d.Revoked, t)
			continue
		}
		d.Tokens = append(d.Tokens, t)
	}
	slices.SortFunc(d.Tokens, func(a, b accessToken) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Token, b.Token))
	})
	if err := v.listOf("hooks", "/v1/hooks", &d.Hooks); err != nil {
		return err
	}
	for i := range d.Hooks {
		d.Hooks[i].Words = hookStateWords(d.Hooks[i].State)
	}
	if err := v.listOf("calendars", "/v1/exchange/calendars", &d.Calendars); err != nil {
		return err
	}
	d.Calendars = slices.DeleteFunc(d.Calendars, func(k accessCalendar) bool { return k.Revoked })
	if slices.ContainsFunc(d.Hooks, func(h accessHook) bool { return h.Hook == d.Of }) {
		var answer struct{ Deliveries []accessDelivery }
		if err := v.read("/v1/hooks/"+url.PathEscape(d.Of)+"/deliveries", &answer); err != nil {
			return err
		}
		d.Sent = answer.Deliveries
	} else {
		d.Of = ""
	}
	v.fleet.View(func(s *fleet.State) { d.rigs(v, s) })
	return v.show("access.html", word("Access"), "/ledger", d)
}

func hookStateWords(state string) string {
	switch state {
	case "active":
		return word("delivers")
	case "failing":
		return word("fails, and tries again")
	case "disabled":
		return word("disabled")
	}
	return state
}

// rigs lists the rigs and their ways in over NATS and MQTT.
func (d *accessView) rigs(v *visit, s *fleet.State) {
	yards := map[string]bool{}
	for code, r := range s.Rigs {
		if r.Retired || !v.who.MaySee(r.Yard) {
			continue
		}
		yards[r.Yard] = true
		d.Rigs = append(d.Rigs, accessRig{code, r.Name, r.Yard, r.User, r.LastHeard})
	}
	slices.SortFunc(d.Rigs, func(a, b accessRig) int { return strings.Compare(a.Rig, b.Rig) })
	d.Yards = sortedKeys(yards)
	if i := slices.IndexFunc(d.Rigs, func(r accessRig) bool { return r.Rig == v.query("rig") }); i >= 0 {
		d.Rig = &d.Rigs[i]
	}
}

// read asks the API as this person.
func (v *visit) read(path string, into any) error {
	r, err := http.NewRequestWithContext(v.r.Context(), http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	a := v.ask(r)
	if !a.ok() {
		return fmt.Errorf("%s answered %d", path, a.status)
	}
	return json.Unmarshal(a.body.Bytes(), into)
}

// listOf reads a whole list of the API, page after page.
func (v *visit) listOf(name, path string, into any) error {
	all := []json.RawMessage{}
	cursor := ""
	for range 50 {
		q := url.Values{"limit": {"200"}}
		if cursor != "" {
			q.Set("cursor", cursor)
		}
		var answer map[string]json.RawMessage
		if err := v.read(path+"?"+q.Encode(), &answer); err != nil {
			return err
		}
		var some []json.RawMessage
		if err := json.Unmarshal(answer[name], &some); err != nil {
			return err
		}
		all = append(all, some...)
		cursor = ""
		if next := answer["next"]; next != nil {
			if err := json.Unmarshal(next, &cursor); err != nil {
				return err
			}
		}
		if cursor == "" {
			text, err := json.Marshal(all)
			if err != nil {
				return err
			}
			return json.Unmarshal(text, into)
		}
	}
	return errors.New("the list " + path + " does not end")
}

// shownOnce takes out of the API's answer what is shown this once.
func (v *visit) shownOnce() *shownOnce {
	if v.answer == nil {
		return nil
	}
	text := func(name string) string {
		s, _ := v.answer[name].(string)
		return s
	}
	lines := func(of string) (list []string) {
		both, _ := v.answer[of].(map[string]any)
		for _, way := range []string{"publish", "subscribe"} {
			some, _ := both[way].([]any)
			for _, one := range some {
				if s, ok := one.(string); ok {
					list = append(list, s)
				}
			}
		}
		return list
	}
	once := &shownOnce{
		Form: v.r.PostForm.Get("is"), Name: cmp.Or(text("name"), text("rig")), Secret: text("secret"), Address: text("address"),
		User: text("user"), Password: text("password"), InboxPrefix: text("inbox_prefix"), Subjects: lines("subjects"), Topics: lines("mqtt_topics"),
	}
	if once.Address != "" {
		scheme := "http://"
		if v.secure {
			scheme = "https://"
		}
		once.Address = scheme + v.r.Host + once.Address
	}
	if _, tried := v.answer["attempt"]; tried {
		raw, err := json.Marshal(v.answer)
		once.Tried = &accessDelivery{}
		if err != nil || json.Unmarshal(raw, once.Tried) != nil {
			once.Tried = nil
		}
	}
	return once
}
