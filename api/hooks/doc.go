// Package hooks sends committed facts to the addresses that ask for them, by
// Standard Webhooks 1.0.0: signed, in order for each hook, each at least once
// and under the same webhook-id however often it is tried. It follows the feed,
// so nothing is skipped; how far a hook has come is noted in the ledger at most
// once a minute, so after a restart the last minute may be sent again.
//
// Several instances on one ledger each deliver: a receiver then gets each fact
// from every one of them and knows by webhook-id that it is the same.
//
// It answers for /v1/hooks too, where a hook is made, tried, followed and ended.
//
// It never shows a hook's secret again, never follows a redirect, and never sends to private, loopback or
// link-local addresses unless it was told that it may.
package hooks
