package events

// RigRegistered brings a rig under the ledger. Its meters, parts and plan
// follow as facts of their own in the same commit.
type RigRegistered struct {
	Rig      string `bson:"rig" json:"rig"`
	Name     string `bson:"name" json:"name"`
	Class    string `bson:"class" json:"class"`
	Yard     string `bson:"yard" json:"yard"`
	WidthMM  int64  `bson:"width" json:"width_mm"`
	TankML   int64  `bson:"tank" json:"tank_ml"`
	FirstUse string `bson:"first_use,omitempty" json:"first_use,omitempty"`
	Serial   string `bson:"serial,omitempty" json:"serial,omitempty"`
}

// RigAmended changes what was registered; an absent field stays as it was.
type RigAmended struct {
	Rig      string  `bson:"rig" json:"rig"`
	Name     *string `bson:"name,omitempty" json:"name,omitempty"`
	Yard     *string `bson:"yard,omitempty" json:"yard,omitempty"`
	WidthMM  *int64  `bson:"width,omitempty" json:"width_mm,omitempty"`
	TankML   *int64  `bson:"tank,omitempty" json:"tank_ml,omitempty"`
	FirstUse *string `bson:"first_use,omitempty" json:"first_use,omitempty"`
	Serial   *string `bson:"serial,omitempty" json:"serial,omitempty"`
}

// RigRetired takes a rig out of the fleet; its history stays.
type RigRetired struct {
	Rig    string `bson:"rig" json:"rig"`
	Reason string `bson:"reason" json:"reason"`
}

// CredentialIssued gives a rig a new user and password for NATS and MQTT; the
// one before ends. Only the password's hash (hexadecimal SHA-256 of a random
// 32-byte secret) is kept.
type CredentialIssued struct {
	Rig  string `bson:"rig" json:"rig"`
	User string `bson:"user" json:"user"`
	Hash string `bson:"hash" json:"hash"`
}

// PartFitted puts a part on a rig at the entry's time. FromStart says that the
// part has been on the rig since the rig's meters began, so it has the rig's
// whole usage. Carried is usage it brings from outside the ledger.
type PartFitted struct {
	Part      string  `bson:"part" json:"part"`
	Rig       string  `bson:"rig" json:"rig"`
	Position  string  `bson:"pos" json:"position"`
	Type      string  `bson:"type" json:"kind"`
	Name      string  `bson:"name" json:"name"`
	Serial    string  `bson:"serial,omitempty" json:"serial,omitempty"`
	SKU       string  `bson:"sku,omitempty" json:"sku,omitempty"`
	Made      string  `bson:"made,omitempty" json:"made,omitempty"`
	FromStart bool    `bson:"start,omitempty" json:"from_start,omitempty"`
	Carried   Amounts `bson:"carried,omitempty" json:"carried,omitempty"`
}

// PartRemoved takes a part off its rig at the entry's time; it may be fitted
// again elsewhere unless it was scrapped.
type PartRemoved struct {
	Part     string `bson:"part" json:"part"`
	Rig      string `bson:"rig" json:"rig"`
	Reason   string `bson:"reason" json:"reason"`
	Scrapped bool   `bson:"scrapped,omitempty" json:"scrapped,omitempty"`
}

func (*RigRegistered) Kind() string    { return "rig.registered" }
func (*RigAmended) Kind() string       { return "rig.amended" }
func (*RigRetired) Kind() string       { return "rig.retired" }
func (*CredentialIssued) Kind() string { return "credential.issued" }
func (*PartFitted) Kind() string       { return "part.fitted" }
func (*PartRemoved) Kind() string      { return "part.removed" }

func (f *RigRegistered) Subject() string    { return f.Rig }
func (f *RigAmended) Subject() string       { return f.Rig }
func (f *RigRetired) Subject() string       { return f.Rig }
func (f *CredentialIssued) Subject() string { return f.Rig }
func (f *PartFitted) Subject() string       { return f.Rig }
func (f *PartRemoved) Subject() string      { return f.Rig }
