package hooks

import (
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"time"

	"rigledger/api/feed"
	"rigledger/fleet"
)

func TestOnlyThePublicNetworkIsOutside(t *testing.T) {
	for text, want := range map[string]bool{
		// Public: addresses of the root name servers a, b and k, from memory.
		"198.41.0.4": true, "170.247.170.2": true, "2001:7fd::1": true, "2801:1b8:10::b": true,
		// IANA special-purpose registries (RFC 6890): none of these is.
		"127.0.0.1": false, "127.255.0.1": false, "::1": false, "10.0.0.1": false, "172.16.0.1": false, "172.31.255.255": false,
		"192.168.0.1": false, "169.254.1.1": false, "fe80::1": false, "fe80::1%eth0": false, "fc00::1": false, "fd12::1": false, "0.0.0.0": false, "::": false,
		"100.64.0.1": false, "100.127.255.255": false, "192.0.0.8": false, "192.0.2.1": false, "198.18.0.1": false, "198.51.100.1": false, "203.0.113.1": false,
		"224.0.0.1": false, "239.255.255.255": false, "240.0.0.1": false, "255.255.255.255": false, "ff02::1": false, "2001:db8::1": false,
		// An IPv4 address inside an IPv6 one leads to the same place.
		"::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false, "::127.0.0.1": false, "64:ff9b::a00:1": false, "2002:a00:1::": false, "2001:0:a00:1::": false,
		"::ffff:198.41.0.4": true,
		// Just beside a private range.
		"172.32.0.1": true, "172.15.255.255": true, "192.169.0.1": true, "100.128.0.1": true, "11.0.0.1": true,
	} {
		if got := outside(netip.MustParseAddr(text)); got != want {
			t.Errorf("%s outside: %v", text, got)
		}
	}
}

func TestAReasonThatQuotesAnErrorIsOneTheLedgerTakes(t *testing.T) {
	for _, why := range []string{"answered 500", "a\x00b\x7f\xff\ufffd", strings.Repeat("ä", fleet.ReasonMost)} {
		cmd := &fleet.DisableHook{Hook: "h", Reason: plain(why)}
		state := &fleet.State{Hooks: map[string]*fleet.Hook{"h": {}}}
		if facts, err := cmd.Decide(fleet.Deciding{State: state, Now: time.Now()}); err != nil || len(facts) != 1 {
			t.Errorf("%.20q: %v", why, err)
		}
	}
}

func TestRetryAfterIsReadAndBounded(t *testing.T) {
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	for text, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, "0": 0, "-5": 0, "soon": 0, "999999999": retryAfterMost,
		now.Add(90 * time.Second).Format(http.TimeFormat): 90 * time.Second, now.Add(-time.Hour).Format(http.TimeFormat): 0,
	} {
		if got := retryAfter(text, now); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

// Standard Webhooks 1.0.0 asks for attempts over a day; ours come
// after 5 s, 30 s, 2 min, 10 min, 1 h, 3 h, 6 h and on.
func TestTheUsualAttemptsLastOverADay(t *testing.T) {
	w := New(Options{Feed: &feed.Reader{}})
	var at time.Duration
	attempts := []time.Duration{0}
	for at < w.o.GiveUp {
		at += w.o.Delays[min(len(attempts)-1, len(w.o.Delays)-1)]
		attempts = append(attempts, at)
	}
	if len(attempts) != 11 || at < 24*time.Hour || at > 30*time.Hour {
		t.Errorf("%d attempts at %v", len(attempts), attempts)
	}
	// After a restart the delays go on about where they were.
	f := &follower{w: w}
	for i, at := range attempts[:8] {
		if n := f.triesIn(at); n != i {
			t.Errorf("after %v: %d attempts before, want %d", at, n, i)
		}
	}
}
