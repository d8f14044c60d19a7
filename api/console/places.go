package console

import "rigledger/fleet"

// place is one of the rooms that the head of every page leads to.
type place struct {
	Path, Name string
	roles      []fleet.Role // nil for everybody
}

// places are in the order of a day: who goes out, what comes, what is done
// today, what is measured, what could not be believed, what is on record.
var places = []place{
	{"/", word("Yard"), nil},
	{"/season", word("Season"), nil},
	{"/workshop", word("Workshop"), nil},
	{"/bay", word("Test bay"), nil},
	{"/intake", word("Intake"), watching},
	{"/ledger", word("Ledger"), watching},
}

var (
	watching = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleReader}
	managers = []fleet.Role{fleet.RoleManager}
)

// pages lists every page. Each room's file has its own.
func pages() []page {
	var all []page
	for _, room := range [][]page{yardPages, findPages, startPages, rigPages, seasonPages, workshopPages, bayPages, intakePages, ledgerPages, accessPages, recordPages} {
		all = append(all, room...)
	}
	return all
}

// word marks a text in the code that people see on a page. The list of labels
// says of each where it comes from, and a test finds those that are not on it.
func word(s string) string { return s }
