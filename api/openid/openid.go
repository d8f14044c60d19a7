// Package openid owns who an OpenID Connect issuer lets in: it checks the JSON
// Web Tokens that people and programs send as bearers, and says which role and
// yards they stand for. It never issues a token, never asks the issuer about a
// person, keeps nothing of a token, and is never asked about our own (rl_…).
//
// A token is good when it is signed with an asymmetric key that the issuer
// publishes now, names the issuer and our audience, is within its time, and
// carries a role that we know. Everything else is refused, for one reason or
// another that only the debug log tells.
package openid

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"

	"rigledger/fleet"
)

// Names of the claims that are asked for the role and the yards, unless told
// otherwise.
const (
	RoleClaim  = "rigledger_role"
	YardsClaim = "rigledger_yards"
)

// tokenMost bounds a token, in bytes; the longest that issuers are known to
// send fit into a request's headers.
const tokenMost = 16 << 10

// Options say whom to believe.
type Options struct {
	Issuer     string // its URL, exactly as tokens name it in iss
	Audience   string // what tokens for us name in aud
	RoleClaim  string // "" for RoleClaim
	YardsClaim string // "" for YardsClaim
	Now        func() time.Time
	Log        *slog.Logger // nil for none
}

// Issuer checks the tokens of one issuer. It is safe for use by many at once.
type Issuer struct {
	o        Options
	keys     *keys
	verifier *oidc.IDTokenVerifier
}

// New checks the options alone; the issuer is asked when Run begins or a token
// comes, so that a service starts without it.
func New(o Options) (*Issuer, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.RoleClaim == "" {
		o.RoleClaim = RoleClaim
	}
	if o.YardsClaim == "" {
		o.YardsClaim = YardsClaim
	}
	if err := addressFit(o.Issuer); err != nil {
		return nil, fmt.Errorf("issuer: %w", err)
	}
	if o.Audience == "" {
		return nil, errors.New("audience: is missing; tokens for other services would be taken")
	}
	k := newKeys(o.Issuer, o.Now)
	return &Issuer{o: o, keys: k, verifier: oidc.NewVerifier(o.Issuer, k, &oidc.Config{
		ClientID: o.Audience, Now: o.Now, SupportedSigningAlgs: algorithms,
	})}, nil
}

// addressFit holds an issuer's address to OpenID Connect Discovery 1.0, section
// 3: https, neither query nor fragment. http is for an issuer on this machine.
func addressFit(address string) error {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Hostname() == "" || u.Opaque != "":
		return fmt.Errorf("%q is no address like https://login.example", address)
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return fmt.Errorf("%q must hold neither user, query nor fragment", address)
	}
	return private(address)
}

// private refuses an address whose answers others on the way could change.
func private(address string) error {
	u, err := url.Parse(address)
	if err == nil && u.Hostname() != "" && (u.Scheme == "https" || u.Scheme == "http" && loopback(u.Hostname())) {
		return nil
	}
	return fmt.Errorf("%q must be https; http is taken on loopback only", address)
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Holder gives who a token lets in; false when it is not good or names no role
// that we know.
func (i *Issuer) Holder(ctx context.Context, token string) (fleet.Holder, bool) {
	h, err := i.holder(ctx, token)
	if err != nil {
		i.o.Log.Debug("a token was refused", "error", err)
	}
	return h, err == nil
}

func (i *Issuer) holder(ctx context.Context, token string) (fleet.Holder, error) {
	if len(token) > tokenMost {
		return fleet.Holder{}, errors.New("longer than a token may be")
	}
	// Anything that is no token at all ends here, before a key is looked for.
	if strings.Count(token, ".") != 2 {
		return fleet.Holder{}, errors.New("no signed token")
	}
	good, err := i.verifier.Verify(ctx, token)
	if err != nil {
		return fleet.Holder{}, err
	}
	if !i.o.Now().Before(good.Expiry) {
		return fleet.Holder{}, errors.New("expired in this instant") // RFC 7519, section 4.1.4: on or after
	}
	if good.Subject == "" {
		return fleet.Holder{}, errors.New("names no subject")
	}
	var c claims
	if err := good.Claims(&c); err != nil {
		return fleet.Holder{}, err
	}
	if err := c.numericDates(); err != nil {
		return fleet.Holder{}, err
	}
	role, err := c.role(i.o.RoleClaim)
	if err != nil {
		return fleet.Holder{}, err
	}
	yards, err := c.yards(i.o.YardsClaim)
	if err != nil {
		return fleet.Holder{}, err
	}
	sum := sha256.Sum256([]byte(good.Issuer + "\x00" + good.Subject))
	print := hex.EncodeToString(sum[:])
	return fleet.Holder{
		Token: fleet.OpenIDPrefix + print, Name: fleet.OpenIDPrefix + c.name(good.Subject, print[:8]),
		Role: role, Yards: yards, Until: good.Expiry,
	}, nil
}

// Ready says whether the issuer's keys are known, and if not why.
func (i *Issuer) Ready() error {
	if err := i.keys.missing(); err != nil {
		return fmt.Errorf("issuer %s: %w", i.o.Issuer, err)
	}
	return nil
}

// Times of Run.
const (
	renewEvery = time.Hour        // so that a key which the issuer took back ends
	retryEvery = 30 * time.Second // while the issuer does not answer
)

// Run keeps the issuer's keys fresh until ctx ends. While the issuer does not
// answer, the keys that are known stay good; without any, its tokens are refused.
func (i *Issuer) Run(ctx context.Context) error {
	down := false
	for {
		wait := renewEvery
		err := i.keys.renew(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			wait = retryEvery
			if !down {
				i.o.Log.Warn("the OpenID Connect issuer cannot be asked for its keys; it is tried again", "issuer", i.o.Issuer, "error", err)
			}
		case down:
			i.o.Log.Info("the OpenID Connect issuer answers again", "issuer", i.o.Issuer)
		}
		down = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
	}
}
