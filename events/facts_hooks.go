package events

// HookAdded asks for facts to be sent to an address. Secret ("whsec_…") signs
// them and so cannot be kept as a hash: it stands in the ledger as it is, and
// whoever may read the ledger's file or an export of it can sign. No answer,
// feed or announcement ever shows it again. Kinds and Yards empty: all.
type HookAdded struct {
	Hook   string   `bson:"hook" json:"hook"`
	Name   string   `bson:"name" json:"name"`
	URL    string   `bson:"url" json:"url"`
	Kinds  []string `bson:"kinds,omitempty" json:"kinds,omitempty"`
	Yards  []string `bson:"yards,omitempty" json:"yards,omitempty"`
	Secret string   `bson:"secret" json:"secret"`
}

// HookRotated gives a hook a new secret; until OldUntil (RFC 3339) the one
// before signs as well.
type HookRotated struct {
	Hook     string `bson:"hook" json:"hook"`
	Secret   string `bson:"secret" json:"secret"`
	OldUntil string `bson:"old_until" json:"old_until"`
}

// HookDelivered says up to which position of the feed a hook's receiver has
// taken everything, and since when (RFC 3339, "" while it takes) it does not
// take what follows. It is written now and then, not for each delivery.
type HookDelivered struct {
	Hook         string `bson:"hook" json:"hook"`
	Position     string `bson:"position" json:"position"`
	FailingSince string `bson:"failing,omitempty" json:"failing_since,omitempty"`
}

// HookDisabled stops a hook, and says why. Its position stays.
type HookDisabled struct {
	Hook   string `bson:"hook" json:"hook"`
	Reason string `bson:"reason" json:"reason"`
}

// HookEnabled lets a disabled hook go on where it stood.
type HookEnabled struct {
	Hook string `bson:"hook" json:"hook"`
}

// HookRemoved ends a hook.
type HookRemoved struct {
	Hook   string `bson:"hook" json:"hook"`
	Reason string `bson:"reason,omitempty" json:"reason,omitempty"`
}

func (*HookAdded) Kind() string     { return "hook.added" }
func (*HookRotated) Kind() string   { return "hook.rotated" }
func (*HookDelivered) Kind() string { return "hook.delivered" }
func (*HookDisabled) Kind() string  { return "hook.disabled" }
func (*HookEnabled) Kind() string   { return "hook.enabled" }
func (*HookRemoved) Kind() string   { return "hook.removed" }

func (*HookAdded) Subject() string     { return "" }
func (*HookRotated) Subject() string   { return "" }
func (*HookDelivered) Subject() string { return "" }
func (*HookDisabled) Subject() string  { return "" }
func (*HookEnabled) Subject() string   { return "" }
func (*HookRemoved) Subject() string   { return "" }
