package access

import (
	"context"
	"strings"

	"rigledger/api/openid"
	"rigledger/fleet"
)

// tokenPrefix begins our own tokens. What begins so is looked up in the ledger
// and nowhere else.
const tokenPrefix = "rl_"

// Bearers say who is let in.
type Bearers struct {
	Fleet  *fleet.Fleet
	Issuer *openid.Issuer // whose tokens are taken beside our own; nil for nobody's
}

// Holder gives who a bearer lets in, wherever one is taken: at a route, again
// and again on a live stream, on the pages. Our own tokens are those of the
// ledger; any other is for the OpenID Connect issuer, if there is one.
func (b Bearers) Holder(ctx context.Context, token string) (fleet.Holder, bool) {
	if b.Issuer == nil || strings.HasPrefix(token, tokenPrefix) {
		return b.Fleet.HolderOf(token)
	}
	return b.Issuer.Holder(ctx, token)
}

// Unheard says whether a bearer has the form of a token of ours and nothing is
// known of it here, good or bad: another instance may have made it just now.
func (b Bearers) Unheard(token string) bool {
	rest, ours := strings.CutPrefix(token, tokenPrefix)
	id, secret, whole := strings.Cut(rest, "_")
	if !ours || !whole || id == "" || secret == "" {
		return false
	}
	known := false
	b.Fleet.View(func(s *fleet.State) { known = s.Tokens[id] != nil })
	return !known
}

// Wanted is what is told to who brings no token that lets in.
func (b Bearers) Wanted() string {
	if b.Issuer != nil {
		return "send Authorization: Bearer with a token rl_… that is neither revoked nor expired, or with a valid one of the OpenID Connect issuer that names a role"
	}
	return "send Authorization: Bearer rl_… with a token that is neither revoked nor expired"
}
