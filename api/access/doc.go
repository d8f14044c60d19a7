// Package access says who is let in: the ledger's own tokens, and those of an OpenID
// Connect issuer where there is one.
//
// It owns the question in one place (Bearers.Holder), for routes, live streams and
// pages, and the resources /v1/tokens.
//
// It never shows a token's secret again, and never lets a manager who is held to
// yards make or end a token that reaches further.
package access
