// Package fuzz_test asks every operation of the OpenAPI document, rightly and wrongly,
// with requests made out of the document alone, and holds every answer to it. It
// knows nothing of the program but the document and what was answered before.
package fuzz_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/call"
	"rigledger/fleet"
)

// fuzzUsual is how long the fuzz goes on in the ordinary run of the tests;
// RIGLEDGER_FUZZ=10m makes it longer, RIGLEDGER_FUZZ_SEED begins as another did.
const fuzzUsual = 15 * time.Second

// TestEveryOperationAgainstTheDocument makes requests out of the document alone,
// right ones and wrong ones, for every operation, and holds every answer to it:
// the status is a documented one and never 5xx (but 503 for a commit that does
// not come), its media type, headers and body are as written, nothing is done
// that the document calls wrong, and what is refused writes nothing.
func TestEveryOperationAgainstTheDocument(t *testing.T) {
	last, seed := fuzzUsual, uint64(time.Now().UnixNano())
	var err error
	if text := os.Getenv("RIGLEDGER_FUZZ"); text != "" {
		if last, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	if text := os.Getenv("RIGLEDGER_FUZZ_SEED"); text != "" {
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("RIGLEDGER_FUZZ_SEED=%d, for %s", seed, last)
	f := &fuzz{t: t, contract: readContract(t), rand: rand.New(rand.NewPCG(seed, 1)), finds: map[string]int{}}
	until := time.Now().Add(last)
	for f.goesOn(until) {
		// A house of its own now and then: a ledger that has seen too much refuses too much.
		f.houses++
		stood := t.Run(fmt.Sprintf("house %d", f.houses), func(t *testing.T) {
			f.t = t
			f.house(until)
		})
		if !stood && len(f.finds) == 0 {
			break // it could not be furnished
		}
	}
	f.t = t
	f.report(last)
}

// aHouse is how many requests one house gets; findsMost ends a fuzz that finds
// too much.
const (
	aHouse    = 5000
	findsMost = 40
)

type fuzz struct {
	*maker
	t        *testing.T
	contract *contract
	rand     *rand.Rand
	h        *apitest.House
	client   *http.Client
	rig      string          // that the rig's token is for
	below    map[string]bool // meters whose total is below nothing, once told
	broke    bytes.Buffer    // what the service said of its own failures
	finds    map[string]int
	houses   int
	requests int
	waited   int // for commits that do not come
}

// triesMost is how often an operation may be tried without ever being carried out.
const triesMost = 500

// requestsLeast are made however slow the machine is.
const requestsLeast = 300

func (f *fuzz) goesOn(until time.Time) bool {
	return (time.Now().Before(until) || f.requests < requestsLeast) && len(f.finds) < findsMost
}

func (f *fuzz) house(until time.Time) {
	f.h = apitest.New(f.t, func(o *api.Options) {
		o.Log = slog.New(slog.NewTextHandler(&f.broke, &slog.HandlerOptions{Level: slog.LevelError}))
	})
	f.below = map[string]bool{}
	f.broke.Reset()
	f.maker = &maker{Rand: f.rand, contract: f.contract, now: f.h.Now, seen: map[string][]any{}, strings: map[string]*rapid.Generator[string]{}}
	f.client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }, Timeout: 20 * time.Second}
	defer f.client.CloseIdleConnections()
	f.furnish()
	for n := 0; n < aHouse && f.goesOn(until); n++ {
		if n%200 == 199 {
			f.rigs(1)
		}
		if n%10 == 0 {
			f.h.Pass(time.Duration(f.IntN(7200)) * time.Second)
		}
		if n%40 == 0 {
			f.h.Raise()
		}
		f.credentials()
		s := f.shot(f.pick())
		if f.chance(40) {
			f.spoil(s)
		}
		f.fire(s)
	}
}

// furnish fills a new house with some of everything.
func (f *fuzz) furnish() {
	f.rigs(4)
	f.credentials()
	for _, list := range []string{"/v1/rigs", "/v1/items?limit=40", "/v1/plans", "/v1/classes", "/v1/rulesets", "/v1/rulesets/field-rules", "/v1/intervals", "/v1/rigs/T01/parts", "/v1/quarantine"} {
		var doc any
		if err := json.Unmarshal(f.h.Send("manager", "GET", list, nil).Is(200).Body, &doc); err != nil {
			f.t.Fatal(err)
		}
		f.learn(doc)
	}
	// Two of a kind that the ids of answers do not tell apart.
	f.seen["part"] = slices.DeleteFunc(f.seen["part"], func(v any) bool { return !strings.Contains(v.(string), "-") })
}

// rigs brings rigs under the ledger, each with a reading and one that is held.
func (f *fuzz) rigs(n int) {
	for range n {
		i := 1
		f.h.Fleet.View(func(s *fleet.State) { i += len(s.Rigs) })
		code := fmt.Sprintf("T%02d", i)
		if f.h.Send("manager", "POST", "/v1/rigs", apitest.RigBody(code, []string{"north", "south"}[i%2])).Status != 201 {
			continue
		}
		f.keep("rig", code)
		f.h.Send("manager", "POST", "/v1/rigs/"+code+"/readings", apitest.Reading(f.h.Now().Add(-time.Hour), float64(5+f.IntN(120)), 80))
		f.h.Send("manager", "POST", "/v1/rigs/"+code+"/readings", apitest.Reading(f.h.Now().Add(-time.Minute), 1, 81))
		f.h.Raise()
	}
}

// fuzzTokens are who asks.
var fuzzTokens = []struct {
	Name  string
	role  fleet.Role
	yards []string
}{
	{"manager", fleet.RoleManager, nil}, {"workshop", fleet.RoleWorkshop, nil}, {"operator", fleet.RoleOperator, nil}, {"reader", fleet.RoleReader, nil}, {"rig", fleet.RoleRig, nil},
	{"northern", fleet.RoleManager, []string{"north"}}, {"northern-workshop", fleet.RoleWorkshop, []string{"north"}}, {"northern-reader", fleet.RoleReader, []string{"north"}},
}

// credentials makes the tokens that the fuzz asks with, anew where it has
// revoked them itself.
func (f *fuzz) credentials() {
	for _, t := range fuzzTokens {
		if _, good := f.h.Fleet.HolderOf(f.h.Tokens[t.Name]); good {
			continue
		}
		rig := ""
		if t.role == fleet.RoleRig {
			f.h.Fleet.View(func(s *fleet.State) {
				for code, r := range s.Rigs {
					if !r.Retired && code > rig {
						rig = code
					}
				}
			})
			if f.rig = rig; rig == "" {
				continue
			}
		}
		f.h.Token(t.Name, t.role, t.yards, rig)
	}
}

// pick prefers operations that have seldom been carried out.
func (f *fuzz) pick() *operation {
	a, b := f.contract.ops[f.IntN(len(f.contract.ops))], f.contract.ops[f.IntN(len(f.contract.ops))]
	if b.good < a.good && f.chance(75) {
		return b
	}
	return a
}

// find puts one on the list, and tells of the first of its sort.
func (f *fuzz) find(s *shot, response *http.Response, body []byte, what string) {
	status := 0
	if response != nil {
		status = response.StatusCode
	}
	sort := fmt.Sprintf("%s %d %s", s.op.id, status, call.Clip(what, 60))
	f.broke.Reset()
	f.finds[sort]++
	if f.finds[sort] > 1 {
		return
	}
	f.t.Errorf("%s: %s\n%s %s?%s as %q, wrong about it: %q\n%q\n%q\nanswered %d %q", s.op.id, what, s.method, call.Clip(s.path, 300), call.Clip(s.query.Encode(), 300), s.as, s.broken,
		s.header, call.Clip(string(s.body), 1000), status, call.Clip(string(body), 800))
}

func (f *fuzz) report(took time.Duration) {
	var lines []string
	reached := 0
	for _, o := range f.contract.ops {
		if o.good > 0 {
			reached++
		}
		line := fmt.Sprintf("%-6s %-60s %5d sent, %5d carried out:", o.method, o.path, o.sent, o.good)
		for s := 100; s < 600; s++ {
			if n := o.statuses[s]; n > 0 {
				line += fmt.Sprintf(" %d×%d", n, s)
			}
		}
		lines = append(lines, line)
		if why := f.outOfReach(o); o.good == 0 && o.sent >= triesMost && why == "" {
			f.t.Errorf("%s %s was never carried out in %d requests", o.method, o.path, o.sent)
		}
	}
	if took >= time.Minute {
		f.t.Log("\n" + strings.Join(lines, "\n"))
	}
	f.t.Logf("%d requests to %d operations in %d houses; %d operations carried out; %d finds", f.requests, len(f.contract.ops), f.houses, reached, len(f.finds))
}

// outOfReach says why an operation cannot be carried out from the document alone.
func (f *fuzz) outOfReach(o *operation) string {
	if o.open && o.method == http.MethodPost {
		return "a form of a page holds a secret of that page; api/console tests it"
	}
	return ""
}
