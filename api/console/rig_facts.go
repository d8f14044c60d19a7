package console

import (
	"strconv"
	"time"

	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// rigFactsMost is how many facts of the timeline one page shows.
const rigFactsMost = 25

// rigTimeline is a page of what happened to a rig, the newest first.
type rigTimeline struct {
	Facts        []rigFact
	Newer, Older int // where those pages begin, -1 for none
	FactsInAll   int
}

// rigFact is one fact in words, with the way to its counter-fact while there is one.
type rigFact struct {
	Commit       uint64
	At, Recorded time.Time
	Late         bool // it was put on record on a later day than it holds
	By           string
	What, More   string
	Href, Do     string
	Same         []rigFact // likewise in that commit: a plan raises many jobs at once
}

// timeline takes the page that the address names: facts counts those left out.
func (d *rigPage) timeline(v *visit, s *fleet.State, r *fleet.Rig) {
	d.FactsInAll = len(r.Timeline)
	skip, err := strconv.Atoi(v.query("facts"))
	if err != nil || skip < 0 || skip >= d.FactsInAll {
		skip = 0
	}
	d.Newer, d.Older = -1, -1
	taken := 0
	if skip > 0 {
		d.Newer = max(0, skip-rigFactsMost)
	}
	if skip+rigFactsMost < d.FactsInAll {
		d.Older = skip + rigFactsMost
	}
	for i := d.FactsInAll - 1 - skip; i >= 0 && taken < rigFactsMost; i-- {
		d.Facts = toldAfter(d.Facts, v.factOf(s, r, &r.Timeline[i]))
		taken++
	}
}

// toldAfter adds a fact to those told, to the one before where a commit says the
// like of many things.
func toldAfter(all []rigFact, one rigFact) []rigFact {
	if n := len(all) - 1; n >= 0 && all[n].Commit == one.Commit && all[n].What == one.What && all[n].At.Equal(one.At) {
		all[n].Same = append(all[n].Same, one)
		return all
	}
	return append(all, one)
}

// factOf is a fact of a rig's timeline in words. Within View.
func (v *visit) factOf(s *fleet.State, r *fleet.Rig, l *fleet.Logged) rigFact {
	words := tell(s, l.Entry.Fact)
	one := rigFact{Commit: l.N, At: l.Entry.At, Recorded: l.Recorded, By: l.Entry.By, What: words.What, More: words.About}
	one.Late = plan.Of(l.Entry.At, v.zone) != plan.Of(l.Recorded, v.zone)
	if one.Href, one.Do = rigCounterFact(s, r, l.Entry.Fact); one.Href == "/intake" && !v.may(watching...) {
		one.Href, one.Do = "", ""
	}
	return one
}

// rigCounterFact is where a fact that still holds can be taken back or gone on with.
func rigCounterFact(s *fleet.State, r *fleet.Rig, f events.Fact) (href, do string) {
	switch f := f.(type) {
	case *events.DefectReported:
		if d := s.Defects[f.Defect]; d != nil && d.ClearedAt.IsZero() {
			return "#defect-" + f.Defect, word("clear it")
		}
	case *events.CertificateIssued:
		if c := s.Bay.Certificates[f.Certificate]; c != nil && c.Withdrawn == nil {
			return "#certificate-" + f.Certificate, word("withdraw it")
		}
	case *events.PartFitted:
		if p := s.Parts[f.Part]; p != nil && p.Rig() == r.Rig {
			return "/parts/" + f.Part, word("remove it")
		}
	case *events.PartRemoved:
		if p := s.Parts[f.Part]; p != nil && p.Rig() == "" && !p.Scrapped {
			return "?part=" + f.Part + "#fit", word("fit it again")
		}
	case *events.BookingMade:
		if b := s.Bookings[f.Booking]; b != nil && !b.Cancelled {
			return "#booked", word("take it back")
		}
	case *events.ReadingQuarantined:
		return rigHeld(s, f.Quarantine)
	case *events.ReadingReopened:
		return rigHeld(s, f.Quarantine)
	case *events.InspectionJudged:
		return "/inspections/" + f.Inspection, word("see it")
	case *events.CalibrationMade:
		return "/calibrations/" + f.Calibration, word("see it")
	case *events.RigAmended, *events.RigRegistered:
		return "#change", word("change it")
	case *events.MeterAdded, *events.MeterSwapped, *events.MeterUnswapped, *events.ReadingVoided:
		return "#meters", word("see the meters")
	case *events.ItemFinished, *events.ItemStruck, *events.ItemReturned:
		return "/items/" + factItem(f), word("see the job")
	}
	if it := s.Items[factItem(f)]; it != nil && it.Stage.Open() {
		return "/items/" + it.Item, word("see the job")
	}
	return "", ""
}

// rigHeld is where what still waits at the intake is decided.
func rigHeld(s *fleet.State, id string) (href, do string) {
	if h := s.Held[id]; h != nil && h.Outcome == "" {
		return "/intake", word("release or dismiss it")
	}
	return "", ""
}
