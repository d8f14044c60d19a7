package openid

import (
	"context"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
)

// Bounds of asking the issuer.
const (
	askFor     = 5 * time.Second // how long an answer may take
	askAgain   = 5 * time.Second // between two askings that tokens cause, whoever sends how many of them
	answerMost = 1 << 20         // of an answer, in bytes
	keysMost   = 100
	rsaLeast   = 2048 // bits: RFC 7518, sections 3.3 and 3.5
)

// algorithms are those of RFC 7518 and RFC 8037 that sign with a private key.
// With HS256 and its like whoever knows the public key could sign; "none" is no
// signature.
var algorithms = []string{
	oidc.RS256, oidc.RS384, oidc.RS512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.EdDSA,
}

var joseAlgorithms = func() (all []jose.SignatureAlgorithm) {
	for _, a := range algorithms {
		all = append(all, jose.SignatureAlgorithm(a))
	}
	return all
}()

// keys are what the issuer signs with, as it published them last. A token of an
// unknown key makes them be asked for again, at most every askAgain.
type keys struct {
	issuer string
	client *http.Client
	now    func() time.Time

	asking sync.Mutex // held while the issuer is asked; guards asked
	asked  time.Time

	mu   sync.RWMutex // guards the rest
	list []jose.JSONWebKey
	err  error // of the last asking
}

func newKeys(issuer string, now func() time.Time) *keys {
	return &keys{
		issuer: issuer, now: now, err: errors.New("was not asked yet"),
		client: &http.Client{
			Timeout: askFor, Transport: bounded{http.DefaultTransport},
			// A redirect could lead from https to http.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}
}

// bounded cuts answers off that are too long.
type bounded struct{ next http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := b.next.RoundTrip(r)
	if err == nil {
		answer.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(answer.Body, answerMost), answer.Body}
	}
	return answer, err
}

// VerifySignature implements oidc.KeySet.
func (k *keys) VerifySignature(ctx context.Context, token string) ([]byte, error) {
	signed, err := jose.ParseSignedCompact(token, joseAlgorithms)
	if err != nil {
		return nil, err
	}
	list := k.known()
	if payload, ok := verified(signed, list); ok {
		return payload, nil
	}
	if err := k.renewOnce(ctx, list); err != nil {
		return nil, err
	}
	if payload, ok := verified(signed, k.known()); ok {
		return payload, nil
	}
	return nil, errors.New("no key of the issuer fits the signature")
}

func verified(signed *jose.JSONWebSignature, list []jose.JSONWebKey) ([]byte, bool) {
	if len(signed.Signatures) != 1 {
		return nil, false
	}
	head := signed.Signatures[0].Header
	for i := range list {
		key := &list[i]
		if head.KeyID != "" && key.KeyID != head.KeyID || key.Algorithm != "" && key.Algorithm != head.Algorithm {
			continue
		}
		if payload, err := signed.Verify(key); err == nil {
			return payload, true
		}
	}
	return nil, false
}

func (k *keys) known() []jose.JSONWebKey {
	k.mu.RLock()
	defer k.mu.RUnlock()
	return k.list
}

// missing says why there are no keys, nil when there are.
func (k *keys) missing() error {
	k.mu.RLock()
	defer k.mu.RUnlock()
	if len(k.list) > 0 {
		return nil
	}
	return k.err
}

// renewOnce asks the issuer unless that was done since the caller looked at the
// keys, or just now.
func (k *keys) renewOnce(ctx context.Context, seen []jose.JSONWebKey) error {
	k.asking.Lock()
	defer k.asking.Unlock()
	if now := k.known(); len(now) > 0 && (len(seen) == 0 || &now[0] != &seen[0]) {
		return nil // another token's asking brought these
	}
	if since := k.now().Sub(k.asked); since >= 0 && since < askAgain {
		return errors.New("the key is not known, and the issuer was asked just now")
	}
	return k.ask(ctx)
}

func (k *keys) renew(ctx context.Context) error {
	k.asking.Lock()
	defer k.asking.Unlock()
	return k.ask(ctx)
}

// ask fetches the discovery document and the keys that it names. On error the
// keys that are known stay. A caller that goes away does not end it for those
// who wait behind; the client's timeout does.
func (k *keys) ask(ctx context.Context) error {
	k.asked = k.now()
	list, err := k.fetch(context.WithoutCancel(ctx))
	k.asked = k.now() // those who waited meanwhile do not ask one after the other
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.err = err; err == nil {
		k.list = list
	}
	return err
}

func (k *keys) fetch(ctx context.Context) ([]jose.JSONWebKey, error) {
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, k.client), k.issuer)
	if err != nil {
		return nil, fmt.Errorf("discovery: %w", err)
	}
	var found struct {
		Keys string `json:"jwks_uri"`
	}
	if err := provider.Claims(&found); err != nil {
		return nil, fmt.Errorf("discovery: %w", err)
	}
	if err := private(found.Keys); err != nil {
		return nil, fmt.Errorf("discovery: jwks_uri: %w", err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, found.Keys, nil)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	answer, err := k.client.Do(request)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	switch {
	case err != nil:
		return nil, fmt.Errorf("keys: %w", err)
	case answer.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("keys: answered %s", answer.Status)
	}
	return readKeys(text)
}

// readKeys takes the public keys for signatures out of a JWK Set (RFC 7517).
// Keys that are not understood are passed over, as its section 5 asks.
func readKeys(text []byte) ([]jose.JSONWebKey, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(text, &set); err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	var list []jose.JSONWebKey
	for _, raw := range set.Keys[:min(len(set.Keys), keysMost)] {
		var key jose.JSONWebKey
		if json.Unmarshal(raw, &key) != nil || !key.IsPublic() || key.Use != "" && key.Use != "sig" {
			continue
		}
		if r, ok := key.Key.(*rsa.PublicKey); ok && r.N.BitLen() < rsaLeast {
			continue
		}
		list = append(list, key)
	}
	if len(list) == 0 {
		return nil, errors.New("keys: the issuer publishes none that could be used")
	}
	return list, nil
}
