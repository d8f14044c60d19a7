package feed_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rigledger/api"
	"rigledger/api/apitest"
	"rigledger/api/feed"
	"rigledger/events"
	"rigledger/fleet"
)

func equalLists(t testing.TB, what string, got, want []string) {
	t.Helper()
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			t.Fatalf("%s: %d facts, want %d; they part at %d: %v, want %v", what, len(got), len(want), i, got[min(i, len(got)):min(i+3, len(got))], want[min(i, len(want)):min(i+3, len(want))])
		}
	}
}

// A consumer is cut off a hundred times at random, in the middle of events too,
// while the fleet goes on writing. It must see every fact once.
func TestAConsumerThatIsCutOffAHundredTimesMissesAndRepeatsNothing(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "south")
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(2 * time.Millisecond):
			}
			cmd := &fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: []string{"T01", "T02"}[i%2], Text: strings.Repeat("hose rubs ", 1+i%40)}
			var keep *events.RequestKept
			if i%3 == 0 {
				keep = &events.RequestKept{Key: fmt.Sprint("k", i), Print: "p", Status: 201} // never shown
			}
			if _, err := h.Fleet.Do(context.Background(), "writer", cmd, keep); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	var seen []string
	last, cuts, partly := "0", 0, 0
	read := func(most int64) {
		a := apitest.Follow(t, h.URL, h.Tokens["reader"], "", last)
		defer a.Body.Close()
		b := bufio.NewReader(io.LimitReader(a.Body, most))
		for {
			e, err := apitest.NextEvent(b)
			if err != nil {
				if b.Buffered() > 0 {
					partly++
				}
				return
			}
			last = e.ID
			if e.Name != "" {
				seen = append(seen, e.ID)
			}
		}
	}
	for cuts < 100 {
		read(60 + rand.Int64N(30000)) // the first facts, whole plans, are the largest: some 11,000 bytes
		cuts++
	}
	close(stop)
	<-stopped
	want := h.AllFacts(1)
	if len(seen) == 0 || len(seen) >= len(want) {
		t.Fatalf("%d of %d facts were seen while being cut off", len(seen), len(want))
	}
	// The rest over the paged feed, from the very same position.
	for {
		page := h.Send("reader", "GET", fmt.Sprintf("/v1/feed?after=%s&limit=%d", last, 1+rand.IntN(90)), nil).Is(200)
		seen = append(seen, page.Names("/facts", "position")...)
		next := page.At("/next").(string)
		if next == last {
			break
		}
		last = next
	}
	equalLists(t, "cut off 100 times", seen, want)
}

func TestALiveStreamGoesOnAfterARestart(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	from := h.Fleet.Head().N
	serve := func(f *fleet.Fleet) (url string, stop func()) {
		ending := make(chan struct{})
		server := httptest.NewUnstartedServer(api.New(api.Options{Fleet: f, Stopping: ending}))
		server.Config.RegisterOnShutdown(func() { close(ending) })
		server.Start()
		return server.URL, func() {
			ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
			defer cancel()
			began := time.Now()
			if err := server.Config.Shutdown(ctx); err != nil {
				t.Errorf("the stream held up the end: %v after %v", err, time.Since(began))
			}
			server.Close()
		}
	}
	url, stop := serve(h.Fleet)
	a := apitest.Follow(t, url, h.Tokens["reader"], "", "")
	b := bufio.NewReader(a.Body)
	first, err := apitest.NextEvent(b)
	if err != nil || first.Name != "" || first.ID != fmt.Sprint(from) {
		t.Fatalf("the stream begins with %+v, %v", first, err)
	}
	var seen []string
	h.Report("T01", "before")
	e, err := apitest.NextEvent(b)
	if err != nil || e.Name != "defect.reported" || !strings.Contains(e.Data, `"text":"before"`) {
		t.Fatalf("%+v, %v", e, err)
	}
	seen = append(seen, e.ID)
	stop()
	if e, err := apitest.NextEvent(b); err == nil {
		t.Fatalf("the stream went on with %+v", e)
	}
	h.Report("T01", "while it was down")

	other, err := fleet.Open(context.Background(), fleet.Options{Store: h.Store, Zone: apitest.Zone})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	url, stop = serve(other)
	defer stop()
	b = bufio.NewReader(apitest.Follow(t, url, h.Tokens["reader"], "", seen[0]).Body)
	h.Report("T01", "after") // by the first instance: the other follows it
	for len(seen) < 3 {
		e, err := apitest.NextEvent(b)
		if err != nil {
			t.Fatal(err)
		}
		if e.Name != "" {
			seen = append(seen, e.ID)
		}
	}
	equalLists(t, "over the restart", seen, h.AllFacts(from+1))
}

func TestTheServersTimeoutsDoNotCutALiveStream(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	server := httptest.NewUnstartedServer(h.API)
	server.Config.ReadTimeout, server.Config.WriteTimeout = 200*time.Millisecond, 200*time.Millisecond
	server.Start()
	t.Cleanup(server.Close)
	a := apitest.Follow(t, server.URL, h.Tokens["reader"], "?kind=defect.reported", "")
	defer a.Body.Close()
	b := bufio.NewReader(a.Body)
	if _, err := apitest.NextEvent(b); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		time.Sleep(350 * time.Millisecond)
		h.Report("T01", "still there")
		if e, err := apitest.NextEvent(b); err != nil || e.Name != "defect.reported" {
			t.Fatalf("%+v, %v", e, err)
		}
	}
}

func TestALiveStreamEndsWithItsToken(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	cmd, text := fleet.NewToken("lost", fleet.RoleReader)
	h.Do(cmd)
	b := bufio.NewReader(apitest.Follow(t, h.URL, text, "", "").Body)
	if _, err := apitest.NextEvent(b); err != nil {
		t.Fatal(err)
	}
	h.Do(&fleet.RevokeToken{Token: cmd.ID()})
	h.Report("T01", "not for it any more")
	for {
		e, err := apitest.NextEvent(b)
		if err != nil {
			break
		}
		if e.Name != "" {
			t.Fatalf("it still got %+v", e)
		}
	}
}

// An idle stream hears of nothing but the end of its token.
func TestAnIdleLiveStreamEndsWithItsToken(t *testing.T) {
	h := apitest.New(t)
	cmd, text := fleet.NewToken("lost", fleet.RoleReader)
	h.Do(cmd)
	a := apitest.Follow(t, h.URL, text, "?kind=rig.retired", "")
	b := bufio.NewReader(a.Body)
	if _, err := apitest.NextEvent(b); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	h.Do(&fleet.RevokeToken{Token: cmd.ID()})
	if e, err := apitest.NextEvent(b); err == nil {
		t.Errorf("it still got %+v", e)
	}
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("it went on for %v", took)
	}
}

func TestOneTokenCannotHoldAllLiveStreams(t *testing.T) {
	h := apitest.New(t)
	for range feed.StreamsEach {
		if a := apitest.Follow(t, h.URL, h.Tokens["reader"], "", ""); a.StatusCode != 200 {
			t.Fatalf("answered %d", a.StatusCode)
		}
	}
	a := h.Send("reader", "GET", "/v1/feed/live", nil).Is(429).Has("/type", "/problems/too-many-own-streams")
	if a.Header.Get("Retry-After") == "" {
		t.Error("nothing says when to come again")
	}
	if a := apitest.Follow(t, h.URL, h.Tokens["manager"], "", ""); a.StatusCode != 200 {
		t.Errorf("another token is answered %d", a.StatusCode)
	}
}

func TestABadLastEventIDIsNamedAsTheHeaderThatItIs(t *testing.T) {
	h := apitest.New(t)
	h.Send("reader", "GET", "/v1/feed/live?after=3", nil, "Last-Event-ID", "x").Is(422).Has("/errors/0/header", "Last-Event-ID").Has("/errors/0/parameter", nil)
	h.Send("reader", "GET", "/v1/feed/live?after=x", nil).Is(422).Has("/errors/0/parameter", "after").Has("/errors/0/header", nil)
	// As many digits as the document's pattern has are taken, and no more.
	h.Send("reader", "GET", "/v1/feed?after=9999999999999999", nil).Is(422)
}

func TestLiveStreamsAreBounded(t *testing.T) {
	h := apitest.New(t)
	open := make([]*http.Response, feed.StreamsMost)
	for i := range open {
		who := fmt.Sprint("reader ", i/feed.StreamsEach)
		if i%feed.StreamsEach == 0 {
			h.Token(who, fleet.RoleReader, nil, "")
		}
		open[i] = apitest.Follow(t, h.URL, h.Tokens[who], "", "")
		if a := open[i]; a.StatusCode != 200 || a.Header.Get("Content-Type") != "text/event-stream" || a.Header.Get("Content-Encoding") != "" {
			t.Fatalf("stream %d: %d %v", i+1, a.StatusCode, a.Header)
		}
	}
	h.Send("reader", "GET", "/v1/feed/live", nil).Is(503).Has("/type", "/problems/too-many-streams")
	open[0].Body.Close()
	for began := time.Now(); ; time.Sleep(10 * time.Millisecond) { // the service learns of it when it sends next, or by the closed connection
		r, _ := http.NewRequest("HEAD", h.URL+"/v1/feed/live", nil)
		r.Header.Set("Authorization", "Bearer "+h.Tokens["reader"])
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if a.StatusCode == 200 {
			break
		}
		if a.StatusCode != 503 || time.Since(began) > 10*time.Second {
			t.Fatalf("a place is free, and HEAD answers %d", a.StatusCode)
		}
	}
}

func TestTheFeedShowsWhatTheReaderMaySeeAndNoSecret(t *testing.T) {
	h := apitest.New(t)
	h.Register("N01", "north")
	h.Register("S01", "south")
	h.Token("held", fleet.RoleReader, []string{"north"}, "")
	h.Token("rig", fleet.RoleRig, nil, "N01")
	h.Send("manager", "POST", "/v1/rigs/N01/credential", nil).Is(201)
	hook := h.Send("manager", "POST", "/v1/hooks", apitest.Obj{"name": "office", "url": "https://farm.example/facts"}).Is(201)
	h.Send("manager", "POST", "/v1/defects", apitest.Obj{"rig": "S01", "text": "south's own"}, "Idempotency-Key", "key-of-mine").Is(201)
	h.Send("operator", "POST", "/v1/rigs/N01/readings", apitest.Reading(h.Now().Add(-time.Minute), 12.5, 88.4)).Is(200)

	all := h.Send("reader", "GET", "/v1/feed?limit=500", nil).Is(200).Has("/head", int(h.Fleet.Head().N)).Has("/next", fmt.Sprint(h.Fleet.Head().N))
	equalLists(t, "the whole feed", all.Names("/facts", "position"), h.AllFacts(1))
	kinds := strings.Join(all.Names("/facts", "kind"), " ")
	for _, k := range []string{"plan.published", "rig.registered", "meter.read", "defect.reported"} {
		if !strings.Contains(kinds, k) {
			t.Errorf("no %s in %s", k, kinds)
		}
	}
	secrets := []string{strings.TrimPrefix(hook.At("/secret").(string), "whsec_"), "key-of-mine", "whsec_"}
	h.Fleet.View(func(s *fleet.State) {
		for _, tok := range s.Tokens {
			secrets = append(secrets, tok.Hash)
		}
		secrets = append(secrets, s.Rigs["N01"].UserHash)
	})
	for _, s := range secrets {
		if strings.Contains(string(all.Body), s) {
			t.Errorf("the feed shows the secret %s", s)
		}
	}
	read := h.Send("reader", "GET", "/v1/feed?kind=meter.read", nil).Is(200)
	read.Has("/facts/0/rig", "N01").Has("/facts/0/fact/counters/0/counter/hours", 12.5).Has("/facts/0/fact/counters/1/counter/hectares", 88.4)

	held := h.Send("held", "GET", "/v1/feed?limit=500", nil).Is(200)
	for i := range held.List("/facts") {
		at := fmt.Sprintf("/facts/%d", i)
		if rig, kind := held.At(at+"/rig"), held.At(at+"/kind").(string); rig != "N01" && (rig != nil || !strings.HasSuffix(kind, ".published")) {
			t.Errorf("a reader held to north sees %s of %v", kind, rig)
		}
	}
	if south := h.Send("held", "GET", "/v1/feed?rig=S01", nil).Is(200); len(south.List("/facts")) != 0 || south.At("/next") != fmt.Sprint(h.Fleet.Head().N) {
		t.Errorf("%s", south.Body)
	}
	if yards := h.Send("reader", "GET", "/v1/feed?yard=south", nil).Is(200).Names("/facts", "rig"); len(yards) == 0 || strings.Contains(strings.Join(yards, " "), "N01") {
		t.Errorf("yard south: %v", yards)
	}
	// The yard is the rig's own now.
	h.Send("manager", "PATCH", "/v1/rigs/S01", apitest.Obj{"yard": "north"}, "If-Match", "*").Is(200)
	if south := h.Send("held", "GET", "/v1/feed?rig=S01", nil).Is(200); !strings.Contains(string(south.Body), "south's own") {
		t.Errorf("%s", south.Body)
	}
	h.Send("rig", "GET", "/v1/feed", nil).Is(403)
	for _, bad := range []string{"after=x", "after=1.512", "kind=token.issued", "kind=hook.added", "limit=501", "cursor=x"} {
		if name, _, _ := strings.Cut(bad, "="); h.Send("reader", "GET", "/v1/feed?"+bad, nil).Is(422).Bad() != name {
			t.Errorf("%s is not named", bad)
		}
	}
	began := time.Now()
	h.Send("reader", "GET", "/v1/feed?after=999999", nil).Is(503).Has("/type", "/problems/behind")
	if took := time.Since(began); took < 5*time.Second {
		t.Errorf("waited %v only for what another instance may have", took)
	}
}

// What is not wanted is passed over in bounded steps, and each step gets on.
func TestAFilteredFeedGetsOnInBoundedSteps(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	for i := range 8 {
		c, err := events.Seal(h.Fleet.Head(), h.Now(), []events.Entry{{At: h.Now(), By: "test", Fact: &events.FileKept{
			File: strings.Repeat(fmt.Sprint(i), 64), Name: "sheet.pdf", Type: "application/pdf", Bytes: make([]byte, 1<<20),
		}}})
		if err == nil {
			err = h.Store.Append(context.Background(), c)
		}
		if err == nil {
			err = h.Fleet.WaitFor(context.Background(), c.N)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	h.Report("T01", "at last")
	at, steps, found := "0", 0, 0
	for {
		page := h.Send("reader", "GET", "/v1/feed?kind=defect.reported&after="+at, nil).Is(200)
		found += len(page.List("/facts"))
		next := page.At("/next").(string)
		if next == at {
			break
		}
		at = next
		steps++
	}
	if found != 1 || steps < 3 || steps > 4 {
		t.Errorf("%d found in %d steps", found, steps)
	}
	file := h.Send("reader", "GET", "/v1/feed?kind=file.kept&limit=1", nil).Is(200).Has("/facts/0/fact/bytes", 1<<20)
	if len(file.Body) > 2000 {
		t.Errorf("a file's fact takes %d bytes", len(file.Body))
	}
	var page struct {
		Next events.Position `json:"next"`
	}
	if err := json.Unmarshal(file.Body, &page); err != nil || page.Next.Whole() && page.Next.Commit == h.Fleet.Head().N {
		t.Errorf("%v %v", page, err)
	}
}
