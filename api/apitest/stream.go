package apitest

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"rigledger/events"
	"rigledger/fleet"
)

// Event is one server-sent event; without a name it only moved the id.
type Event struct{ ID, Name, Data string }

// Follow opens a live stream as the named token, after an id unless that is "".
func Follow(t testing.TB, url, token, query, last string) *http.Response {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	r, err := http.NewRequestWithContext(ctx, "GET", url+"/v1/feed/live"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Body.Close() })
	return a
}

// NextEvent reads up to the next event or moved id (HTML, section 9.2.6); an
// event that was cut short is none.
func NextEvent(b *bufio.Reader) (e Event, err error) {
	for {
		line, err := b.ReadString('\n')
		if err != nil {
			return Event{}, err
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "id":
			e.ID = value
		case "event":
			e.Name = value
		case "data":
			e.Data = value
		case "":
			if line == "\n" && e.ID != "" {
				return e, nil
			}
		}
	}
}

// AllFacts reads the ledger past the feed: what every reader of it must get.
func (h *House) AllFacts(from uint64) (positions []string) {
	h.T.Helper()
	err := h.Store.Read(context.Background(), from, func(c *events.Commit) error {
		for i, e := range c.Facts {
			k := e.Fact.Kind()
			if !strings.HasPrefix(k, "token.") && k != "credential.issued" && k != "request.kept" && !strings.HasPrefix(k, "hook.") {
				positions = append(positions, fmt.Sprintf("%d.%d", c.N, i))
			}
		}
		return nil
	})
	if err != nil {
		h.T.Fatal(err)
	}
	return positions
}

// Report has a defect of a rig reported.
func (h *House) Report(rig, text string) {
	h.T.Helper()
	h.Do(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: rig, Text: text})
}
