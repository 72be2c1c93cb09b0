package scheduler

import (
	"math"
	"slices"
)

// Shares where time on the air costs: sum_g phi_g(s_g) + timeW_g s_g is minimised
// over shares that add up to the budget at most, and what is left is idle. phi_g
// and its models are those of splitShares.

// logReach is the logarithm of a ratio that is beyond float64.
const logReach = 700.0

// divideIdle is what divideOpen does with objective consumed: from shares to start
// from that use all of the budget, or with them where their cost is given and not
// +Inf.
func (v *View) divideIdle(p *partition, open []int, cost shareCost, start []float64, power, budget float64, convex []bool) ([]float64, float64) {
	timeW := make([]float64, len(open))
	for i, g := range open {
		timeW[i] = v.timeW(&p.groups[g])
	}
	if !math.IsInf(power, 1) {
		for i, s := range start {
			power += timeW[i] * s
		}
		return start, power
	}
	shares, power := splitIdleGlobally(cost, timeW, start, budget, convex, v.solver.remember, v.Stopped)
	if v.peak != nil && !math.IsInf(power, 1) {
		power = v.offEdge(p, open, shares, budget)
	}
	return shares, power
}

// offEdge raises shares, while time is left idle, of groups that do not bear them
// after all: on the edge of what limits allow another start of the same solve may
// fail. It returns the power that the groups add to the mean, as planned.
func (v *View) offEdge(p *partition, open []int, shares []float64, budget float64) float64 {
	idle := budget
	for _, s := range shares {
		idle -= s
	}
	powerW := 0.0
	for i, g := range open {
		group := &p.groups[g]
		group.share = shares[i]
		for more := shareEdge; v.groupWeights(group) == nil && group.share*more < idle; more *= 4 {
			idle -= group.share * more
			group.share *= 1 + more
		}
		shares[i] = group.share
		powerW += group.share * (v.solver.planPower(group, group.share) + v.timeW(group))
	}
	return powerW
}

// splitIdle descends from a start. It returns the shares and the least total found;
// +Inf when no split serves every group. At every step the next point is the
// optimum of the models within the room, see room.model. The least may be at the
// edge of what limits allow; a group's way there is halved. Once a split is found, stop
// ends the search.
func splitIdle(cost shareCost, timeW, start []float64, r *room, stop func() bool) ([]float64, float64) {
	n := len(start)
	best, total := start, math.Inf(1)
	trial := slices.Clone(start)
	if !r.servable(cost, trial) {
		return best, total
	}
	c := make([]float64, n)
	a := make([]float64, n)
	edge := make([]float64, n) // largest share seen not to serve the group
	for range shareSteps {
		sum := 0.0
		for g := range n {
			phi, slope := cost(g, trial[g])
			sum += phi + timeW[g]*trial[g]
			if math.IsInf(phi, 1) {
				edge[g] = math.Max(edge[g], trial[g])
				break
			}
			c[g], a[g] = shareModel(trial[g], phi, slope)
		}
		if !(sum < total) { // NaN too
			moved := 0.0
			for g := range n {
				if math.IsInf(sum, 1) && trial[g] > edge[g] {
					continue // it is another group that is not served
				}
				moved = math.Max(moved, math.Abs(trial[g]/best[g]-1))
				trial[g] = math.Sqrt(trial[g] * best[g])
			}
			if moved < 1e-9 {
				break
			}
			r.fit(trial)
			continue
		}
		gain := total - sum
		best, total = slices.Clone(trial), sum
		if gain <= shareTolerance*total || stop() {
			break
		}
		r.model(trial, c, a, timeW)
		for g := range n {
			if trial[g] <= edge[g] {
				trial[g] = math.Sqrt(edge[g] * best[g])
			}
		}
		r.fit(trial)
	}
	return best, total
}

// modelIdle moves the shares s to the minimum of sum c_g s_g (exp(a_g/s_g) - 1) +
// timeW_g s_g over sum s_g <= budget: with x = a/s, all c (1 + exp(x)(x-1)) are
// timeW + nu, and nu is 0 where that leaves time idle. Otherwise nu is bisected in
// its logarithm.
func modelIdle(s, c, a, timeW []float64, budget float64) {
	n := float64(len(s))
	lo, hi := math.Inf(1), math.Inf(-1) // of log nu
	for g := range s {
		v, _ := logSlope(a[g] * n / budget)
		v = logDifference(math.Log(c[g])+v, math.Log(timeW[g]))
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	lo = math.Max(lo, hi-logReach)
	at := func(logNu float64) (sum float64) {
		for g := range s {
			x, _ := solveSlope(logSum(logNu, math.Log(timeW[g]))-math.Log(c[g]), a[g]/s[g])
			s[g] = a[g] / x
			sum += s[g]
		}
		return sum
	}
	if slices.Min(timeW) == 0 || at(math.Inf(-1)) > budget {
		for hi-lo > 1e-13*(1+math.Abs(lo)) {
			mid := (lo + hi) / 2
			if mid == lo || mid == hi {
				break
			}
			if at(mid) > budget {
				lo = mid
			} else {
				hi = mid
			}
		}
		at(hi)
	}
	for g := range s {
		s[g] = math.Max(s[g], minShare*budget)
	}
	(&room{budget: budget}).fit(s)
}

// logSum returns log(e^a + e^b).
func logSum(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// logDifference returns log(e^a - e^b), where that is not above 0 a number so low
// that it does not matter beside a.
func logDifference(a, b float64) float64 {
	return math.Max(a-logReach, a+math.Log1p(-math.Min(1, math.Exp(b-a))))
}

// splitIdleGlobally improves a split as splitSharesGlobally does. Idle time takes
// part as if it were one more group.
func splitIdleGlobally(cost shareCost, timeW, start []float64, budget float64, convex []bool, remember func() (recall func()), stop func() bool) ([]float64, float64) {
	r := &room{budget: budget}
	best, total := splitIdle(cost, timeW, start, r, stop)
	if stop() || !slices.Contains(convex, false) || math.IsInf(total, 1) {
		return best, total
	}
	recall := remember()
	defer func() { recall() }()
	n := len(start)
	tables := make([]shareTable, n)
	priced := make([]func(share float64) float64, n)
	for g := range n {
		if stop() {
			return best, total
		}
		tables[g].fill(cost, g, budget, total)
		tables[g].bent = tables[g].bent && !convex[g]
		priced[g] = func(share float64) float64 { return tables[g].at(share) + timeW[g]*share }
	}
	descend := func(s []float64) {
		if stop() {
			return
		}
		if s, t := splitIdle(cost, timeW, s, r, stop); t < total*(1-shareTolerance) {
			best, total = s, t
			recall = remember()
		}
	}
	for i := range n {
		if tables[i].bent {
			idle := budget
			for _, s := range best {
				idle -= s
			}
			free := func(float64) float64 { return 0 }
			for _, from := range dips(priced[i], free, best[i], math.Max(0, idle)) {
				s := slices.Clone(best)
				s[i] = from
				descend(s)
			}
		}
		for j := range i {
			if !tables[i].bent && !tables[j].bent {
				continue
			}
			for _, from := range dips(priced[i], priced[j], best[i], best[j]) {
				s := slices.Clone(best)
				s[i], s[j] = from, best[i]+best[j]-from
				descend(s)
			}
		}
	}
	return best, total
}
