package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

// fallback holds what is sent of a slot when its time is over before its plan is
// done: the best whole plan there is by then, and nothing on the air where there is
// none. Every plan in it has been through the same last steps as any other.
type fallback struct {
	clock *clock
	slot  *Slot
	plan  *Plan // nil: none yet

	prepared bool
}

// note keeps a whole plan, unless there is one with less power that meets as much.
func (f *fallback) note(plan *Plan) {
	if f.plan == nil || plan.delivered() >= f.plan.delivered() {
		f.plan = plan
	}
}

// delivered returns the least part of a target that is met, at most 1.
func (p *Plan) delivered() float64 {
	least := 1.0
	for i := range p.Users {
		if u := &p.Users[i]; !u.met() {
			least = math.Min(least, u.RateBps/u.TargetBps)
		}
	}
	return least
}

// prepare has the clock, once a part of the time is gone, make a plan of what a
// search stopped at once would find in the view, which must be ready and unused: it
// is made beside a search that goes on afterwards, and shares nothing with it that
// changes.
func (f *fallback) prepare(v *View) {
	if f.clock.end.IsZero() || f.prepared {
		return
	}
	f.prepared = true
	f.crude(v)
	unused := *v
	unused.rate = slices.Clone(v.rate)
	penalty := slices.Clone(v.solver.penalty)
	f.clock.aside = func() {
		hasty := unused
		hasty.stopped = true
		hasty.setFarField()
		hasty.solver = groupSolver{}
		hasty.solver.init(&hasty)
		copy(hasty.solver.penalty, penalty)
		hasty.solver.limited.headroom = unused.solver.limited.headroom
		plan := &Plan{Sequence: f.slot.Sequence, EngineVersion: Version, Strategy: hasty.strategy()}
		if p := hasty.choose(plan); p != nil {
			plan.finish(&hasty, p)
			f.note(plan)
		}
	}
}

// late returns the plan of a slot whose time is over.
func (f *fallback) late() *Plan {
	plan := f.plan
	if plan == nil {
		plan = f.slot.silent()
	}
	plan.StoppedEarly = true
	if f.slot.Options.Floor && plan.FloorPowerW == nil {
		plan.noFloor(f.slot)
	}
	return plan
}

// silent returns the plan with nothing on the air.
func (s *Slot) silent() *Plan {
	options := s.Options.Resolve()
	plan := &Plan{
		Sequence: s.Sequence, EngineVersion: Version, Status: StatusMet,
		Strategy:      Strategy{options.Grouping, options.Beams, options.Power},
		AntennaPowerW: make([]float64, s.Channel.Antennas),
	}
	for k := range s.Users {
		u := UserRate{ID: s.Users[k].ID, TargetBps: s.Users[k].RateBps}
		if plan.Users = append(plan.Users, u); !u.met() {
			plan.Status, plan.CommonFraction = StatusShort, new(float64)
		}
	}
	if s.Array != nil {
		plan.PeakEIRPW = new(float64)
	}
	plan.consume(&View{slot: s, station: options.Station(), gram: make([]optim.Gram, s.Channel.Subbands)}, nil)
	return plan
}
