package intake

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"

	"github.com/nats-io/nats-server/v2/server"

	"rigledger/events"
)

// Credentials says who a client of the embedded server is. Both methods are
// called from the server's own goroutines, once per connection, and must take
// the same time for a wrong password as for a right one.
type Credentials interface {
	// RigFor gives the rig whose user and password these are.
	RigFor(user, password string) (rig string, ok bool)
	// ListenerFor says whether other software may hear ledger.> with these: user
	// "token" and an API token with the reader's rights as the password.
	ListenerFor(user, password string) bool
}

// ListenerUser is the user name of other software; the password is its token.
const ListenerUser = "token"

// ownUser is the name of the service's own connection.
const ownUser = "$rigledger"

// doorkeeper decides who comes in and what each may say and hear.
type doorkeeper struct {
	credentials Credentials
	own         [sha256.Size]byte // hash of the password of this start
}

func newDoorkeeper(c Credentials) (*doorkeeper, string) {
	secret := make([]byte, 32)
	rand.Read(secret) // never fails: it ends the program instead
	password := hex.EncodeToString(secret)
	return &doorkeeper{credentials: c, own: sha256.Sum256([]byte(password))}, password
}

// Check is called by the server for every client, NATS and MQTT alike.
func (d *doorkeeper) Check(c server.ClientAuthentication) bool {
	if c.Kind() != server.CLIENT {
		return false // no routes, leaf nodes or gateways
	}
	o := c.GetOpts()
	if o.Username == ownUser {
		sum := sha256.Sum256([]byte(o.Password))
		if subtle.ConstantTimeCompare(sum[:], d.own[:]) != 1 {
			return false
		}
		c.RegisterUser(&server.User{Username: ownUser})
		return true
	}
	user, may, ok := admit(d.credentials, o.Username, o.Password, o.Token)
	if !ok {
		return false
	}
	c.RegisterUser(&server.User{Username: user, Permissions: may.permissions()})
	return true
}

// rights are what one client may say and hear, as subjects.
type rights struct {
	publish, neverPublish, subscribe []string
}

// admit says who a client is and what it may. The embedded server and the
// callout of an external one both ask it, so that they cannot differ.
func admit(c Credentials, user, password, token string) (name string, may rights, ok bool) {
	if token != "" && user == "" && password == "" {
		user, password = ListenerUser, token
	}
	if c == nil || user == "" || password == "" {
		return "", rights{}, false
	}
	if rig, ok := c.RigFor(user, password); ok {
		return user, rigRights(rig), ValidRig(rig)
	}
	if c.ListenerFor(user, password) {
		return user, listenerRights(), true
	}
	return "", rights{}, false
}

// rigRights lets a rig speak under its own subject and hear its own acks and
// replies. MQTT's internal $MQTT.sub.> is granted by the server to MQTT clients
// by itself; granting it here would let a NATS client overhear others.
func rigRights(rig string) rights {
	return rights{
		publish: []string{
			"rig." + rig + "." + events.KindReading,
			"rig." + rig + "." + events.KindDefect,
			"rig." + rig + "." + events.KindCondition,
		},
		subscribe: []string{ackSubject(rig), InboxPrefix(rig) + ".>"},
	}
}

func listenerRights() rights {
	return rights{neverPublish: []string{">"}, subscribe: []string{"ledger.>"}}
}

func (r rights) permissions() *server.Permissions {
	return &server.Permissions{
		Publish:   &server.SubjectPermission{Allow: r.publish, Deny: r.neverPublish},
		Subscribe: &server.SubjectPermission{Allow: r.subscribe},
	}
}

// InboxPrefix is what a rig's NATS client must use for replies
// (nats.CustomInboxPrefix).
func InboxPrefix(rig string) string { return "_INBOX_" + rig }
