package drill_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
)

// The intake beside which reads are measured: 50 rigs, 100 readings a second each.
const (
	intakeRigs = 50
	perSecond  = 5000
)

// readsDuringIntake publishes at a steady pace and meanwhile asks, at a pace that
// does not wait for answers, for each read in turn. What is not acked at the end
// was not taken in at that pace; it says how much.
func readsDuringIntake(b *testing.B, p *process, last time.Duration) {
	b.Helper()
	var acked [intakeRigs]atomic.Int64
	var lines [intakeRigs]*nats.Conn
	for i := range lines {
		code := fmt.Sprintf("L%03d", i+1)
		var c struct {
			User, Password string
			InboxPrefix    string `json:"inbox_prefix"`
		}
		p.call("POST", "/v1/rigs/"+code+"/credential", map[string]any{}, 201, &c)
		nc, err := nats.Connect("nats://"+p.NATS, nats.UserInfo(c.User, c.Password), nats.CustomInboxPrefix(c.InboxPrefix))
		if err != nil {
			b.Fatal(err)
		}
		defer nc.Close()
		lines[i] = nc
		if _, err := nc.Subscribe("rig."+code+".ack", func(m *nats.Msg) {
			var ack struct{ Seq int64 }
			if json.Unmarshal(m.Data, &ack) == nil && ack.Seq > acked[i].Load() {
				acked[i].Store(ack.Seq)
			}
		}); err != nil {
			b.Fatal(err)
		}
		_ = nc.Flush()
	}
	began := time.Now()
	until := began.Add(last)
	var wait sync.WaitGroup
	var sent atomic.Int64
	wait.Go(func() {
		start := began.Add(-29 * 24 * time.Hour)
		for k := 1; time.Now().Before(until); k++ {
			at := start.Add(time.Duration(k) * 10 * time.Second).UTC().Format("2006-01-02T15:04:05.000Z")
			for i, nc := range lines {
				text := fmt.Appendf(nil, `{"specversion":"1.0","id":"1:%d","source":"urn:rig:L%03d","type":"rig.reading.v1","time":"%s","data":{"counters":[{"meter":"pump","value":%.4f,"unit":"HUR"},{"meter":"area","value":%.4f,"unit":"H18"}]}}`,
					k, i+1, at, float64(60+i%50)+float64(k)*0.0025, 500+float64(k)*0.03)
				if err := nc.Publish(fmt.Sprintf("rig.L%03d.reading", i+1), text); err != nil {
					b.Error(err)
					return
				}
				sent.Add(1)
			}
			time.Sleep(time.Until(began.Add(time.Duration(k) * time.Second * intakeRigs / perSecond)))
		}
	})
	taken := make([]times, len(loadReads))
	for i, r := range loadReads {
		for range 4 {
			wait.Go(func() {
				rs := newReaders(b, 1, p.HTTP, r.path, p.token)
				defer rs.close()
				for at := time.Now(); at.Before(until); at = at.Add(50 * time.Millisecond) {
					time.Sleep(time.Until(at))
					if err := rs.one(0); err != nil {
						b.Error(err)
						return
					}
					taken[i].add(time.Since(at)) // from when it was due to be asked
				}
			})
		}
	}
	wait.Wait()
	took := time.Since(began)
	behind := func() (n int64) {
		n = sent.Load()
		for i := range acked {
			n -= acked[i].Load()
		}
		return n
	}
	late := behind()
	eventually(b, "every reading is acked", time.Minute, func() bool { return behind() == 0 })
	b.Logf("%.0f readings/s published for %s; %d not acked yet at the end, all of them %s later", float64(sent.Load())/took.Seconds(), took.Round(time.Second), late, time.Since(began.Add(took)).Round(10*time.Millisecond))
	b.ReportMetric(float64(sent.Load())/took.Seconds(), "readings/s")
	for i, r := range loadReads {
		b.Logf("%-5s during it: %s", r.name, taken[i].say(took))
		b.ReportMetric(taken[i].at(0.99).Seconds()*1000, r.name+"-p99-ms")
	}
}

// line is one connection.
type line struct {
	conn net.Conn
	in   *bufio.Reader
}

func dialLine(addr string) (*line, error) {
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		return nil, err
	}
	return &line{conn: conn, in: bufio.NewReaderSize(conn, 64<<10)}, nil
}

// ask sends a request and reads its answer away; it gives the length of the body
// and wants 200.
func (l *line) ask(request []byte) (int, error) {
	if _, err := l.conn.Write(request); err != nil {
		return 0, err
	}
	length := -1
	for n := 0; ; n++ {
		text, err := l.in.ReadSlice('\n')
		if err != nil {
			return 0, err
		}
		head := strings.TrimRight(string(text), "\r\n")
		if n == 0 && head != "HTTP/1.1 200 OK" {
			return 0, fmt.Errorf("answered %q", head)
		}
		if head == "" {
			break
		}
		if value, ok := strings.CutPrefix(head, "Content-Length: "); ok {
			if length, err = strconv.Atoi(value); err != nil {
				return 0, err
			}
		}
	}
	if length < 0 {
		return 0, fmt.Errorf("the answer has no Content-Length")
	}
	_, err := io.CopyN(io.Discard, l.in, int64(length))
	return length, err
}
