package intake

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// Subjects and names of a NATS server's auth callout.
const (
	askSubject  = "$SYS.REQ.USER.AUTH"
	askAudience = "nats-authorization-request"
	askXKey     = "Nats-Server-Xkey"
	whoAmI      = "$SYS.REQ.USER.INFO"
	askQueue    = "rigledger"
)

// grantFor is how long a client may stay before it must show its password
// again. An external server cannot be told to drop a connection, so this bounds
// how long a rig goes on with a password that was replaced.
const grantFor = time.Hour

// CalloutOptions describes a Callout. IssuerSeed and Credentials are needed.
type CalloutOptions struct {
	IssuerSeed  []byte        // nkey seed (SA…) whose public key is the server's auth_callout issuer
	XKeySeed    []byte        // nkey seed (SX…) whose public key is the server's auth_callout xkey; nil without
	Account     string        // where clients are put; "" for the account of the connection
	Credentials Credentials   // who is who
	GrantFor    time.Duration // 0 for an hour; a tenth at random is taken off it
	Logger      *slog.Logger
}

// Callout answers an external NATS server that asks who a client is
// (auth_callout in the server's configuration), with the same rights that the
// embedded server gives. Any number of instances share the questions.
//
// While none answers, the server refuses new clients and keeps those it has
// until their grant ends.
type Callout struct {
	nc       *nats.Conn
	sub      *nats.Subscription
	issuer   nkeys.KeyPair
	public   string // issuer's public key
	xkey     nkeys.KeyPair
	account  string
	who      Credentials
	grantFor time.Duration
	log      *slog.Logger
	queue    chan question
	workers  sync.WaitGroup
	patience atomic.Int64 // how long the server waits for an answer, in ns
	trouble  trouble

	admitted, refused, late atomic.Uint64
}

// question is what a server asks, and when it came to us.
type question struct {
	m    *nats.Msg
	came time.Time
}

// firstPing is when a server sends a new client its first PING, let in or not. A
// client of nats.go that gets it instead of a welcome gives up.
const firstPing = 2 * time.Second

// maxQuestions is how many may wait: more than a server has connections.
const maxQuestions = 2 * maxConnections

// StartCallout answers on a connection that stays the caller's and whose user
// is one of the server's auth_users. It returns when the server has the
// subscription.
func StartCallout(nc *nats.Conn, o CalloutOptions) (*Callout, error) {
	c := &Callout{nc: nc, account: o.Account, who: o.Credentials, grantFor: o.GrantFor, log: o.Logger, queue: make(chan question, maxQuestions)}
	if c.log == nil {
		c.log = slog.New(slog.DiscardHandler)
	}
	c.log = c.log.With("part", "callout")
	if c.grantFor == 0 {
		c.grantFor = grantFor
	}
	if c.who == nil || c.grantFor < time.Second {
		return nil, errors.New("auth callout: no credentials, or grants of less than a second")
	}
	if err := c.keys(o.IssuerSeed, o.XKeySeed); err != nil {
		return nil, fmt.Errorf("auth callout: %w", err)
	}
	if !nc.AuthRequired() {
		return nil, errors.New("auth callout: the NATS server lets anybody in; set up auth_callout in its configuration")
	}
	if c.account == "" {
		var err error
		if c.account, err = accountOf(nc); err != nil {
			return nil, fmt.Errorf("auth callout: %w", err)
		}
	}
	before := nc.LastError()
	sub, err := nc.QueueSubscribe(askSubject, askQueue, func(m *nats.Msg) { c.queue <- question{m, time.Now()} })
	if err != nil {
		return nil, fmt.Errorf("auth callout: %w", err)
	}
	c.sub = sub
	sub.SetClosedHandler(func(string) { close(c.queue) }) // after its last message
	for range runtime.GOMAXPROCS(0) {
		c.workers.Go(c.work)
	}
	err = nc.FlushTimeout(10 * time.Second)
	if now := nc.LastError(); err == nil && now != before && errors.Is(now, nats.ErrPermissionViolation) {
		err = now
	}
	if err != nil {
		_ = sub.Unsubscribe()
		return nil, fmt.Errorf("auth callout: hear %s: %w", askSubject, err)
	}
	c.log.Info("answering who is who", "issuer", c.public, "account", c.account, "encrypted", c.xkey != nil)
	return c, nil
}

func (c *Callout) keys(issuer, xkey []byte) error {
	kind, _, err := nkeys.DecodeSeed(issuer)
	if err != nil || kind != nkeys.PrefixByteAccount {
		return errors.New("the issuer's seed is not an account's nkey seed (SA…)")
	}
	if c.issuer, err = nkeys.FromSeed(issuer); err != nil {
		return errors.New("the issuer's seed cannot be read")
	}
	if c.public, err = c.issuer.PublicKey(); err != nil {
		return errors.New("the issuer's seed has no public key")
	}
	if len(xkey) == 0 {
		return nil
	}
	if c.xkey, err = nkeys.FromCurveSeed(xkey); err != nil {
		return errors.New("the xkey's seed is not a curve nkey seed (SX…)")
	}
	return nil
}

// accountOf asks the server for the name of the connection's own account.
func accountOf(nc *nats.Conn) (string, error) {
	m, err := nc.Request(whoAmI, nil, 10*time.Second)
	if err != nil {
		return "", fmt.Errorf("ask the server for our own account: %w", err)
	}
	var told struct {
		Data struct{ Account string }
	}
	if err := json.Unmarshal(m.Data, &told); err != nil || told.Data.Account == "" {
		return "", fmt.Errorf("ask the server for our own account: it said %.200q", m.Data)
	}
	return told.Data.Account, nil
}

// Ready says why clients cannot be let in at the moment; nil when all is well.
func (c *Callout) Ready() error {
	switch {
	case !c.nc.IsConnected():
		return errNotConnected
	case !c.sub.IsValid():
		return errors.New("the auth callout has stopped")
	}
	return c.trouble.get()
}

// Answered gives how many clients were let in, how many refused, and how many
// left without an answer because their server did not wait for it any more.
func (c *Callout) Answered() (admitted, refused, late uint64) {
	return c.admitted.Load(), c.refused.Load(), c.late.Load()
}

// Stop answers what has come in already and then no more.
func (c *Callout) Stop() {
	if c.sub.Drain() != nil {
		return // the connection is gone, and with it the subscription
	}
	done := make(chan struct{})
	go func() { c.workers.Wait(); close(done) }()
	select {
	case <-done:
		_ = c.nc.FlushTimeout(2 * time.Second)
	case <-time.After(5 * time.Second):
	}
}

// work answers question after question. When more rigs come at once than can be
// answered in time, those that have waited long are passed over: answering them
// would only make the next ones late as well, and in the end nobody came in.
func (c *Callout) work() {
	for q := range c.queue {
		if wait := min(firstPing, time.Duration(c.patience.Load())); wait > 0 && time.Since(q.came) > wait*3/4 {
			c.late.Add(1)
			continue
		}
		c.answer(q.m)
	}
}

// answer is called for each client that wants to come in.
func (c *Callout) answer(m *nats.Msg) {
	ask, serverKey, err := c.open(m)
	if err != nil {
		// Without the question there is nothing to sign; the server waits in vain
		// and refuses.
		c.fail(fmt.Errorf("cannot read what the NATS server asks: %w", err))
		return
	}
	c.patience.Store((ask.Expires - ask.IssuedAt) * int64(time.Second)) // both by the server's clock
	if ask.Subject != c.public {
		c.fail(fmt.Errorf("the NATS server expects issuer %s in auth_callout, ours is %s", ask.Subject, c.public))
	} else {
		c.trouble.clear()
	}
	reply := jwt.NewAuthorizationResponseClaims(ask.UserNkey)
	reply.Audience = ask.Server.ID
	if reply.Jwt, err = c.grant(ask); err != nil {
		reply.Error = err.Error()
		c.refused.Add(1)
		c.log.Debug("refused a client", "user", ask.ConnectOptions.Username, "host", ask.ClientInformation.Host, "error", err)
	} else {
		c.admitted.Add(1)
	}
	text, err := reply.Encode(c.issuer)
	if err != nil {
		c.fail(fmt.Errorf("sign the answer: %w", err))
		return
	}
	data := []byte(text)
	if serverKey != "" {
		if data, err = c.xkey.Seal(data, serverKey); err != nil {
			c.fail(fmt.Errorf("encrypt the answer: %w", err))
			return
		}
	}
	if err := c.nc.Publish(m.Reply, data); err != nil {
		c.log.Warn("answer the NATS server", "error", err)
	}
}

func (c *Callout) fail(err error) {
	c.trouble.set(err)
	c.log.Error("nobody can be let in", "error", err)
}

// open reads the question; serverKey is "" when it came unencrypted.
func (c *Callout) open(m *nats.Msg) (ask *jwt.AuthorizationRequestClaims, serverKey string, err error) {
	data := m.Data
	if serverKey = m.Header.Get(askXKey); serverKey != "" {
		if c.xkey == nil {
			return nil, "", errors.New("it is encrypted, and we have no xkey seed")
		}
		if data, err = c.xkey.Open(data, serverKey); err != nil {
			return nil, "", fmt.Errorf("it is encrypted for another xkey: %w", err)
		}
	}
	if ask, err = jwt.DecodeAuthorizationRequestClaims(string(data)); err != nil {
		return nil, "", err
	}
	if ask.Audience != askAudience || !nkeys.IsValidPublicUserKey(ask.UserNkey) || !nkeys.IsValidPublicServerKey(ask.Server.ID) {
		return nil, "", errors.New("it is not a question for an auth callout")
	}
	return ask, serverKey, nil
}

// The errors that the server writes in its log; the client hears only that it
// is not authorized.
var (
	errWrongPassword = errors.New("no such user, or a wrong password")
	errNotAClient    = errors.New("only clients may connect")
)

// grant signs what the client may do.
func (c *Callout) grant(ask *jwt.AuthorizationRequestClaims) (string, error) {
	if ask.ClientInformation.Kind != "Client" {
		return "", errNotAClient // no leaf nodes
	}
	with := ask.ConnectOptions
	name, may, ok := admit(c.who, with.Username, with.Password, with.Token)
	if !ok {
		return "", errWrongPassword
	}
	u := jwt.NewUserClaims(ask.UserNkey)
	u.Name, u.Audience = name, c.account
	u.Pub.Allow, u.Pub.Deny = may.publish, may.neverPublish
	u.Sub.Allow = may.subscribe
	u.AllowedConnectionTypes = jwt.StringList{jwt.ConnectionTypeStandard, jwt.ConnectionTypeWebsocket, jwt.ConnectionTypeMqtt, jwt.ConnectionTypeMqttWS}
	// The rigs that came back together after an outage must not all go together.
	u.Expires = time.Now().Add(c.grantFor - rand.N(c.grantFor/10+1)).Unix()
	text, err := u.Encode(c.issuer)
	if err != nil {
		return "", fmt.Errorf("sign the grant: %w", err)
	}
	return text, nil
}
