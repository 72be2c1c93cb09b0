package scheduler

import "math"

func init() {
	RegisterGrouping(GroupingMixed, "users in one group or several, on subbands of their own, at a rate of its own in each: groups and rates by column generation", mixed{})
}

// mixed lets users sit in several groups, each on a subband of its own: columns
// are generated, see columns, starting from the groups of least-power, and of exact
// where that is quick (maxMixedExact). The optimum is over the columns found: never
// above that of the groups it starts from, which stay where no better ones are found.
//
// Groups on different subbands are on the air at the same time. Limits on power
// hold for what is on the air together, and what objective consumed adds depends
// on how long anything is: with them groups use all subbands, in turn. Where shares
// come in steps, beams out of a codebook, or more groups would be needed than
// allowed, the groups are those it starts from.
type mixed struct{}

// maxMixedExact is the largest number of users with a rate for which mixed starts
// from exact on several subbands: the bounds of exact are weaker there, and for 6
// users it takes some ten times the solves of all the rest. On one subband it is
// MaxExactUsers.
const maxMixedExact = 6

// Group implements Grouping.
func (g mixed) Group(v *View) [][]int { return untimed(g.Timed(v)) }

func (mixed) everyPartition() int { return provedUsers }

// Timed implements TimedGrouping.
func (mixed) Timed(v *View) []TimedGroup {
	m := mixing{view: v, leastW: math.Inf(1)}
	if len(v.active) <= MaxExactUsers && v.Subbands() == 1 {
		m.startFrom(exact{})
	} else {
		m.startFrom(leastPower{})
		if len(v.active) <= maxMixedExact && !v.Stopped() {
			m.startFrom(exact{}) // last: where time is short columns save more
		}
	}
	m.recall()
	return m.best
}

// mixing is the search of mixed: the best groups so far.
type mixing struct {
	view   *View
	best   []TimedGroup
	leastW float64
	recall func() // what the solver knew then: rates split over subbands that way
}

// startFrom looks at the groups of a grouping and, where they are better than those
// so far, at what column generation makes of them.
func (m *mixing) startFrom(g TimedGrouping) {
	base := m.keep(g.Timed(m.view))
	v := m.view
	if base == nil || math.IsInf(base.powerW, 1) || v.options.ShareStep > 0 || v.options.Beams == BeamsCodebook || v.Stopped() {
		return
	}
	found := v.generated(base)
	if most := v.slot.Limits.MaxGroups; len(found) > 0 && (most == 0 || len(found) <= most) {
		m.keep(found)
	}
}

// keep takes groups if they are the first or take less power: limits and rate tables
// may make what a program without them chose dearer. It returns them divided, nil
// where they are not taken.
func (m *mixing) keep(groups []TimedGroup) *partition {
	p := m.view.partitionOf(groups)
	m.view.divide(p)
	if m.best != nil && !(p.powerW < m.leastW*(1-shareTolerance)) {
		return nil
	}
	m.best, m.leastW, m.recall = groups, p.powerW, m.view.solver.remember()
	return p
}

// generated returns groups by column generation from those of a partition, limits
// on power left out; none where there is no time for any.
func (v *View) generated(base *partition) []TimedGroup {
	places := v.apart()
	if v.peak != nil || v.options.Objective == ObjectiveConsumed {
		places = v.inTurn()
	}
	defer func(kept *peakLimits) { v.peak = kept }(v.peak)
	v.peak = nil
	m := newColumns(v, places)
	for i := range base.groups {
		if v.Stopped() {
			return nil
		}
		m.seed(base.groups[i])
	}
	m.generate()
	return m.timed()
}
