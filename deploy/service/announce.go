package service

import (
	"fmt"
	"io"
	"net"
)

// Announce prints where the service can be reached and how to get in.
func (s *Service) Announce(out io.Writer, o Options) {
	scheme := "http"
	if o.CertFile != "" {
		scheme = "https"
	}
	fmt.Fprintf(out, "HTTP    %s://%s/\n", scheme, s.Addresses.HTTP)
	fmt.Fprintf(out, "NATS    %s\n", s.Addresses.NATS)
	if s.Addresses.MQTT != "" {
		fmt.Fprintf(out, "MQTT    %s\n", s.Addresses.MQTT)
	}
	opening := s.Fleet.Opening()
	fmt.Fprintf(out, "Ledger  commit %d, %d commits read after snapshot %d in %s\n",
		s.Fleet.Head().N, opening.Replayed, opening.FromSnapshot, opening.Took.Round(1e6))
	if s.NewToken != "" {
		fmt.Fprintf(out, "The first manager's token was made and is in %s\n", s.NewToken)
	}
	if host, _, err := net.SplitHostPort(s.Addresses.HTTP); err == nil && !loopback(host) && o.CertFile == "" {
		fmt.Fprintln(out, "Careful: this address can be reached from other machines and is not encrypted.")
	}
}
