package exchange_test

import (
	"strings"
	"testing"

	"rigledger/api/apitest"
)

// A key holds for its request, the query included, and a request that comes again
// with it writes nothing, whatever has changed in between.
func TestTaskDataWithAKeyIsTakenOnceAndForItsQuery(t *testing.T) {
	h := apitest.New(t)
	h.Register("T01", "north")
	h.Register("T02", "north")
	body := season(t, "SN-7")
	send := func(query string) apitest.Answer {
		return h.Send("operator", "POST", "/v1/exchange/taskdata"+query, body, "Content-Type", "application/zip", "Idempotency-Key", "dd")
	}
	head := func() uint64 { return h.Fleet.Head().N }
	send("").Is(200).Has("/devices/0/taken", 0) // no rig has that serial number
	before := head()
	send("?device=SN-7:T02").Is(422).Has("/type", "/problems/key-reused")
	send("?zone=Europe/Berlin").Is(422).Has("/type", "/problems/key-reused")
	send("?after_commit=1").Is(200)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"serial": "SN-7"}, "If-Match", "*").Is(200)
	before++
	again := send("").Is(200).Has("/devices/0/taken", 0).Has("/devices/0/known", 0)
	if again.Header.Get("Idempotency-Replayed") != "true" || head() != before {
		t.Errorf("replayed %q, %d commits", again.Header.Get("Idempotency-Replayed"), head()-before)
	}
	if why := again.Names("/devices/0/skipped", "why"); len(why) == 0 || !strings.Contains(strings.Join(why, " "), "another Idempotency-Key") {
		t.Errorf("skipped: %v", why)
	}
	taskData(h, "", body).Is(200).Has("/devices/0/taken", 2)
	send("").Is(200).Has("/devices/0/known", 2)
}
