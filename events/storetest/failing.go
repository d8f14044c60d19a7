package storetest

import (
	"strings"
	"syscall"
	"testing"
)

// FailingMongo is a MongoDB test server of one test's own, which can be made to
// hang, to die and to come back with its data at the same address.
type FailingMongo struct {
	URI string

	t            testing.TB
	binary, data string
	server       launched
}

// NewFailingMongo starts one; it ends with the test. It is always that of
// testdata/mongod: a server that others use must not be stopped.
func NewFailingMongo(t testing.TB) *FailingMongo {
	t.Helper()
	binary, err := build()
	need(t, err)
	m := &FailingMongo{t: t, binary: binary, data: t.TempDir()}
	m.start("127.0.0.1:0")
	m.URI = m.server.uri
	t.Cleanup(m.Kill)
	return m
}

func (m *FailingMongo) start(address string) {
	m.t.Helper()
	var err error
	if m.server, err = launch(m.binary, "-data", m.data, "-addr", address); err != nil {
		m.t.Fatal(err)
	}
}

// Hang stops the server where it stands: its connections stay, and nothing is answered.
func (m *FailingMongo) Hang() { m.signal(syscall.SIGSTOP) }

// GoOn lets a server that hangs go on, with all that was sent to it meanwhile.
func (m *FailingMongo) GoOn() { m.signal(syscall.SIGCONT) }

func (m *FailingMongo) signal(s syscall.Signal) {
	m.t.Helper()
	if err := m.server.cmd.Process.Signal(s); err != nil {
		m.t.Fatal(err)
	}
}

// Kill ends the server as a loss of power would.
func (m *FailingMongo) Kill() {
	_ = m.server.cmd.Process.Kill()
	_ = m.server.cmd.Wait()
	_ = m.server.input.Close()
}

// Restart brings a killed server back.
func (m *FailingMongo) Restart() {
	m.t.Helper()
	m.start(strings.Trim(strings.TrimPrefix(m.URI, "mongodb://"), "/"))
}
