package console

import "testing"

// Examples name the port that the service has, at the host by which it was asked,
// unless it listens on one address alone.
func TestAddressesInExamples(t *testing.T) {
	for _, c := range []struct {
		address, asked, want string
		secure               bool
	}{
		{"127.0.0.1:34222", "rigs.example", "nats://rigs.example:34222", false},
		{"0.0.0.0:4222", "rigs.example", "nats://rigs.example:4222", false},
		{"[::]:4222", "::1", "nats://[::1]:4222", false},
		{"192.0.2.7:4222", "rigs.example", "nats://192.0.2.7:4222", false},
		{"road.example:4222", "rigs.example", "tls://road.example:4222", true},
		{"nats://road.example:4222", "rigs.example", "nats://road.example:4222", false},
	} {
		if got := natsFor(c.address, c.asked, c.secure); got != c.want {
			t.Errorf("%s asked at %s is %s, want %s", c.address, c.asked, got, c.want)
		}
	}
}
