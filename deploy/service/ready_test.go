package service

import (
	"errors"
	"fmt"
	"io"
	"net"
	"testing"

	"rigledger/fleet"
)

func TestWhatAnybodyHearsHasNoAddressInIt(t *testing.T) {
	dial := &net.OpError{Op: "dial", Net: "tcp", Addr: &net.TCPAddr{IP: net.IPv4(10, 0, 0, 7), Port: 27017}, Err: io.EOF}
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"a refusal of the desk", fmt.Errorf("the desk does not take readings: %w", &fleet.Error{Code: fleet.Down, Message: "the ledger cannot be reached", Cause: dial}), "the ledger cannot be reached"},
		{"a sentence of ours", errors.New("not connected to NATS"), "not connected to NATS"},
		{"what a driver says", dial, "does not work at present; the log says why"},
		{"what a driver says, wrapped", fmt.Errorf("reading the ledger for a snapshot: %w", dial), "does not work at present; the log says why"},
		{"what two say", errors.Join(errors.New("it stopped"), dial), "does not work at present; the log says why"},
		{"what has no cause and is not ours", &net.AddrError{Err: "no port", Addr: "10.0.0.7"}, "does not work at present; the log says why"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := inWords(c.err); got.Error() != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
	if err := inWords(nil); err != nil {
		t.Errorf("nothing wrong gives %v", err)
	}
}
