package mongostore_test

import (
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"rigledger/events"
	"rigledger/events/storetest"
)

func TestAnAnswerLostOnTheWay(t *testing.T) {
	w, name := storetest.NewWire(t), database(t)
	s := open(t, w.URI, name)
	defer s.Close()
	first := storetest.Write(t, s, events.Head{}, storetest.Readings("T01", 0, 1))[0]
	c, err := events.Seal(first.Head(), time.Now(), storetest.Readings("T01", 1, 1))
	if err != nil {
		t.Fatal(err)
	}
	w.Lose(1)
	err = s.Append(t.Context(), c)
	if w.Lost() != 1 {
		t.Fatalf("the wire lost %d answers, want 1", w.Lost())
	}
	// A driver that asked again gives success; one that did not, an error that is
	// not ErrTaken. The test server has no sessions, so here it does not.
	if errors.Is(err, events.ErrTaken) {
		t.Errorf("an insert whose answer was lost gives %v", err)
	}
	var cause net.Error
	if err != nil && !errors.Is(err, io.EOF) && !errors.As(err, &cause) {
		t.Errorf("the error %v does not wrap its cause", err)
	}
	t.Logf("the answer lost gives: %v", err)
	if n, err := s.Newest(t.Context()); err != nil || n != 2 {
		t.Fatalf("newest is %d, %v; want 2", n, err)
	}
	// The same commit sent again is known as ours, on this store and on a new one
	// that has not seen it; another commit of that number is not.
	other := open(t, w.URI, name)
	defer other.Close()
	if err := s.Append(t.Context(), c); err != nil {
		t.Errorf("our own commit sent again: %v", err)
	}
	if err := other.Append(t.Context(), c); err != nil {
		t.Errorf("our own commit sent again by a new store: %v", err)
	}
	foreign, err := events.Seal(first.Head(), time.Now(), storetest.Readings("T02", 1, 1))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Append(t.Context(), foreign); !errors.Is(err, events.ErrTaken) {
		t.Errorf("another commit: got %v, want ErrTaken", err)
	}
	storetest.Write(t, s, c.Head(), storetest.Readings("T01", 2, 1))
}

// A store that has not seen the newest commits meets E11000 itself, instead of
// knowing beforehand that the number is taken.
func TestTheServersOwnRefusalIsUnderstood(t *testing.T) {
	uri, name := storetest.Mongo(t), database(t)
	behind := open(t, uri, name) // knows of no commit from here on
	defer behind.Close()
	ahead := open(t, uri, name)
	defer ahead.Close()
	c := storetest.Write(t, ahead, events.Head{}, storetest.Readings("T01", 0, 1))[0]
	if err := behind.Append(t.Context(), c); err != nil {
		t.Errorf("the very commit that is stored: %v", err)
	}
	behind = open(t, uri, name+"x")
	defer func() {
		behind.Close()
		raw(t).Database(name + "x").Drop(context.Background())
	}()
	ahead2 := open(t, uri, name+"x")
	defer ahead2.Close()
	storetest.Write(t, ahead2, events.Head{}, storetest.Readings("T01", 0, 1))
	foreign, err := events.Seal(events.Head{}, time.Now(), storetest.Readings("T02", 0, 1))
	if err != nil {
		t.Fatal(err)
	}
	if err := behind.Append(t.Context(), foreign); !errors.Is(err, events.ErrTaken) {
		t.Errorf("another commit: got %v, want ErrTaken", err)
	}
}
