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

func (r *route) allows(role fleet.Role) bool { return slices.Contains(r.roles, role) }

// Who may. A rig's own token sees and feeds that rig alone. Operators report,
// and work off the tasks that plans give to operators (mayMove). Readers read.
var (
	anyone   = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator, fleet.RoleReader}
	andRig   = append(slices.Clone(anyone), fleet.RoleRig)
	people   = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleOperator}
	peopleRg = append(slices.Clone(people), fleet.RoleRig)
	workshop = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop}
	watching = []fleet.Role{fleet.RoleManager, fleet.RoleWorkshop, fleet.RoleReader}
	managers = []fleet.Role{fleet.RoleManager}
)

func paged(names ...string) []string { return append(names, "limit", "cursor") }

var routes = append(calculatorRoutes(), []route{
	{"GET", "/v1/rigs", anyone, paged("yard", "class", "state", "silent_days", "retired", "fields", "sort"), kept(getRigs)},
	{"POST", "/v1/rigs", managers, nil, postRigs},
	{"GET", "/v1/rigs/:rig", andRig, []string{"fields"}, getRig},
	{"PATCH", "/v1/rigs/:rig", managers, nil, patchRig},
	{"POST", "/v1/rigs/:rig/retire", managers, nil, retireRig},
	{"POST", "/v1/rigs/:rig/plan", managers, nil, adoptPlan},
	{"POST", "/v1/rigs/:rig/credential", managers, nil, postCredential},
	{"GET", "/v1/rigs/:rig/parts", anyone, paged("left"), getParts},
	{"POST", "/v1/rigs/:rig/parts", workshop, nil, fitPart},
	{"POST", "/v1/rigs/:rig/parts/:part/remove", workshop, nil, removePart},
	{"POST", "/v1/rigs/:rig/meters", workshop, nil, postMeter},
	{"POST", "/v1/rigs/:rig/meters/:meter/swap", workshop, nil, swapMeter},
	{"POST", "/v1/rigs/:rig/meters/:meter/unswap", workshop, nil, unswapMeter},
	{"GET", "/v1/rigs/:rig/readings", anyone, paged("meter", "from", "to"), getReadings},
	{"POST", "/v1/rigs/:rig/readings", peopleRg, nil, postReadings},
	{"POST", "/v1/rigs/:rig/readings/void", workshop, nil, voidReading},
	{"GET", "/v1/rigs/:rig/usage", anyone, []string{"from", "to", "by", "meter"}, getUsage},
	{"GET", "/v1/rigs/:rig/timeline", anyone, paged("kind"), getTimeline},
	{"GET", "/v1/parts/:part", anyone, nil, getPart},
	{"GET", "/v1/items", anyone, paged("status", "stage", "rig", "yard", "due_before", "kind", "task", "part", "fields", "sort"), kept(getItems)},
	{"GET", "/v1/items/:item", anyone, []string{"fields"}, getItem},
	{"POST", "/v1/items/:item/book", workshop, nil, bookItem},
	{"POST", "/v1/items/:item/start", people, nil, startItem},
	{"POST", "/v1/items/:item/finish", people, nil, finishItem},
	{"POST", "/v1/items/:item/defer", workshop, nil, deferItem},
	{"POST", "/v1/items/:item/strike", managers, nil, strikeItem},
	{"POST", "/v1/items/:item/return", workshop, nil, returnItem},
	{"GET", "/v1/workshop", anyone, []string{"date", "yard"}, getWorkshop},
	{"GET", "/v1/defects", anyone, paged("state", "rig", "yard", "safety", "fields", "sort"), getDefects},
	{"POST", "/v1/defects", people, nil, postDefect},
	{"GET", "/v1/defects/:defect", anyone, nil, getDefect},
	{"POST", "/v1/defects/:defect/clear", workshop, nil, clearDefect},
	{"GET", "/v1/quarantine", watching, paged("state", "rig", "yard", "reason"), getQuarantine},
	{"GET", "/v1/quarantine/:quarantine", watching, nil, getHeld},
	{"POST", "/v1/quarantine/:quarantine/release", workshop, nil, releaseHeld},
	{"POST", "/v1/quarantine/:quarantine/dismiss", workshop, nil, dismissHeld},
	{"POST", "/v1/quarantine/:quarantine/reopen", workshop, nil, reopenHeld},
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
	{"POST", "/v1/rigs/:rig/visit", workshop, nil, bookVisit},
	{"POST", "/v1/rigs/:rig/work-changed", managers, nil, changeWork},
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
	{"POST", "/v1/inspections", workshop, nil, postInspection},
	{"GET", "/v1/inspections/:inspection", anyone, nil, getInspection},
	{"GET", "/v1/inspections/:inspection/record", watching, nil, getInspectionRecord},
	{"GET", "/v1/calibrations", anyone, paged("rig", "yard"), getCalibrations},
	{"POST", "/v1/calibrations", people, nil, postCalibration},
	{"GET", "/v1/calibrations/:calibration", anyone, nil, getCalibration},
	{"GET", "/v1/calibrations/:calibration/record", watching, nil, getCalibrationRecord},
	{"GET", "/v1/certificates", anyone, paged("rig", "yard", "fields", "sort"), getCertificates},
	{"POST", "/v1/certificates", workshop, nil, postCertificate},
	{"GET", "/v1/certificates/:certificate", anyone, nil, getCertificate},
	{"POST", "/v1/certificates/:certificate/withdraw", managers, nil, withdrawCertificate},
	{"GET", "/v1/rulesets", anyone, nil, getRuleSets},
	{"POST", "/v1/rulesets", managers, nil, postRuleSet},
	{"GET", "/v1/rulesets/:ruleset", anyone, []string{"edition"}, getRuleSet},
	{"GET", "/v1/intervals", anyone, nil, getIntervals},
	{"POST", "/v1/intervals", managers, nil, postIntervals},
	{"POST", "/v1/files", people, []string{"name"}, postFile},
	{"GET", "/v1/files/:file", anyone, nil, getFile},
	{"GET", "/v1/exchange/fleet/:page", anyone, nil, getFleetPage},
	{"POST", "/v1/exchange/fleet", people, nil, postFleet},
	{"GET", "/v1/exchange/fleet/equipment/:rig", anyone, nil, getFleetRig},
	{"GET", "/v1/exchange/fleet/equipment/:rig/:element/:from/:to/:page", anyone, nil, getFleetSeries},
	{"POST", taskDataPath, people, []string{"zone", "device", "rows"}, postTaskData},
	{"GET", "/v1/exchange/calendars", managers, paged(), getCalendars},
	{"POST", "/v1/exchange/calendars", managers, nil, postCalendar},
	{"POST", "/v1/exchange/calendars/:calendar/revoke", managers, nil, revokeCalendar},
	{"GET", "/v1/exchange/sheet/:sheet", anyone, []string{"rig", "yard", "from", "to"}, getSheet},
	{"GET", "/v1/exchange/positions", anyone, []string{"rig", "yard"}, getPositions},
	{"GET", "/v1/feed", anyone, []string{"after", "limit", "kind", "rig", "yard"}, getFeed},
	{"GET", "/v1/feed/live", anyone, []string{"after", "kind", "rig", "yard"}, getFeedLive},
	{"GET", "/v1/hooks", managers, paged(), getHooks},
	{"POST", "/v1/hooks", managers, nil, postHook},
	{"POST", "/v1/hooks/:hook/rotate", managers, nil, rotateHook},
	{"POST", "/v1/hooks/:hook/test", managers, nil, testHook},
	{"GET", "/v1/hooks/:hook", managers, nil, getHook},
	{"POST", "/v1/hooks/:hook/enable", managers, nil, enableHook},
	{"POST", "/v1/hooks/:hook/disable", managers, nil, disableHook},
	{"POST", "/v1/hooks/:hook/remove", managers, nil, removeHook},
	{"GET", "/v1/hooks/:hook/deliveries", managers, nil, getDeliveries},
	{"GET", "/v1/ledger", anyone, nil, getLedger},
}...)
