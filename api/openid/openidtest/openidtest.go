// Package openidtest owns an OpenID Connect issuer on loopback for tests: it
// publishes a discovery document and keys, signs what it is told to sign, true
// or not, and can be taken down and put up again at the same address.
package openidtest

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Audience is what the tokens of Claims are for.
const Audience = "rigledger-test"

// Issuer is one issuer.
type Issuer struct {
	URL   string
	Asked atomic.Int64 // how often its keys were asked for

	t      testing.TB
	mu     sync.Mutex
	key    crypto.Signer
	kid    string
	set    []jose.JSONWebKey
	named  string // the issuer that its discovery document names
	server *http.Server
}

// New starts an issuer with a key "first".
func New(t testing.TB) *Issuer {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	i := &Issuer{URL: "http://" + listener.Addr().String(), t: t}
	i.named = i.URL
	i.Rotate("first")
	i.serve(listener)
	t.Cleanup(i.Down)
	return i
}

func (i *Issuer) serve(listener net.Listener) {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		i.write(w, map[string]any{
			"issuer": i.named, "jwks_uri": i.URL + "/keys", "authorization_endpoint": i.URL + "/authorize",
			"id_token_signing_alg_values_supported": []string{"ES256", "HS256", "none"}, // more than may be believed
		})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		i.Asked.Add(1)
		i.mu.Lock()
		defer i.mu.Unlock()
		i.write(w, jose.JSONWebKeySet{Keys: i.set})
	})
	server := &http.Server{Handler: mux, ReadHeaderTimeout: time.Second}
	i.mu.Lock()
	i.server = server
	i.mu.Unlock()
	go func() { _ = server.Serve(listener) }()
}

func (i *Issuer) write(w http.ResponseWriter, doc any) {
	w.Header().Set("Content-Type", "application/json")
	if err := json.NewEncoder(w).Encode(doc); err != nil {
		i.t.Error(err)
	}
}

// Down ends its server.
func (i *Issuer) Down() {
	i.mu.Lock()
	defer i.mu.Unlock()
	_ = i.server.Close()
}

// Up puts it up again where it was.
func (i *Issuer) Up() {
	i.t.Helper()
	listener, err := net.Listen("tcp", i.URL[len("http://"):])
	if err != nil {
		i.t.Fatal(err)
	}
	i.serve(listener)
}

// Rotate signs with a new key from now on, and publishes that one alone.
func (i *Issuer) Rotate(kid string) {
	i.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		i.t.Fatal(err)
	}
	i.Publish(kid, key, jose.JSONWebKey{Key: key.Public(), KeyID: kid, Algorithm: "ES256", Use: "sig"})
}

// Publish signs with a key, and publishes what it is told.
func (i *Issuer) Publish(kid string, key crypto.Signer, set ...jose.JSONWebKey) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.kid, i.key, i.set = kid, key, set
}

// Name has the discovery document name another issuer.
func (i *Issuer) Name(issuer string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.named = issuer
}

// Public is the newest key's public half.
func (i *Issuer) Public() crypto.PublicKey {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.key.Public()
}

// Claims are those of a good token of a manager, for an hour.
func (i *Issuer) Claims(now time.Time) map[string]any {
	return map[string]any{
		"iss": i.URL, "sub": "s-1", "aud": Audience, "iat": now.Unix(), "exp": now.Add(time.Hour).Unix(),
		"preferred_username": "ana", "rigledger_role": "manager",
	}
}

// Token signs claims with the newest key.
func (i *Issuer) Token(claims map[string]any) string {
	i.t.Helper()
	i.mu.Lock()
	key, kid := i.key, i.kid
	i.mu.Unlock()
	alg := jose.ES256
	if _, ok := key.(*ecdsa.PrivateKey); !ok {
		alg = jose.RS256
	}
	return i.TokenWith(claims, alg, jose.JSONWebKey{Key: key, KeyID: kid})
}

// TokenWith signs claims with any key.
func (i *Issuer) TokenWith(claims map[string]any, alg jose.SignatureAlgorithm, key any) string {
	i.t.Helper()
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		i.t.Fatal(err)
	}
	text, err := json.Marshal(claims)
	if err != nil {
		i.t.Fatal(err)
	}
	signed, err := signer.Sign(text)
	if err != nil {
		i.t.Fatal(err)
	}
	token, err := signed.CompactSerialize()
	if err != nil {
		i.t.Fatal(err)
	}
	return token
}
