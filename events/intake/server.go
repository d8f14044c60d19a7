package intake

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// MaxMessage is the largest message a rig may send, headers included, in bytes.
const MaxMessage = 64 << 10

// Bounds of the embedded server.
const (
	maxConnections   = 4096
	maxSubscriptions = 256      // of one client
	maxPending       = 64 << 20 // bytes waiting for one client that does not read
	startWait        = 15 * time.Second
)

// ServerOptions describes the embedded NATS server.
type ServerOptions struct {
	Listen      string // host:port for NATS; port 0 takes a free one
	MQTT        string // host:port for MQTT 3.1.1, "" for none
	StoreDir    string // where JetStream keeps its files
	MaxStore    int64  // bytes JetStream may use; 0: three quarters of the free disk
	CertFile    string // with KeyFile: PEM files, TLS on both listeners
	KeyFile     string
	Credentials Credentials
	Logger      *slog.Logger
}

// Server is the embedded NATS server. It serves NATS and MQTT with JetStream,
// lets nobody in without a password and handles no signals.
type Server struct {
	nats     *server.Server
	password string
	log      *slog.Logger
	mqtt     bool
}

// StartServer starts the server and returns when it listens.
func StartServer(o ServerOptions) (*Server, error) {
	host, port, err := splitAddress(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("address for NATS: %w", err)
	}
	if o.StoreDir == "" {
		return nil, errors.New("NATS server: no folder to store in")
	}
	log := o.Logger
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	door, password := newDoorkeeper(o.Credentials)
	options := &server.Options{
		ServerName: "rigledger", Host: host, Port: port, NoSigs: true,
		JetStream: true, StoreDir: o.StoreDir, JetStreamMaxStore: o.MaxStore, DisableJetStreamBanner: true,
		MaxPayload: MaxMessage, MaxConn: maxConnections, MaxSubs: maxSubscriptions, MaxPending: maxPending,
		MaxClosedClients: 256, CustomClientAuthentication: door,
	}
	if o.CertFile != "" || o.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("certificate for NATS: %w", err)
		}
		options.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		options.TLSTimeout, options.AuthTimeout = 5, 6
	}
	if o.MQTT != "" {
		host, port, err := splitAddress(o.MQTT)
		if err != nil {
			return nil, fmt.Errorf("address for MQTT: %w", err)
		}
		options.MQTT.Host, options.MQTT.Port = host, port
		if options.TLSConfig != nil {
			options.MQTT.TLSConfig, options.MQTT.TLSTimeout = options.TLSConfig.Clone(), 5
		}
	}
	ns, err := server.NewServer(options)
	if err != nil {
		return nil, fmt.Errorf("NATS server: %w", err)
	}
	lines := &serverLog{log: log}
	ns.SetLoggerV2(lines, false, false, false)
	s := &Server{nats: ns, password: password, log: log, mqtt: o.MQTT != ""}
	ns.Start()
	for deadline := time.Now().Add(startWait); ; {
		ready := ns.ReadyForConnections(50 * time.Millisecond)
		if err := lines.fatal(); err != nil {
			s.Shutdown()
			return nil, fmt.Errorf("NATS server: %w", err)
		}
		if ready {
			return s, nil
		}
		if time.Now().After(deadline) {
			s.Shutdown()
			return nil, fmt.Errorf("NATS server: not ready within %v", startWait)
		}
	}
}

// splitAddress reads host:port; the server's own word for a free port is -1.
func splitAddress(address string) (string, int, error) {
	host, p, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, err
	}
	port, err := strconv.ParseUint(p, 10, 16)
	if err != nil {
		return "", 0, fmt.Errorf("port %q is not a number from 0 to 65535", p)
	}
	if port == 0 {
		return host, -1, nil
	}
	return host, int(port), nil
}

// Addr is where NATS clients connect, host:port.
func (s *Server) Addr() string {
	if a := s.nats.Addr(); a != nil {
		return a.String()
	}
	return ""
}

// MQTTAddr is where MQTT clients connect, host:port; "" without MQTT.
func (s *Server) MQTTAddr() string {
	if !s.mqtt {
		return ""
	}
	v, err := s.nats.Varz(&server.VarzOptions{})
	if err != nil || v.MQTT.Port <= 0 {
		return ""
	}
	return net.JoinHostPort(v.MQTT.Host, strconv.Itoa(v.MQTT.Port))
}

// Connect opens the service's own connection, inside the process.
func (s *Server) Connect() (*nats.Conn, error) {
	return dial(nats.DefaultURL, s.log, nats.InProcessServer(s.nats), nats.UserInfo(ownUser, s.password))
}

// Drop ends the connections of a user whose password is no longer good; who
// still has a good one comes back by itself. It returns how many it ended.
func (s *Server) Drop(user string) int {
	ended := 0
	for offset := 0; ; {
		page, err := s.nats.Connz(&server.ConnzOptions{Username: true, Offset: offset, Limit: 1024})
		if err != nil || len(page.Conns) == 0 {
			return ended
		}
		offset += len(page.Conns)
		for _, c := range page.Conns {
			if c.AuthorizedUser == user && user != ownUser && s.nats.DisconnectClientByID(c.Cid) == nil {
				ended++
			}
		}
	}
}

// Shutdown stops the server and waits until its files are closed.
func (s *Server) Shutdown() {
	s.nats.Shutdown()
	s.nats.WaitForShutdown()
}

// serverLog passes the server's lines on: warnings and errors as such, the
// rest only for debugging. A fatal line ends the start, not the program.
type serverLog struct {
	log   *slog.Logger
	mu    sync.Mutex
	first error
}

func (l *serverLog) fatal() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.first
}

func (l *serverLog) line(format string, v []any) (string, slog.Attr) {
	return fmt.Sprintf(format, v...), slog.String("part", "nats")
}

func (l *serverLog) Noticef(format string, v ...any) {
	text, part := l.line(format, v)
	l.log.Debug(text, part)
}

func (l *serverLog) Warnf(format string, v ...any) {
	text, part := l.line(format, v)
	l.log.Warn(text, part)
}

func (l *serverLog) Errorf(format string, v ...any) {
	text, part := l.line(format, v)
	l.log.Error(text, part)
}

func (l *serverLog) Fatalf(format string, v ...any) {
	text, part := l.line(format, v)
	l.log.Error(text, part)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.first == nil {
		l.first = errors.New(text)
	}
}

func (l *serverLog) Debugf(string, ...any) {}
func (l *serverLog) Tracef(string, ...any) {}
