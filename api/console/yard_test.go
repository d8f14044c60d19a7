package console_test

import "testing"

func TestTheYardInABrowser(t *testing.T) {
	h := newHouse(t)
	h.many(5)
	b := h.open("manager", "/")
	b.sees("M001")
	b.looks("yard")
}
