package api

import (
	"rigledger/api/feed"
	"rigledger/fleet"
)

// NewFeed gives the reader of a fleet's feed, which shows facts as the API does.
func NewFeed(f *fleet.Fleet) *feed.Reader { return &feed.Reader{Fleet: f, Doc: feedDoc} }
