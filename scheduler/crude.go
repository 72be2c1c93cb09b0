package scheduler

import (
	"math"
	"slices"
)

// crude makes a first whole plan to fall back on, with no search: every user by
// itself, in turn, which takes matched beams, for the shares of least power without
// limits, and scaled into the limits. There is none where users may not be alone, or
// take their beams from a codebook. v must be ready and unused.
func (f *fallback) crude(v *View) {
	if v.book != nil || len(f.slot.Groups) > 0 || len(v.active) > v.MaxGroups() || len(v.active) == 0 {
		return
	}
	rough := *v
	rough.rate = slices.Clone(v.rate)
	rough.crude, rough.stopped, rough.hurried = true, true, true
	rough.options.Grouping = "alone"
	rough.setFarField()
	rough.scaleTo, rough.peak = rough.peak, nil
	if rough.scaleTo != nil && rough.scaleTo.silent() {
		return
	}
	rough.solver = groupSolver{}
	rough.solver.init(&rough)
	p := &partition{grouping: "alone", groups: rough.aloneInTurn()}
	if len(p.groups) == 0 {
		return
	}
	plan := &Plan{Sequence: f.slot.Sequence, EngineVersion: Version, Strategy: rough.strategy()}
	plan.finish(&rough, p)
	plan.StoppedEarly = true
	f.note(plan)
}

// aloneInTurn returns a group for each user that can be served by itself, with the
// shares of least power: of one user on one subband that is in closed form.
func (v *View) aloneInTurn() []onAir {
	var groups []onAir
	var c, a []float64
	for _, k := range v.active {
		gain := 0.0
		for b := range v.gram {
			gain += v.gram[b].Norm2(k) / float64(len(v.gram))
		}
		if w := v.gap / gain; w > 0 && !math.IsInf(w, 1) {
			groups = append(groups, onAir{users: []int{k}, bands: v.allBands})
			c, a = append(c, w), append(a, v.rate[k])
		}
	}
	if len(groups) == 0 {
		return nil
	}
	s := slices.Repeat([]float64{1 / float64(len(groups))}, len(groups))
	modelIdle(s, c, a, make([]float64, len(s)), 1)
	var open []*onAir
	for i := range groups {
		groups[i].share = s[i]
		open = append(open, &groups[i])
	}
	if step := v.options.ShareStep; step > 0 {
		wholeSteps(open, step, slices.Repeat([]float64{1}, v.Subbands()))
	}
	return slices.DeleteFunc(groups, func(g onAir) bool {
		return !(g.share > 0) || math.IsInf(v.solver.planPower(&g, g.share), 1)
	})
}
