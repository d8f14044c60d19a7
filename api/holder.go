package api

import (
	"context"
	"strings"

	"rigledger/fleet"
)

// tokenPrefix begins our own tokens. What begins so is looked up in the ledger
// and nowhere else.
const tokenPrefix = "rl_"

// Holder gives who a bearer lets in, wherever one is taken: at a route, again
// and again on a live stream, on the pages. Our own tokens are those of the
// ledger; any other is for the OpenID Connect issuer, if there is one.
func (a *API) Holder(ctx context.Context, token string) (fleet.Holder, bool) {
	if a.issuer == nil || strings.HasPrefix(token, tokenPrefix) {
		return a.fleet.HolderOf(token)
	}
	return a.issuer.Holder(ctx, token)
}

func (a *API) wantedBearer() string {
	if a.issuer != nil {
		return "send Authorization: Bearer with a token rl_… that is neither revoked nor expired, or with a valid one of the OpenID Connect issuer that names a role"
	}
	return "send Authorization: Bearer rl_… with a token that is neither revoked nor expired"
}
