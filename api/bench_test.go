package api_test

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"rigledger/api/apitest"

	"github.com/gin-gonic/gin"
)

// floor is the least share of a bare handler's rate that GET /v1/rigs/{rig} must reach.
const floor = 0.5

// BenchmarkGetRig measures GET /v1/rigs/{rig}, token and all, against a bare gin
// handler that writes the same bytes, both over real loopback HTTP with the same
// light client (a keep-alive connection each, no http.Client, so that the client
// hides little). The two take turns in short rounds in one run; the metric
// "ratio" is the bare handler's time over ours.
func BenchmarkGetRig(b *testing.B) {
	h := apitest.New(b)
	h.Register("T01", "north")
	h.Send("manager", "POST", "/v1/rigs/T01/readings", apitest.Reading(h.Now().Add(-time.Hour), 12.5, 88.4)).Is(200)
	h.Raise()
	body := h.Send("reader", "GET", "/v1/rigs/T01", nil).Is(200).Body

	bare := gin.New()
	bare.GET("/v1/rigs/:rig", func(c *gin.Context) {
		c.Header("Content-Length", strconv.Itoa(len(body))) // as ours does: chunks would slow it down
		c.Data(http.StatusOK, "application/json", body)
	})
	server := httptest.NewServer(bare)
	defer server.Close()

	const lines = 4
	ours := dial(b, lines, strings.TrimPrefix(h.URL, "http://"), "Authorization: Bearer "+h.Tokens["reader"]+"\r\n", len(body))
	theirs := dial(b, lines, strings.TrimPrefix(server.URL, "http://"), "", len(body))
	defer ours.close()
	defer theirs.close()
	ours.run(b, 2000)
	theirs.run(b, 2000)
	b.ResetTimer()
	var ourTime, bareTime time.Duration
	const round = 500
	for done := 0; done < b.N; done += round {
		n := min(round, b.N-done)
		b.StopTimer()
		bareTime += theirs.run(b, n)
		b.StartTimer()
		ourTime += ours.run(b, n)
	}
	b.StopTimer()
	b.SetBytes(int64(len(body)))
	ratio := float64(bareTime) / float64(ourTime)
	b.ReportMetric(ratio, "ratio")
	b.ReportMetric(float64(b.N)/ourTime.Seconds(), "requests/s")
	if b.N >= 5000 && ratio < floor {
		b.Fatalf("%.2f of the bare handler's rate, want at least %.2f", ratio, floor)
	}
}

// clients are keep-alive connections that send one fixed request each.
type clients struct {
	connections []net.Conn
	readers     []*bufio.Reader
	request     []byte
	want        int
}

func dial(b *testing.B, n int, addr, headers string, want int) *clients {
	c := &clients{want: want, request: []byte("GET /v1/rigs/T01 HTTP/1.1\r\nHost: " + addr + "\r\n" + headers + "\r\n")}
	for range n {
		conn, err := net.Dial("tcp", addr)
		if err != nil {
			b.Fatal(err)
		}
		c.connections = append(c.connections, conn)
		c.readers = append(c.readers, bufio.NewReaderSize(conn, 32<<10))
	}
	return c
}

func (c *clients) close() {
	for _, conn := range c.connections {
		conn.Close()
	}
}

// run sends n requests over all connections and gives how long it took.
func (c *clients) run(b *testing.B, n int) time.Duration {
	var wait sync.WaitGroup
	failed := make(chan error, len(c.connections))
	began := time.Now()
	for i := range c.connections {
		share := n / len(c.connections)
		if i < n%len(c.connections) {
			share++
		}
		wait.Go(func() {
			for range share {
				if err := c.one(i); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	wait.Wait()
	took := time.Since(began)
	select {
	case err := <-failed:
		b.Fatal(err)
	default:
	}
	return took
}

func (c *clients) one(i int) error {
	if _, err := c.connections[i].Write(c.request); err != nil {
		return err
	}
	r, length := c.readers[i], -1
	chunked := false
	for n := 0; ; n++ {
		line, err := r.ReadSlice('\n')
		if err != nil {
			return err
		}
		text := strings.TrimRight(string(line), "\r\n")
		if n == 0 && text != "HTTP/1.1 200 OK" {
			return fmt.Errorf("answered %q", text)
		}
		if text == "" {
			break
		}
		if name, value, _ := strings.Cut(text, ": "); name == "Content-Length" {
			if length, err = strconv.Atoi(value); err != nil {
				return err
			}
		} else if name == "Transfer-Encoding" {
			chunked = true
		}
	}
	if !chunked {
		if length != c.want {
			return fmt.Errorf("%d bytes, want %d", length, c.want)
		}
		_, err := r.Discard(length)
		return err
	}
	got := 0
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return err
		}
		size, err := strconv.ParseInt(strings.TrimSpace(line), 16, 32)
		if err != nil {
			return err
		}
		if _, err := r.Discard(int(size) + 2); err != nil {
			return err
		}
		if got += int(size); size == 0 {
			break
		}
	}
	if got != c.want {
		return fmt.Errorf("%d bytes, want %d", got, c.want)
	}
	return nil
}
