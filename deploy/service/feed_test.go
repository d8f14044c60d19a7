package service_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rigledger/deploy/service"
	"rigledger/fleet"
)

// TestALiveStreamAndAHookGoOnOverARestart stops the whole service while a live
// stream is open and a hook's receiver is away, and starts it again.
func TestALiveStreamAndAHookGoOnOverARestart(t *testing.T) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	free.Close()
	data := t.TempDir()
	start := func() *service.Service {
		s, err := service.Start(t.Context(), service.Options{
			Data: data, HTTP: address, NATS: "127.0.0.1:0", Zone: time.UTC, Log: slog.New(slog.DiscardHandler), RaiseEvery: time.Hour, HooksPrivate: true,
		})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	do := func(s *service.Service, cmd fleet.Command) {
		t.Helper()
		if _, err := s.Fleet.Do(t.Context(), "test", cmd, nil); err != nil {
			t.Fatal(err)
		}
	}
	report := func(s *service.Service, text string) {
		t.Helper()
		do(s, &fleet.ReportDefect{ID: fleet.NewDefectID(), Rig: "T01", Text: text})
	}

	taken := make(chan string, 10)
	office := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		taken <- r.Header.Get("webhook-id") + " " + string(body)
	}))
	defer office.Close()

	s := start()
	defer func() { s.Close() }()
	do(s, &fleet.RegisterRig{
		Rig: "T01", Name: "T01", Class: "trailed", Yard: "north", WidthM: 24, TankL: 3500, Plan: "trailed-boom",
		Meters: []fleet.StartMeter{{Meter: "pump", Quantity: "hours"}},
	})
	hook, _ := fleet.NewHook()
	hook.Name, hook.URL, hook.Kinds = "office", office.URL, []string{"defect.reported"}
	do(s, hook)
	token, err := os.ReadFile(filepath.Join(data, service.TokenFile))
	if err != nil {
		t.Fatal(err)
	}
	live := func(last string) *bufio.Reader {
		ctx, stop := context.WithCancel(context.Background())
		t.Cleanup(stop)
		r, _ := http.NewRequestWithContext(ctx, "GET", "http://"+address+"/v1/feed/live?kind=defect.reported", nil)
		r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
		if last != "" {
			r.Header.Set("Last-Event-ID", last)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil || a.StatusCode != 200 {
			t.Fatalf("the live stream: %v %v", a, err)
		}
		t.Cleanup(func() { a.Body.Close() })
		return bufio.NewReader(a.Body)
	}
	// next gives the id of the next fact, which must say text.
	next := func(b *bufio.Reader, text string) (id string) {
		t.Helper()
		for {
			line, err := b.ReadString('\n')
			if err != nil {
				t.Fatalf("waiting for %q: %v", text, err)
			}
			if value, ok := strings.CutPrefix(line, "id: "); ok {
				id = strings.TrimSpace(value)
			}
			if value, ok := strings.CutPrefix(line, "data: "); ok {
				if !strings.Contains(value, fmt.Sprintf("%q", text)) {
					t.Fatalf("got %s, want %q", value, text)
				}
				return id
			}
		}
	}
	stream := live("")
	report(s, "one")
	last := next(stream, "one")
	if got := <-taken; !strings.HasPrefix(got, strings.ReplaceAll(last, ".", "-")+" ") {
		t.Errorf("the hook got %s, the stream %s", got, last)
	}
	began := time.Now()
	s.Close()
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("an open stream held up the end for %v", took)
	}
	if line, err := io.ReadAll(stream); err != nil || strings.Contains(string(line), "data:") {
		t.Errorf("the stream did not end cleanly: %q, %v", line, err)
	}

	s = start()
	report(s, "two")
	next(live(last), "two")
	if got := <-taken; !strings.Contains(got, `"two"`) {
		t.Errorf("the hook got %s", got)
	}
}
