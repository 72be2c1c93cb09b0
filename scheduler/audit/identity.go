package audit

import (
	"slices"

	"leastwatt/scheduler"
)

// identity audits that the plan says it answers this slot, and names the strategies
// that the slot asks for: what it does not name is free. A plan that falls back on one
// group, or on each user alone, says so in place of the grouping asked for.
func (a *auditor) identity() {
	slot, plan := a.slot, a.plan
	if plan.Sequence != slot.Sequence {
		a.find("sequence", "number of the slot", float64(plan.Sequence), float64(slot.Sequence))
	}
	asked, named := slot.Options, plan.Strategy
	names := func(field, asked, named string, free ...string) {
		if asked != "" && named != "" && named != asked && !slices.Contains(free, named) {
			a.find("strategy."+field, "says "+named+", asked for is "+asked, 0, 0)
		}
	}
	names("grouping", asked.Grouping, named.Grouping, together, alone)
	names("beams", asked.Beams, named.Beams)
	names("power", asked.Power, named.Power)
	if beams := named.Beams; beams != "" && named.Power != "" && (beams == scheduler.BeamsOptimal) != (named.Power == scheduler.PowerJoint) {
		a.find("strategy.power", "says "+named.Power+", which does not go with "+beams+" beams", 0, 0)
	}
	if len(slot.Groups) > 0 {
		return
	}
	if n := len(plan.Groups); named.Grouping == together && n > 1 {
		a.over("strategy.grouping", "says together, with more than one group", 1, float64(n))
	}
	for g := range plan.Groups {
		if n := len(plan.Groups[g].Allocations); named.Grouping == alone && n > 1 {
			a.over("strategy.grouping", "says alone, with more than one user in a group", 1, float64(n))
		}
	}
}

// Groupings that tell of the groups.
const (
	together = "together"
	alone    = "alone"
)
