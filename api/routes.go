package api

import (
	"slices"

	"rigledger/fleet"
)

// route is one line of the table: what there is, who may use it, which query
// parameters it knows (after_commit goes with all).
type route struct {
	method string
	path   string
	roles  []fleet.Role
	query  []string
	handle func(c *call) error
}

// Who may. A rig's own token sees and feeds that rig alone. Operators report,
// and work off the tasks that plans give to operators (mayMove). Readers read.
var (
	anyone   = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader}
	andRig   = append(slices.Clone(anyone), fleet.RoleRig)
	people   = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator}
	peopleRg = append(slices.Clone(people), fleet.RoleRig)
	workers  = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop}
	watching = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleReader}
	managers = []fleet.Role{fleet.RoleManager}
)

func paged(names ...string) []string { return append(names, "limit", "cursor") }

// routes is the table of what there is under /v1, beside the calendars' secret
// addresses.
func (a *API) routes() []route {
	return append(calculatorRoutes(), []route{
		{"GET", "/v1/rigs", anyone, paged("yard", "class", "state", "silent_days", "retired", "fields", "sort"), kept(a.rigs.getRigs)},
		{"POST", "/v1/rigs", managers, nil, a.rigs.postRigs},
		{"GET", "/v1/rigs/:rig", andRig, []string{"fields"}, a.rigs.getRig},
		{"PATCH", "/v1/rigs/:rig", managers, nil, a.rigs.patchRig},
		{"POST", "/v1/rigs/:rig/retire", managers, nil, a.rigs.retireRig},
		{"POST", "/v1/rigs/:rig/plan", managers, nil, a.rigs.adoptPlan},
		{"POST", "/v1/rigs/:rig/credential", managers, nil, a.rigs.postCredential},
		{"GET", "/v1/rigs/:rig/parts", anyone, paged("left"), a.rigs.getParts},
		{"POST", "/v1/rigs/:rig/parts", workers, nil, a.rigs.fitPart},
		{"POST", "/v1/rigs/:rig/parts/:part/remove", workers, nil, a.rigs.removePart},
		{"POST", "/v1/rigs/:rig/meters", workers, nil, a.rigs.postMeter},
		{"POST", "/v1/rigs/:rig/meters/:meter/swap", workers, nil, a.rigs.swapMeter},
		{"POST", "/v1/rigs/:rig/meters/:meter/unswap", workers, nil, a.rigs.unswapMeter},
		{"GET", "/v1/rigs/:rig/readings", anyone, paged("meter", "from", "to"), a.rigs.getReadings},
		{"POST", "/v1/rigs/:rig/readings", peopleRg, nil, a.rigs.postReadings},
		{"POST", "/v1/rigs/:rig/readings/void", workers, nil, a.rigs.voidReading},
		{"GET", "/v1/rigs/:rig/usage", anyone, []string{"from", "to", "by", "meter"}, a.rigs.getUsage},
		{"GET", "/v1/rigs/:rig/timeline", anyone, paged("kind"), a.rigs.getTimeline},
		{"GET", "/v1/parts/:part", anyone, nil, a.rigs.getPart},
		{"GET", "/v1/items", anyone, paged("status", "stage", "rig", "yard", "due_before", "kind", "task", "part", "fields", "sort"), kept(a.workshop.getItems)},
		{"GET", "/v1/items/:item", anyone, []string{"fields"}, a.workshop.getItem},
		{"POST", "/v1/items/:item/book", workers, nil, a.workshop.bookItem},
		{"POST", "/v1/items/:item/start", people, nil, a.workshop.startItem},
		{"POST", "/v1/items/:item/finish", people, nil, a.workshop.finishItem},
		{"POST", "/v1/items/:item/defer", workers, nil, a.workshop.deferItem},
		{"POST", "/v1/items/:item/strike", managers, nil, a.workshop.strikeItem},
		{"POST", "/v1/items/:item/return", workers, nil, a.workshop.returnItem},
		{"GET", "/v1/workshop", anyone, []string{"date", "yard"}, a.workshop.getWorkshop},
		{"GET", "/v1/defects", anyone, paged("state", "rig", "yard", "safety", "fields", "sort"), a.workshop.getDefects},
		{"POST", "/v1/defects", people, nil, a.workshop.postDefect},
		{"GET", "/v1/defects/:defect", anyone, nil, a.workshop.getDefect},
		{"POST", "/v1/defects/:defect/clear", workers, nil, a.workshop.clearDefect},
		{"GET", "/v1/quarantine", watching, paged("state", "rig", "yard", "reason"), a.rigs.getQuarantine},
		{"GET", "/v1/quarantine/:quarantine", watching, nil, a.rigs.getHeld},
		{"POST", "/v1/quarantine/:quarantine/release", workers, nil, a.rigs.releaseHeld},
		{"POST", "/v1/quarantine/:quarantine/dismiss", workers, nil, a.rigs.dismissHeld},
		{"POST", "/v1/quarantine/:quarantine/reopen", workers, nil, a.rigs.reopenHeld},
		{"GET", "/v1/plans", anyone, paged(), getPlans},
		{"POST", "/v1/plans", managers, nil, postPlan},
		{"GET", "/v1/plans/:plan", anyone, []string{"version"}, getPlan},
		{"GET", "/v1/tokens", managers, paged(), getTokens},
		{"POST", "/v1/tokens", managers, nil, postToken},
		{"POST", "/v1/tokens/:token/revoke", managers, nil, revokeToken},
		{"GET", "/v1/classes", anyone, nil, getClasses},
		{"POST", "/v1/classes", managers, nil, postClass},
		{"GET", "/v1/bookings", anyone, paged("rig", "yard", "from", "to", "fields", "sort"), getBookings},
		{"POST", "/v1/bookings", managers, nil, postBooking},
		{"GET", "/v1/bookings/:booking", anyone, nil, getBooking},
		{"POST", "/v1/bookings/:booking/cancel", managers, nil, cancelBooking},
		{"POST", "/v1/rigs/:rig/visit", workers, nil, a.workshop.bookVisit},
		{"POST", "/v1/rigs/:rig/work-changed", managers, nil, a.rigs.changeWork},
		{"GET", "/v1/rigs/:rig/forecast", anyone, nil, getRigForecast},
		{"GET", "/v1/forecast", anyone, []string{"rig", "yard", "days"}, getForecast},
		{"POST", "/v1/forecast", anyone, nil, postForecast},
		{"GET", "/v1/rigs/:rig/fitness", anyone, []string{"at"}, getFitness},
		{"GET", "/v1/rigs/:rig/place", anyone, nil, getPlace},
		{"POST", "/v1/rigs/:rig/place", managers, nil, postPlace},
		{"GET", "/v1/rigs/:rig/handover", anyone, nil, getHandovers},
		{"POST", "/v1/rigs/:rig/handover", people, nil, postHandover},
		{"GET", "/v1/rigs/:rig/record", watching, nil, getRigRecord},
		{"GET", "/v1/yards/:yard/place", anyone, nil, getYardPlace},
		{"POST", "/v1/yards/:yard/place", managers, nil, postYardPlace},
		{"GET", "/v1/inspections", anyone, paged("rig", "yard", "outcome", "fields", "sort"), getInspections},
		{"POST", "/v1/inspections", workers, nil, postInspection},
		{"GET", "/v1/inspections/:inspection", anyone, nil, getInspection},
		{"GET", "/v1/inspections/:inspection/record", watching, nil, getInspectionRecord},
		{"GET", "/v1/calibrations", anyone, paged("rig", "yard"), getCalibrations},
		{"POST", "/v1/calibrations", people, nil, postCalibration},
		{"GET", "/v1/calibrations/:calibration", anyone, nil, getCalibration},
		{"GET", "/v1/calibrations/:calibration/record", watching, nil, getCalibrationRecord},
		{"GET", "/v1/certificates", anyone, paged("rig", "yard", "fields", "sort"), getCertificates},
		{"POST", "/v1/certificates", workers, nil, postCertificate},
		{"GET", "/v1/certificates/:certificate", anyone, nil, getCertificate},
		{"POST", "/v1/certificates/:certificate/withdraw", managers, nil, withdrawCertificate},
		{"GET", "/v1/rulesets", anyone, nil, getRuleSets},
		{"POST", "/v1/rulesets", managers, nil, postRuleSet},
		{"GET", "/v1/rulesets/:ruleset", anyone, []string{"edition"}, getRuleSet},
		{"GET", "/v1/intervals", anyone, nil, getIntervals},
		{"POST", "/v1/intervals", managers, nil, postIntervals},
		{"POST", "/v1/files", people, []string{"name"}, postFile},
		{"GET", "/v1/files/:file", anyone, nil, getFile},
		{"GET", "/v1/exchange/fleet/:page", anyone, nil, a.exchange.getFleetPage},
		{"POST", "/v1/exchange/fleet", people, nil, a.exchange.postFleet},
		{"GET", "/v1/exchange/fleet/equipment/:rig", anyone, nil, a.exchange.getFleetRig},
		{"GET", "/v1/exchange/fleet/equipment/:rig/:element/:from/:to/:page", anyone, nil, a.exchange.getFleetSeries},
		{"POST", taskDataPath, people, []string{"zone", "device", "rows"}, a.exchange.postTaskData},
		{"GET", "/v1/exchange/calendars", managers, paged(), a.exchange.getCalendars},
		{"POST", "/v1/exchange/calendars", managers, nil, a.exchange.postCalendar},
		{"POST", "/v1/exchange/calendars/:calendar/revoke", managers, nil, a.exchange.revokeCalendar},
		{"GET", "/v1/exchange/sheet/:sheet", anyone, []string{"rig", "yard", "from", "to"}, a.exchange.getSheet},
		{"GET", "/v1/exchange/positions", anyone, []string{"rig", "yard"}, a.exchange.getPositions},
		{"GET", "/v1/feed", anyone, []string{"after", "limit", "kind", "rig", "yard"}, a.feed.getFeed},
		{"GET", "/v1/feed/live", anyone, []string{"after", "kind", "rig", "yard"}, a.feed.getFeedLive},
		{"GET", "/v1/hooks", managers, paged(), a.hooks.getHooks},
		{"POST", "/v1/hooks", managers, nil, a.hooks.postHook},
		{"POST", "/v1/hooks/:hook/rotate", managers, nil, a.hooks.rotateHook},
		{"POST", "/v1/hooks/:hook/test", managers, nil, a.hooks.testHook},
		{"GET", "/v1/hooks/:hook", managers, nil, a.hooks.getHook},
		{"POST", "/v1/hooks/:hook/enable", managers, nil, a.hooks.enableHook},
		{"POST", "/v1/hooks/:hook/disable", managers, nil, a.hooks.disableHook},
		{"POST", "/v1/hooks/:hook/remove", managers, nil, a.hooks.removeHook},
		{"GET", "/v1/hooks/:hook/deliveries", managers, nil, a.hooks.getDeliveries},
		{"GET", "/v1/ledger", anyone, nil, getLedger},
	}...)
}

// calculatorRoutes are open to every role but a rig's: they look at nothing.
func calculatorRoutes() []route {
	var out []route
	for _, k := range calculators {
		r := route{method: "POST", path: "/v1/testbay/" + k.name, roles: anyone, handle: k.handle}
		if k.rules {
			r.query = []string{"ruleset", "edition"}
		}
		out = append(out, r)
	}
	return out
}
