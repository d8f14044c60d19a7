// Package command holds the commands that work on a ledger from outside the
// service: tokens, import, export, verify, backup and restore. Each takes its
// options as plain values and writes to a writer; flags are main's business.
//
// They open the ledger themselves, beside a running service or without one:
// the ledger's unique commit number keeps several writers apart, and a running
// service follows what they write.
package command
