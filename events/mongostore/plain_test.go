package mongostore

import (
	"errors"
	"strings"
	"testing"

	"go.mongodb.org/mongo-driver/v2/mongo"
)

// The test server takes every write concern, so the refusals of others are
// made here, as the driver hands them on.
func TestAServerThatCannotPromiseDurabilityIsRefusedInWords(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"no journal, as a command's error", mongo.CommandError{Code: 2, Message: "cannot use 'j' option when a host does not have journaling enabled"}, "start it with its journal"},
		{"no journal, as a write concern's error", mongo.WriteException{WriteConcernError: &mongo.WriteConcernError{Code: 2, Message: "cannot use 'j' option when a host does not have journaling enabled"}}, "start it with its journal"},
		{"no majority", mongo.WriteException{WriteConcernError: &mongo.WriteConcernError{Code: 79, Message: "No write concern mode named 'majority' found"}}, "majority and journal"},
		{"no replica set", mongo.CommandError{Code: 123, Message: "node needs to be a replica set member"}, "a single member is enough"},
		{"another bad value", mongo.CommandError{Code: 2, Message: "unknown operator"}, ""},
		{"no server's error", errors.New("connection reset"), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := plain(c.err)
			if !strings.Contains(got.Error(), c.want) || !strings.HasSuffix(got.Error(), c.err.Error()) {
				t.Errorf("got %q, want it to say %q and then %q", got, c.want, c.err)
			}
			if c.want == "" && got.Error() != c.err.Error() {
				t.Errorf("got %q, want the error as it was", got)
			}
		})
	}
}
