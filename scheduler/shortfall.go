package scheduler

import (
	"math"
	"slices"
)

const (
	fractionTolerance = 1e-6 // of the common fraction of targets
	gainTolerance     = 1e-3 // of the fractions spent afterwards
)

// shortfall returns the partition, of those tried, that loses least. First the
// common fraction t of all targets that can be met is made as large as can be;
// a user of twice the least priority keeps twice that fraction, up to all of its
// target. What is left is then spent on the users that can still gain, by
// falling priority. v.rate is left at the rates to deliver.
func (v *View) shortfall(tried []*partition, plan *Plan) *partition {
	full := slices.Clone(v.rate)
	for _, k := range v.active {
		if !v.served(&partition{groups: []onAir{{users: []int{k}, bands: v.allBands}}}) {
			plan.UnservableUserIDs = append(plan.UnservableUserIDs, v.slot.Users[k].ID)
		}
	}
	weight := v.priorities()
	fraction := make([]float64, len(full))
	apply := func() {
		for k := range full {
			v.rate[k] = full[k] * fraction[k]
		}
	}
	common := func(t float64) {
		for k := range fraction {
			fraction[k] = math.Min(1, t*weight[k])
		}
		apply()
	}
	best, most := tried[0], 0.0
	for _, p := range tried {
		t := largest(most, 1, fractionTolerance, func(t float64) bool {
			common(t)
			return v.served(p)
		})
		if t > most {
			best, most = p, t
		}
	}
	if most == 0 {
		common(0)
		return &partition{grouping: best.grouping}
	}
	common(most)
	for _, k := range v.byPriority() {
		if fraction[k] < 1 {
			fraction[k] = largest(fraction[k], 1, gainTolerance, func(x float64) bool {
				v.rate[k] = full[k] * x
				return v.served(best)
			})
			apply()
		}
	}
	// A division on the edge of what can be served may fail by rounding or, where
	// rates or shares come in steps, by more; a little less will do.
	for range 40 {
		p := best.clone()
		v.divide(p)
		if !math.IsInf(p.powerW, 1) {
			return p
		}
		for k := range fraction {
			fraction[k] *= 1 - gainTolerance
		}
		apply()
		if v.table != nil || v.options.ShareStep > 0 {
			for k := range fraction {
				fraction[k] *= 0.95
			}
		}
	}
	common(0)
	return &partition{grouping: best.grouping}
}

// largest returns, to a tolerance, the largest x in [lo, hi] that is ok, given
// that lo is, or 0, and that ok ends once; lo itself when nothing above it is.
func largest(lo, hi, tolerance float64, ok func(float64) bool) float64 {
	if ok(hi) {
		return hi
	}
	for hi-lo > tolerance*hi {
		mid := (lo + hi) / 2
		if ok(mid) {
			lo = mid
		} else {
			hi = mid
		}
		if hi < 1e-9 {
			return 0
		}
	}
	return lo
}

// priorities returns the priority of every user over the least.
func (v *View) priorities() []float64 {
	w := make([]float64, len(v.slot.Users))
	least := math.Inf(1)
	for k := range w {
		w[k] = v.slot.Users[k].Priority
		if w[k] == 0 {
			w[k] = 1
		}
		if v.rate[k] > 0 {
			least = math.Min(least, w[k])
		}
	}
	for k := range w {
		w[k] /= least
	}
	return w
}

// byPriority returns the active users, the highest priority first.
func (v *View) byPriority() []int {
	w := v.priorities()
	users := slices.Clone(v.active)
	slices.SortStableFunc(users, func(i, j int) int {
		switch {
		case w[i] > w[j]:
			return -1
		case w[i] < w[j]:
			return 1
		}
		return 0
	})
	return users
}

// binding returns the limits that keep the targets of a slot from being met in
// a partition's groups: those that the groups would exceed if no limit held, and
// what they would then need. Raising all of them to that is enough. It is empty
// where the targets cannot be met in these groups at any power.
func (v *View) binding(p *partition) []BindingLimit {
	if v.peak == nil || len(p.groups) == 0 {
		return nil
	}
	peak := v.peak
	defer func() { v.peak = peak }()
	v.peak = nil
	for k := range v.slot.Users {
		v.rate[k] = math.Ln2 * v.slot.Users[k].RateBps / v.slot.BandwidthHz
	}
	free := p.clone()
	v.divide(free)
	if math.IsInf(free.powerW, 1) {
		return nil
	}
	needed := peak.unlimited()
	for i := range free.groups {
		g := &free.groups[i]
		v.solver.planPower(g, g.share)
		if w, _ := v.solver.weights(g, slices.Clone(v.solver.rates)); w != nil {
			peak.raise(needed, w)
		}
	}
	return peak.exceeded(needed)
}
