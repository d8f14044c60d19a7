package intake

import (
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"time"

	"github.com/nats-io/nats.go"
)

// Connect opens a connection to an existing server or cluster. The URL may
// carry user:password, and several URLs are parted by commas. The first
// connection must succeed within patience, so that a server that is just coming
// up is waited for; once made it is made again for ever.
func Connect(address string, log *slog.Logger) (*nats.Conn, error) {
	return dial(address, log)
}

// patience is how long a first connection is tried for, where nobody refused it.
const patience = 15 * time.Second

func dial(address string, log *slog.Logger, more ...nats.Option) (*nats.Conn, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	log = log.With("part", "nats")
	options := []nats.Option{
		nats.Name("rigledger"),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(500 * time.Millisecond),
		nats.ReconnectJitter(200*time.Millisecond, time.Second),
		nats.IgnoreAuthErrorAbort(), // a password may be mended while we wait
		nats.PingInterval(20 * time.Second),
		nats.MaxPingsOutstanding(2),
		nats.Timeout(5 * time.Second),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn("connection lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) { log.Info("connected again", "to", c.ConnectedUrlRedacted()) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { log.Warn("NATS reports", "error", err) }),
	}
	began := time.Now()
	for {
		nc, err := nats.Connect(address, append(options, more...)...)
		if err == nil {
			return nc, nil
		}
		if errors.Is(err, nats.ErrAuthorization) || time.Since(began) > patience {
			return nil, fmt.Errorf("connect to NATS at %s: %w", redact(address), err)
		}
		log.Info("waiting for NATS", "error", err)
		time.Sleep(500 * time.Millisecond)
	}
}

// redact keeps passwords out of error messages.
func redact(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return "the address given"
	}
	return u.Scheme + "://" + u.Host
}

// errNotConnected is what Ready shows while the connection is down.
var errNotConnected = errors.New("not connected to NATS")
