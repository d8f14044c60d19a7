package drill_test

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
)

// What the load is.
const (
	loadRigs    = 500
	loadReaders = 200
	loadWriters = 20
)

// read is one sort of read that is measured.
type read struct {
	name, path string
}

var loadReads = []read{
	{"rig", "/v1/rigs/L001"},
	{"due", "/v1/items?status=due,overdue"},
	{"list", "/v1/rigs"},
}

// BenchmarkLoad drives the real program on loopback with a fleet of 500 rigs:
// each read against a bare gin handler that answers the same bytes from a process
// of its own, taking turns; then 200 readers of the rig list beside 20 writers for
// a minute (RIGLEDGER_LOAD=20s for less); then reads during an intake of 5,000
// readings a second over NATS. It goes once, however long: -bench Load.
func BenchmarkLoad(b *testing.B) {
	last := time.Minute
	if text := os.Getenv("RIGLEDGER_LOAD"); text != "" {
		var err error
		if last, err = time.ParseDuration(text); err != nil {
			b.Fatal(err)
		}
	}
	p := serve(b, b.TempDir(), "--nats", "127.0.0.1:0", "--raise-every", "2s", "--rate", "0")
	furnishLoad(b, p)
	b.ResetTimer()
	againstBare(b, p)
	readersAndWriters(b, p, last)
	readsDuringIntake(b, p, min(last, 20*time.Second))
}

func furnishLoad(b *testing.B, p *process) {
	b.Helper()
	began := time.Now()
	share(8, loadRigs, func(i int) {
		code := fmt.Sprintf("L%03d", i+1)
		p.call("POST", "/v1/rigs", map[string]any{
			"rig": code, "name": "Low meadow", "class": "trailed", "yard": fmt.Sprintf("yard-%d", i%5), "width_m": 24, "tank_l": 3500,
			"meters": []map[string]any{{"meter": "pump", "quantity": "hours", "value": 0}, {"meter": "area", "quantity": "area", "value": 0}},
		}, 201, nil)
		p.call("POST", "/v1/rigs/"+code+"/readings", map[string]any{
			"id": "first", "time": time.Now().Add(-30 * 24 * time.Hour).UTC(), "counters": []map[string]any{
				{"meter": "pump", "value": 60 + i%50, "unit": "HUR"}, {"meter": "area", "value": 500, "unit": "H18"}},
		}, 200, nil)
	})
	// Until nothing new is raised.
	var before, ledger struct{ Commit uint64 }
	for quiet := 0; quiet < 3; {
		time.Sleep(2500 * time.Millisecond)
		p.call("GET", "/v1/ledger", nil, 200, &ledger)
		if quiet++; ledger != before {
			quiet = 0
		}
		before = ledger
	}
	b.Logf("%d rigs and their items in %s", loadRigs, time.Since(began).Round(time.Second))
}

// share does n pieces of work with so many hands.
func share(hands, n int, do func(i int)) {
	var next atomic.Int64
	var wait sync.WaitGroup
	for range hands {
		wait.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				do(i)
			}
		})
	}
	wait.Wait()
}

// againstBare reports for each read how many times longer the bare handler could
// have taken: its time over ours.
func againstBare(b *testing.B, p *process) {
	b.Helper()
	dir := b.TempDir()
	var paths []string
	for i, r := range loadReads {
		_, body := p.try("GET", r.path, nil)
		if err := os.WriteFile(filepath.Join(dir, strconv.Itoa(i)), body, 0o600); err != nil {
			b.Fatal(err)
		}
		paths = append(paths, "/"+strconv.Itoa(i))
	}
	bare := bareHandler(b, dir)
	for i, r := range loadReads {
		ours, theirs := newReaders(b, 4, p.HTTP, r.path, p.token), newReaders(b, 4, bare, paths[i], "")
		var ourTime, bareTime time.Duration
		const rounds, each = 12, 500
		ours.run(b, 200)
		theirs.run(b, 200)
		for range rounds {
			bareTime += theirs.run(b, each)
			ourTime += ours.run(b, each)
		}
		ours.close()
		theirs.close()
		b.ReportMetric(float64(bareTime)/float64(ourTime), "ratio-"+r.name)
		b.Logf("%-5s %7.0f/s, bare %7.0f/s, ratio %.2f, %d bytes", r.name, rounds*each/ourTime.Seconds(), rounds*each/bareTime.Seconds(), float64(bareTime)/float64(ourTime), ours.bytes)
	}
}

// readersAndWriters: readers of the rig list that ask again at once, and writers
// of readings.
func readersAndWriters(b *testing.B, p *process, last time.Duration) {
	b.Helper()
	until := time.Now().Add(last)
	began := time.Now()
	var wait sync.WaitGroup
	var readTimes, writeTimes times
	for range loadReaders {
		wait.Go(func() {
			r := newReaders(b, 1, p.HTTP, "/v1/rigs", p.token)
			defer r.close()
			for time.Now().Before(until) {
				at := time.Now()
				if err := r.one(0); err != nil {
					b.Error(err)
					return
				}
				readTimes.add(time.Since(at))
			}
		})
	}
	for w := range loadWriters {
		wait.Go(func() {
			for n := 1; time.Now().Before(until); n++ {
				code := fmt.Sprintf("L%03d", 101+(w*7+n*13)%400)
				at := time.Now()
				status, text := p.try("POST", "/v1/defects", map[string]any{"rig": code, "text": fmt.Sprintf("drip %d of %d", n, w)})
				if status != 201 {
					b.Errorf("writing: %d %s", status, text)
					return
				}
				writeTimes.add(time.Since(at))
			}
		})
	}
	wait.Wait()
	took := time.Since(began)
	b.Logf("%d readers: %s; %d writers: %s", loadReaders, readTimes.say(took), loadWriters, writeTimes.say(took))
	b.ReportMetric(float64(readTimes.len())/took.Seconds(), "lists/s")
	b.ReportMetric(readTimes.at(0.99).Seconds()*1000, "list-p99-ms")
	b.ReportMetric(float64(writeTimes.len())/took.Seconds(), "writes/s")
	b.ReportMetric(writeTimes.at(0.99).Seconds()*1000, "write-p99-ms")
}

// times are how long things took.
type times struct {
	mu  sync.Mutex
	all []time.Duration
}

func (t *times) add(d time.Duration) {
	t.mu.Lock()
	t.all = append(t.all, d)
	t.mu.Unlock()
}

func (t *times) len() int { return len(t.all) }

// at gives a quantile.
func (t *times) at(q float64) time.Duration {
	if len(t.all) == 0 {
		return 0
	}
	slices.Sort(t.all)
	return t.all[min(len(t.all)-1, int(q*float64(len(t.all))))]
}

func (t *times) say(took time.Duration) string {
	round := func(q float64) time.Duration { return t.at(q).Round(10 * time.Microsecond) }
	return fmt.Sprintf("%.0f/s, half within %s, p99 %s, longest %s", float64(len(t.all))/took.Seconds(), round(0.5), round(0.99), round(1))
}

// bareHandler starts a process that answers the files of a folder with gin and
// does nothing else.
func bareHandler(b *testing.B, dir string) string {
	b.Helper()
	c := exec.Command(os.Args[0], "-test.run", "^TestBareHandlerOfTheLoad$")
	c.Env = append(os.Environ(), "RIGLEDGER_BARE="+dir)
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = c.Process.Kill(); _ = c.Wait() })
	for range 2000 {
		if text, err := os.ReadFile(filepath.Join(dir, "address")); err == nil {
			return string(text)
		}
		time.Sleep(10 * time.Millisecond)
	}
	b.Fatal("the bare handler did not come up")
	return ""
}

// TestBareHandlerOfTheLoad is no test: it is that process.
func TestBareHandlerOfTheLoad(t *testing.T) {
	dir := os.Getenv("RIGLEDGER_BARE")
	if dir == "" {
		return
	}
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	for i := range loadReads {
		body, err := os.ReadFile(filepath.Join(dir, strconv.Itoa(i)))
		if err != nil {
			t.Fatal(err)
		}
		length := strconv.Itoa(len(body))
		e.GET("/"+strconv.Itoa(i), func(c *gin.Context) {
			c.Header("Content-Length", length) // as ours does: chunks would slow it down
			c.Data(http.StatusOK, "application/json", body)
		})
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "address.new"), []byte(l.Addr().String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "address.new"), filepath.Join(dir, "address")); err != nil {
		t.Fatal(err)
	}
	t.Fatal(http.Serve(l, e)) // until it is killed
}

// readers are keep-alive connections that send one fixed request each: a client
// that costs little beside the server on the same two cores.
type readers struct {
	lines   []*line
	request []byte
	bytes   int
}

func newReaders(b *testing.B, n int, addr, path, token string) *readers {
	b.Helper()
	r := &readers{request: []byte("GET " + path + " HTTP/1.1\r\nHost: " + addr + "\r\n")}
	if token != "" {
		r.request = append(r.request, "Authorization: Bearer "+token+"\r\n"...)
	}
	r.request = append(r.request, "\r\n"...)
	for range n {
		l, err := dialLine(addr)
		if err != nil {
			b.Fatal(err)
		}
		r.lines = append(r.lines, l)
	}
	return r
}

func (r *readers) close() {
	for _, l := range r.lines {
		l.conn.Close()
	}
}

func (r *readers) one(i int) error {
	n, err := r.lines[i].ask(r.request)
	r.bytes = n
	if err != nil {
		return fmt.Errorf("%s: %w", strings.SplitN(string(r.request), "\r", 2)[0], err)
	}
	return nil
}

func (r *readers) run(b *testing.B, n int) time.Duration {
	b.Helper()
	began := time.Now()
	var wait sync.WaitGroup
	for i := range r.lines {
		wait.Go(func() {
			for range n / len(r.lines) {
				if _, err := r.lines[i].ask(r.request); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wait.Wait()
	took := time.Since(began)
	if err := r.one(0); err != nil {
		b.Fatal(err)
	}
	return took
}
