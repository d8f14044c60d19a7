// Package fleet owns the rigs: their meters, parts, plans, service items and
// defects, as they stand now. It has three parts:
//
//   - State is the read model, a pure fold of the ledger. The fold asks no clock,
//     no network and no random number, so the same commits always give the same
//     state. "Now" is a parameter of questions.
//   - Desk is the single place where facts are decided. One goroutine takes
//     commands from a bounded queue, checks them against the state, puts all that
//     wait into one commit, makes it durable, applies it and only then answers.
//   - Fleet ties the two to a store: it replays at start, follows what other
//     instances write, and lets readers look without waiting for the disk.
//
// The arithmetic lives in the rooms below (meter, plan, testbay), which know
// nothing of stores or clocks. This package never answers before the store has
// said durable, and never counts a reading twice.
package fleet
