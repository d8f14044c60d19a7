// Package rigs answers for the rigs and what belongs to them: parts, meters,
// readings over REST and what was held of them, usage, the timeline.
//
// It owns the documents of these and the bytes of GET /v1/rigs/{rig}, which are kept
// until the rig or the local date changes, since every screen asks for them.
//
// It never decides what a reading is worth: the desk takes it, or quarantine holds
// it. It never shows the password of a rig's credential again.
package rigs
