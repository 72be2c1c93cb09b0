package scheduler

import (
	"context"
	"math"
)

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
	headroom := 0.0
	for {
		plan, v, lack := scheduleWithin(ctx, slot, headroom)
		if lack == 0 || headroom > mostHeadroom {
			if lack > 0 && v.options.Objective == ObjectiveConsumed {
				// On the edge of limits, where time on the air costs most: room for
				// rounding is where the whole slot is used.
				wider := *slot
				wider.Options = v.options
				wider.Options.Objective = ObjectiveRadiated
				return schedule(ctx, &wider)
			}
			if v.options.Floor {
				plan.proveFloor(ctx, v)
			}
			return plan
		}
		headroom = math.Max(4*lack, 8*headroom)
	}
}

// mostHeadroom is the largest part of limits that is kept for rounding.
const mostHeadroom = 1e-3

// scheduleWithin plans a slot with limits drawn in by headroom until weights are
// encoded. lack is the largest relative shortfall of a rate that could be had
// within the limits, but for the rounding of weights.
func scheduleWithin(ctx context.Context, slot *Slot, headroom float64) (plan *Plan, v *View, lack float64) {
	plan = &Plan{Sequence: slot.Sequence, EngineVersion: Version}
	v = newView(slot, slot.Options.Resolve())
	v.solver.limited.headroom = headroom
	plan.Strategy = Strategy{v.options.Grouping, v.options.Beams, v.options.Power}
	p := v.choose(ctx, plan)
	on, p := v.switchOff(ctx, p, plan)
	plan.fill(on, p.groups)
	plan.Solves += on.solver.solves
	plan.Status = StatusMet
	for i := range plan.Users {
		if u := &plan.Users[i]; !u.met() {
			plan.Status = StatusShort
			lack = math.Max(lack, 1-u.RateBps/u.TargetBps)
		}
	}
	if v.peak == nil || p.short {
		lack = 0
	}
	if plan.Status == StatusMet {
		plan.LimitsBinding = nil
	}
	return plan, v, lack
}

// met reports whether the target is met.
func (u *UserRate) met() bool { return u.RateBps >= u.TargetBps*(1-RateTolerance) }
