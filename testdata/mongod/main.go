// Command mongod is the test server behind the tests of the MongoDB store: it
// speaks the MongoDB wire protocol and keeps its data in SQLite files. It is a
// module of its own, so that rigledger itself does not depend on it. It serves
// tests, never users.
//
// It listens on loopback only, prints "listening ADDR" as its first line, and
// stops on SIGTERM or when its standard input ends, so that a test that died
// cannot leave it behind.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

	"github.com/FerretDB/FerretDB/ferretdb"
)

func main() {
	data := flag.String("data", "", "existing folder for the data; without it a temporary one, removed at the end")
	addr := flag.String("addr", "127.0.0.1:0", "loopback address to listen on; port 0 takes a free one")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	defer stop()
	if err := run(ctx, *data, *addr); err != nil {
		fmt.Fprintln(os.Stderr, "mongod:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, data, addr string) error {
	if data == "" {
		temporary, err := os.MkdirTemp("", "rigledger-mongod-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(temporary)
		data = temporary
	}
	data, err := filepath.Abs(data)
	if err != nil {
		return err
	}
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("-addr: %w", err)
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return fmt.Errorf("-addr: %q is not a loopback address", host)
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() {
		io.Copy(io.Discard, os.Stdin)
		stop()
	}()
	// New keeps telemetry off and locked; nothing here dials out.
	server, err := ferretdb.New(&ferretdb.Config{
		Listener:  ferretdb.ListenerConfig{TCP: addr},
		Logger:    slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})),
		Handler:   "sqlite",
		SQLiteURL: (&url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(data) + "/"}).String(),
	})
	if err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	uri, err := url.Parse(server.MongoDBURI()) // waits until it listens
	if err != nil {
		return err
	}
	fmt.Println("listening", uri.Host)
	return <-ended
}
