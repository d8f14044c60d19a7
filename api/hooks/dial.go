package hooks

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"syscall"
	"time"
)

// errPrivate says that an address is not for the outside.
var errPrivate = errors.New("is a private, loopback, link-local or reserved address; --hooks-private would allow it")

// errOddAddress says that a host is neither a name nor an address in its usual form.
var errOddAddress = errors.New("must name a host by its name, or by an address in its usual form")

// reserved are the ranges of the IANA special-purpose address registries
// (RFC 6890 and its successors) that netip's own questions do not cover, and
// those that carry an IPv4 address inside.
var reserved = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"),
	netip.MustParsePrefix("100.64.0.0/10"),
	netip.MustParsePrefix("192.0.0.0/24"),
	netip.MustParsePrefix("192.0.2.0/24"),
	netip.MustParsePrefix("198.18.0.0/15"),
	netip.MustParsePrefix("198.51.100.0/24"),
	netip.MustParsePrefix("203.0.113.0/24"),
	netip.MustParsePrefix("240.0.0.0/4"),
	netip.MustParsePrefix("64:ff9b::/96"),
	netip.MustParsePrefix("64:ff9b:1::/48"),
	netip.MustParsePrefix("100::/64"),
	netip.MustParsePrefix("2001::/23"),
	netip.MustParsePrefix("2001:db8::/32"),
	netip.MustParsePrefix("2002::/16"),
	netip.MustParsePrefix("::/96"),
	netip.MustParsePrefix("fec0::/10"),
}

// outside says whether an address lies in the public network.
func outside(ip netip.Addr) bool {
	ip = ip.Unmap().WithZone("")
	if !ip.IsValid() || !ip.IsGlobalUnicast() || ip.IsPrivate() || ip.IsLoopback() || ip.IsLinkLocalUnicast() {
		return false
	}
	for _, p := range reserved {
		if p.Contains(ip) {
			return false
		}
	}
	return true
}

// Reach says why a hook must not be sent to a host, as far as the host itself
// tells: an address that lies inside, or a name that means this machine (RFC
// 6761, section 6.3). Where other names lead is checked when they are dialled.
func (w *Worker) Reach(host string) error {
	if w.o.Private {
		return nil
	}
	if ip, err := netip.ParseAddr(host); err == nil {
		if !outside(ip) {
			return errPrivate
		}
		return nil
	}
	last := strings.ToLower(strings.TrimSuffix(host, "."))
	if at := strings.LastIndexByte(last, '.'); at >= 0 {
		last = last[at+1:]
	}
	switch {
	case last == "localhost":
		return errPrivate
	case oddNumber(last):
		return errOddAddress
	}
	return nil
}

// oddNumber says whether a host with such a last part is an IPv4 address to
// some resolvers, written as few would: 127.1, 0x7f000001.
func oddNumber(last string) bool {
	if hex, ok := strings.CutPrefix(last, "0x"); ok {
		return strings.Trim(hex, "0123456789abcdef") == ""
	}
	return strings.Trim(last, "0123456789") == ""
}

// newClient makes the client that delivers. The address is checked when it is
// dialled, after names were resolved, so that no name leads inside.
func newClient(private bool, timeout time.Duration) *http.Client {
	dialer := &net.Dialer{Timeout: timeout}
	if !private {
		dialer.Control = func(_, address string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(address)
			if err != nil {
				return fmt.Errorf("address %q: %w", address, err)
			}
			if !outside(at.Addr()) {
				return fmt.Errorf("%s %w", at.Addr(), errPrivate)
			}
			return nil
		}
	}
	return &http.Client{
		Timeout: timeout,
		Transport: &http.Transport{
			DialContext:            dialer.DialContext, // no proxy: it would dial where we may not
			TLSHandshakeTimeout:    timeout,
			ResponseHeaderTimeout:  timeout,
			IdleConnTimeout:        90 * time.Second,
			MaxIdleConns:           100,
			MaxResponseHeaderBytes: 16 << 10,
			ForceAttemptHTTP2:      true,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}
