package api

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"rigledger/events"
	"rigledger/fleet"
	"strings"
	"testing"
)

// sse is one server-sent event; without a name it only moved the id.
type sse struct{ id, name, data string }

// follow opens a live stream as the named token, after an id unless that is "".
func follow(t testing.TB, url, token, query, last string) *http.Response {
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

// nextEvent reads up to the next event or moved id (HTML, section 9.2.6); an
// event that was cut short is none.
func nextEvent(b *bufio.Reader) (e sse, err error) {
	for {
		line, err := b.ReadString('\n')
		if err != nil {
			return sse{}, err
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "id":
			e.id = value
		case "event":
			e.name = value
		case "data":
			e.data = value
		case "":
			if line == "\n" && e.id != "" {
				return e, nil
			}
		}
	}
}

// allFacts reads the ledger past the feed: what every reader of it must get.
func (h *house) allFacts(from uint64) (positions []string) {
	h.t.Helper()
	err := h.store.Read(context.Background(), from, func(c *events.Commit) error {
		for i, e := range c.Facts {
			k := e.Fact.Kind()
			if !strings.HasPrefix(k, "token.") && k != "credential.issued" && k != "request.kept" && !strings.HasPrefix(k, "hook.") {
				positions = append(positions, fmt.Sprintf("%d.%d", c.N, i))
			}
		}
		return nil
	})
	if err != nil {
		h.t.Fatal(err)
	}
	return positions
}

// report has a defect of a rig reported.
func (h *house) report(rig, text string) {
	h.t.Helper()
	h.do(&fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: rig, Text: text})
}
