package scheduler

import "math"

func init() {
	RegisterGrouping(GroupingMixed, "users in one group or several, on subbands of their own, at a rate of its own in each: groups and rates by column generation", mixed{})
}

// mixed lets users sit in several groups, each on a subband of its own: columns
// are generated, see columns, starting from the groups of exact, where it takes so
// many users on one subband, and of least-power otherwise. The optimum is over the
// columns found: never above that of the groups it starts from, which stay where
// no better ones are found.
//
// Groups on different subbands are on the air at the same time. Limits on power
// hold for what is on the air together, and what objective consumed adds depends
// on how long anything is: with them groups use all subbands, in turn. Where shares
// come in steps, beams out of a codebook, or more groups would be needed than
// allowed, the groups are those it starts from.
type mixed struct{}

// Group implements Grouping.
func (g mixed) Group(v *View) [][]int { return untimed(g.Timed(v)) }

func (mixed) everyPartition() int { return provedUsers }

// Timed implements TimedGrouping.
func (mixed) Timed(v *View) []TimedGroup {
	var start []TimedGroup
	if len(v.active) <= MaxExactUsers && v.Subbands() == 1 {
		start = exact{}.Timed(v)
	} else {
		start = leastPower{}.Timed(v)
	}
	base := v.partitionOf(start)
	if v.divide(base); math.IsInf(base.powerW, 1) || v.options.ShareStep > 0 || v.options.Beams == BeamsCodebook || v.Stopped() {
		return start
	}
	recall := v.solver.remember()
	if found := v.generated(base); v.better(found, base.powerW) {
		return found
	}
	recall() // rates split over subbands the way that base has them
	return start
}

// better reports whether groups are allowed and take less power: limits and rate
// tables may make what a program without them chose dearer.
func (v *View) better(found []TimedGroup, powerW float64) bool {
	if most := v.slot.Limits.MaxGroups; len(found) == 0 || most > 0 && len(found) > most {
		return false
	}
	p := v.partitionOf(found)
	v.divide(p)
	return p.powerW < powerW*(1-shareTolerance)
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
