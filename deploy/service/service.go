// Package service puts the rooms together into the running rigledger: store,
// fleet, NATS, intake, scheduler, API, in that order and in this one place.
// It decides nothing about rigs; what can be chosen is in Options.
package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"rigledger/api"
	"rigledger/api/console"
	"rigledger/api/feed"
	"rigledger/api/hooks"
	"rigledger/api/openid"
	"rigledger/events"
	"rigledger/events/intake"
	"rigledger/fleet"
	"rigledger/scheduler"
)

// Options are what `rigledger serve` can be told. Addresses are host:port;
// port 0 takes a free one.
type Options struct {
	Data    string // folder for the ledger, the NATS buffer and the addresses
	HTTP    string
	NATS    string // where the embedded NATS server listens
	NATSURL string // an existing NATS server instead of the embedded one
	// File of the nkey seeds with which that server's auth callout is answered;
	// "" leaves who may come in there to its own configuration.
	NATSIssuer string

	MQTT    string // where the embedded server speaks MQTT; "" for not at all
	Mongo   string // MongoDB URI; "" keeps the ledger in SQLite
	MongoDB string // name of the database

	Zone       *time.Location
	RaiseEvery time.Duration

	CertFile, KeyFile string // TLS for HTTP, NATS and MQTT
	AllowPlain        bool   // listen beyond loopback without TLS

	// OpenID Connect: whose tokens are taken beside our own; no issuer takes none.
	OIDCIssuer, OIDCAudience, OIDCRoleClaim, OIDCYardsClaim string

	HooksPrivate bool    // hooks may send to private, loopback and link-local addresses
	Rate         float64 // requests a second that each token may make; 0 for any number

	Version string
	Log     *slog.Logger
	Now     func() time.Time // nil for time.Now; the demo plays a season with it
}

// Addresses are where a service can be reached.
type Addresses struct {
	HTTP string `json:"http"`
	NATS string `json:"nats"`
	MQTT string `json:"mqtt"` // "" while it is off
}

// AddressesFile is where in the data folder the chosen addresses are written,
// TokenFile where the first manager's token is.
const (
	AddressesFile = "addresses.json"
	TokenFile     = "manager.token"
)

// Service is a running rigledger.
type Service struct {
	Fleet     *fleet.Fleet
	Addresses Addresses
	NewToken  string // path of the token file, if this start made it

	raiser  *fleet.Raiser
	noter   *fleet.Noter
	callout *intake.Callout // nil without NATSIssuer
	done    chan error
	undo    []cleanup
	log     *slog.Logger
}

type cleanup struct {
	name string
	run  func()
}

// Start brings everything up, or nothing: on error what was started is stopped
// again. ctx bounds the start only.
func Start(ctx context.Context, o Options) (_ *Service, err error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	s := &Service{done: make(chan error, 4), log: o.Log}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()

	if err := os.MkdirAll(o.Data, 0o750); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if o.NATSURL == "" { // before anything of one that serves from here already is touched
		unlock, err := lockFile(filepath.Join(o.Data, "nats.lock"))
		if err != nil {
			return nil, fmt.Errorf("another rigledger serves from %s: %w", o.Data, err)
		}
		s.onClose("lock", unlock)
	}
	// A killed service leaves its addresses behind; they are not ours.
	_ = os.Remove(filepath.Join(o.Data, AddressesFile))
	store, err := OpenStore(ctx, o)
	if err != nil {
		return nil, err
	}
	s.onClose("store", func() { _ = store.Close() })

	// The announcer needs a NATS connection, which needs the fleet's credentials.
	var announcer atomic.Pointer[intake.Announcer]
	var server atomic.Pointer[intake.Server]
	s.Fleet, err = fleet.Open(ctx, fleet.Options{
		Store: store, Zone: o.Zone, Now: o.Now, Log: o.Log.With("room", "fleet"),
		Announce: func(c *events.Commit) {
			if a := announcer.Load(); a != nil {
				a.Announce(c)
			}
		},
		Applied: func(c *events.Commit) {
			// Before anybody is told of the commit: a rig that comes with its new
			// password must not be the one that is dropped.
			if s := server.Load(); s != nil {
				dropEnded(s, c)
			}
		},
	})
	if err != nil {
		return nil, err
	}
	s.onClose("fleet", s.Fleet.Close)
	if err := s.Fleet.PublishStarters(ctx); err != nil {
		return nil, fmt.Errorf("publishing the house plans: %w", err)
	}
	if err := s.firstManager(ctx, o.Data); err != nil {
		return nil, err
	}
	s.background("token uses", func(ctx context.Context) error { return s.Fleet.KeepUses(ctx, time.Minute) })

	nc, err := s.road(o, &server)
	if err != nil {
		return nil, err
	}
	a := intake.NewAnnouncer(nc, o.Log.With("room", "intake"))
	reader := &feed.Reader{Fleet: s.Fleet}
	a.Changes = reader.Changes
	announcer.Store(a)
	s.background("announcer", func(ctx context.Context) error { a.Run(ctx); return nil })
	in := intake.New(nc, intake.Options{Desk: s.Fleet, Logger: o.Log.With("room", "intake"), Now: o.Now})
	s.background("intake", in.Run)

	s.raiser, s.noter = fleet.NewRaiser(s.Fleet), fleet.NewNoter(s.Fleet)
	jobs, err := scheduler.Start(ctx, o.Zone, o.Log.With("room", "scheduler"), []scheduler.Job{
		scheduler.Raising(s.raiser, o.RaiseEvery, o.Log),
		scheduler.Standing(s.noter, o.RaiseEvery, o.Log),
		scheduler.Snapshots(s.Fleet, o.Log),
		scheduler.Silence(s.Fleet, o.Log),
	})
	if err != nil {
		return nil, err
	}
	s.onClose("scheduler", jobs.Stop)

	deliveries := hooks.New(hooks.Options{Feed: reader, Log: o.Log.With("room", "hooks"), Private: o.HooksPrivate})
	s.background("hooks", deliveries.Run)

	issuer, err := s.believe(o)
	if err != nil {
		return nil, err
	}
	if err := s.serveHTTP(o, in, jobs, deliveries, issuer); err != nil {
		return nil, err
	}
	if err := s.writeAddresses(o.Data); err != nil {
		return nil, err
	}
	return s, nil
}

// Raise opens what has come due and notes how rigs stand, now instead of at the
// scheduler's next turn.
func (s *Service) Raise(ctx context.Context) (int, error) {
	raised, err := s.raiser.Raise(ctx)
	if err == nil {
		_, err = s.noter.Note(ctx)
	}
	return raised, err
}

// Failed gives the error of a part of the service that ended by itself.
func (s *Service) Failed() <-chan error { return s.done }

// Close stops everything, the newest first.
func (s *Service) Close() {
	for i := len(s.undo) - 1; i >= 0; i-- {
		began := time.Now()
		s.undo[i].run()
		s.log.Debug("stopped", "part", s.undo[i].name, "took", time.Since(began).Round(time.Millisecond))
	}
	s.undo = nil
}

func (s *Service) onClose(name string, run func()) {
	s.undo = append(s.undo, cleanup{name, run})
}

// background runs a part until Close; should it end by itself, Failed says so.
func (s *Service) background(name string, run func(ctx context.Context) error) {
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := run(ctx); err != nil && ctx.Err() == nil {
			s.done <- fmt.Errorf("%s: %w", name, err)
		}
	}()
	s.onClose(name, func() { stop(); <-ended })
}

// road opens the way from the rigs: an embedded NATS server or an existing one.
func (s *Service) road(o Options, ours *atomic.Pointer[intake.Server]) (*nats.Conn, error) {
	log := o.Log.With("room", "nats")
	if o.NATSURL != "" {
		nc, err := intake.Connect(o.NATSURL, log)
		if err != nil {
			return nil, fmt.Errorf("NATS at %s: %w", redact(o.NATSURL), err)
		}
		s.onClose("nats connection", nc.Close)
		s.Addresses.NATS = redact(o.NATSURL)
		return nc, s.answerWhoIsWho(o, log)
	}
	server, err := intake.StartServer(intake.ServerOptions{
		Listen: o.NATS, MQTT: o.MQTT, StoreDir: filepath.Join(o.Data, "nats"),
		CertFile: o.CertFile, KeyFile: o.KeyFile, Credentials: s.Fleet, Logger: log,
	})
	if err != nil {
		return nil, fmt.Errorf("starting NATS: %w", err)
	}
	s.onClose("nats server", server.Shutdown)
	ours.Store(server)
	s.Addresses.NATS, s.Addresses.MQTT = server.Addr(), server.MQTTAddr()
	nc, err := server.Connect()
	if err != nil {
		return nil, fmt.Errorf("connecting to our NATS: %w", err)
	}
	s.onClose("nats connection", nc.Close)
	return nc, nil
}

// answerWhoIsWho makes an existing NATS server enforce the ledger's credentials.
// It has a connection of its own: a queue of readings must not keep rigs out.
func (s *Service) answerWhoIsWho(o Options, log *slog.Logger) error {
	if o.NATSIssuer == "" {
		return nil
	}
	issuer, xkey, err := intake.ReadSeeds(o.NATSIssuer)
	if err != nil {
		return fmt.Errorf("--nats-issuer: %w", err)
	}
	nc, err := intake.Connect(o.NATSURL, log)
	if err != nil {
		return fmt.Errorf("NATS at %s: %w", redact(o.NATSURL), err)
	}
	s.onClose("callout connection", nc.Close)
	s.callout, err = intake.StartCallout(nc, intake.CalloutOptions{IssuerSeed: issuer, XKeySeed: xkey, Credentials: s.Fleet, Logger: log})
	if err != nil {
		return fmt.Errorf("--nats-issuer: %w", err)
	}
	s.onClose("callout", s.callout.Stop)
	return nil
}

// believe takes an OpenID Connect issuer's tokens, nil when none is named. Its
// keys are asked for beside everything else: without them the service serves
// those who have tokens of its own.
func (s *Service) believe(o Options) (*openid.Issuer, error) {
	if o.OIDCIssuer == "" {
		return nil, nil
	}
	issuer, err := openid.New(openid.Options{
		Issuer: o.OIDCIssuer, Audience: o.OIDCAudience, RoleClaim: o.OIDCRoleClaim, YardsClaim: o.OIDCYardsClaim,
		Now: o.Now, Log: o.Log.With("room", "openid"),
	})
	if err != nil {
		return nil, fmt.Errorf("--oidc-%w", err)
	}
	s.background("openid", issuer.Run)
	return issuer, nil
}

// dropEnded disconnects whom a commit has shut out: a connection is checked
// only when it is made.
func dropEnded(server *intake.Server, c *events.Commit) {
	for i := range c.Facts {
		switch f := c.Facts[i].Fact.(type) {
		case *events.CredentialIssued:
			server.Drop(f.User)
		case *events.RigRetired:
			server.Drop(f.Rig)
		case *events.TokenRevoked:
			server.Drop(intake.ListenerUser)
		}
	}
}

func (s *Service) serveHTTP(o Options, in *intake.Intake, jobs *scheduler.Scheduler, deliveries *hooks.Worker, issuer *openid.Issuer) error {
	listener, err := net.Listen("tcp", o.HTTP)
	if err != nil {
		return fmt.Errorf("HTTP: %w", err)
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	intakeMetrics(registry, in.Stats)
	stopping := make(chan struct{})
	handler := api.New(api.Options{
		Fleet: s.Fleet, Log: o.Log.With("room", "api"), Version: o.Version, Secure: o.CertFile != "",
		Ready: func() []api.Check {
			checks := []api.Check{{Name: "intake", Err: inWords(in.Ready())}}
			if s.callout != nil {
				checks = append(checks, api.Check{Name: "rigs' credentials at NATS", Err: inWords(s.callout.Ready())})
			}
			for name, err := range jobs.Failing() {
				checks = append(checks, api.Check{Name: "job " + name, Err: inWords(err)})
			}
			return checks
		},
		Metrics: registry, Hooks: deliveries, Stopping: stopping, Rate: o.Rate, Issuer: issuer,
		Rigs: console.RigAddresses{NATS: s.Addresses.NATS, MQTT: s.Addresses.MQTT},
	})
	server := &http.Server{
		Handler:           handler,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       60 * time.Second,
		IdleTimeout:       120 * time.Second,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug),
	}
	server.RegisterOnShutdown(func() { close(stopping) }) // live streams would hold it up
	go func() {
		var err error
		if o.CertFile != "" {
			err = server.ServeTLS(listener, o.CertFile, o.KeyFile)
		} else {
			err = server.Serve(listener)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			s.done <- fmt.Errorf("HTTP: %w", err)
		}
	}()
	s.onClose("http", func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if server.Shutdown(ctx) != nil {
			_ = server.Close()
		}
	})
	s.Addresses.HTTP = listener.Addr().String()
	return nil
}

// writeAddresses tells scripts and tests where the service can be reached; the
// file is there only while it can.
func (s *Service) writeAddresses(dir string) error {
	text, err := json.MarshalIndent(s.Addresses, "", "  ")
	if err != nil {
		return err
	}
	path := filepath.Join(dir, AddressesFile)
	if err := writeFile(path, append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("addresses: %w", err)
	}
	s.onClose("addresses", func() { _ = os.Remove(path) })
	return nil
}

// firstManager makes the token with which somebody can get in at all. The file
// is complete before the token is valid, so that it is never lost in between.
func (s *Service) firstManager(ctx context.Context, dir string) error {
	cmd, text := fleet.NewToken("first manager", fleet.RoleManager)
	path := filepath.Join(dir, TokenFile)
	draft := path + ".new"
	if err := writeFile(draft, []byte(text+"\n"), 0o600); err != nil {
		return fmt.Errorf("manager token: %w", err)
	}
	issued, err := s.Fleet.FirstManager(ctx, cmd)
	if err != nil || !issued {
		return errors.Join(err, os.Remove(draft))
	}
	if err := os.Rename(draft, path); err != nil {
		return fmt.Errorf("manager token: %w", err)
	}
	s.NewToken = path
	return nil
}
