// Package season simulates the field side: a contractor of our own invention,
// the work of a spraying season day by day, and rigs that send their counters
// over NATS as real clients with their own credentials. The demo plays it for
// people; the drills play it against a service that is being killed.
//
// Everything drawn is drawn from a seed, so that a season can be played again.
// It shares no code with the service: what it sends is written here by hand
// from the contract, as a maker of rigs would.
package season
