package command

import (
	"context"
	"fmt"
	"io"
	"os/user"
	"sort"
	"strings"
	"text/tabwriter"
	"time"

	"rigledger/fleet"
)

// NewToken says for whom a token is made.
type NewToken struct {
	Name    string
	Role    string
	Yards   []string
	Rig     string
	Expires time.Duration // 0: never
}

// AddToken makes a token and prints it, this once.
func AddToken(ctx context.Context, l Ledger, t NewToken, out io.Writer) error {
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	cmd, text := fleet.NewToken(t.Name, fleet.Role(t.Role))
	cmd.Yards, cmd.Rig = t.Yards, t.Rig
	if t.Expires > 0 {
		until := f.Now().Add(t.Expires)
		cmd.Expires = &until
	}
	if _, err := f.Do(ctx, operator(), cmd, nil); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s\n", text)
	return nil
}

// ListTokens prints every token that was made, without its secret.
func ListTokens(ctx context.Context, l Ledger, out io.Writer) error {
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	var tokens []*fleet.Token
	now := f.Now()
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "TOKEN\tNAME\tROLE\tHELD TO\tISSUED\tLAST USED\tSTANDS")
	f.View(func(s *fleet.State) {
		for _, t := range s.Tokens {
			tokens = append(tokens, t)
		}
		sort.Slice(tokens, func(i, j int) bool { return tokens[i].Token < tokens[j].Token })
		for _, t := range tokens {
			stands := "valid"
			if t.Expires != "" {
				stands = "valid until " + t.Expires
				if until, err := time.Parse(time.RFC3339, t.Expires); err == nil && !now.Before(until) {
					stands = "expired " + t.Expires
				}
			}
			if t.Revoked {
				stands = "revoked"
			}
			held := strings.Join(t.Yards, ", ")
			if t.Rig != "" {
				held = "rig " + t.Rig
			}
			if held == "" {
				held = "all yards"
			}
			last := "never" // as on record; a running service knows it to the second
			if !t.LastUsed.IsZero() {
				last = t.LastUsed.In(s.Zone()).Format("2006-01-02 15h")
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.Token, t.Name, t.Role, held, t.IssuedAt.In(s.Zone()).Format(time.DateOnly), last, stands)
		}
	})
	return w.Flush()
}

// RevokeToken ends a token at once, in a running service too.
func RevokeToken(ctx context.Context, l Ledger, token, reason string, out io.Writer) error {
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	if _, err := f.Do(ctx, operator(), &fleet.RevokeToken{Token: token, Reason: reason}, nil); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s is revoked\n", token)
	return nil
}

// operator names who stands at the machine, for the ledger.
func operator() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return "command line: " + u.Username
	}
	return "command line"
}
