// Command rigledger keeps a spraying contractor's rigs serviced, tested,
// provable and working. See README.md; this file is flags and signals only.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // zones on machines that have none installed

	"rigledger/api/openid"
	"rigledger/deploy/command"
	"rigledger/deploy/demo"
	"rigledger/deploy/service"
)

const usage = `rigledger keeps the service ledger of a fleet of field sprayers.

  rigledger demo                       play an invented fleet's season, then show it
  rigledger serve                      the service: rigs over NATS, people and programs over HTTP
  rigledger token add|list|revoke      who may come in
  rigledger import fleet|readings|taskdata|fleetxml FILE
  rigledger export ledger|rigs|parts|items
  rigledger verify                     prove the ledger; --record FILE proves a record against it
  rigledger backup FILE                a consistent copy, also while serving
  rigledger restore FILE               into an empty ledger

"rigledger COMMAND -h" lists a command's flags. Every flag can be given as an
environment variable too: --raise-every is RIGLEDGER_RAISE_EVERY. To keep a
secret out of the environment, RIGLEDGER_MONGO_FILE names a file with the value.
`

// errUsage is wrapped by errors of wrong usage, which end with code 2.
var errUsage = errors.New("wrong usage")

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	switch {
	case err == nil || errors.Is(err, flag.ErrHelp):
	case errors.Is(err, errUsage):
		fmt.Fprintf(os.Stderr, "rigledger: %v\n", err)
		os.Exit(2)
	default:
		fmt.Fprintf(os.Stderr, "rigledger: %v\n", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out, errOut io.Writer) error {
	if len(args) == 0 {
		fmt.Fprint(errOut, usage)
		return fmt.Errorf("%w: name a command", errUsage)
	}
	c := newCommand(args[0], errOut)
	switch args[0] {
	case "demo":
		return c.demo(ctx, args[1:], out)
	case "serve":
		return c.serve(ctx, args[1:], out)
	case "token":
		return c.token(ctx, args[1:], out)
	case "import":
		return c.importFile(ctx, args[1:], out)
	case "export":
		return c.export(ctx, args[1:], out)
	case "verify":
		return c.verify(ctx, args[1:], out)
	case "backup", "restore":
		return c.copyLedger(ctx, args[0], args[1:], out)
	case "help", "-h", "--help":
		fmt.Fprint(out, usage)
		return nil
	case "version", "--version":
		fmt.Fprintln(out, version())
		return nil
	}
	fmt.Fprint(errOut, usage)
	return fmt.Errorf("%w: there is no command %q", errUsage, args[0])
}

// flags are one command's flags, with those that all commands share.
type flags struct {
	set      *flag.FlagSet
	errOut   io.Writer
	data     *string
	mongo    *string
	mongoDB  *string
	zone     *string
	logLevel *string
}

func newCommand(name string, errOut io.Writer) *flags {
	f := &flags{set: flag.NewFlagSet("rigledger "+name, flag.ContinueOnError), errOut: errOut}
	f.set.SetOutput(errOut)
	data := "./rigledger-data"
	if name == "demo" {
		data = ""
	}
	f.data = f.set.String("data", data, "`folder` of the ledger; for demo a new one, by default temporary")
	f.mongo = f.set.String("mongo", "", "keep the ledger in MongoDB at this `URI` instead of the folder")
	f.mongoDB = f.set.String("mongo-db", "rigledger", "`name` of the MongoDB database")
	f.zone = f.set.String("tz", "UTC", "the fleet's time `zone`, such as Europe/Berlin")
	f.logLevel = f.set.String("log", "info", "what to log: debug, info, warn, error")
	return f
}

// fromEnvironment sets the flags that the environment names, RIGLEDGER_X as the
// value itself or RIGLEDGER_X_FILE as the file that holds it.
func (f *flags) fromEnvironment() error {
	var first error
	f.set.VisitAll(func(fl *flag.Flag) {
		key := "RIGLEDGER_" + strings.ToUpper(strings.ReplaceAll(fl.Name, "-", "_"))
		value, ok := os.LookupEnv(key)
		shown := fmt.Sprintf("%s=%q", key, value)
		var err error
		if path, file := os.LookupEnv(key + "_FILE"); file && !ok {
			var text []byte
			text, err = os.ReadFile(path)
			value, ok, shown = strings.TrimSpace(string(text)), true, key+"_FILE="+path
		}
		if ok && err == nil {
			err = f.set.Set(fl.Name, value)
		}
		if err != nil && first == nil {
			first = fmt.Errorf("%w: %s: %v", errUsage, shown, err)
		}
	})
	return first
}

// words takes flags from the environment first and the command line last, with
// words among them in any order, and wants exactly so many words.
func (f *flags) words(args []string, want ...string) ([]string, error) {
	if err := f.fromEnvironment(); err != nil {
		return nil, err
	}
	var words []string
	for {
		if err := f.set.Parse(args); errors.Is(err, flag.ErrHelp) {
			return nil, err
		} else if err != nil {
			return nil, fmt.Errorf("%w: %v", errUsage, err)
		}
		if args = f.set.Args(); len(args) == 0 {
			break
		}
		words = append(words, args[0])
		args = args[1:]
	}
	if len(words) != len(want) {
		return nil, fmt.Errorf("%w: %s %s", errUsage, f.set.Name(), strings.Join(want, " "))
	}
	return words, nil
}

func (f *flags) location() (*time.Location, error) {
	zone, err := time.LoadLocation(*f.zone)
	if err != nil {
		return nil, fmt.Errorf("%w: --tz: %v", errUsage, err)
	}
	return zone, nil
}

func (f *flags) logger() (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(*f.logLevel)); err != nil {
		return nil, fmt.Errorf("%w: --log: %v", errUsage, err)
	}
	return slog.New(slog.NewTextHandler(f.errOut, &slog.HandlerOptions{Level: level})), nil
}

func (f *flags) ledger() (command.Ledger, error) {
	zone, err := f.location()
	if err != nil {
		return command.Ledger{}, err
	}
	log, err := f.logger()
	return command.Ledger{Data: *f.data, Mongo: *f.mongo, MongoDB: *f.mongoDB, Zone: zone, Log: log}, err
}

func (f *flags) demo(ctx context.Context, args []string, out io.Writer) error {
	once := f.set.Bool("once", false, "end after printing what is due")
	http := f.set.String("http", "127.0.0.1:8080", "`address` to serve HTTP on")
	nats := f.set.String("nats", "127.0.0.1:4222", "`address` to serve NATS on")
	days := f.set.Int("days", 0, "play only the last so `many` days of the season")
	if _, err := f.words(args); err != nil {
		return err
	}
	zone, err := f.location()
	if err != nil {
		return err
	}
	if *f.logLevel == "info" {
		*f.logLevel = "error" // the demo's own words are enough
	}
	log, err := f.logger()
	if err != nil {
		return err
	}
	return demo.Run(ctx, demo.Options{
		Data: *f.data, Once: *once, HTTP: *http, NATS: *nats, Zone: zone, Days: *days,
		Version: version(), Out: out, Bar: f.errOut, Log: log,
	})
}

func (f *flags) serve(ctx context.Context, args []string, out io.Writer) error {
	var o service.Options
	f.set.StringVar(&o.HTTP, "http", "127.0.0.1:8080", "`address` to serve HTTP on")
	f.set.StringVar(&o.NATS, "nats", "127.0.0.1:4222", "`address` for the embedded NATS server")
	f.set.StringVar(&o.NATSURL, "nats-url", "", "use the NATS server or cluster at this `URL` instead")
	f.set.StringVar(&o.NATSIssuer, "nats-issuer", "", "`file` of nkey seeds: answer that server's auth callout, so that it knows the rigs")
	f.set.StringVar(&o.MQTT, "mqtt", "", "`address` for MQTT 3.1.1, off by default")
	f.set.DurationVar(&o.RaiseEvery, "raise-every", time.Minute, "how often to raise what has come due")
	f.set.StringVar(&o.CertFile, "tls-cert", "", "PEM `file` of the certificate, for HTTP, NATS and MQTT")
	f.set.StringVar(&o.KeyFile, "tls-key", "", "PEM `file` of its key")
	f.set.BoolVar(&o.AllowPlain, "allow-plain", false, "serve beyond loopback without TLS")
	f.set.BoolVar(&o.HooksPrivate, "hooks-private", false, "let hooks send to private, loopback and link-local addresses")
	f.set.Float64Var(&o.Rate, "rate", 500, "`requests` a second that each token may make, 4 times as many at once; 0 for any number")
	f.set.StringVar(&o.OIDCIssuer, "oidc-issuer", "", "take the tokens of the OpenID Connect issuer at this `URL` too")
	f.set.StringVar(&o.OIDCAudience, "oidc-audience", "", "`name` of this service in such tokens")
	f.set.StringVar(&o.OIDCRoleClaim, "oidc-role-claim", openid.RoleClaim, "`claim` of such tokens that gives the role")
	f.set.StringVar(&o.OIDCYardsClaim, "oidc-yards-claim", openid.YardsClaim, "`claim` of such tokens that holds them to yards")
	if _, err := f.words(args); err != nil {
		return err
	}
	var err error
	if o.Zone, err = f.location(); err != nil {
		return err
	}
	if o.Log, err = f.logger(); err != nil {
		return err
	}
	o.Data, o.Mongo, o.MongoDB, o.Version = *f.data, *f.mongo, *f.mongoDB, version()
	s, err := service.Start(ctx, o)
	if err != nil {
		return err
	}
	defer s.Close()
	s.Announce(out, o)
	select {
	case <-ctx.Done():
		return nil
	case err := <-s.Failed():
		return err
	}
}

func (f *flags) token(ctx context.Context, args []string, out io.Writer) error {
	if len(args) == 0 {
		return fmt.Errorf("%w: rigledger token add|list|revoke", errUsage)
	}
	name := f.set.String("name", "", "who it is for")
	role := f.set.String("role", "reader", "manager, workshop, operator, reader or rig")
	yards := f.set.String("yards", "", "hold it to these yards, separated by commas")
	rig := f.set.String("rig", "", "the rig, for the role rig")
	expires := f.set.Duration("expires", 0, "valid for so long, such as 720h; by default for ever")
	reason := f.set.String("reason", "", "why it is revoked")
	var want []string
	if args[0] == "revoke" {
		want = []string{"revoke TOKEN"}
	}
	words, err := f.words(args[1:], want...)
	if err != nil {
		return err
	}
	l, err := f.ledger()
	if err != nil {
		return err
	}
	switch args[0] {
	case "add":
		t := command.NewToken{Name: *name, Role: *role, Rig: *rig, Expires: *expires}
		if *yards != "" {
			t.Yards = strings.Split(*yards, ",")
		}
		return command.AddToken(ctx, l, t, out)
	case "list":
		return command.ListTokens(ctx, l, out)
	case "revoke":
		return command.RevokeToken(ctx, l, words[0], *reason, out)
	}
	return fmt.Errorf("%w: rigledger token add|list|revoke", errUsage)
}

func (f *flags) importFile(ctx context.Context, args []string, out io.Writer) error {
	devices := f.set.String("device", "", "of taskdata: rigs for devices, each `SERIAL:RIG`, separated by commas")
	words, err := f.words(args, "fleet|readings|taskdata|fleetxml", "FILE")
	if err != nil {
		return err
	}
	l, err := f.ledger()
	if err != nil {
		return err
	}
	switch words[0] {
	case "fleet":
		return command.ImportFleet(ctx, l, words[1], out)
	case "readings":
		return command.ImportReadings(ctx, l, words[1], out)
	case "taskdata":
		var named []string
		if *devices != "" {
			named = strings.Split(*devices, ",")
		}
		return command.ImportTaskData(ctx, l, words[1], named, out)
	case "fleetxml":
		return command.ImportFleetXML(ctx, l, words[1], out)
	}
	return fmt.Errorf("%w: rigledger import fleet|readings|taskdata|fleetxml FILE", errUsage)
}

func (f *flags) export(ctx context.Context, args []string, out io.Writer) error {
	words, err := f.words(args, "ledger|rigs|parts|items")
	if err != nil {
		return err
	}
	l, err := f.ledger()
	if err != nil {
		return err
	}
	return command.Export(ctx, l, words[0], out)
}

func (f *flags) verify(ctx context.Context, args []string, out io.Writer) error {
	record := f.set.String("record", "", "check the record in this JSON `file` against the ledger instead")
	if _, err := f.words(args); err != nil {
		return err
	}
	l, err := f.ledger()
	if err != nil {
		return err
	}
	if *record != "" {
		var zone *time.Location // the record's own, unless another was asked for
		f.set.Visit(func(given *flag.Flag) {
			if given.Name == "tz" {
				zone = l.Zone
			}
		})
		return command.VerifyRecord(ctx, l, zone, *record, out)
	}
	return command.Verify(ctx, l, out)
}

func (f *flags) copyLedger(ctx context.Context, what string, args []string, out io.Writer) error {
	words, err := f.words(args, "FILE")
	if err != nil {
		return err
	}
	l, err := f.ledger()
	if err != nil {
		return err
	}
	if what == "backup" {
		return command.Backup(ctx, l, words[0], out)
	}
	return command.Restore(ctx, l, words[0], out)
}

func version() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
		return info.Main.Version
	}
	return "unknown"
}
