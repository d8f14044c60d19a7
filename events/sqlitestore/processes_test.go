package sqlitestore_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/events/sqlitestore"
	"rigledger/events/storetest"
)

// The test binary, started again with this variable naming a ledger, is a
// second process that writes to it until it is killed.
const writerVariable = "RIGLEDGER_TEST_WRITER"

func TestMain(m *testing.M) {
	if path := os.Getenv(writerVariable); path != "" {
		if err := keepWriting(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// keepWriting prints the number of each commit once it is durable.
func keepWriting(path string) error {
	ctx := context.Background()
	s, err := sqlitestore.Open(ctx, path)
	if err != nil {
		return err
	}
	var head events.Head
	for i := 0; ; i++ {
		if head, err = add(ctx, s, head, storetest.Readings("T99", i, 3)); err != nil {
			return err
		}
		fmt.Println(head.N)
	}
}

// add appends one commit of facts, behind whatever others wrote.
func add(ctx context.Context, s *sqlitestore.Store, head events.Head, facts []events.Entry) (events.Head, error) {
	for {
		c, err := events.Seal(head, time.Now(), facts)
		if err != nil {
			return head, err
		}
		if err = s.Append(ctx, c); err == nil {
			return c.Head(), nil
		}
		if !errors.Is(err, events.ErrTaken) {
			return head, err
		}
		if err := s.Read(ctx, head.N+1, func(c *events.Commit) error { head = c.Head(); return nil }); err != nil {
			return head, err
		}
	}
}

func TestAnotherProcessWritesTooAndIsKilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	s := open(t, path)
	defer s.Close()
	var head events.Head
	mine := 0
	for round := range 3 {
		cmd := osexec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), writerVariable+"="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		told := make(chan uint64, 1)
		go func() { // the last number that the other process called durable
			var last uint64
			lines := bufio.NewScanner(out)
			for lines.Scan() {
				last, _ = strconv.ParseUint(lines.Text(), 10, 64)
				if last > 40*uint64(round+1) {
					cmd.Process.Kill()
				}
			}
			told <- last
		}()
		var last uint64
		for last == 0 {
			if head, err = add(t.Context(), s, head, storetest.Readings("T01", mine, 1)); err != nil {
				cmd.Process.Kill()
				t.Fatal(err)
			}
			mine++
			select {
			case last = <-told:
				if last == 0 {
					t.Fatal("the other process wrote nothing")
				}
			default:
			}
		}
		cmd.Wait()
		var after events.Head
		own := 0
		err = s.Read(t.Context(), 1, func(c *events.Commit) error {
			if c.N != after.N+1 || c.Prev != after.Hash {
				return fmt.Errorf("commit %d does not follow commit %d", c.N, after.N)
			}
			after = c.Head()
			if c.Facts[0].By == "rig:T01" {
				own++
			} else if len(c.Facts) != 3 {
				return fmt.Errorf("commit %d is not whole", c.N)
			}
			return nil
		})
		if err != nil || after.N < last || own != mine {
			t.Errorf("after the kill: %d commits, %d of them ours; want at least %d and %d: %v", after.N, own, last, mine, err)
		}
		t.Logf("killed after commit %d; this process had written %d", last, mine)
	}
}

func TestALockedFileIsWaitedOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	s := open(t, path)
	defer s.Close()
	db := raw(t, path)
	db.SetMaxOpenConns(1)
	exec(t, db, `BEGIN IMMEDIATE`)
	c, err := events.Seal(events.Head{}, time.Now(), storetest.Readings("T01", 0, 1))
	if err != nil {
		t.Fatal(err)
	}

	ctx, stop := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer stop()
	if err := s.Append(ctx, c); !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "locked by another process") {
		t.Errorf("while the file is locked: got %v, want a deadline and its reason", err)
	}
	if n, err := s.Newest(t.Context()); err != nil || n != 0 {
		t.Errorf("newest is %d, %v; want 0 and no waiting", n, err)
	}

	wrote := make(chan error, 1)
	go func() { wrote <- s.Append(t.Context(), c) }()
	// One who waits for the turn behind it gives up when its own context ends.
	ctx, stop = context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	if err := s.Append(ctx, c); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("behind a waiting writer: got %v, want a deadline", err)
	}
	time.Sleep(2 * 250 * time.Millisecond) // longer than SQLite itself waits
	select {
	case err := <-wrote:
		t.Fatalf("append ended while the file was locked: %v", err)
	default:
	}
	exec(t, db, `COMMIT`)
	if err := <-wrote; err != nil {
		t.Errorf("after the lock was gone: %v", err)
	}
	if n, err := s.Newest(t.Context()); err != nil || n != 1 {
		t.Errorf("newest is %d, %v; want 1", n, err)
	}
}
