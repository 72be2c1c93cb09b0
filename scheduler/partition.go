package scheduler

import (
	"iter"
	"math"
	"slices"
)

// onAir is a group with its share of the slot.
type onAir struct {
	users  []int
	part   []float64 // of the targets of users, what they get in this group; nil: all
	bands  []int     // subbands in use
	share  float64
	rates  []float64 // of users while on the air, mean over its subbands; nil: what the targets need
	fixed  bool      // the share is not for divide to find
	found  directions
	solved solved    // at the last share
	split  []float64 // [user][band] rates of the last solve, where users are in several groups
}

// elsewhere reports whether users may be in other groups too.
func (g *onAir) elsewhere() bool { return g.part != nil || g.rates != nil }

// partition is the groups of a slot with the power they need.
type partition struct {
	grouping       string // what made it; empty: the caller
	groups         []onAir
	powerW         float64 // mean over the slot, what the objective adds included (timeW); +Inf when a target cannot be met
	short          bool    // targets were lowered
	unserved       []int   // users who cannot be served even alone, of short ones
	fractionProved bool    // no other partition carries a larger common fraction
	members        [][]int // [group] users who may be in it; nil: each user is in one group
}

// target returns what a group carries for its i-th user in nats per use at share 1,
// mean over all subbands.
func (v *View) target(g *onAir, i int) float64 {
	rate := v.rate[g.users[i]]
	if g.part != nil {
		rate *= g.part[i]
	}
	return rate
}

// choose returns the groups and shares of the slot. Where the grouping asked
// for cannot meet the targets, one group of all and then every user alone are
// tried; where nothing can, targets are lowered (see shortfall). It returns nil, and
// puts the reason into the plan, where a grouping answered what cannot be.
func (v *View) choose(plan *Plan) *partition {
	if len(v.active) == 0 {
		return &partition{}
	}
	var tried []*partition
	for p, bad := range v.partitions() {
		if len(bad) > 0 {
			plan.Violations = bad
			return nil
		}
		v.divide(p)
		if !math.IsInf(p.powerW, 1) {
			plan.use(p)
			return p
		}
		tried = append(tried, p)
	}
	free := v
	if v.peak != nil {
		free = v.withoutLimits()
		plan.LimitsBinding = v.binding(free, tried)
	}
	out := free.unservable()
	others := v.separable(free, tried, out)
	full := slices.Clone(v.rate)
	p := v.shortfall(tried)
	for _, k := range v.active {
		if slices.Contains(out, k) || !others && v.rate[k] < full[k]*(1-RateTolerance) {
			plan.UnservableUserIDs = append(plan.UnservableUserIDs, v.slot.Users[k].ID)
		}
	}
	plan.use(p)
	return p
}

// use notes what made the plan.
func (plan *Plan) use(p *partition) {
	if p.grouping != "" {
		plan.Strategy.Grouping = p.grouping
	}
}

// partitions yields the partitions to try, in order, without shares, or what is
// wrong with a grouping's answer.
func (v *View) partitions() iter.Seq2[*partition, []Violation] {
	return func(yield func(*partition, []Violation) bool) {
		if len(v.slot.Groups) > 0 {
			yield(v.fixedGroups(), nil)
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

// grouped returns the partition of a grouping by name, or what is wrong with its
// answer.
func (v *View) grouped(name string) (*partition, []Violation) {
	groups, bad := v.ask(name)
	if len(bad) > 0 {
		return nil, bad
	}
	p := v.partitionOf(groups)
	p.grouping = name
	return p, nil
}

func (v *View) partitionOf(groups []TimedGroup) *partition {
	p := &partition{}
	for _, t := range groups {
		g := onAir{users: t.Users, bands: t.Subbands, share: t.Share, fixed: t.Share > 0, rates: t.Rates, split: t.split, found: t.found}
		if g.bands == nil {
			g.bands = v.allBands
		}
		p.groups = append(p.groups, g)
	}
	return p
}

// groups returns the groups of one of the engine's own groupings, within the limits
// on them.
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
		out = append(out, TimedGroup{Users: p.groups[i].users, Share: p.groups[i].share, found: p.groups[i].found})
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
		if len(fixed.Subbands) > 0 {
			g.bands = slices.Sorted(slices.Values(fixed.Subbands))
		}
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
	v.enlist(p)
	return p
}

// divide finds the shares of a partition and its power, and where users are in
// several groups what they get in each.
func (v *View) divide(p *partition) {
	if p.members != nil {
		v.divideUsers(p)
		return
	}
	v.divideSlot(p)
	v.improveSplits(p)
}

// divideSlot finds the shares of a partition and its power. Where EIRP is limited
// it is repeated until no new direction matters.
func (v *View) divideSlot(p *partition) {
	for range maxRowRounds {
		v.divideOnce(p, false)
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

// divideOnce finds shares and power; smoothly: without the steps in which shares or
// rates come.
func (v *View) divideOnce(p *partition, smoothly bool) {
	p.powerW = 0
	for i := range p.groups {
		g := &p.groups[i]
		if !g.fixed || len(g.users) == 0 {
			continue
		}
		power := 0.0
		if smoothly {
			power, _ = v.solver.power(g, g.share)
		} else {
			power = v.solver.planPower(g, g.share)
		}
		p.powerW += g.share * (power + v.timeW(g))
	}
	for _, r := range p.rooms(v.Subbands()) {
		if math.IsInf(p.powerW, 1) {
			return
		}
		p.powerW += v.divideOpen(p, &r, smoothly)
	}
}

// divideOpen divides a room among its groups and returns the power they add to the
// mean.
func (v *View) divideOpen(p *partition, r *room, smoothly bool) float64 {
	if !(r.least() > 0) {
		return math.Inf(1)
	}
	open := r.groups
	start := make([]float64, len(open))
	convex := make([]bool, len(open))
	for i, g := range open {
		users := p.groups[g].users
		for n := range users {
			start[i] += v.target(&p.groups[g], n) / float64(len(users))
		}
		convex[i] = len(users) == 1 || v.quick
		if s := p.groups[g].share; s > 0 {
			start[i] = s // from an earlier division
		}
	}
	r.fill(start)
	cost := v.shareCost(p, open)
	shares, power := start, math.Inf(1)
	if v.Stopped() {
		power = totalCost(cost, start) // no time for more than a start that will do
	}
	switch {
	case r.rows != nil:
		shares, power = v.divideRows(p, r, cost, start, power)
	case v.options.Objective == ObjectiveConsumed:
		shares, power = v.divideIdle(p, open, cost, start, power, r.budget, convex)
	case math.IsInf(power, 1) && !(v.hurried && len(open) > 1):
		shares, power = splitSharesGlobally(cost, start, r.budget, convex, v.solver.remember, v.Stopped)
	}
	if (v.options.ShareStep > 0 || v.table != nil) && !smoothly {
		shares, power = v.discreteShares(p, r, shares)
	}
	for i, g := range open {
		p.groups[g].share = shares[i]
	}
	return power
}

// divideRows is what divideOpen does in a room of several bounds: a descent to the
// nearest least of costs, from shares to start from, or with them where their cost
// is given and not +Inf.
func (v *View) divideRows(p *partition, r *room, cost shareCost, start []float64, power float64) ([]float64, float64) {
	timeW := make([]float64, len(start))
	for i, g := range r.groups {
		timeW[i] = v.timeW(&p.groups[g])
	}
	if math.IsInf(power, 1) {
		return splitIdle(cost, timeW, start, r, v.Stopped)
	}
	for i, s := range start {
		power += timeW[i] * s
	}
	return start, power
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
