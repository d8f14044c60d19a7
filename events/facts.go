package events

// Fact is one thing that happened. Each kind is one Go type; a new kind is
// added here, in kinds below, and in the fleet's fold.
type Fact interface {
	Kind() string    // "meter.read": a noun of the trade and what happened to it
	Subject() string // the rig it is about, "" when it is about the whole fleet
}

// kinds lists every fact once; the codec, the schemas and the tests walk it.
var kinds = map[string]func() Fact{
	"rig.registered":      func() Fact { return new(RigRegistered) },
	"rig.amended":         func() Fact { return new(RigAmended) },
	"rig.retired":         func() Fact { return new(RigRetired) },
	"credential.issued":   func() Fact { return new(CredentialIssued) },
	"part.fitted":         func() Fact { return new(PartFitted) },
	"part.removed":        func() Fact { return new(PartRemoved) },
	"meter.added":         func() Fact { return new(MeterAdded) },
	"meter.read":          func() Fact { return new(MeterRead) },
	"meter.swapped":       func() Fact { return new(MeterSwapped) },
	"meter.unswapped":     func() Fact { return new(MeterUnswapped) },
	"reading.voided":      func() Fact { return new(ReadingVoided) },
	"reading.quarantined": func() Fact { return new(ReadingQuarantined) },
	"reading.released":    func() Fact { return new(ReadingReleased) },
	"reading.dismissed":   func() Fact { return new(ReadingDismissed) },
	"reading.reopened":    func() Fact { return new(ReadingReopened) },
	"condition.measured":  func() Fact { return new(ConditionMeasured) },
	"plan.published":      func() Fact { return new(PlanPublished) },
	"plan.adopted":        func() Fact { return new(PlanAdopted) },
	"class.published":     func() Fact { return new(ClassPublished) },
	"item.raised":         func() Fact { return new(ItemRaised) },
	"item.booked":         func() Fact { return new(ItemBooked) },
	"item.started":        func() Fact { return new(ItemStarted) },
	"item.finished":       func() Fact { return new(ItemFinished) },
	"item.deferred":       func() Fact { return new(ItemDeferred) },
	"item.struck":         func() Fact { return new(ItemStruck) },
	"item.returned":       func() Fact { return new(ItemReturned) },
	"booking.made":        func() Fact { return new(BookingMade) },
	"booking.cancelled":   func() Fact { return new(BookingCancelled) },
	"work.changed":        func() Fact { return new(WorkChanged) },
	"defect.reported":     func() Fact { return new(DefectReported) },
	"defect.cleared":      func() Fact { return new(DefectCleared) },
	"token.issued":        func() Fact { return new(TokenIssued) },
	"token.revoked":       func() Fact { return new(TokenRevoked) },
	"token.used":          func() Fact { return new(TokenUsed) },
	"request.kept":        func() Fact { return new(RequestKept) },

	"rig.placed":            func() Fact { return new(RigPlaced) },
	"yard.placed":           func() Fact { return new(YardPlaced) },
	"ruleset.published":     func() Fact { return new(RuleSetPublished) },
	"intervals.published":   func() Fact { return new(IntervalsPublished) },
	"inspection.judged":     func() Fact { return new(InspectionJudged) },
	"calibration.made":      func() Fact { return new(CalibrationMade) },
	"certificate.issued":    func() Fact { return new(CertificateIssued) },
	"certificate.withdrawn": func() Fact { return new(CertificateWithdrawn) },
	"handover.signed":       func() Fact { return new(HandoverSigned) },
	"file.kept":             func() Fact { return new(FileKept) },

	"calendar.issued":  func() Fact { return new(CalendarIssued) },
	"calendar.revoked": func() Fact { return new(CalendarRevoked) },
	"exchange.taken":   func() Fact { return new(ExchangeTaken) },

	"rig.standing": func() Fact { return new(RigStanding) },

	"hook.added":     func() Fact { return new(HookAdded) },
	"hook.rotated":   func() Fact { return new(HookRotated) },
	"hook.delivered": func() Fact { return new(HookDelivered) },
	"hook.disabled":  func() Fact { return new(HookDisabled) },
	"hook.enabled":   func() Fact { return new(HookEnabled) },
	"hook.removed":   func() Fact { return new(HookRemoved) },
}

// Kinds lists the kinds of fact, in no order.
func Kinds() []string {
	names := make([]string, 0, len(kinds))
	for k := range kinds {
		names = append(names, k)
	}
	return names
}

func newFact(kind string) Fact {
	if kind == "meter.read" { // by far the most frequent
		return new(MeterRead)
	}
	if make := kinds[kind]; make != nil {
		return make()
	}
	return nil
}

// Amount is a quantity in base units: hours → seconds, area → m²,
// volume → ml, distance → m, loads → count.
type Amount struct {
	Quantity string `bson:"q" json:"quantity"`
	Value    int64  `bson:"v" json:"value"`
}

// Amounts lists at most one Amount a quantity, sorted by quantity. A slice,
// not a map, so that the same facts always encode to the same bytes.
type Amounts []Amount

// Get gives the value of a quantity and whether it is listed.
func (a Amounts) Get(quantity string) (int64, bool) {
	for _, x := range a {
		if x.Quantity == quantity {
			return x.Value, true
		}
	}
	return 0, false
}
