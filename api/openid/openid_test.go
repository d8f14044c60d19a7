package openid

import (
	"context"
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"rigledger/api/openid/openidtest"
	"rigledger/fleet"
)

var noon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// door is an issuer and who believes it, with a clock that the test sets.
type door struct {
	*openidtest.Issuer
	door  *Issuer
	clock atomic.Int64
}

func newDoor(t *testing.T) *door {
	t.Helper()
	d := &door{Issuer: openidtest.New(t)}
	d.clock.Store(noon.UnixMilli())
	var err error
	if d.door, err = New(Options{Issuer: d.URL, Audience: openidtest.Audience, Now: d.now}); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *door) now() time.Time { return time.UnixMilli(d.clock.Load()).UTC() }

func (d *door) with(change map[string]any) string {
	claims := d.Claims(noon)
	for name, value := range change {
		if claims[name] = value; value == nil {
			delete(claims, name)
		}
	}
	return d.Token(claims)
}

func (d *door) lets(token string) (fleet.Holder, bool) {
	return d.door.Holder(context.Background(), token)
}

func TestAGoodTokenLetsItsSubjectInUnderANameOfItsOwn(t *testing.T) {
	d := newDoor(t)
	got, ok := d.lets(d.with(map[string]any{"rigledger_yards": []string{"north", "south"}}))
	if !ok {
		t.Fatal("was refused")
	}
	if got.Role != fleet.RoleManager || !reflect.DeepEqual(got.Yards, []string{"north", "south"}) || !got.Until.Equal(noon.Add(time.Hour)) || got.Rig != "" {
		t.Errorf("%+v", got)
	}
	if !strings.HasPrefix(got.Name, "openid:ana#") || !strings.HasPrefix(got.Token, "openid:") {
		t.Errorf("%+v", got)
	}
	for name, may := range map[string]bool{got.Name: false, "OpenID:ana": false, "ana": true} {
		cmd, _ := fleet.NewToken(name, fleet.RoleReader)
		if _, err := cmd.Decide(fleet.Deciding{State: &fleet.State{}, Now: noon}); (err == nil) != may {
			t.Errorf("a token of the ledger by the name %q: %v", name, err)
		}
	}
}

func TestClaimsGiveNameRoleAndYardsOrNothing(t *testing.T) {
	d := newDoor(t)
	type m = map[string]any
	for name, c := range map[string]struct {
		change m
		role   fleet.Role // "": refused
		yards  []string
		called string // begins so
	}{
		"a role as text":                            {m{"rigledger_role": "workshop"}, fleet.RoleWorkshop, nil, "openid:ana#"},
		"the strongest of several":                  {m{"rigledger_role": []string{"reader", "guest", "workshop", "operator"}}, fleet.RoleWorkshop, nil, "openid:ana#"},
		"no role":                                   {m{"rigledger_role": nil}, "", nil, ""},
		"a role nobody knows":                       {m{"rigledger_role": "owner"}, "", nil, ""},
		"a rig is no role of an issuer":             {m{"rigledger_role": []string{"rig"}}, "", nil, ""},
		"an empty list of roles":                    {m{"rigledger_role": []string{}}, "", nil, ""},
		"a role in capitals is another":             {m{"rigledger_role": "Manager"}, "", nil, ""},
		"a role of the wrong type":                  {m{"rigledger_role": m{"manager": true}}, "", nil, ""},
		"a list of roles with a number in it":       {m{"rigledger_role": []any{"manager", 1}}, "", nil, ""},
		"a list of roles with null in it":           {m{"rigledger_role": []any{"manager", nil}}, "", nil, ""},
		"yards as text":                             {m{"rigledger_yards": "north, south"}, fleet.RoleManager, []string{"north", "south"}, "openid:ana#"},
		"an empty list of yards is not all of them": {m{"rigledger_yards": []string{}}, "", nil, ""},
		"an empty text of yards is not all of them": {m{"rigledger_yards": " , "}, "", nil, ""},
		"yards of the wrong type":                   {m{"rigledger_yards": 7}, "", nil, ""},
		"a mail address that was verified":          {m{"preferred_username": nil, "email": "ana@farm.example", "email_verified": true}, fleet.RoleManager, nil, "openid:ana@farm.example#"},
		"a mail address that was not":               {m{"preferred_username": nil, "email": "ana@farm.example"}, fleet.RoleManager, nil, "openid:s-1"},
		"the subject alone":                         {m{"preferred_username": nil}, fleet.RoleManager, nil, "openid:s-1"},
		"a name over several lines":                 {m{"preferred_username": "ana\nmanager#00000000"}, fleet.RoleManager, nil, "openid:anamanager00000000#"},
		"no subject":                                {m{"sub": nil}, "", nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, ok := d.lets(d.with(c.change))
			if ok != (c.role != "") || got.Role != c.role || !reflect.DeepEqual(got.Yards, c.yards) || !strings.HasPrefix(got.Name, c.called) {
				t.Errorf("%v %+v", ok, got)
			}
		})
	}
	if _, err := (claims{"y": json.RawMessage("null")}).yards("y"); err == nil {
		t.Error("null is taken for all yards")
	}
	nested := claims{"access": json.RawMessage(`{"roles":["operator"]}`), "https://farm.example/role": json.RawMessage(`"reader"`)}
	for name, want := range map[string]fleet.Role{"access.roles": fleet.RoleOperator, "https://farm.example/role": fleet.RoleReader} {
		if got, err := nested.role(name); err != nil || got != want {
			t.Errorf("%s gives %q, %v", name, got, err)
		}
	}
}

func TestTwoSubjectsOfOneNameAreToldApart(t *testing.T) {
	d := newDoor(t)
	a, _ := d.lets(d.with(nil))
	b, _ := d.lets(d.with(map[string]any{"sub": "s-2"}))
	c, _ := d.lets(d.with(map[string]any{"sub": strings.TrimPrefix(a.Name, "openid:"), "preferred_username": nil}))
	if a.Name == b.Name || a.Token == b.Token || a.Name == c.Name || c.Name == "" {
		t.Errorf("%q %q %q", a.Name, b.Name, c.Name)
	}
}

// RFC 7519, section 4.1, and RFC 8725, sections 2.1, 3.1, 3.8, 3.9.
func TestWhatIsNotAGoodTokenIsRefused(t *testing.T) {
	d := newDoor(t)
	if _, ok := d.lets(d.with(nil)); !ok {
		t.Fatal("the good one was refused")
	}
	stranger := openidtest.New(t)
	good := d.with(nil)
	parts := strings.Split(good, ".")
	encode := func(s string) string { return base64.RawURLEncoding.EncodeToString([]byte(s)) }
	public, err := x509.MarshalPKIXPublicKey(d.Public())
	if err != nil {
		t.Fatal(err)
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: public})
	hs := func(secret []byte) string {
		return d.TokenWith(d.Claims(noon), jose.HS256, jose.JSONWebKey{Key: secret, KeyID: "first"})
	}
	weak, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	own, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: weak}, &jose.SignerOptions{EmbedJWK: true})
	if err != nil {
		t.Fatal(err)
	}
	body, _ := json.Marshal(d.Claims(noon))
	embedded, err := own.Sign(body)
	if err != nil {
		t.Fatal(err)
	}
	withKey, _ := embedded.CompactSerialize()
	for name, token := range map[string]string{
		"nothing":                       "",
		"no token":                      "Basic nonsense",
		"too long":                      good + strings.Repeat("A", tokenMost),
		"expired":                       d.with(map[string]any{"exp": noon.Add(-time.Second).Unix()}),
		"expiring in this instant":      d.with(map[string]any{"exp": noon.Unix()}),
		"an end in words":               d.with(map[string]any{"exp": fmt.Sprint(noon.Add(time.Hour).Unix())}),
		"a beginning in words":          d.with(map[string]any{"nbf": fmt.Sprint(noon.Add(-time.Hour).Unix())}),
		"without an end":                d.with(map[string]any{"exp": nil}),
		"not valid yet":                 d.with(map[string]any{"nbf": noon.Add(10 * time.Minute).Unix()}),
		"for somebody else":             d.with(map[string]any{"aud": "another-service"}),
		"for nobody":                    d.with(map[string]any{"aud": nil}),
		"of another issuer by name":     d.with(map[string]any{"iss": "https://login.example"}),
		"of nobody":                     d.with(map[string]any{"iss": nil}),
		"signed by another issuer":      stranger.Token(d.Claims(noon)),
		"alg none":                      encode(`{"alg":"none","kid":"first"}`) + "." + parts[1] + ".",
		"alg none with a signature":     encode(`{"alg":"none","kid":"first"}`) + "." + parts[1] + "." + parts[2],
		"HS256 with the public key PEM": hs(text),
		"HS256 with the public key DER": hs(public),
		"HS256 with the curve's point":  hs(elliptical(d)),
		"a key in its own header":       withKey,
		"other claims, same signature":  parts[0] + "." + encode(`{"iss":"`+d.URL+`","sub":"x","aud":"rigledger-test","exp":9999999999,"rigledger_role":"manager"}`) + "." + parts[2],
		"the signature cut off":         parts[0] + "." + parts[1] + ".",
	} {
		if _, ok := d.lets(token); ok {
			t.Errorf("%s: was let in", name)
		}
	}
	if _, ok := d.lets(d.with(map[string]any{"aud": []string{"another", openidtest.Audience}})); !ok {
		t.Error("one of several audiences was refused")
	}
	if _, ok := d.lets(good); !ok {
		t.Error("the good one is refused after the bad ones")
	}
	d.clock.Store(noon.Add(time.Hour).UnixMilli())
	if _, ok := d.lets(good); ok {
		t.Error("is let in after its hour")
	}
}

func elliptical(d *door) []byte {
	raw, _ := d.Public().(*ecdsa.PublicKey).Bytes()
	return raw
}

func TestARotatedKeyIsFetchedOnceAndStrangersDoNotMakeUsAskMore(t *testing.T) {
	d := newDoor(t)
	old := d.with(nil)
	if _, ok := d.lets(old); !ok {
		t.Fatal("was refused")
	}
	asked := d.Asked.Load()
	d.Rotate("second")
	fresh := d.with(nil)
	d.clock.Add(askAgain.Milliseconds())
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if _, ok := d.lets(fresh); !ok {
				t.Error("the new key's token was refused")
			}
		})
	}
	all.Wait()
	if n := d.Asked.Load() - asked; n != 1 {
		t.Errorf("asked %d times for one rotation", n)
	}
	if _, ok := d.lets(old); ok {
		t.Error("the old key's token is still let in, though the issuer took the key back")
	}
	stranger := openidtest.New(t)
	stranger.Rotate("unheard-of")
	for range 50 {
		if _, ok := d.lets(stranger.Token(d.Claims(noon))); ok {
			t.Fatal("a stranger was let in")
		}
	}
	if n := d.Asked.Load() - asked; n != 1 {
		t.Errorf("asked %d times more for unknown keys in one instant", n-1)
	}
}

func TestAnIssuerThatIsDownAtTheStartIsAskedAgain(t *testing.T) {
	d := newDoor(t)
	token := d.with(nil)
	d.Down()
	if err := d.door.Ready(); err == nil {
		t.Error("ready without keys")
	}
	if _, ok := d.lets(token); ok {
		t.Fatal("let in without keys")
	}
	if err := d.door.Ready(); err == nil || !strings.Contains(err.Error(), d.URL) {
		t.Errorf("says %v", err)
	}
	d.Up()
	if _, ok := d.lets(token); ok {
		t.Error("asked again at once")
	}
	d.clock.Add(askAgain.Milliseconds())
	if _, ok := d.lets(token); !ok {
		t.Error("refused though the issuer is up")
	}
	if err := d.door.Ready(); err != nil {
		t.Error(err)
	}
	d.Down()
	if err := d.door.keys.renew(context.Background()); err == nil {
		t.Error("a dead issuer answered")
	}
	if _, ok := d.lets(token); !ok || d.door.Ready() != nil {
		t.Error("known keys are forgotten when the issuer goes down")
	}
}

func TestAnIssuerThatHangsHoldsUpEachTokenOnce(t *testing.T) {
	hung := make(chan struct{})
	var asked atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		select {
		case <-hung:
		case <-r.Context().Done():
		}
	}))
	defer server.Close()
	defer close(hung)
	door, err := New(Options{Issuer: server.URL, Audience: openidtest.Audience})
	if err != nil {
		t.Fatal(err)
	}
	door.keys.client.Timeout = 200 * time.Millisecond
	token := openidtest.New(t)
	text := token.Token(token.Claims(time.Now()))
	var all sync.WaitGroup
	for range 20 {
		all.Go(func() {
			if _, ok := door.Holder(context.Background(), text); ok {
				t.Error("was let in")
			}
		})
	}
	all.Wait()
	if asked.Load() != 1 {
		t.Errorf("asked %d times, not once for all", asked.Load())
	}
}

func BenchmarkHolder(b *testing.B) {
	issuer := openidtest.New(b)
	door, err := New(Options{Issuer: issuer.URL, Audience: openidtest.Audience})
	if err != nil {
		b.Fatal(err)
	}
	token := issuer.Token(issuer.Claims(time.Now()))
	for b.Loop() {
		if _, ok := door.Holder(context.Background(), token); !ok {
			b.Fatal("was refused")
		}
	}
}

func TestRunFetchesTheKeysWithoutATokenComing(t *testing.T) {
	d := newDoor(t)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- d.door.Run(ctx) }()
	for end := time.Now().Add(5 * time.Second); d.door.Ready() != nil; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(d.door.Ready())
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestADiscoveryDocumentOfAnotherIssuerIsNotBelieved(t *testing.T) {
	d := newDoor(t)
	d.Name("https://login.example")
	if _, ok := d.lets(d.with(nil)); ok {
		t.Error("was let in")
	}
}

func TestOnlyPublicKeysThatAreStrongAndForSigningAreTaken(t *testing.T) {
	d := newDoor(t)
	strong, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	weak, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		key  *rsa.PrivateKey
		as   jose.JSONWebKey
		good bool
	}{
		"2048 bits":                   {strong, jose.JSONWebKey{Key: strong.Public(), KeyID: "k"}, true},
		"1024 bits":                   {weak, jose.JSONWebKey{Key: weak.Public(), KeyID: "k"}, false},
		"for encryption":              {strong, jose.JSONWebKey{Key: strong.Public(), KeyID: "k", Use: "enc"}, false},
		"for another algorithm":       {strong, jose.JSONWebKey{Key: strong.Public(), KeyID: "k", Algorithm: "PS256"}, false},
		"the private key":             {strong, jose.JSONWebKey{Key: strong, KeyID: "k"}, false},
		"a secret that all can fetch": {strong, jose.JSONWebKey{Key: []byte(strings.Repeat("k", 32)), KeyID: "k"}, false},
	} {
		d.Publish("k", c.key, c.as)
		d.clock.Add(askAgain.Milliseconds())
		_ = d.door.keys.renew(context.Background())
		d.door.keys.mu.Lock()
		if d.door.keys.err != nil {
			d.door.keys.list = nil
		}
		d.door.keys.mu.Unlock()
		if _, ok := d.lets(d.with(nil)); ok != c.good {
			t.Errorf("%s: let in is %v", name, ok)
		}
	}
}

func TestAnIssuerMustBeReachedInPrivate(t *testing.T) {
	for address, good := range map[string]bool{
		"https://login.example": true, "https://login.example/farm/": true, "http://127.0.0.1:9000": true, "http://[::1]:9000": true, "http://localhost": true,
		"http://login.example": false, "http://10.0.0.1": false, "https://login.example?a=b": false, "https://u:p@login.example": false,
		"ftp://login.example": false, "login.example": false, "": false, "https://": false, "http://localhost.example": false,
	} {
		if _, err := New(Options{Issuer: address, Audience: "a"}); (err == nil) != good {
			t.Errorf("%q: %v", address, err)
		}
	}
	if _, err := New(Options{Issuer: "https://login.example"}); err == nil {
		t.Error("without an audience")
	}
}
