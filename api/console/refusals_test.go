package console

import (
	"net/url"
	"strings"
	"testing"
	"time"
)

// Refused forms wait in bounded numbers, for a bounded time, for whoever sent them.
func TestRefusedFormsWaitWithinBounds(t *testing.T) {
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	one := func() *refused { return &refused{typed: url.Values{"s:/text": {"hose chafed"}}} }
	var k refusals
	first, _ := k.keep(one(), "a", "/x", now)
	for range refusalsOfOne {
		k.keep(one(), "a", "/x", now)
	}
	if k.take(first, "a", "/x") != nil || len(k.waiting) != refusalsOfOne {
		t.Errorf("one person has %d waiting, the first among them", len(k.waiting))
	}
	id, _ := k.keep(one(), "b", "/x", now)
	if k.take(id, "a", "/x") != nil || k.take(id, "b", "/y") != nil {
		t.Error("it was given to another person or page")
	}
	if k.take(id, "b", "/x") == nil || k.take(id, "b", "/x") != nil {
		t.Error("it was not given once")
	}
	k.keep(one(), "b", "/x", now.Add(refusalWait+time.Second))
	if len(k.waiting) != 1 {
		t.Errorf("%d still wait", len(k.waiting))
	}
	if _, ok := k.keep(&refused{typed: url.Values{"s:/text": {strings.Repeat("x", refusalMostText)}}}, "b", "/x", now); ok {
		t.Error("a very long one was kept")
	}
	for i := range 3 * refusalsMost {
		k.keep(one(), "person "+string(rune('a'+i%700)), "/x", now)
	}
	if len(k.waiting) > refusalsMost {
		t.Errorf("%d wait", len(k.waiting))
	}
}
