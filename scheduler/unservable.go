package scheduler

import (
	"math"
	"slices"
)

// Unservable is what no power serves within what float64 carries, see
// optim.LargestPenaltyDB: users alone, or beside those that the limits on groups or
// the time of the slot leave them with.

// unservable returns the users whose targets cannot be met alone; of a view without
// limits, at any power.
func (v *View) unservable() []int {
	var out []int
	for _, k := range v.active {
		if math.IsInf(v.solver.planPower(&onAir{users: []int{k}, bands: v.reach(k)}, 1), 1) {
			out = append(out, k)
		}
	}
	return out
}

// separable reports whether some power meets the targets of all but the users out:
// in one of the partitions tried, or in those that would be tried without limits.
// free is the view without limits. Where there is no time left it is taken for
// granted.
func (v *View) separable(free *View, tried []*partition, out []int) bool {
	meets := func(p *partition) bool {
		q := p.without(out)
		for i := range q.groups {
			q.groups[i].found, q.groups[i].solved = directions{}, solved{}
		}
		free.divide(q)
		return !math.IsInf(q.powerW, 1)
	}
	if v.Stopped() || slices.ContainsFunc(tried, meets) {
		return true
	}
	if free == v {
		return false // tried are all there are
	}
	for p, bad := range free.partitions() {
		if len(bad) > 0 || v.Stopped() || meets(p) {
			return true
		}
	}
	return false
}
