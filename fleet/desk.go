package fleet

import (
	"context"
	"errors"
	"fmt"
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
)

type job struct {
	ctx  context.Context
	by   string
	cmd  Command
	keep *events.RequestKept
	done chan outcome
}

type outcome struct {
	receipt Receipt
	err     error
}

// Do has a command decided, its facts made durable and applied; only then it
// returns. keep, if not nil, is remembered in the same commit so that the same
// request is not carried out twice. When ctx ends first, Do returns its error
// and the command may still be carried out.
func (f *Fleet) Do(ctx context.Context, by string, cmd Command, keep *events.RequestKept) (Receipt, error) {
	j := &job{ctx: ctx, by: by, cmd: cmd, keep: keep, done: make(chan outcome, 1)}
	select {
	case f.queue <- j:
	default:
		return Receipt{}, &Error{Code: Busy, Message: "too many writes are waiting"}
	}
	select {
	case o := <-j.done:
		return o.receipt, o.err
	case <-ctx.Done():
		return Receipt{}, &Error{Code: Down, Message: "gave up waiting for the ledger", Cause: ctx.Err()}
	case <-f.stopped:
		select {
		case o := <-j.done:
			return o.receipt, o.err
		default:
			return Receipt{}, &Error{Code: Down, Message: "the service is stopping"}
		}
	}
}

// run is the desk: the only goroutine that appends to the ledger and applies
// commits to the state.
func (f *Fleet) run(ctx context.Context) {
	defer close(f.stopped)
	follow := time.NewTicker(followGap)
	defer follow.Stop()
	for {
		select {
		case j := <-f.queue:
			f.group(ctx, j)
		case <-follow.C:
			if err := f.follow(ctx); err != nil && ctx.Err() == nil {
				f.trouble(err)
			}
		case <-ctx.Done():
			return
		}
	}
}

// group carries out first and whatever else waits.
func (f *Fleet) group(ctx context.Context, first *job) {
	for next := first; next != nil; {
		var jobs []*job
		jobs, next = f.gather(next)
		f.write(ctx, jobs)
	}
}

// gather takes from the queue what may share first's commit. clashing is the
// one that ended it because it touches what another one touches.
func (f *Fleet) gather(first *job) (jobs []*job, clashing *job) {
	jobs = []*job{first}
	touched := map[string]bool{}
	touch(touched, first.cmd)
	for len(jobs) < groupMost {
		select {
		case j := <-f.queue:
			if clashes(touched, j.cmd) {
				return jobs, j
			}
			touch(touched, j.cmd)
			jobs = append(jobs, j)
		default:
			return jobs, nil
		}
	}
	return jobs, nil
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

// write decides jobs, appends their facts as one commit (more when they would
// not fit in one) and answers them. When another instance took the number, it
// reads what that one wrote and decides again.
func (f *Fleet) write(ctx context.Context, jobs []*job) {
	for len(jobs) > 0 {
		taken, facts, rest := f.decide(jobs)
		if len(facts) == 0 {
			jobs = rest
			continue
		}
		c, err := f.append(ctx, facts)
		switch {
		case errors.Is(err, events.ErrTaken):
			f.conflicts.Add(1)
			if err := f.follow(ctx); err != nil {
				refuse(taken, err)
				break
			}
			again := make([]*job, 0, len(taken)+len(rest))
			for _, t := range taken {
				again = append(again, t.job)
			}
			rest = append(again, rest...)
		case err != nil:
			refuse(taken, err)
		default:
			for _, t := range taken {
				t.job.done <- outcome{receipt: Receipt{Commit: c.N, Facts: t.facts}}
			}
		}
		jobs = rest
	}
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
		if j.ctx.Err() != nil {
			j.done <- outcome{err: &Error{Code: Down, Message: "gave up waiting for the ledger", Cause: j.ctx.Err()}}
			continue
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
			err = &Error{Code: Down, Message: fmt.Sprintf("the desk failed on this request: %v", p)}
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

// append makes facts durable as the next commit and applies it.
func (f *Fleet) append(ctx context.Context, facts []events.Entry) (*events.Commit, error) {
	c, err := events.Seal(f.state.Head, f.now(), facts)
	if err != nil {
		return nil, err
	}
	// The write is not cut short by a caller that gave up: half-known outcomes are
	// worse than late ones. Only the end of the service ends it.
	if err := f.store.Append(ctx, c); err != nil {
		if errors.Is(err, events.ErrTaken) {
			return nil, err
		}
		// Nobody knows whether it was written. Reading the ledger tells.
		if again := f.follow(ctx); again != nil {
			return nil, err
		}
		if f.state.Head.N < c.N || !f.seen(ctx, c) {
			return nil, err
		}
	} else if err := f.apply(c); err != nil {
		return nil, err
	}
	if f.announce != nil {
		f.announce(c)
	}
	return c, nil
}

// seen says whether commit c is in the ledger as we wrote it.
func (f *Fleet) seen(ctx context.Context, c *events.Commit) bool {
	found := false
	stop := errors.New("stop")
	_ = f.store.Read(ctx, c.N, func(got *events.Commit) error {
		found = got.N == c.N && got.Hash == c.Hash
		return stop
	})
	return found
}
