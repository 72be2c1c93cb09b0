package scheduler

import "context"

// Engine schedules slots, one at a time. It must not be shared between
// goroutines.
type Engine struct{}

// NewEngine returns an engine.
func NewEngine() *Engine { return &Engine{} }

// Schedule returns the plan of a slot. Bad input gives a plan of StatusRejected
// with every violation. The context's deadline decides only when to stop: the
// plan is then the best so far. The same slot gives the same plan.
func (e *Engine) Schedule(ctx context.Context, slot *Slot) *Plan {
	if bad := slot.Validate(); len(bad) > 0 {
		return &Plan{Sequence: slot.Sequence, EngineVersion: Version, Status: StatusRejected, Violations: bad}
	}
	return schedule(ctx, slot)
}

// schedule plans a slot that is known to be good.
func schedule(ctx context.Context, slot *Slot) *Plan {
	plan := &Plan{Sequence: slot.Sequence, EngineVersion: Version}
	v := newView(slot, slot.Options.Resolve())
	plan.Strategy = Strategy{v.options.Grouping, v.options.Beams, v.options.Power}
	v.ctx = ctx
	p := v.choose(plan)
	plan.StoppedEarly = v.stopped
	plan.fill(v, p.groups)
	plan.Solves = v.solver.solves
	plan.Status = StatusMet
	for i := range plan.Users {
		if !plan.Users[i].met() {
			plan.Status = StatusShort
		}
	}
	if plan.Status == StatusShort {
		plan.LimitsBinding = v.binding(p)
	}
	return plan
}

// met reports whether the target is met.
func (u *UserRate) met() bool { return u.RateBps >= u.TargetBps*(1-RateTolerance) }
