package drill_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// binary is the program under drill, built once for all tests.
var binary string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "rigledger-drill-")
	if err != nil {
		panic(err)
	}
	binary = filepath.Join(dir, "rigledger")
	build := exec.Command("go", "build", "-o", binary, "rigledger")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		fmt.Fprintln(os.Stderr, "building the program for the drills:", err)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

// process is one running `rigledger serve`.
type process struct {
	t                       testing.TB
	data                    string
	args                    []string
	env                     []string
	cmd                     *exec.Cmd
	err                     *lockedBuffer
	HTTP, NATS, MQTT, token string
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// serve starts the program on a data folder and waits until it can be reached.
func serve(t testing.TB, data string, args ...string) *process {
	t.Helper()
	p := &process{t: t, data: data, args: args}
	p.start()
	t.Cleanup(p.kill)
	return p
}

func (p *process) start() {
	p.t.Helper()
	addresses := filepath.Join(p.data, "addresses.json")
	_ = os.Remove(addresses)
	p.err = &lockedBuffer{}
	args := append([]string{"serve", "--data", p.data}, p.args...)
	if !strings.Contains(strings.Join(p.args, " "), "--http") {
		args = append(args, "--http", "127.0.0.1:0")
	}
	p.cmd = exec.Command(binary, args...)
	p.cmd.Env = append(os.Environ(), p.env...)
	p.cmd.Stdout, p.cmd.Stderr = p.err, p.err
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	deadline := time.Now().Add(60 * time.Second)
	for {
		if text, err := os.ReadFile(addresses); err == nil {
			var a struct{ HTTP, NATS, MQTT string }
			if json.Unmarshal(text, &a) == nil {
				p.HTTP, p.NATS, p.MQTT = a.HTTP, a.NATS, a.MQTT
				break
			}
		}
		if time.Now().After(deadline) || p.cmd.ProcessState != nil {
			p.t.Fatalf("the service did not come up:\n%s", p.err)
		}
		time.Sleep(5 * time.Millisecond)
	}
	if text, err := os.ReadFile(filepath.Join(p.data, "manager.token")); err == nil {
		p.token = strings.TrimSpace(string(text))
	}
}

// kill ends the process as a loss of power would.
func (p *process) kill() {
	if p.cmd == nil || p.cmd.Process == nil {
		return
	}
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
	p.cmd = nil
}

// stop ends the process as an administrator would, and wants exit code 0.
func (p *process) stop() {
	p.t.Helper()
	_ = p.cmd.Process.Signal(os.Interrupt)
	if err := p.cmd.Wait(); err != nil {
		p.t.Errorf("ending the service: %v\n%s", err, p.err)
	}
	p.cmd = nil
}

// call makes one API request and fails the test unless the status is want.
func (p *process) call(method, path string, in any, want int, out any) {
	p.t.Helper()
	status, text := p.try(method, path, in)
	if status != want {
		p.t.Fatalf("%s %s: status %d, want %d: %s", method, path, status, want, text)
	}
	if out != nil {
		if err := json.Unmarshal(text, out); err != nil {
			p.t.Fatalf("%s %s: %v in %s", method, path, err, text)
		}
	}
}

func (p *process) try(method, path string, in any) (int, []byte) {
	p.t.Helper()
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			p.t.Fatal(err)
		}
		body = bytes.NewReader(text)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, "http://"+p.HTTP+path, body)
	if err != nil {
		p.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+p.token)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, []byte(err.Error())
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		return 0, []byte(err.Error())
	}
	return res.StatusCode, text
}

// rig registers a trailed sprayer and gives its credential.
func (p *process) rig(code string) (user, password string) {
	p.t.Helper()
	p.call("POST", "/v1/rigs", map[string]any{
		"rig": code, "name": "Low meadow", "class": "trailed", "yard": "north", "width_m": 24, "tank_l": 3500, "first_use": "2025-03-01",
		"meters": []map[string]any{{"meter": "pump", "quantity": "hours", "value": 0}, {"meter": "area", "quantity": "area", "value": 0}},
		"plan":   "trailed-boom",
	}, 201, nil)
	var c struct{ User, Password string }
	status, text := p.try("POST", "/v1/rigs/"+code+"/credential", map[string]any{})
	if status/100 != 2 || json.Unmarshal(text, &c) != nil {
		p.t.Fatalf("credential: %d %s", status, text)
	}
	return c.User, c.Password
}

// totals reads a rig's pump hours and hectares.
func (p *process) totals(code string) (hours, hectares float64) {
	p.t.Helper()
	var rig struct {
		Totals map[string]struct{ Hours, Hectares float64 }
	}
	p.call("GET", "/v1/rigs/"+code, nil, 200, &rig)
	return rig.Totals["pump"].Hours, rig.Totals["area"].Hectares
}

// rigledger runs another command of the program and gives what it printed.
func rigledger(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command(binary, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("rigledger %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// freePort gives an address that stays the same over restarts.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// eventually waits until look gives true.
func eventually(t testing.TB, what string, within time.Duration, look func() bool) {
	t.Helper()
	deadline := time.Now().Add(within)
	for !look() {
		if time.Now().After(deadline) {
			t.Fatalf("never came about within %s: %s", within, what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}
