package storetest

import (
	"bytes"
	"io"
	"net"
	"net/url"
	"sync/atomic"
	"testing"
)

// Wire is a road to the MongoDB test server that can lose the answer to an insert.
type Wire struct {
	URI  string
	lose atomic.Int32 // how many answers to inserts it loses from now on
	lost atomic.Int32
}

// Lose makes it lose the answers to the next n inserts, with their connections.
func (w *Wire) Lose(n int32) { w.lose.Store(n) }

// Lost is how many answers it has lost.
func (w *Wire) Lost() int { return int(w.lost.Load()) }

// NewWire opens one; it ends with the test.
func NewWire(t testing.TB) *Wire {
	t.Helper()
	server, err := url.Parse(Mongo(t))
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	w := &Wire{URI: "mongodb://" + listener.Addr().String() + "/?directConnection=true"}
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			go w.carry(client, server.Host)
		}
	}()
	return w
}

func (w *Wire) carry(client net.Conn, host string) {
	server, err := net.Dial("tcp", host)
	if err != nil {
		client.Close()
		return
	}
	var doomed atomic.Bool
	go func() {
		defer server.Close()
		buffer := make([]byte, 64<<10)
		for {
			n, err := client.Read(buffer)
			if err != nil {
				return
			}
			if bytes.Contains(buffer[:n], []byte("\x02insert\x00")) && w.lose.Add(-1) >= 0 {
				doomed.Store(true)
			}
			if _, err := server.Write(buffer[:n]); err != nil {
				return
			}
		}
	}()
	defer client.Close()
	buffer := make([]byte, 64<<10)
	for {
		n, err := server.Read(buffer)
		if err != nil {
			return
		}
		if doomed.Load() {
			w.lost.Add(1)
			return
		}
		if _, err := io.Copy(client, bytes.NewReader(buffer[:n])); err != nil {
			return
		}
	}
}
