package fleet

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"rigledger/events"
)

// Command is a wish to change the fleet. Decide checks it against the state as
// it stands and gives the facts that follow, or a *Error; it must change
// nothing. It may be asked again when another instance wrote first.
type Command interface {
	// Touches names what the decision reads and what its facts change, such as
	// "rig:T01". Two commands that touch the same never share a commit, so that
	// the second is decided on what the first did. A command that only finds out
	// from the state what it is about touches Everything and has a commit to itself.
	Touches() []string
	Decide(d Deciding) ([]events.Entry, error)
}

// Everything is what a command touches that must not share a commit.
const Everything = "*"

// Deciding is what a command may look at: the state, which stands still
// meanwhile, and the time.
type Deciding struct {
	*State
	Now time.Time
	By  string // who asks
}

// entry makes a fact by the asker, now.
func (d Deciding) entry(f events.Fact) events.Entry {
	return events.Entry{At: events.Milli(d.Now), By: d.By, Fact: f}
}

// Receipt says where a command's facts stand.
type Receipt struct {
	Commit uint64 // 0 when nothing had to be written
	Facts  []events.Entry
}

// Replayed is the error of a command whose Idempotency-Key was used for the
// same request before: nothing was written, this is what the first one did.
type Replayed struct{ Request Request }

func (r *Replayed) Error() string { return "this request was carried out before" }

const (
	deskQueue = 1024    // commands that may wait; more are refused with Busy
	groupMost = 448     // facts gathered for one commit before it is written
	groupSize = 2 << 20 // bytes of quarantined payload in one commit, about
	followGap = 200 * time.Millisecond

	longestWait = time.Minute // of a caller, at a ledger that answers
)

type job struct {
	ctx   context.Context
	by    string
	cmd   Command
	keep  *events.RequestKept
	done  chan outcome
	stage atomic.Int32
}

// The stages of a job. Only a waiting one may be decided, and whose caller has
// left is not decided any more: what a caller is told when it leaves stays true.
const (
	waiting int32 = iota
	writing       // its facts may be in the ledger by now
	left          // its caller has had an answer from Do
)

type outcome struct {
	receipt Receipt
	err     error
}

// Do has a command decided, its facts made durable and applied; only then it
// returns. keep, if not nil, is remembered in the same commit so that the same
// request is not carried out twice. When the ledger is out of reach or ctx ends
// first, Do returns an error of code Down that says whether nothing was written
// or that is not known: then the command may still be carried out.
func (f *Fleet) Do(ctx context.Context, by string, cmd Command, keep *events.RequestKept) (Receipt, error) {
	more := f.store.left()
	if more <= 0 {
		return Receipt{}, outOfReach()
	}
	j := &job{ctx: ctx, by: by, cmd: cmd, keep: keep, done: make(chan outcome, 1)}
	select {
	case f.queue <- j:
	default:
		return Receipt{}, &Error{Code: Busy, Message: "too many writes are waiting"}
	}
	began := time.Now()
	look := time.NewTimer(more)
	defer look.Stop()
	for {
		select {
		case o := <-j.done:
			return o.receipt, o.err
		case <-ctx.Done():
			return j.leave(&Error{Code: Down, Message: "gave up waiting for the ledger", Cause: ctx.Err()})
		case <-f.stopped:
			return j.leave(&Error{Code: Down, Message: "the service is stopping"})
		case <-look.C:
			// A slow ledger is waited for, as long as it answers at all.
			more, rest := f.store.left(), longestWait-time.Since(began)
			switch {
			case more <= 0:
				return j.leave(outOfReach())
			case rest <= 0:
				return j.leave(&Error{Code: Busy, Message: "too many writes are waiting"})
			}
			look.Reset(min(more, rest))
		}
	}
}

func outOfReach() *Error {
	return &Error{Code: Down, Message: "the ledger cannot be reached; this attempt wrote nothing"}
}

// leave takes a job from the desk, with the answer if there is one by now.
func (j *job) leave(why *Error) (Receipt, error) {
	before := j.stage.Swap(left)
	select {
	case o := <-j.done:
		return o.receipt, o.err
	default:
	}
	if before == writing {
		why = &Error{Code: Down, Cause: why.Cause, Message: "the ledger did not confirm in time, so it is not known whether this was written: " +
			"send it again with the same Idempotency-Key, or look first"}
	}
	return Receipt{}, why
}

// run is the desk: the only goroutine that appends to the ledger and applies
// commits to the state.
func (f *Fleet) run(ctx context.Context) {
	defer close(f.stopped)
	follow := time.NewTicker(followGap)
	defer follow.Stop()
	for ctx.Err() == nil {
		queue := f.queue
		if f.draft != nil || f.adrift {
			queue = nil // nothing is decided before it is known where the ledger stands
		} else if len(f.held) > 0 {
			f.write(ctx, f.gather())
			continue
		}
		select {
		case j := <-queue:
			f.held = append(f.held, j)
		case <-follow.C:
			f.settle(ctx)
		case <-ctx.Done():
		}
	}
}

// gather takes from what waits those that may share a commit, up to the first
// that touches what another one touches.
func (f *Fleet) gather() (jobs []*job) {
	touched := map[string]bool{}
	for len(jobs) < groupMost {
		if len(f.held) == 0 {
			select {
			case j := <-f.queue:
				f.held = append(f.held, j)
			default:
				return jobs
			}
		}
		j := f.held[0]
		if len(jobs) > 0 && clashes(touched, j.cmd) {
			return jobs
		}
		touch(touched, j.cmd)
		jobs = append(jobs, j)
		f.held[0] = nil
		f.held = f.held[1:]
	}
	return jobs
}

func touch(touched map[string]bool, c Command) {
	for _, k := range c.Touches() {
		touched[k] = true
	}
}

// clashes says whether a command may not join those that touched these; there
// is always one of them.
func clashes(touched map[string]bool, c Command) bool {
	if touched[Everything] {
		return true
	}
	for _, k := range c.Touches() {
		if touched[k] || k == Everything {
			return true
		}
	}
	return false
}

// A draft is a commit of ours that may or may not be in the ledger, and whose it is.
type draft struct {
	commit *events.Commit
	taken  []decided
	tries  int
	// An attempt may have written it. Until then the same hash in the ledger is
	// another instance's, which came to the same facts in the same millisecond.
	ours   bool
	landed bool // it is in the ledger
}

// write decides jobs and appends their facts as one commit. Those that did not
// fit in it wait for the next.
func (f *Fleet) write(ctx context.Context, jobs []*job) {
	taken, facts, rest := f.decide(jobs)
	f.held = append(rest, f.held...)
	if len(facts) == 0 {
		return
	}
	c, err := events.Seal(f.state.Head, f.now(), facts)
	if err != nil {
		refuse(taken, err)
		return
	}
	f.draft = &draft{commit: c, taken: taken}
	f.note(ctx, f.append(ctx))
}

// settle finds out where the ledger stands: it reads what others wrote, and
// appends a draft of which nobody knows whether it is written once more. The
// number keeps the two from being written both, and one who lost it to another
// commit is decided anew.
func (f *Fleet) settle(ctx context.Context) {
	err := f.follow(ctx)
	if err == nil && f.draft != nil {
		err = f.append(ctx)
	}
	f.note(ctx, err)
}

// append makes the draft durable and applies it. An error leaves it as it is,
// for settle. A caller that gave up does not cut it short: half-known outcomes
// are worse than late ones.
func (f *Fleet) append(ctx context.Context) error {
	d := f.draft
	d.tries++
	f.store.writes.begin()
	err := f.store.attempt(ctx, d.commit, d.tries)
	switch {
	case errors.Is(err, events.ErrTaken):
		if d.tries == 1 {
			f.conflicts.Add(1)
		}
		return f.follow(ctx)
	case err != nil:
		d.ours = true
		return err
	}
	d.ours = true
	if err := f.apply(d.commit); err != nil {
		refuse(d.taken, err)
		return err
	}
	f.conclude()
	return nil
}

// conclude ends the draft once the ledger shows what became of it: its jobs are
// answered, or wait to be decided on what was written in its place.
func (f *Fleet) conclude() {
	d := f.draft
	if d == nil || f.state.Head.N < d.commit.N {
		return
	}
	f.draft = nil
	f.store.writes.end()
	var again []*job
	for _, t := range d.taken {
		if d.landed {
			t.job.done <- outcome{receipt: Receipt{Commit: d.commit.N, Facts: t.facts}}
		} else if t.job.stage.CompareAndSwap(writing, waiting) {
			again = append(again, t.job)
		}
	}
	f.held = append(again, f.held...)
}

type decided struct {
	job   *job
	facts []events.Entry
}

// decide asks the commands in turn until a commit is full. Refused commands
// and those that change nothing are answered at once.
func (f *Fleet) decide(jobs []*job) (taken []decided, facts []events.Entry, rest []*job) {
	now := f.now()
	size := 0
	for i, j := range jobs {
		if j.ctx.Err() != nil || !j.stage.CompareAndSwap(waiting, writing) {
			continue // its caller has left or is about to
		}
		got, err := f.ask(j, now)
		if err == nil && len(got) > events.MaxFacts {
			err = &Error{Code: Invalid, Message: fmt.Sprintf("the request makes %d facts, at most %d fit in one", len(got), events.MaxFacts)}
		}
		if err != nil || len(got) == 0 {
			j.done <- outcome{err: err}
			continue
		}
		size += bulk(got)
		if len(facts) > 0 && (len(facts)+len(got) > events.MaxFacts || size > groupSize) {
			j.stage.CompareAndSwap(writing, waiting)
			return taken, facts, jobs[i:]
		}
		taken = append(taken, decided{job: j, facts: got})
		facts = append(facts, got...)
	}
	return taken, facts, nil
}

func (f *Fleet) ask(j *job, now time.Time) (facts []events.Entry, err error) {
	// A fault in one command must not end the desk for everybody.
	defer func() {
		if p := recover(); p != nil {
			err = &Error{Code: Down, Message: "the desk failed on this request"} // what p says is for the log alone
			f.log.Error("a command failed", "command", fmt.Sprintf("%T", j.cmd), "panic", p)
		}
	}()
	if j.keep != nil {
		if old := f.state.Requests[j.keep.Key]; old != nil {
			if old.Print != j.keep.Print {
				return nil, &Error{Code: KeyReused, Message: "this Idempotency-Key was used for another request"}
			}
			return nil, &Replayed{Request: *old}
		}
	}
	d := Deciding{State: f.state, Now: now, By: j.by}
	facts, err = j.cmd.Decide(d)
	if err == nil && j.keep != nil && len(facts) > 0 {
		kept := *j.keep
		if r, ok := j.cmd.(interface{ Ref(State) string }); ok {
			kept.Ref = r.Ref(*f.state)
		}
		facts = append(facts, d.entry(&kept))
	}
	return facts, err
}

// bulk is roughly how much the texts in facts weigh, in bytes.
func bulk(facts []events.Entry) int {
	n := 0
	for i := range facts {
		switch f := facts[i].Fact.(type) {
		case *events.ReadingQuarantined:
			n += len(f.Payload) + len(f.Detail)
		case *events.PlanPublished:
			n += len(f.Text)
		case *events.FileKept:
			n += len(f.Bytes)
		case *events.InspectionJudged:
			n += len(f.Sheet)
		case *events.RuleSetPublished:
			n += len(f.Text)
		case *events.IntervalsPublished:
			n += len(f.Text)
		case *events.RigStanding:
			for i := range f.Reasons {
				n += len(f.Reasons[i].Text) + len(f.Reasons[i].Code)
			}
		}
	}
	return n
}

func refuse(taken []decided, err error) {
	var domain *Error
	if !errors.As(err, &domain) {
		err = &Error{Code: Down, Message: "the ledger could not be written", Cause: err}
	}
	for _, t := range taken {
		t.job.done <- outcome{err: err}
	}
}
