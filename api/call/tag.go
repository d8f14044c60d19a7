package call

import (
	"strconv"
	"strings"

	"rigledger/fleet/plan"
)

// Tag is a strong entity tag (RFC 9110): the commit that last changed the
// resource, further commits that its answer depends on, and, where the answer
// depends on the calendar, the local date. If-Match compares the first alone.
func Tag(changed uint64, today plan.Date, also ...uint64) string {
	b := make([]byte, 0, 40)
	b = append(b, '"')
	b = strconv.AppendUint(b, changed, 10)
	for _, n := range also {
		b = append(b, '.')
		b = strconv.AppendUint(b, n, 10)
	}
	if !today.IsZero() {
		b = append(b, '-')
		b = append(b, today.String()...)
	}
	return string(append(b, '"'))
}

// NoDate is for tags of what does not depend on the calendar.
var NoDate plan.Date

// tagListed says whether an If-None-Match names the tag; weak comparison.
func tagListed(sent []string, tag string) bool {
	for _, line := range sent {
		for _, one := range strings.Split(line, ",") {
			one = strings.TrimSpace(one)
			if plain, ok := strings.CutSuffix(one, gzipTag); ok {
				one = plain + `"`
			}
			if one == "*" || strings.TrimPrefix(one, "W/") == tag {
				return true
			}
		}
	}
	return false
}

// tagHeld is the tag that the 200 in place of a 304 would have had: that of the
// compressed answer when the caller names that one alone.
func tagHeld(sent []string, tag string) string {
	all, squeezed := strings.Join(sent, ","), strings.TrimSuffix(tag, `"`)+gzipTag
	if strings.Contains(all, squeezed) && !strings.Contains(all, tag) {
		return squeezed
	}
	return tag
}

// IfMatch gives the commit that the caller wants the resource to be at: 0 for
// any. Of several tags one that holds now is taken, which is one of the commits
// from oldest to newest, else the first, so that the desk refuses it as stale.
// Comparison is strong: a weak tag never matches.
func (c *Call) IfMatch(oldest, newest uint64) (uint64, error) {
	sent := c.Request.Header["If-Match"]
	if len(sent) == 0 {
		return 0, nil
	}
	var commits []uint64
	for _, one := range strings.Split(strings.Join(sent, ","), ",") {
		one = strings.TrimSpace(one)
		if one == "*" {
			return 0, nil
		}
		inner, ok := strings.CutPrefix(one, `"`)
		inner, closed := strings.CutSuffix(inner, `"`)
		if !ok || !closed {
			continue
		}
		end := strings.IndexAny(inner, ".-+")
		if end < 0 {
			end = len(inner)
		}
		if n, err := strconv.ParseUint(inner[:end], 10, 64); err == nil && n > 0 {
			commits = append(commits, n)
		}
	}
	for _, n := range commits {
		if n >= oldest && n <= newest {
			return n, nil
		}
	}
	if len(commits) == 0 {
		return 0, &Problem{Kind: Stale, Detail: "the header If-Match names no tag of ours"}
	}
	return commits[0], nil
}

// SawIt refuses a write that would overwrite blindly what somebody else wrote
// meanwhile (RFC 6585, section 3). Which writes these are is in openapi.yaml:
// those that change fields in place. What adds a fact of its own, gives a new
// version or edition, or moves something on from the state it is in needs none.
func (c *Call) SawIt(what string) error {
	if len(c.Request.Header["If-Match"]) > 0 {
		return nil
	}
	return &Problem{Kind: Unseen, Detail: "send If-Match with the ETag of the " + what + " as it was read, or * to overwrite whatever is there"}
}
