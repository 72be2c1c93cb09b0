package scheduler

import (
	"context"
	"math"
	"time"
)

// Engine schedules the slots of one session, one at a time. It must not be shared
// between goroutines.
//
// It remembers: grouping least-power starts from the last slot's groups, shares
// and uplink powers, so that a channel that has moved little takes a fraction of
// the time, and options.hysteresisDb keeps groups as they are for gains below it.
// With options.backlogSlots what a slot owes is asked of later ones.
// What is planned depends on the slots so far, in order; the plan of the first slot
// depends only on the slot. Other groupings remember no more.
type Engine struct {
	memory memory
	bounds Bounds
}

// NewEngine returns an engine that has seen no slot, with default bounds.
func NewEngine() *Engine { return NewEngineWithin(Bounds{}) }

// NewEngineWithin is NewEngine with bounds on what a slot may take; zeros take their
// defaults.
func NewEngineWithin(b Bounds) *Engine { return &Engine{bounds: b.resolve()} }

// Schedule returns the plan of a slot. Bad input, and a slot beyond the engine's
// bounds, gives a plan of StatusRejected with every violation; a grouping whose
// answer breaks its contract (Grouping, TimedGrouping) one of StatusFailed, whose
// violations name the grouping and the fault. The context's deadline decides only
// when to stop: the plan is then the best so far.
func (e *Engine) Schedule(ctx context.Context, slot *Slot) *Plan {
	if bad := slot.Validate(); len(bad) > 0 {
		return rejected(slot, bad)
	}
	if beyond := slot.Exceeds(e.bounds); len(beyond) > 0 {
		return rejected(slot, beyond)
	}
	plan := schedule(ctx, e.memory.withRepayment(slot), &e.memory)
	if plan.Status != StatusFailed {
		plan.Options = slot.Options.asTold()
		e.memory.settle(slot, plan)
	}
	return plan
}

func rejected(slot *Slot, bad []Violation) *Plan {
	return &Plan{Sequence: slot.Sequence, EngineVersion: Version, Status: StatusRejected, Violations: bad}
}

// schedule plans a slot that is known to be good after those in memory.
func schedule(ctx context.Context, slot *Slot, m *memory) *Plan {
	c := newClock(ctx, time.Now)
	defer c.release()
	return scheduleBy(c, slot, m)
}

// scheduleBy is schedule by a clock. At the hard end it returns what there is.
func scheduleBy(c *clock, slot *Slot, m *memory) (plan *Plan) {
	f := &fallback{clock: c, slot: slot}
	defer func() {
		switch cause := recover().(type) {
		case nil:
		case outOfTime:
			plan = f.late()
		default:
			panic(cause)
		}
	}()
	headroom := 0.0
	for {
		plan, v, next, lack := f.scheduleWithin(slot, m, headroom)
		if lack == 0 || headroom == mostHeadroom {
			if lack > 0 && v.options.Objective == ObjectiveConsumed {
				// On the edge of limits, where time on the air costs most: room for
				// rounding is where the whole slot is used.
				wider := *slot
				wider.Options = v.options
				wider.Options.Objective = ObjectiveRadiated
				slot, headroom = &wider, 0
				continue
			}
			*m = next
			if v.options.Floor && plan.Status != StatusFailed {
				plan.proveFloor(v)
			}
			return plan
		}
		headroom = math.Min(math.Max(4*lack, 8*headroom), mostHeadroom)
	}
}

// mostHeadroom is the largest part of limits that is kept for rounding.
const mostHeadroom = 1e-3

// scheduleWithin plans a slot with limits drawn in by headroom until weights are
// encoded. next is the memory after the slot, were this its plan; lack is the largest
// relative shortfall of a rate that could be had within the limits, but for the
// rounding of weights.
func (f *fallback) scheduleWithin(slot *Slot, m *memory, headroom float64) (plan *Plan, v *View, next memory, lack float64) {
	v = newViewOn(f.clock, slot, slot.Options.Resolve())
	v.solver.limited.headroom = headroom
	plan = &Plan{Sequence: slot.Sequence, EngineVersion: Version, Strategy: v.strategy()}
	v.remember(m)
	f.prepare(v)
	p := v.choose(plan)
	if p == nil {
		plan.Status, plan.Solves = StatusFailed, v.solver.solves
		return plan, v, *m, 0
	}
	if next = *m; !p.short {
		next.keep(v, p)
	}
	on, p := v.switchOff(p)
	lack = plan.finish(on, p)
	plan.StoppedEarly = v.stopped || on.stopped
	f.note(plan)
	if v.peak == nil || p.short {
		lack = 0
	}
	return plan, v, next, lack
}

// finish makes the plan of a partition, its status and all, and returns the largest
// relative shortfall of a rate.
func (plan *Plan) finish(v *View, p *partition) (lack float64) {
	plan.fill(v, p.groups)
	plan.Solves = v.solver.solves
	plan.StoppedEarly = v.stopped
	plan.Status = StatusMet
	for i := range plan.Users {
		if u := &plan.Users[i]; !u.met() {
			plan.Status = StatusShort
			lack = math.Max(lack, 1-u.RateBps/u.TargetBps)
		}
	}
	if plan.Status == StatusShort {
		plan.CommonFraction, plan.FractionProved = plan.commonFraction(v, p.unserved), p.fractionProved && !plan.StoppedEarly
	}
	if plan.Status == StatusMet {
		plan.LimitsBinding, plan.UnservableUserIDs = nil, nil
	}
	return lack
}

func (v *View) strategy() Strategy {
	return Strategy{v.options.Grouping, v.options.Beams, v.options.Power}
}

// met reports whether the target is met.
func (u *UserRate) met() bool { return u.RateBps >= u.TargetBps*(1-RateTolerance) }
