// Package drill holds the fault drills: tests that run the real binary as a
// user would and hurt it while rigs send. They share no code with the service
// but the simulated rigs of package season, which are written from the contract.
package drill
