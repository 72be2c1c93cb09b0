package scheduler

import (
	"cmp"
	"math"
	"slices"
)

// shareCost is what one group costs at a share s of the slot: phi(s) = s P(s),
// in W, and its derivative. phi is +Inf where the group cannot meet its targets;
// it falls with s.
type shareCost func(group int, share float64) (phi, slope float64)

const (
	minShare       = 1e-4
	shareSteps     = 40   // of the local search
	shareTolerance = 1e-9 // relative change of the total at which it ends
	shareGrid      = 24   // points of the global scan
	shareGridLogit = 7.0  // the scan covers shares from 0.1 % to 99.9 %
	dipGrid        = 93   // points of the scan of two groups: three between those
	bendTolerance  = 1e-6 // relative, of slopes that ought to rise with the share
)

// totalCost returns the cost of all groups.
func totalCost(cost shareCost, shares []float64) float64 {
	sum := 0.0
	for g, s := range shares {
		phi, _ := cost(g, s)
		sum += phi
	}
	return sum
}

// splitShares minimises sum_g phi_g(s_g) over shares that add up to budget, from
// a start. It returns the shares and the least total found; +Inf when no split
// serves every group.
//
// Each phi_g is modelled by c s (exp(a/s) - 1), which has the value and slope of
// phi_g at the current share and is exact for a single user. The models'
// optimum has equal slopes in closed form up to one scalar; it is the next
// point. phi is not always convex, so equal slopes are necessary only: see
// splitSharesGlobally. Once a split is found, stop ends the search.
func splitShares(cost shareCost, start []float64, budget float64, stop func() bool) ([]float64, float64) {
	n := len(start)
	s := append([]float64(nil), start...)
	if n == 1 {
		s[0] = budget
		phi, _ := cost(0, budget)
		return s, phi
	}
	c := make([]float64, n)
	a := make([]float64, n)
	best, total := s, math.Inf(1)
	trial := make([]float64, n)
	copy(trial, s)
	normalize(trial, budget)
	if !servable(cost, trial, budget) {
		return s, total
	}
	for range shareSteps {
		sum := 0.0
		for g := range n {
			phi, slope := cost(g, trial[g])
			sum += phi
			if math.IsInf(phi, 1) {
				break
			}
			c[g], a[g] = shareModel(trial[g], phi, slope)
		}
		if !(sum < total) { // NaN too: slopes of 1000 dB overflow
			// Too far: go half way back.
			moved := 0.0
			for g := range n {
				moved = math.Max(moved, math.Abs(trial[g]/best[g]-1))
				trial[g] = math.Sqrt(trial[g] * best[g])
			}
			if moved < 1e-9 {
				break
			}
			normalize(trial, budget)
			continue
		}
		gain := total - sum
		best, total = append([]float64(nil), trial...), sum
		if gain <= shareTolerance*total || stop() {
			break
		}
		equalSlopes(trial, c, a, budget)
	}
	return best, total
}

// shareModel returns c and a of c s (exp(a/s) - 1) with the given value and
// slope at s.
func shareModel(s, phi, slope float64) (c, a float64) {
	// With u = a/s: 1 - s slope/phi = u/(1 - exp(-u)).
	rho := 1 - s*slope/phi
	u := rho
	if rho < 1+1e-9 || math.IsNaN(rho) {
		u = 1e-9
	} else {
		for range 50 {
			e := math.Exp(-u)
			f := u/(1-e) - rho
			df := (1 - e - u*e) / ((1 - e) * (1 - e))
			step := f / df
			u = math.Max(u-step, u/4)
			if math.Abs(step) < newtonStep*u {
				break
			}
		}
	}
	return phi / (s * math.Expm1(u)), u * s
}

// equalSlopes moves the shares s to the minimum of sum c_g s_g (exp(a_g/s_g) - 1)
// over sum s_g = budget and returns nu: there all slopes c (exp(x)(1-x) - 1),
// x = a/s, are -nu. It is found by Newton's method on the logarithm of the sum,
// inside a bracket.
func equalSlopes(s, c, a []float64, budget float64) (nu float64) {
	// Among shares of the right sum one slope is at least nu and one at most.
	normalize(s, budget)
	lo, hi := math.Inf(1), math.Inf(-1)
	for g := range s {
		v, _ := logSlope(a[g] / s[g])
		v += math.Log(c[g])
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	logNu := (lo + hi) / 2
	for range 100 {
		sum, fall := 0.0, 0.0
		for g := range s {
			x, rise := solveSlope(logNu-math.Log(c[g]), a[g]/s[g])
			s[g] = a[g] / x
			sum += s[g]
			fall += s[g] / x / rise // -ds/dlog nu
		}
		off := math.Log(sum / budget)
		if off > 0 {
			lo = logNu
		} else {
			hi = logNu
		}
		if math.Abs(off) < newtonStep || hi-lo < 1e-13*(1+math.Abs(lo)) {
			break
		}
		if next := logNu + off*sum/fall; next > lo && next < hi {
			logNu = next
		} else {
			logNu = (lo + hi) / 2
		}
	}
	for g := range s {
		s[g] = math.Max(s[g], minShare*budget)
	}
	normalize(s, budget)
	return math.Exp(logNu)
}

// newtonStep is the relative step at which Newton's methods here end: what is left
// is of the order of its square.
const newtonStep = 1e-7

// logSlope returns log(1 + e^x (x-1)) for x > 0 and its derivative.
func logSlope(x float64) (value, rise float64) {
	if x < 1e-3 {
		return math.Log(x*x/2) + 2*x/3, 2/x + 2.0/3 // 1 + e^x (x-1) = x^2/2 + x^3/3 + ...
	}
	if x > 30 {
		return x + math.Log(x-1), x / (x - 1)
	}
	e := math.Exp(x)
	slope := 1 + e*(x-1)
	return math.Log(slope), e * x / slope
}

// leastPriced returns the least of the model's cost c s (exp(a/s) - 1) and nu s,
// and the share where it is.
func leastPriced(c, a, nu float64) (cost, share float64) {
	x, _ := solveSlope(math.Log(nu/c), 1)
	share = a / x
	return share * (c*math.Expm1(x) + nu), share
}

// solveSlope returns x > 0 with logSlope(x) = y, by Newton's method from an x, and
// logSlope's derivative there.
func solveSlope(y, x float64) (at, rise float64) {
	value, rise := logSlope(x)
	if !(math.Abs(value-y) < 1) {
		x = 1.0
		if y < -1 {
			x = math.Exp(0.5 * (y + math.Ln2))
		} else if y > 1 {
			x = y
		}
		value, rise = logSlope(x)
	}
	for range 60 {
		next := math.Max(x-(value-y)/rise, x/8)
		if math.Abs(next-x) <= newtonStep*x {
			return next, rise
		}
		x = next
		value, rise = logSlope(x)
	}
	return x, rise
}

// servable moves the shares s, where they leave a group unserved, to ones that
// serve every group. It reports false when there are none.
func servable(cost shareCost, s []float64, budget float64) bool {
	ok := true
	for g := range s {
		if phi, _ := cost(g, s[g]); math.IsInf(phi, 1) {
			ok = false
		}
	}
	if ok {
		return true
	}
	spare := budget
	for g := range s {
		if s[g] = leastServed(cost, g, budget); math.IsInf(s[g], 1) {
			return false
		}
		spare -= s[g]
	}
	if spare < 0 {
		return false
	}
	for g := range s {
		s[g] += spare / float64(len(s))
	}
	return true
}

// leastServed returns the least share up to the budget that serves a group, from
// above, to 1 %; +Inf when none does.
func leastServed(cost shareCost, g int, budget float64) float64 {
	lo, hi := minShare*budget, budget
	if phi, _ := cost(g, hi); math.IsInf(phi, 1) {
		return math.Inf(1)
	}
	for hi > lo*1.01 {
		mid := math.Sqrt(lo * hi)
		if phi, _ := cost(g, mid); math.IsInf(phi, 1) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

func normalize(s []float64, budget float64) {
	sum := 0.0
	for _, v := range s {
		sum += v
	}
	for g := range s {
		s[g] *= budget / sum
	}
}

// splitSharesGlobally improves a split. It first tables every group's cost over
// all the shares that could be part of a better one. Where the costs are convex
// there, the split stands. Otherwise, for each pair with a group whose cost is
// not, the division of what the two have together is scanned on the tables, and
// every dip is a start of another descent. Groups marked convex are known to be.
// For two groups the result is the least over the whole grid. What cost starts
// from is left as it was where the result was found: remember returns a function
// that brings it back.
func splitSharesGlobally(cost shareCost, start []float64, budget float64, convex []bool, remember func() (recall func()), stop func() bool) ([]float64, float64) {
	best, total := splitShares(cost, start, budget, stop)
	if stop() || len(start) == 1 || !slices.Contains(convex, false) || math.IsInf(total, 1) {
		return best, total
	}
	recall := remember()
	defer func() { recall() }()
	tables := make([]shareTable, len(start))
	for g := range start {
		if stop() {
			return best, total
		}
		tables[g].fill(cost, g, budget, total)
		tables[g].bent = tables[g].bent && !convex[g]
	}
	for i := range start {
		for j := range i {
			if !tables[i].bent && !tables[j].bent {
				continue
			}
			for _, from := range dips(tables[i].at, tables[j].at, best[i], best[j]) {
				s := slices.Clone(best)
				s[i], s[j] = from, best[i]+best[j]-from
				if stop() {
					return best, total
				}
				if s, t := splitShares(cost, s, budget, stop); t < total*(1-shareTolerance) {
					best, total = s, t
					recall = remember()
				}
			}
		}
	}
	return best, total
}

// shareTable is a group's cost on a grid of shares even in the logarithm of
// s/(1-s), from long to short.
type shareTable struct {
	share, phi, c, a []float64 // c and a of the model at each
	bent             bool      // the slope falls with the share somewhere
}

// fill tables the cost of group g down to the share where it alone costs most.
func (t *shareTable) fill(cost shareCost, g int, budget, most float64) {
	last := 0.0
	for p := shareGrid - 1; p >= 0; p-- {
		x := shareGridLogit * (2*float64(p)/(shareGrid-1) - 1)
		s := budget / (1 + math.Exp(-x))
		phi, slope := cost(g, s)
		if !(phi < most) {
			return
		}
		c, a := shareModel(s, phi, slope)
		t.bent = t.bent || len(t.share) > 0 && slope > last*(1-bendTolerance)
		t.share, t.phi, t.c, t.a = append(t.share, s), append(t.phi, phi), append(t.c, c), append(t.a, a)
		last = slope
	}
}

// at returns the cost at a share, between points the mean of their models, near
// points counting for more; +Inf below the last.
func (t *shareTable) at(share float64) float64 {
	n, found := slices.BinarySearchFunc(t.share, share, func(s, at float64) int { return cmp.Compare(at, s) })
	switch {
	case found:
		return t.phi[n]
	case n == len(t.share):
		return math.Inf(1)
	case n == 0:
		return modelCost(t.c[0], t.a[0], share)
	}
	w := math.Log(t.share[n-1]/share) / math.Log(t.share[n-1]/t.share[n])
	return (1-w)*modelCost(t.c[n-1], t.a[n-1], share) + w*modelCost(t.c[n], t.a[n], share)
}

// modelCost returns the model's cost at a share.
func modelCost(c, a, share float64) float64 { return c * share * math.Expm1(a/share) }

// dips returns the shares of a group at the local minima of its cost and that of
// another, tabled, when the two have a sum together; not the one where they are.
func dips(one, other func(share float64) float64, share, rest float64) []float64 {
	var at, total [dipGrid]float64
	for p := range at {
		x := shareGridLogit * (2*float64(p)/(dipGrid-1) - 1)
		at[p] = (share + rest) / (1 + math.Exp(-x))
		total[p] = one(at[p]) + other(share+rest-at[p])
	}
	var out []float64
	for p := range at {
		left := p == 0 || total[p] < total[p-1]
		right := p == dipGrid-1 || total[p] <= total[p+1]
		here := at[max(p-1, 0)] <= share && share <= at[min(p+1, dipGrid-1)]
		if left && right && !here && !math.IsInf(total[p], 1) {
			out = append(out, at[p])
		}
	}
	return out
}
