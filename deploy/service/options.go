package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"rigledger/events"
	"rigledger/events/mongostore"
	"rigledger/events/sqlitestore"
)

// check completes o and refuses what cannot work, naming the option.
func (o *Options) check() error {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.RaiseEvery == 0 {
		o.RaiseEvery = time.Minute
	}
	switch {
	case o.Data == "":
		return errors.New("--data: no folder given")
	case o.RaiseEvery < time.Second:
		return fmt.Errorf("--raise-every: %s is too often, at least 1s", o.RaiseEvery)
	case (o.CertFile == "") != (o.KeyFile == ""):
		return errors.New("--tls-cert and --tls-key go together")
	case (o.OIDCIssuer == "") != (o.OIDCAudience == ""):
		return errors.New("--oidc-issuer and --oidc-audience go together")
	case !(o.Rate >= 0):
		return fmt.Errorf("--rate: %v is not a rate; 0 or more requests a second", o.Rate)
	case o.NATSIssuer != "" && o.NATSURL == "":
		return errors.New("--nats-issuer: only together with --nats-url; the embedded NATS server knows the rigs by itself")
	case o.NATSURL != "" && o.MQTT != "":
		return errors.New("--mqtt: only the embedded NATS server speaks MQTT here; set it up on the server at --nats-url")
	}
	for _, a := range []struct{ flag, address string }{{"--http", o.HTTP}, {"--nats", o.NATS}, {"--mqtt", o.MQTT}} {
		if a.address == "" || a.flag == "--nats" && o.NATSURL != "" {
			continue
		}
		host, _, err := net.SplitHostPort(a.address)
		if err != nil {
			return fmt.Errorf("%s: %q is not host:port: %w", a.flag, a.address, err)
		}
		if !loopback(host) && o.CertFile == "" && !o.AllowPlain {
			return fmt.Errorf("%s: %s can be reached from other machines; give --tls-cert and --tls-key, or --allow-plain where the network is trusted", a.flag, a.address)
		}
	}
	return nil
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// OpenStore opens the ledger that the options name: MongoDB, or SQLite in the
// data folder.
func OpenStore(ctx context.Context, o Options) (events.Store, error) {
	if o.Mongo != "" {
		store, err := mongostore.Open(ctx, o.Mongo, o.MongoDB)
		if err != nil {
			return nil, fmt.Errorf("ledger in MongoDB: %w", err)
		}
		return store, nil
	}
	store, err := sqlitestore.Open(ctx, LedgerPath(o.Data))
	if err != nil {
		return nil, fmt.Errorf("ledger in %s: %w", o.Data, err)
	}
	return store, nil
}

// LedgerPath is the SQLite ledger's file in a data folder.
func LedgerPath(dir string) string { return filepath.Join(dir, "ledger.db") }

// redact hides user and password of a URL that is going to be shown.
func redact(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "(unreadable URL)"
	}
	u.User = nil
	return u.String()
}

// lockFile takes an exclusive lock that ends with the process.
func lockFile(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, err
	}
	return func() { _ = f.Close() }, nil
}

// writeFile replaces a file in one step, so that no reader sees half of it.
func writeFile(path string, text []byte, mode os.FileMode) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".writing-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	if _, err := tmp.Write(text); err != nil {
		_ = tmp.Close()
		return err
	}
	if err := errors.Join(tmp.Chmod(mode), tmp.Sync(), tmp.Close()); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), path)
}
