package rigs_test

import (
	"testing"

	"rigledger/api/apitest"
)

func TestARigWasNotInUseBefore1950(t *testing.T) {
	h := apitest.New(t)
	body := apitest.RigBody("T01", "north")
	for _, odd := range []string{"0001-01-01", "1949-12-31"} {
		body["first_use"] = odd
		h.Send("manager", "POST", "/v1/rigs", body).Is(422).Has("/errors/0/pointer", "/first_use")
	}
	body["first_use"] = "1950-01-01"
	h.Send("manager", "POST", "/v1/rigs", body).Is(201)
	h.Send("manager", "PATCH", "/v1/rigs/T01", apitest.Obj{"first_use": "0001-01-01"}, "If-Match", "*").Is(422).Has("/errors/0/pointer", "/first_use")
}
