package api

import (
	"slices"

	"rigledger/api/access"
	"rigledger/api/bay"
	"rigledger/api/calculators"
	"rigledger/api/call"
	"rigledger/api/document"
	"rigledger/api/exchange"
	"rigledger/api/planning"
	"rigledger/fleet"
)

// route is one line of the table: what there is, who may use it, which query
// parameters it knows (after_commit goes with all).
type route struct {
	method string
	path   string
	roles  []fleet.Role
	query  []string
	handle func(c *call.Call) error
}

// Who may. A rig's own token sees and feeds that rig alone. Operators report,
// and work off the tasks that plans give to operators (the workshop asks). Readers read.
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

// routes is the table of what there is for who has a token: the room behind each
// line is the one that answers.
func (a *API) routes() []route {
	return append(calculatorRoutes(), []route{
		{"GET", "/v1/rigs", anyone, paged("yard", "class", "state", "silent_days", "retired", "fields", "sort"), call.Kept(a.rigs.GetRigs)},
		{"POST", "/v1/rigs", managers, nil, a.rigs.PostRigs},
		{"GET", "/v1/rigs/:rig", andRig, []string{"fields"}, a.rigs.GetRig},
		{"PATCH", "/v1/rigs/:rig", managers, nil, a.rigs.PatchRig},
		{"POST", "/v1/rigs/:rig/retire", managers, nil, a.rigs.RetireRig},
		{"POST", "/v1/rigs/:rig/plan", managers, nil, a.rigs.AdoptPlan},
		{"POST", "/v1/rigs/:rig/credential", managers, nil, a.rigs.PostCredential},
		{"GET", "/v1/rigs/:rig/parts", anyone, paged("left"), a.rigs.GetParts},
		{"POST", "/v1/rigs/:rig/parts", workers, nil, a.rigs.FitPart},
		{"POST", "/v1/rigs/:rig/parts/:part/remove", workers, nil, a.rigs.RemovePart},
		{"POST", "/v1/rigs/:rig/meters", workers, nil, a.rigs.PostMeter},
		{"POST", "/v1/rigs/:rig/meters/:meter/swap", workers, nil, a.rigs.SwapMeter},
		{"POST", "/v1/rigs/:rig/meters/:meter/unswap", workers, nil, a.rigs.UnswapMeter},
		{"GET", "/v1/rigs/:rig/readings", anyone, paged("meter", "from", "to"), a.rigs.GetReadings},
		{"POST", "/v1/rigs/:rig/readings", peopleRg, nil, a.rigs.PostReadings},
		{"POST", "/v1/rigs/:rig/readings/void", workers, nil, a.rigs.VoidReading},
		{"GET", "/v1/rigs/:rig/usage", anyone, []string{"from", "to", "by", "meter"}, a.rigs.GetUsage},
		{"GET", "/v1/rigs/:rig/timeline", anyone, paged("kind"), a.rigs.GetTimeline},
		{"GET", "/v1/parts/:part", anyone, nil, a.rigs.GetPart},
		{"GET", "/v1/items", anyone, paged("status", "stage", "rig", "yard", "due_before", "kind", "task", "part", "fields", "sort"), call.Kept(a.workshop.GetItems)},
		{"GET", "/v1/items/:item", anyone, []string{"fields"}, a.workshop.GetItem},
		{"POST", "/v1/items/:item/book", workers, nil, a.workshop.BookItem},
		{"POST", "/v1/items/:item/start", people, nil, a.workshop.StartItem},
		{"POST", "/v1/items/:item/finish", people, nil, a.workshop.FinishItem},
		{"POST", "/v1/items/:item/defer", workers, nil, a.workshop.DeferItem},
		{"POST", "/v1/items/:item/strike", managers, nil, a.workshop.StrikeItem},
		{"POST", "/v1/items/:item/return", workers, nil, a.workshop.ReturnItem},
		{"GET", "/v1/workshop", anyone, []string{"date", "yard"}, a.workshop.GetWorkshop},
		{"GET", "/v1/defects", anyone, paged("state", "rig", "yard", "safety", "fields", "sort"), a.workshop.GetDefects},
		{"POST", "/v1/defects", people, nil, a.workshop.PostDefect},
		{"GET", "/v1/defects/:defect", anyone, nil, a.workshop.GetDefect},
		{"POST", "/v1/defects/:defect/clear", workers, nil, a.workshop.ClearDefect},
		{"GET", "/v1/quarantine", watching, paged("state", "rig", "yard", "reason"), a.rigs.GetQuarantine},
		{"GET", "/v1/quarantine/:quarantine", watching, nil, a.rigs.GetHeld},
		{"POST", "/v1/quarantine/:quarantine/release", workers, nil, a.rigs.ReleaseHeld},
		{"POST", "/v1/quarantine/:quarantine/dismiss", workers, nil, a.rigs.DismissHeld},
		{"POST", "/v1/quarantine/:quarantine/reopen", workers, nil, a.rigs.ReopenHeld},
		{"GET", "/v1/plans", anyone, paged(), planning.GetPlans},
		{"POST", "/v1/plans", managers, nil, planning.PostPlan},
		{"GET", "/v1/plans/:plan", anyone, []string{"version"}, planning.GetPlan},
		{"GET", "/v1/tokens", managers, paged(), access.GetTokens},
		{"POST", "/v1/tokens", managers, nil, access.PostToken},
		{"POST", "/v1/tokens/:token/revoke", managers, nil, access.RevokeToken},
		{"GET", "/v1/classes", anyone, nil, planning.GetClasses},
		{"POST", "/v1/classes", managers, nil, planning.PostClass},
		{"GET", "/v1/bookings", anyone, paged("rig", "yard", "from", "to", "fields", "sort"), planning.GetBookings},
		{"POST", "/v1/bookings", managers, nil, planning.PostBooking},
		{"GET", "/v1/bookings/:booking", anyone, nil, planning.GetBooking},
		{"POST", "/v1/bookings/:booking/cancel", managers, nil, planning.CancelBooking},
		{"POST", "/v1/rigs/:rig/visit", workers, nil, a.workshop.BookVisit},
		{"POST", "/v1/rigs/:rig/work-changed", managers, nil, a.rigs.ChangeWork},
		{"GET", "/v1/rigs/:rig/forecast", anyone, nil, planning.GetRigForecast},
		{"GET", "/v1/forecast", anyone, []string{"rig", "yard", "days"}, planning.GetForecast},
		{"POST", "/v1/forecast", anyone, nil, planning.PostForecast},
		{"GET", "/v1/rigs/:rig/fitness", anyone, []string{"at"}, bay.GetFitness},
		{"GET", "/v1/rigs/:rig/place", anyone, nil, bay.GetPlace},
		{"POST", "/v1/rigs/:rig/place", managers, nil, bay.PostPlace},
		{"GET", "/v1/rigs/:rig/handover", anyone, nil, bay.GetHandovers},
		{"POST", "/v1/rigs/:rig/handover", people, nil, bay.PostHandover},
		{"GET", "/v1/rigs/:rig/record", watching, nil, bay.GetRigRecord},
		{"GET", "/v1/yards/:yard/place", anyone, nil, bay.GetYardPlace},
		{"POST", "/v1/yards/:yard/place", managers, nil, bay.PostYardPlace},
		{"GET", "/v1/inspections", anyone, paged("rig", "yard", "outcome", "fields", "sort"), bay.GetInspections},
		{"POST", "/v1/inspections", workers, nil, bay.PostInspection},
		{"GET", "/v1/inspections/:inspection", anyone, nil, bay.GetInspection},
		{"GET", "/v1/inspections/:inspection/record", watching, nil, bay.GetInspectionRecord},
		{"GET", "/v1/calibrations", anyone, paged("rig", "yard"), bay.GetCalibrations},
		{"POST", "/v1/calibrations", people, nil, bay.PostCalibration},
		{"GET", "/v1/calibrations/:calibration", anyone, nil, bay.GetCalibration},
		{"GET", "/v1/calibrations/:calibration/record", watching, nil, bay.GetCalibrationRecord},
		{"GET", "/v1/certificates", anyone, paged("rig", "yard", "fields", "sort"), bay.GetCertificates},
		{"POST", "/v1/certificates", workers, nil, bay.PostCertificate},
		{"GET", "/v1/certificates/:certificate", anyone, nil, bay.GetCertificate},
		{"POST", "/v1/certificates/:certificate/withdraw", managers, nil, bay.WithdrawCertificate},
		{"GET", "/v1/rulesets", anyone, nil, bay.GetRuleSets},
		{"POST", "/v1/rulesets", managers, nil, bay.PostRuleSet},
		{"GET", "/v1/rulesets/:ruleset", anyone, []string{"edition"}, bay.GetRuleSet},
		{"GET", "/v1/intervals", anyone, nil, bay.GetIntervals},
		{"POST", "/v1/intervals", managers, nil, bay.PostIntervals},
		{"POST", "/v1/files", people, []string{"name"}, bay.PostFile},
		{"GET", "/v1/files/:file", anyone, nil, bay.GetFile},
		{"GET", "/v1/exchange/fleet/:page", anyone, nil, a.exchange.GetFleetPage},
		{"POST", "/v1/exchange/fleet", people, nil, a.exchange.PostFleet},
		{"GET", "/v1/exchange/fleet/equipment/:rig", anyone, nil, a.exchange.GetFleetRig},
		{"GET", "/v1/exchange/fleet/equipment/:rig/:element/:from/:to/:page", anyone, nil, a.exchange.GetFleetSeries},
		{"POST", exchange.TaskDataPath, people, []string{"zone", "device", "rows"}, a.exchange.PostTaskData},
		{"GET", "/v1/exchange/calendars", managers, paged(), a.exchange.GetCalendars},
		{"POST", "/v1/exchange/calendars", managers, nil, a.exchange.PostCalendar},
		{"POST", "/v1/exchange/calendars/:calendar/revoke", managers, nil, a.exchange.RevokeCalendar},
		{"GET", "/v1/exchange/sheet/:sheet", anyone, []string{"rig", "yard", "from", "to"}, a.exchange.GetSheet},
		{"GET", "/v1/exchange/positions", anyone, []string{"rig", "yard"}, a.exchange.GetPositions},
		{"GET", "/v1/feed", anyone, []string{"after", "limit", "kind", "rig", "yard"}, a.feed.GetFeed},
		{"GET", "/v1/feed/live", anyone, []string{"after", "kind", "rig", "yard"}, a.feed.GetFeedLive},
		{"GET", "/v1/hooks", managers, paged(), a.hooks.GetHooks},
		{"POST", "/v1/hooks", managers, nil, a.hooks.PostHook},
		{"POST", "/v1/hooks/:hook/rotate", managers, nil, a.hooks.RotateHook},
		{"POST", "/v1/hooks/:hook/test", managers, nil, a.hooks.TestHook},
		{"GET", "/v1/hooks/:hook", managers, nil, a.hooks.GetHook},
		{"POST", "/v1/hooks/:hook/enable", managers, nil, a.hooks.EnableHook},
		{"POST", "/v1/hooks/:hook/disable", managers, nil, a.hooks.DisableHook},
		{"POST", "/v1/hooks/:hook/remove", managers, nil, a.hooks.RemoveHook},
		{"GET", "/v1/hooks/:hook/deliveries", managers, nil, a.hooks.GetDeliveries},
		{"GET", "/v1/ledger", anyone, nil, getLedger},
	}...)
}

// open is the table of what needs no token: documents for whoever wants to read, and
// calendars for whoever has their address.
func (a *API) open() []route {
	return []route{
		{method: "GET", path: "/openapi.yaml", handle: document.GetOpenAPI},
		{method: "GET", path: "/asyncapi.yaml", handle: document.GetAsyncAPI},
		{method: "GET", path: "/docs", handle: document.GetPage},
		{method: "GET", path: "/docs.css", handle: document.GetStyle},
		{method: "GET", path: "/schemas/:schema", handle: document.GetSchema},
		{method: "GET", path: exchange.CalendarPath, handle: a.exchange.ServeCalendar},
	}
}

// calculatorRoutes are open to every role but a rig's: they look at nothing.
func calculatorRoutes() []route {
	var out []route
	for _, k := range calculators.All {
		r := route{method: "POST", path: "/v1/testbay/" + k.Name, roles: anyone, handle: k.Handle}
		if k.Rules {
			r.query = []string{"ruleset", "edition"}
		}
		out = append(out, r)
	}
	return out
}
