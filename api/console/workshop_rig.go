package console

import (
	"cmp"
	"slices"

	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// benchRig is one rig's day in the workshop: a mechanic stands beside one rig, so
// its jobs, what they take and what they wait for stand together.
type benchRig struct {
	Rig, Name string
	To        string // its own list
	State     string // its fitness now
	Jobs      []dayJob
	Pick      []plan.Spare
	Minutes   int // of the workshop's work
	Own       int // of what the plan gives to operators
	Binding   int // safety and statutory jobs among them
	Unclean   int // jobs that wait until it is handed over clean
}

// First is the job that gives the rig its place in the day.
func (b *benchRig) First() dayJob { return b.Jobs[0] }

// benchOf gathers a rig's day, nil for none. Within View.
func (v *visit) benchOf(s *fleet.State, r *fleet.Rig, day plan.Date) *benchRig {
	b := &benchRig{Rig: r.Rig, Name: r.Name, Jobs: v.dayOf(s, r, day)}
	if len(b.Jobs) == 0 {
		return nil
	}
	slices.SortFunc(b.Jobs, pressing)
	var picks []plan.Spare
	for i := range b.Jobs {
		j := &b.Jobs[i]
		if j.Operator {
			b.Own += j.Minutes
		} else {
			b.Minutes += j.Minutes
		}
		if j.Weight.Binding() {
			b.Binding++
		}
		picks = append(picks, j.pick...)
	}
	b.Pick = picked(picks)
	return b
}

// stands adds how the rig stands, for those that are shown. Within View.
func (b *benchRig) stands(v *visit, s *fleet.State) {
	r := s.Rigs[b.Rig]
	if r == nil {
		return
	}
	b.State = v.fleet.FitnessOf(s, r, v.now).State
	if clean, _ := s.Clean(r); clean {
		return
	}
	for _, j := range b.Jobs {
		if it := s.Items[j.Item]; it != nil && it.Stage != fleet.InHand && s.NeedsHandover(taskOfItem(s, it), s.Parts[it.Part]) {
			b.Unclean++
		}
	}
}

// picked adds up parts by their order number, in its order.
func picked(of []plan.Spare) (sum []plan.Spare) {
	at := map[string]int{}
	for _, p := range of {
		if i, known := at[p.SKU]; known {
			sum[i].Count += p.Count
			continue
		}
		at[p.SKU] = len(sum)
		sum = append(sum, p)
	}
	slices.SortFunc(sum, func(a, b plan.Spare) int { return cmp.Compare(a.SKU, b.SKU) })
	return sum
}
