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
	plan := &Plan{Sequence: slot.Sequence, EngineVersion: Version}
	if bad := slot.Validate(); len(bad) > 0 {
		plan.Status = StatusRejected
		plan.Violations = bad
		return plan
	}
	v := newView(slot, slot.Options.Resolve())
	plan.Strategy = Strategy{v.options.Grouping, v.options.Beams, v.options.Power}
	if len(v.active) == 0 {
		plan.Status = StatusMet
		plan.fill(v, nil)
		return plan
	}
	choice := v.choose(ctx, plan)
	plan.fill(v, choice.groups)
	plan.Status = StatusMet
	for i := range plan.Users {
		if u := &plan.Users[i]; u.RateBps < u.TargetBps*(1-RateTolerance) {
			plan.Status = StatusShort
		}
	}
	return plan
}

// onAir is a group with its share of the slot.
type onAir struct {
	users []int
	share float64
}

// candidate is a partition with shares and the power it needs.
type candidate struct {
	grouping string
	groups   []onAir
	powerW   float64 // mean over the slot; +Inf when a target cannot be met
}

// choose returns the groups and shares of the slot. Where the grouping asked
// for cannot meet the targets, one group of all and then every user alone are
// tried; where nothing can, targets are lowered (see shortfall).
func (v *View) choose(ctx context.Context, plan *Plan) candidate {
	if len(v.slot.Groups) > 0 {
		c := v.fixedGroups()
		if math.IsInf(c.powerW, 1) {
			c = v.shortfall([]candidate{c}, plan)
		}
		return c
	}
	var tried []candidate
	names := []string{v.options.Grouping, "together", "alone"}
	for i, name := range names {
		if i > 0 && name == names[0] || name == "together" && len(v.active) > v.MaxGroupSize() {
			continue
		}
		c := v.split(name, groupings[name].grouping.Group(v), nil)
		if !math.IsInf(c.powerW, 1) {
			plan.Strategy.Grouping = name
			plan.StoppedEarly = ctx.Err() != nil
			return c
		}
		tried = append(tried, c)
	}
	return v.shortfall(tried, plan)
}

// fixedGroups takes the groups, and where given the shares, of the caller.
func (v *View) fixedGroups() candidate {
	number := make(map[string]int, len(v.slot.Users))
	for k := range v.slot.Users {
		number[v.slot.Users[k].ID] = k
	}
	var groups [][]int
	var shares []float64
	for i := range v.slot.Groups {
		fixed := &v.slot.Groups[i]
		var users []int
		for _, id := range fixed.UserIDs {
			if k := number[id]; v.rate[k] > 0 {
				users = append(users, k)
			}
		}
		if len(users) == 0 {
			continue
		}
		groups = append(groups, users)
		if fixed.Share != nil {
			shares = append(shares, *fixed.Share)
		} else {
			shares = append(shares, 0)
		}
	}
	return v.split("", groups, shares)
}

// split finds the shares of a partition. fixed holds shares that the caller has
// set, 0 where open; nil means that all are open.
func (v *View) split(name string, groups [][]int, fixed []float64) candidate {
	c := candidate{grouping: name, powerW: math.Inf(1)}
	budget := 1.0
	var open []int
	for g, users := range groups {
		c.groups = append(c.groups, onAir{users: users})
		if fixed != nil && fixed[g] > 0 {
			c.groups[g].share = fixed[g]
			budget -= fixed[g]
		} else {
			open = append(open, g)
		}
	}
	power := 0.0
	for _, g := range c.groups {
		if g.share > 0 {
			power += g.share * v.GroupPower(g.users, g.share)
		}
	}
	if len(open) > 0 {
		shares, rest := v.splitOpen(c.groups, open, budget)
		power += rest
		for i, g := range open {
			c.groups[g].share = shares[i]
		}
	}
	c.powerW = power
	return c
}

// splitOpen divides the budget among the open groups and returns their shares
// and the power they add to the mean.
func (v *View) splitOpen(groups []onAir, open []int, budget float64) ([]float64, float64) {
	start := make([]float64, len(open))
	convex := make([]bool, len(open))
	for i, g := range open {
		users := groups[g].users
		for _, k := range users {
			start[i] += v.rate[k]
		}
		start[i] /= float64(len(users))
		convex[i] = len(users) == 1
	}
	if !(budget > 0) {
		return start, math.Inf(1)
	}
	normalize(start, budget)
	cost := func(i int, share float64) (float64, float64) {
		p, slope := v.solver.power(groups[open[i]].users, share)
		return share * p, slope
	}
	if step := v.options.ShareStep; step > 0 {
		shares, _ := splitSharesGlobally(cost, start, budget, convex)
		return roundShares(cost, shares, budget, step)
	}
	return splitSharesGlobally(cost, start, budget, convex)
}

// shortfall lowers every target by one common fraction until one of the
// partitions can meet them, and returns the partition that keeps the most.
func (v *View) shortfall(tried []candidate, plan *Plan) candidate {
	full := append([]float64(nil), v.rate...)
	for _, k := range v.active {
		if math.IsInf(v.GroupPower([]int{k}, 1), 1) {
			plan.UnservableUserIDs = append(plan.UnservableUserIDs, v.slot.Users[k].ID)
		}
	}
	at := func(c candidate, fraction float64) candidate {
		for k, r := range full {
			v.rate[k] = r * fraction
		}
		var groups [][]int
		for _, g := range c.groups {
			groups = append(groups, g.users)
		}
		return v.split(c.grouping, groups, v.fixedShares())
	}
	best, most := candidate{}, 0.0
	for _, c := range tried {
		lo, hi := 0.0, 1.0
		var kept candidate
		for hi-lo > 1e-6 {
			mid := (lo + hi) / 2
			if try := at(c, mid); math.IsInf(try.powerW, 1) {
				hi = mid
			} else {
				lo, kept = mid, try
			}
		}
		if lo > most {
			best, most = kept, lo
		}
	}
	for k, r := range full {
		v.rate[k] = r * most
	}
	if best.grouping != "" {
		plan.Strategy.Grouping = best.grouping
	}
	return best
}

// fixedShares returns the shares of the caller's groups, 0 where open; nil
// without such groups.
func (v *View) fixedShares() []float64 {
	if len(v.slot.Groups) == 0 {
		return nil
	}
	var out []float64
	for i := range v.slot.Groups {
		share := 0.0
		if s := v.slot.Groups[i].Share; s != nil {
			share = *s
		}
		out = append(out, share)
	}
	return out
}
