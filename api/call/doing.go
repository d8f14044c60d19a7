package call

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"maps"
	"net/http"
	"sync"

	"rigledger/events"
	"rigledger/fleet"
)

// Done is what a write came to.
type Done struct {
	Status   int
	Commit   uint64
	Ref      string // what an Idempotency-Key remembers of the first request
	Replayed bool
	Facts    []events.Entry
}

// guarded asks once more at the desk whether the caller may, because the rig
// may have moved to another yard since the handler looked.
type guarded struct {
	fleet.Command
	may func(s *fleet.State) error
}

func (g *guarded) Decide(d fleet.Deciding) ([]events.Entry, error) {
	if err := g.may(d.State); err != nil {
		return nil, err
	}
	return g.Command.Decide(d)
}

// Ref hands on what the command's Idempotency-Key remembers.
func (g *guarded) Ref(s fleet.State) string {
	if r, ok := g.Command.(interface{ Ref(fleet.State) string }); ok {
		return r.Ref(s)
	}
	return ""
}

// Do has a command carried out, once for each Idempotency-Key. status is that
// of the answer when it goes well.
func (c *Call) Do(cmd fleet.Command, status int, may func(s *fleet.State) error) (Done, error) {
	keep, release, err := c.keep(status)
	if err != nil {
		return Done{}, err
	}
	defer release()
	if refs := fleet.FileRefs(cmd); len(refs) > 0 {
		may = c.mayRefer(refs, may)
	}
	if may != nil {
		cmd = &guarded{Command: cmd, may: may}
	}
	receipt, err := c.Fleet.Do(c.Context(), c.Who.Name, cmd, keep)
	var old *fleet.Replayed
	if errors.As(err, &old) {
		c.SetHeader("Idempotency-Replayed", "true")
		return Done{Status: old.Request.Status, Commit: old.Request.N, Ref: old.Request.Ref, Replayed: true}, nil
	}
	if err != nil {
		return Done{}, err
	}
	return Done{Status: status, Commit: receipt.Commit, Facts: receipt.Facts}, nil
}

// Create has what a body holds about the rig that it names put on record, as the id
// of a list such as /v1/defects, and tells where it is. made is its id, that of the
// first request where this one repeats it.
func (c *Call) Create(cmd fleet.Command, rig *string, list, id string) (status int, made string, err error) {
	d, err := c.Do(cmd, http.StatusCreated, c.MayNamed(rig))
	if err != nil {
		return 0, "", err
	}
	if d.Replayed {
		id = d.Ref
	}
	c.SetHeader("Location", list+"/"+id)
	return d.Status, id, nil
}

const keyHeader = "Idempotency-Key"

// keep gives what is to be remembered of a request with an Idempotency-Key, nil
// without one. release must be called when the request is over.
func (c *Call) keep(status int) (keep *events.RequestKept, release func(), err error) {
	release = func() {}
	sent := c.Request.Header.Values(keyHeader)
	if len(sent) == 0 {
		return nil, release, nil
	}
	if len(sent) > 1 || !plainKey(sent[0]) {
		return nil, release, &Problem{Kind: BadRequest, Detail: keyHeader + " must be one value of 1 to 255 visible characters"}
	}
	if c.Request.Method != "POST" {
		return nil, release, nil // PATCH has If-Match
	}
	raw, err := c.ReadBody()
	if err != nil {
		return nil, release, err
	}
	keep = &events.RequestKept{
		Key:    digest(c.Who.Token, sent[0]),
		Print:  c.print(raw),
		Status: status,
	}
	if !c.at.flying.begin(keep.Key) {
		return nil, release, &Problem{Kind: KeyInFlight, Detail: "wait for the answer to the first request with this " + keyHeader}
	}
	return keep, func() { c.at.flying.end(keep.Key) }, nil
}

// print is what tells the request from another with the same key: its method, its
// path, its body, and its query, but for after_commit, which only waits.
func (c *Call) print(body []byte) string {
	of := []string{c.Request.Method, c.Request.URL.Path, string(body)}
	asked := maps.Clone(c.Query.values)
	if asked.Del("after_commit"); len(asked) > 0 {
		of = append(of, asked.Encode())
	}
	return digest(of...)
}

// NoKey refuses an Idempotency-Key where the answer holds a secret: it is shown
// once, so the same answer cannot be given twice.
func (c *Call) NoKey() error {
	if len(c.Request.Header.Values(keyHeader)) == 0 {
		return nil
	}
	return &Problem{Kind: KeyUnwelcome, Detail: "the answer holds a secret that is shown once; send the request without " + keyHeader}
}

func plainKey(s string) bool {
	if len(s) == 0 || len(s) > 255 {
		return false
	}
	for i := 0; i < len(s); i++ {
		if s[i] < 0x21 || s[i] > 0x7e {
			return false
		}
	}
	return true
}

func digest(parts ...string) string {
	sum := sha256.New()
	for _, p := range parts {
		sum.Write([]byte(p))
		sum.Write([]byte{0})
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// inFlight knows the Idempotency-Keys of requests that still run here.
type inFlight struct {
	mu   sync.Mutex
	keys map[string]bool
}

func (f *inFlight) begin(key string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.keys[key] {
		return false
	}
	if f.keys == nil {
		f.keys = map[string]bool{}
	}
	f.keys[key] = true
	return true
}

func (f *inFlight) end(key string) {
	f.mu.Lock()
	delete(f.keys, key)
	f.mu.Unlock()
}

// FirstStatus looks up an Idempotency-Key and gives the status of the first
// request with it, 0 for none. Readings are safe to send again by themselves, so
// a key only has to be held to its request.
func (c *Call) FirstStatus() (first int, release func(), err error) {
	keep, release, err := c.keep(0)
	if err != nil || keep == nil {
		return 0, release, err
	}
	c.Fleet.View(func(s *fleet.State) {
		if old := s.Requests[keep.Key]; old != nil {
			first = old.Status
			if old.Print != keep.Print {
				err = &Problem{Kind: KeyReused, Detail: "this " + keyHeader + " was used for another request"}
			}
		}
	})
	if err != nil {
		release()
		return 0, func() {}, err
	}
	return first, release, nil
}

// RememberStatus remembers the key of readings that were taken.
func (c *Call) RememberStatus(status int) error {
	sent := c.Request.Header.Get(keyHeader)
	if sent == "" {
		return nil
	}
	kept := &events.RequestKept{
		Key:   digest(c.Who.Token, sent),
		Print: c.print(c.raw), Status: status,
	}
	_, err := c.Fleet.Do(c.Context(), c.Who.Name, remember{kept}, nil)
	return err
}

// remember puts a request on record that made its facts in commits of its own.
type remember struct{ kept *events.RequestKept }

func (r remember) Touches() []string { return []string{"request:" + r.kept.Key} }

func (r remember) Decide(d fleet.Deciding) ([]events.Entry, error) {
	if d.Requests[r.kept.Key] != nil {
		return nil, nil
	}
	return []events.Entry{{At: events.Milli(d.Now), By: d.By, Fact: r.kept}}, nil
}
