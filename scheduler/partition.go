package scheduler

import (
	"math"
	"slices"
)

// onAir is a group with its share of the slot.
type onAir struct {
	users  []int
	bands  []int // subbands in use
	share  float64
	rates  []float64 // of users while on the air, mean over subbands; nil: what the targets need
	fixed  bool      // the share is not for divide to find
	found  directions
	solved solved // at the last share
}

// partition is the groups of a slot with the power they need.
type partition struct {
	grouping string // what made it; empty: the caller
	groups   []onAir
	powerW   float64 // mean over the slot, what the objective adds included (timeW); +Inf when a target cannot be met
	short    bool    // targets were lowered
}

// choose returns the groups and shares of the slot. Where the grouping asked
// for cannot meet the targets, one group of all and then every user alone are
// tried; where nothing can, targets are lowered (see shortfall).
func (v *View) choose(plan *Plan) *partition {
	if len(v.active) == 0 {
		return &partition{}
	}
	var tried []*partition
	for p := range v.partitions() {
		v.divide(p)
		if !math.IsInf(p.powerW, 1) {
			plan.use(p)
			return p
		}
		if tried = append(tried, p); v.Stopped() {
			break
		}
	}
	plan.LimitsBinding = v.binding(tried)
	plan.UnservableUserIDs = v.unservable()
	p := v.shortfall(tried)
	plan.use(p)
	return p
}

// unservable returns the users whose targets cannot be met in this slot at any
// power, even alone.
func (v *View) unservable() []string {
	free := v
	if v.peak != nil {
		free = v.withoutLimits()
	}
	var out []string
	for _, k := range free.active {
		if math.IsInf(free.solver.planPower(&onAir{users: []int{k}, bands: free.allBands}, 1), 1) {
			out = append(out, free.slot.Users[k].ID)
		}
	}
	return out
}

// use notes what made the plan.
func (plan *Plan) use(p *partition) {
	if p.grouping != "" {
		plan.Strategy.Grouping = p.grouping
	}
}

// partitions yields the partitions to try, in order, without shares.
func (v *View) partitions() func(yield func(*partition) bool) {
	return func(yield func(*partition) bool) {
		if len(v.slot.Groups) > 0 {
			yield(v.fixedGroups())
			return
		}
		names := []string{v.options.Grouping, "together", "alone"}
		for i, name := range names {
			if i > 0 && name == names[0] {
				continue
			}
			if !yield(v.grouped(name)) {
				return
			}
		}
	}
}

// grouped returns the partition of a grouping by name.
func (v *View) grouped(name string) *partition {
	var groups []TimedGroup
	if g, ok := groupings[name].grouping.(TimedGrouping); ok {
		groups = g.Timed(v)
	} else {
		groups = timeless(v.groups(groupings[name].grouping))
	}
	p := v.partitionOf(groups)
	p.grouping = name
	return p
}

func (v *View) partitionOf(groups []TimedGroup) *partition {
	p := &partition{}
	for _, t := range groups {
		p.groups = append(p.groups, onAir{users: t.Users, bands: v.allBands, share: t.Share, fixed: t.Share > 0, rates: t.Rates})
	}
	return p
}

// groups returns the groups of a grouping, within the limits on them.
func (v *View) groups(g Grouping) [][]int { return v.regroup(g.Group(v)) }

// timeless returns groups without shares.
func timeless(groups [][]int) []TimedGroup {
	out := make([]TimedGroup, len(groups))
	for i, users := range groups {
		out[i].Users = users
	}
	return out
}

// untimed drops the shares.
func untimed(groups []TimedGroup) [][]int {
	out := make([][]int, len(groups))
	for i := range groups {
		out[i] = groups[i].Users
	}
	return out
}

// timed returns the groups with their shares.
func (p *partition) timed() []TimedGroup {
	var out []TimedGroup
	for i := range p.groups {
		out = append(out, TimedGroup{Users: p.groups[i].users, Share: p.groups[i].share})
	}
	return out
}

// fixedGroups returns the groups, and where given the shares, of the caller.
func (v *View) fixedGroups() *partition {
	number := make(map[string]int, len(v.slot.Users))
	for k := range v.slot.Users {
		number[v.slot.Users[k].ID] = k
	}
	p := &partition{}
	for i := range v.slot.Groups {
		fixed := &v.slot.Groups[i]
		g := onAir{bands: v.allBands}
		for _, id := range fixed.UserIDs {
			if k := number[id]; v.rate[k] > 0 {
				g.users = append(g.users, k)
			}
		}
		if fixed.Share != nil {
			g.share, g.fixed = *fixed.Share, true
		}
		if len(g.users) > 0 {
			p.groups = append(p.groups, g)
		}
	}
	return p
}

// divide finds the shares of a partition and its power. Where EIRP is limited it
// is repeated until no new direction matters.
func (v *View) divide(p *partition) {
	for range maxRowRounds {
		v.divideOnce(p)
		if math.IsInf(p.powerW, 1) {
			return
		}
		added := false
		for i := range p.groups {
			added = v.addDirections(&p.groups[i]) || added
		}
		if !added {
			return
		}
	}
}

func (v *View) divideOnce(p *partition) {
	p.powerW = 0
	budget, open := p.open()
	for i := range p.groups {
		if g := &p.groups[i]; g.fixed {
			p.powerW += g.share * (v.solver.planPower(g, g.share) + v.timeW(g))
		}
	}
	if len(open) > 0 && !math.IsInf(p.powerW, 1) {
		p.powerW += v.divideOpen(p, open, budget)
	}
}

// open returns the groups whose shares are open and what there is to divide
// among them.
func (p *partition) open() (budget float64, open []int) {
	budget = 1
	for i := range p.groups {
		if p.groups[i].fixed {
			budget -= p.groups[i].share
		} else {
			open = append(open, i)
		}
	}
	return budget, open
}

// divideOpen divides the budget among the open groups and returns the power
// they add to the mean.
func (v *View) divideOpen(p *partition, open []int, budget float64) float64 {
	if !(budget > 0) {
		return math.Inf(1)
	}
	start := make([]float64, len(open))
	convex := make([]bool, len(open))
	for i, g := range open {
		users := p.groups[g].users
		for _, k := range users {
			start[i] += v.rate[k] / float64(len(users))
		}
		convex[i] = len(users) == 1 || v.quick
		if s := p.groups[g].share; s > 0 {
			start[i] = s // from an earlier division
		}
	}
	normalize(start, budget)
	cost := v.shareCost(p, open)
	shares, power := start, math.Inf(1)
	if v.Stopped() {
		power = totalCost(cost, start) // no time for more than a start that will do
	}
	switch {
	case v.options.Objective == ObjectiveConsumed:
		shares, power = v.divideIdle(p, open, cost, start, power, budget, convex)
	case math.IsInf(power, 1):
		shares, power = splitSharesGlobally(cost, start, budget, convex, v.solver.remember, v.Stopped)
	}
	if v.options.ShareStep > 0 || v.table != nil {
		shares, power = v.discreteShares(p, open, shares, budget)
	}
	for i, g := range open {
		p.groups[g].share = shares[i]
	}
	return power
}

func (v *View) shareCost(p *partition, open []int) shareCost {
	return func(i int, share float64) (float64, float64) {
		power, slope := v.solver.power(&p.groups[open[i]], share)
		return share * power, slope
	}
}

// clone returns a copy whose shares can change.
func (p *partition) clone() *partition {
	q := *p
	q.groups = slices.Clone(p.groups)
	return &q
}
