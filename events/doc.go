// Package events owns the facts: what happened to which rig, when, and who
// said so. It owns the commit (the unit of writing), the chain of hashes that
// makes a ledger provable, and the small Store interface behind which a ledger
// is kept in SQLite or in MongoDB.
//
// A fact is never changed or removed; a mistake is healed by another fact.
// Quantities in facts are integers in base units: seconds, square metres,
// millilitres, metres, counts, millimetres where the name says so. Times are
// UTC with millisecond precision, because that is what BSON can hold. Calendar
// dates are strings "2006-01-02" in the fleet's zone.
//
// This package decides nothing and computes nothing: what a fact means is the
// business of package fleet.
package events
