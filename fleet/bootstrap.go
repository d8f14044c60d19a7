package fleet

import (
	"context"

	"rigledger/events"
	"rigledger/fleet/plan"
)

// PublishStarters puts the house plans on record that the ledger does not have
// in any version. A plan that somebody changed is left alone.
func (f *Fleet) PublishStarters(ctx context.Context) error {
	for _, starter := range plan.StarterTexts() {
		if _, err := f.Do(ctx, "rigledger", &publishStarter{PublishPlan{Text: string(starter.Text)}}, nil); err != nil {
			return err
		}
	}
	return nil
}

type publishStarter struct{ PublishPlan }

func (p *publishStarter) Decide(d Deciding) ([]events.Entry, error) {
	parsed, err := plan.Parse("plan", []byte(p.Text))
	if err != nil {
		return nil, planError(err)
	}
	if len(d.Plans[parsed.Slug]) > 0 {
		return nil, nil
	}
	return p.PublishPlan.Decide(d)
}

// FirstManager issues the token as the first manager's, unless some manager's
// token is on record already; it says whether it did.
func (f *Fleet) FirstManager(ctx context.Context, token *IssueToken) (issued bool, err error) {
	receipt, err := f.Do(ctx, "rigledger", &firstManager{token}, nil)
	return receipt.Commit > 0, err
}

type firstManager struct{ *IssueToken }

func (m *firstManager) Decide(d Deciding) ([]events.Entry, error) {
	for _, t := range d.Tokens {
		if Role(t.Role) == RoleManager && !t.Revoked {
			return nil, nil
		}
	}
	return m.IssueToken.Decide(d)
}

// ListenerFor says whether a token lets its holder hear ledger.> on NATS: it
// must not be held to yards, since subjects know no yards, and not be a rig's.
func (f *Fleet) ListenerFor(user, password string) bool {
	holder, ok := f.HolderOf(password)
	return ok && user == "token" && holder.Role != RoleRig && len(holder.Yards) == 0
}
