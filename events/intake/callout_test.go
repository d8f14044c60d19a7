package intake

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// keys are fresh nkeys of one external server and its callout.
type keys struct {
	issuer, xkey             []byte // seeds
	publicIssuer, publicXKey string
}

func newKeys(t testing.TB) keys {
	t.Helper()
	account, err1 := nkeys.CreateAccount()
	curve, err2 := nkeys.CreateCurveKeys()
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	var k keys
	k.issuer, _ = account.Seed()
	k.publicIssuer, _ = account.PublicKey()
	k.xkey, _ = curve.Seed()
	k.publicXKey, _ = curve.PublicKey()
	return k
}

const externalConf = `
server_name: elsewhere
listen: "127.0.0.1:-1"
mqtt { listen: "127.0.0.1:-1" }
jetstream { store_dir: %q }
accounts {
  FLEET {
    jetstream: enabled
    users: [ { user: "rigledger.service", password: "own-secret" } ]
  }
}
authorization {
  timeout: 1
  auth_callout { issuer: %s, account: FLEET, auth_users: [ "rigledger.service" ] %s }
}
`

// external starts a NATS server from a configuration file, as an operator
// would; xkey makes it encrypt its questions. It is dressed as our Server for
// its addresses alone.
func external(t testing.TB, k keys, xkey bool) *Server {
	t.Helper()
	more := ""
	if xkey {
		more = ", xkey: " + k.publicXKey
	}
	return configured(t, fmt.Sprintf(externalConf, t.TempDir(), k.publicIssuer, more))
}

func configured(t testing.TB, conf string) *Server {
	t.Helper()
	path := filepath.Join(t.TempDir(), "nats.conf")
	if err := os.WriteFile(path, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := server.ProcessConfigFile(path)
	if err != nil {
		t.Fatal(err)
	}
	o.NoSigs, o.NoLog = true, true
	ns, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{nats: ns, log: testLog(), mqtt: true}
	ns.SetLoggerV2(&serverLog{log: testLog()}, false, false, false)
	ns.Start()
	t.Cleanup(s.Shutdown)
	if !ns.ReadyForConnections(10 * time.Second) {
		t.Fatal("the external server does not start")
	}
	return s
}

// asService is the service's own connection to an external server.
func asService(t testing.TB, s *Server) *nats.Conn {
	t.Helper()
	nc, err := Connect("nats://rigledger.service:own-secret@"+s.Addr(), testLog())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

func startCallout(t testing.TB, nc *nats.Conn, o CalloutOptions) *Callout {
	t.Helper()
	if o.Credentials == nil {
		o.Credentials = doors{}
	}
	o.Logger = testLog()
	c, err := StartCallout(nc, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Stop)
	return c
}

// tryRig tries to come in as a rig and gives the error.
func tryRig(s *Server, user, password string) error {
	nc, err := nats.Connect("nats://"+s.Addr(), nats.UserInfo(user, password), nats.Timeout(10*time.Second))
	if err == nil {
		nc.Close()
	}
	return err
}

func TestAnExternalServerWithACalloutGivesTheSameRights(t *testing.T) {
	for name, encrypted := range map[string]bool{"in the clear": false, "encrypted": true} {
		t.Run(name, func(t *testing.T) {
			k := newKeys(t)
			s := external(t, k, encrypted)
			c := startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey})
			if c.account != "FLEET" {
				t.Errorf("the server says our account is %q, want FLEET", c.account)
			}
			for name, check := range map[string]func(*testing.T, *Server, *nats.Conn){
				"nobody comes in without a good password":           func(t *testing.T, s *Server, _ *nats.Conn) { nobodyComesInWithoutAGoodPassword(t, s) },
				"a rig speaks and hears only for itself":            aRigSpeaksAndHearsOnlyForItself,
				"other software hears the ledger and nothing else":  otherSoftwareHearsTheLedgerAndNothingElse,
				"a rig over MQTT is heard, acked, held to its own":  aRigOverMQTTIsHeardAndAckedAndHeldToItsOwn,
				"the service's own user needs its own password too": func(t *testing.T, s *Server, _ *nats.Conn) { ownUserNeedsItsPassword(t, s) },
			} {
				t.Run(name, func(t *testing.T) { check(t, s, asService(t, s)); emptyStream(t, s) })
			}
			if err := c.Ready(); err != nil {
				t.Error("not ready:", err)
			}
			if in, out, _ := c.Answered(); in == 0 || out == 0 {
				t.Errorf("let in %d and refused %d clients; the server did not ask", in, out)
			}
		})
	}
}

func ownUserNeedsItsPassword(t *testing.T, s *Server) {
	if err := tryRig(s, "rigledger.service", "guess"); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("got %v", err)
	}
}

// emptyStream takes away what one check left for the next.
func emptyStream(t *testing.T, s *Server) {
	t.Helper()
	nc := asService(t, s)
	defer nc.Close()
	if _, err := nc.Request("$JS.API.STREAM.DELETE."+StreamName, nil, 5*time.Second); err != nil {
		t.Error(err)
	}
}

// passwords can be changed while a callout asks.
type passwords struct {
	mu sync.Mutex
	of map[string]string
}

func (p *passwords) RigFor(user, password string) (string, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return user, password != "" && p.of[user] == password
}
func (p *passwords) ListenerFor(string, string) bool { return false }
func (p *passwords) set(user, password string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.of[user] = password
}

func TestAReplacedPasswordEndsWithTheGrantAndTheNewOneIsGood(t *testing.T) {
	k := newKeys(t)
	s := external(t, k, false)
	p := &passwords{of: map[string]string{"T01": "first", "T02": "stays"}}
	startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer, Credentials: p, GrantFor: 2 * time.Second})

	closed := make(chan struct{})
	old, err := nats.Connect("nats://"+s.Addr(), nats.UserInfo("T01", "first"), nats.ReconnectWait(50*time.Millisecond),
		nats.ClosedHandler(func(*nats.Conn) { close(closed) }), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	// A plain client with default settings, whose password stays good, lives
	// through the ends of its grants.
	again := make(chan struct{}, 16)
	stays, err := nats.Connect("nats://"+s.Addr(), nats.UserInfo("T02", "stays"), nats.ReconnectWait(50*time.Millisecond),
		nats.ReconnectHandler(func(*nats.Conn) { again <- struct{}{} }), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	defer stays.Close()
	var lost atomic.Int32
	back := make(chan struct{}, 16)
	m := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.MQTTAddr()).SetClientID("field-T02").SetUsername("T02").SetPassword("stays").
		SetMaxReconnectInterval(200 * time.Millisecond).SetConnectionLostHandler(func(mqtt.Client, error) { lost.Add(1) }).
		SetOnConnectHandler(func(mqtt.Client) { back <- struct{}{} }))
	done(t, m.Connect())
	defer m.Disconnect(0)

	p.set("T01", "second")
	if err := tryRig(s, "T01", "first"); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("the old password still lets in: %v", err)
	}
	if err := tryRig(s, "T01", "second"); err != nil {
		t.Errorf("the new password does not let in: %v", err)
	}
	select {
	case <-closed:
	case <-time.After(15 * time.Second):
		t.Error("who came in with the old password is still there")
	}
	for n, c := range map[string]chan struct{}{"NATS": again, "MQTT": back} {
		for range 3 { // over several grants
			select {
			case <-c:
			case <-time.After(15 * time.Second):
				t.Fatalf("the rig with a good password does not come back over %s", n)
			}
		}
	}
	if lost.Load() < 2 {
		t.Errorf("MQTT: the grant ended %d times, want at least 2", lost.Load())
	}
	if err := stays.Flush(); err != nil && !stays.IsReconnecting() {
		t.Error(err)
	}
}

func TestWhileNoCalloutAnswersNobodyNewComesInAndAfterwardsAllIsWell(t *testing.T) {
	k := newKeys(t)
	s := external(t, k, true)
	nc := asService(t, s)
	if err := tryRig(s, "user-T01", "pw-T01"); err == nil {
		t.Fatal("let in before there was a callout")
	}
	c := startCallout(t, nc, CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey})
	if err := tryRig(s, "user-T01", "pw-T01"); err != nil {
		t.Fatal(err)
	}
	here := asRig(t, s, "T02")
	c.Stop()
	if err := c.Ready(); err == nil || !strings.Contains(err.Error(), "stopped") {
		t.Errorf("Ready of a stopped callout gives %v", err)
	}
	if err := tryRig(s, "user-T01", "pw-T01"); err == nil {
		t.Error("let in although nobody answers")
	}
	if err := here.Flush(); err != nil {
		t.Error("who was in is out:", err)
	}
	c = startCallout(t, nc, CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey})
	if err := tryRig(s, "user-T01", "pw-T01"); err != nil {
		t.Error("still out although the callout is back:", err)
	}
	if err := c.Ready(); err != nil {
		t.Error(err)
	}
	nc.Close()
	if c.Ready() == nil {
		t.Error("ready without a connection")
	}
}

func TestALostConnectionOfTheCalloutHeals(t *testing.T) {
	k := newKeys(t)
	s := external(t, k, false)
	nc := asService(t, s)
	c := startCallout(t, nc, CalloutOptions{IssuerSeed: k.issuer})
	id, err := nc.GetClientID()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.nats.DisconnectClientByID(id); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the break shows", func() bool { return c.Ready() != nil })
	eventually(t, "the callout is back", func() bool { return c.Ready() == nil })
	eventually(t, "a rig comes in", func() bool { return tryRig(s, "user-T01", "pw-T01") == nil })
}

func TestTwoCalloutsShareTheQuestionsAndOneIsEnough(t *testing.T) {
	k := newKeys(t)
	s := external(t, k, false)
	first := startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer})
	second := startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer})
	const clients = 60
	for i := range clients {
		rig := fmt.Sprintf("T%02d", i)
		if err := tryRig(s, "user-"+rig, "pw-"+rig); err != nil {
			t.Fatal(err)
		}
	}
	a, _, _ := first.Answered()
	b, _, _ := second.Answered()
	// The server picks at random: that one of two gets none of 60 has a chance of 2^-59.
	if a+b != clients || a == 0 || b == 0 {
		t.Errorf("they answered %d and %d, want %d together and some each", a, b, clients)
	}
	first.Stop()
	for range 20 {
		if err := tryRig(s, "user-T01", "pw-T01"); err != nil {
			t.Fatal("with one callout stopped:", err)
		}
	}
}

func TestManyRigsComeBackAtOnce(t *testing.T) {
	k := newKeys(t)
	// The 5 s of deploy/container/nats.conf: with the 1 s of the other tests, a slow
	// machine answers all of them when the server has given up waiting.
	conf := strings.Replace(externalConf, "timeout: 1", "timeout: 5", 1)
	s := configured(t, fmt.Sprintf(conf, t.TempDir(), k.publicIssuer, ", xkey: "+k.publicXKey))
	c := startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey})
	const rigs = 100
	var wg sync.WaitGroup
	var out atomic.Int32
	began := time.Now()
	for i := range rigs {
		wg.Go(func() {
			if err := tryRig(s, fmt.Sprintf("user-R%d", i), fmt.Sprintf("pw-R%d", i)); err != nil {
				out.Add(1)
			}
		})
	}
	wg.Wait()
	if out.Load() > 0 {
		t.Errorf("%d of %d rigs were kept out", out.Load(), rigs)
	}
	in, refused, late := c.Answered()
	t.Logf("%d rigs in %v: let in %d, refused %d, passed over %d", rigs, time.Since(began), in, refused, late)
}

// slowDoors take their time to say who is who.
type slowDoors struct{ takes time.Duration }

func (s slowDoors) RigFor(user, password string) (string, bool) {
	time.Sleep(s.takes)
	return doors{}.RigFor(user, password)
}
func (slowDoors) ListenerFor(string, string) bool { return false }

func TestAfterMoreRigsThanCanBeAnsweredTheNextComesInAtOnce(t *testing.T) {
	k := newKeys(t)
	s := external(t, k, false) // waits for a second
	c := startCallout(t, asService(t, s), CalloutOptions{IssuerSeed: k.issuer, Credentials: slowDoors{200 * time.Millisecond}})
	var wg sync.WaitGroup
	for i := range 20 * runtime.GOMAXPROCS(0) { // four seconds of work
		wg.Go(func() { _ = tryRig(s, fmt.Sprintf("user-R%d", i), fmt.Sprintf("pw-R%d", i)) })
	}
	wg.Wait()
	if err := tryRig(s, "user-T01", "pw-T01"); err != nil {
		t.Error("the next rig is kept out:", err)
	}
	if in, _, late := c.Answered(); in == 0 || late == 0 {
		t.Errorf("let in %d, passed over %d; want some of each", in, late)
	}
}

func TestACalloutThatCannotWorkSaysSo(t *testing.T) {
	k, other := newKeys(t), newKeys(t)
	s := external(t, k, true)
	nc := asService(t, s)
	open := configured(t, fmt.Sprintf("server_name: open\nlisten: \"127.0.0.1:-1\"\njetstream { store_dir: %q }\n", t.TempDir()))
	anybody, err := nats.Connect("nats://" + open.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer anybody.Close()
	user, _ := nkeys.CreateUser()
	userSeed, _ := user.Seed()
	for name, try := range map[string]struct {
		nc   *nats.Conn
		o    CalloutOptions
		says string
	}{
		"no seed":                      {nc, CalloutOptions{Credentials: doors{}}, "account's nkey seed"},
		"a user's seed":                {nc, CalloutOptions{Credentials: doors{}, IssuerSeed: userSeed}, "account's nkey seed"},
		"a xkey that is none":          {nc, CalloutOptions{Credentials: doors{}, IssuerSeed: k.issuer, XKeySeed: k.issuer}, "curve"},
		"no credentials":               {nc, CalloutOptions{IssuerSeed: k.issuer}, "no credentials"},
		"a server open to anybody":     {anybody, CalloutOptions{Credentials: doors{}, IssuerSeed: k.issuer}, "lets anybody in"},
		"grants that end at once":      {nc, CalloutOptions{Credentials: doors{}, IssuerSeed: k.issuer, GrantFor: time.Millisecond}, "less than a second"},
		"a user that may not hear":     {mute(t, k), CalloutOptions{Credentials: doors{}, IssuerSeed: k.issuer}, "ermissions"},
		"a connection that was closed": {closedConn(t, s), CalloutOptions{Credentials: doors{}, IssuerSeed: k.issuer, Account: "FLEET"}, "auth callout"},
	} {
		t.Run(name+" is refused at the start", func(t *testing.T) {
			c, err := StartCallout(try.nc, try.o)
			if err == nil {
				c.Stop()
			}
			if err == nil || !strings.Contains(err.Error(), try.says) {
				t.Errorf("got %v", err)
			}
		})
	}
	for name, o := range map[string]CalloutOptions{
		"another issuer": {IssuerSeed: other.issuer, XKeySeed: k.xkey},
		"another xkey":   {IssuerSeed: k.issuer, XKeySeed: other.xkey},
		"no xkey":        {IssuerSeed: k.issuer},
	} {
		t.Run(name+" shows when the server asks", func(t *testing.T) {
			c := startCallout(t, nc, o)
			if err := tryRig(s, "user-T01", "pw-T01"); err == nil {
				t.Fatal("was let in")
			}
			eventually(t, "it shows", func() bool { return c.Ready() != nil })
			t.Log(c.Ready())
			c.Stop()
		})
	}
	t.Run("an account that is not there lets nobody in", func(t *testing.T) {
		c := startCallout(t, nc, CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey, Account: "NOWHERE"})
		if err := tryRig(s, "user-T01", "pw-T01"); err == nil {
			t.Error("was let in")
		}
		c.Stop()
	})
	t.Run("rubbish where questions come is not answered", func(t *testing.T) {
		c := startCallout(t, nc, CalloutOptions{IssuerSeed: k.issuer, XKeySeed: k.xkey})
		for _, m := range []*nats.Msg{
			{Data: nil}, {Data: []byte("eyJ.x.y")}, {Data: []byte("x"), Header: nats.Header{askXKey: {"XNONE"}}},
			{Data: []byte("x"), Header: nats.Header{askXKey: {k.publicXKey}}},
		} {
			c.answer(m)
			if c.Ready() == nil {
				t.Errorf("%q passed for a question", m.Data)
			}
		}
		if err := tryRig(s, "user-T01", "pw-T01"); err != nil {
			t.Error(err)
		}
		if err := c.Ready(); err != nil {
			t.Error("a good question did not clear it:", err)
		}
		c.Stop()
	})
}

// mute is a connection whose user may not subscribe to the questions.
func mute(t *testing.T, k keys) *nats.Conn {
	t.Helper()
	conf := fmt.Sprintf(externalConf, t.TempDir(), k.publicIssuer, "")
	s := configured(t, strings.Replace(conf, `password: "own-secret"`, `password: "own-secret", permissions: { subscribe: [ "_INBOX.>" ] }`, 1))
	return asService(t, s)
}

func closedConn(t *testing.T, s *Server) *nats.Conn {
	t.Helper()
	nc := asService(t, s)
	nc.Close()
	return nc
}
