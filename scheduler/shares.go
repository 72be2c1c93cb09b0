package scheduler

import (
	"math"
	"slices"
)

// shareCost is what one group costs at a share s of the slot: phi(s) = s P(s),
// in W, and its derivative. phi is +Inf where the group cannot meet its targets;
// it falls with s.
type shareCost func(group int, share float64) (phi, slope float64)

const (
	minShare        = 1e-4
	shareSteps      = 40   // of the local search
	shareTolerance  = 1e-9 // relative change of the total at which it ends
	shareGrid       = 24   // points of the global scan of two groups
	shareGridLogit  = 7.0  // the scan covers shares from 0.1 % to 99.9 %
	maxScannedPairs = 15
	logReach        = 700.0 // e^-logReach is nothing
)

// splitShares minimises sum_g phi_g(s_g) over shares that add up to budget, from
// a start. It returns the shares and the least total found; +Inf when no split
// serves every group. Where timeW is not nil it minimises sum_g phi_g(s_g) +
// timeW_g s_g, timeW_g >= 0, over shares that add up to budget at most: time on
// the air costs, and some of it may be left idle.
//
// Each phi_g is modelled by c s (exp(a/s) - 1), which has the value and slope of
// phi_g at the current share and is exact for a single user. The models'
// optimum has equal slopes in closed form up to one scalar; it is the next
// point. phi is not always convex, so equal slopes are necessary only: see
// splitSharesGlobally.
func splitShares(cost shareCost, timeW, start []float64, budget float64) ([]float64, float64) {
	n := len(start)
	s := append([]float64(nil), start...)
	if n == 1 && timeW == nil {
		s[0] = budget
		phi, _ := cost(0, budget)
		return s, phi
	}
	c := make([]float64, n)
	a := make([]float64, n)
	best, total := s, math.Inf(1)
	trial := make([]float64, n)
	copy(trial, s)
	fit(trial, budget, timeW != nil)
	if !servable(cost, trial, budget) {
		return s, total
	}
	edge := make([]float64, n) // largest share seen not to serve the group
	for range shareSteps {
		sum := 0.0
		for g := range n {
			phi, slope := cost(g, trial[g])
			sum += phi
			if timeW != nil {
				sum += timeW[g] * trial[g]
			}
			if math.IsInf(phi, 1) {
				edge[g] = math.Max(edge[g], trial[g])
				break
			}
			c[g], a[g] = shareModel(trial[g], phi, slope)
		}
		if !(sum < total) { // NaN too: slopes of 1000 dB overflow
			// Too far: go half way back.
			moved := 0.0
			for g := range n {
				if timeW != nil && math.IsInf(sum, 1) && trial[g] > edge[g] {
					continue // it is another group that is not served
				}
				moved = math.Max(moved, math.Abs(trial[g]/best[g]-1))
				trial[g] = math.Sqrt(trial[g] * best[g])
			}
			if moved < 1e-9 {
				break
			}
			fit(trial, budget, timeW != nil)
			continue
		}
		gain := total - sum
		best, total = append([]float64(nil), trial...), sum
		if gain <= shareTolerance*total {
			break
		}
		equalSlopes(trial, c, a, timeW, budget)
		if timeW == nil {
			continue
		}
		// Where time costs, the least may be at the edge of what limits allow.
		for g := range n {
			if trial[g] <= edge[g] {
				trial[g] = math.Sqrt(edge[g] * best[g])
			}
		}
		fit(trial, budget, true)
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
			if math.Abs(step) < 1e-14*u {
				break
			}
		}
	}
	return phi / (s * math.Expm1(u)), u * s
}

// equalSlopes fills s with the minimum of sum c_g s_g (exp(a_g/s_g) - 1) over
// sum s_g = budget: the slopes c (exp(x)(1-x) - 1), x = a/s, are all -nu. Where
// timeW is not nil it adds timeW_g s_g and the sum is at most the budget: nu is 0
// where that leaves time idle.
func equalSlopes(s, c, a, timeW []float64, budget float64) {
	share := func(logNu float64) float64 {
		sum := 0.0
		for g := range s {
			y := logNu
			if timeW != nil {
				y = logSum(logNu, math.Log(timeW[g]))
			}
			s[g] = a[g] / solveSlope(y-math.Log(c[g]))
			sum += s[g]
		}
		return sum
	}
	defer func() {
		for g := range s {
			s[g] = math.Max(s[g], minShare*budget)
		}
		fit(s, budget, timeW != nil)
	}()
	if timeW != nil && slices.Min(timeW) > 0 && share(math.Inf(-1)) <= budget {
		return
	}
	// The sum falls as nu rises: bracket, then bisect in log nu.
	lo, hi := 0.0, 0.0
	for g := range s {
		x := a[g] / (budget / float64(len(s)))
		v := math.Log(c[g]) + logSlope(x)
		if timeW != nil {
			v = logDifference(v, math.Log(timeW[g]))
		}
		if g == 0 || v < lo {
			lo = v
		}
		if g == 0 || v > hi {
			hi = v
		}
	}
	lo = math.Max(lo, hi-logReach)
	for range 100 {
		mid := (lo + hi) / 2
		if share(mid) > budget {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo < 1e-13*(1+math.Abs(lo)) {
			break
		}
	}
	share((lo + hi) / 2)
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

// logSlope returns log(1 + e^x (x-1)) for x > 0.
func logSlope(x float64) float64 {
	if x < 1e-3 {
		return math.Log(x*x/2) + 2*x/3 // 1 + e^x (x-1) = x^2/2 + x^3/3 + ...
	}
	if x > 30 {
		return x + math.Log(x-1)
	}
	return math.Log(1 + math.Exp(x)*(x-1))
}

// solveSlope returns x > 0 with logSlope(x) = y, by Newton's method.
func solveSlope(y float64) float64 {
	x := 1.0
	if y < -1 {
		x = math.Exp(0.5 * (y + math.Ln2))
	} else if y > 1 {
		x = y
	}
	for range 60 {
		// d/dx log(1 + e^x (x-1)) = x e^x / (1 + e^x (x-1)).
		l := logSlope(x)
		d := math.Exp(x-l) * x
		step := (l - y) / d
		next := x - step
		if next <= x/8 {
			next = x / 8
		}
		if math.Abs(next-x) <= 1e-14*x {
			return next
		}
		x = next
	}
	return x
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
	// The least share that serves each group, from above, to 1 %.
	spare := budget
	for g := range s {
		lo, hi := minShare*budget, budget
		if phi, _ := cost(g, hi); math.IsInf(phi, 1) {
			return false
		}
		for hi > lo*1.01 {
			mid := math.Sqrt(lo * hi)
			if phi, _ := cost(g, mid); math.IsInf(phi, 1) {
				lo = mid
			} else {
				hi = mid
			}
		}
		s[g] = hi
		spare -= hi
	}
	if spare < 0 {
		return false
	}
	for g := range s {
		s[g] += spare / float64(len(s))
	}
	return true
}

// fit scales s to add up to budget; where some may be left idle, only down.
func fit(s []float64, budget float64, idle bool) {
	sum := 0.0
	for _, v := range s {
		sum += v
	}
	if !idle || sum > budget {
		normalize(s, budget)
	}
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

// splitSharesGlobally improves a split by scanning, for each pair of groups in
// turn, the division of what the two have together on a grid even in the
// logarithm of s/(1-s), and descending from every dip. Pairs of groups of one
// user, whose costs are convex, are passed over. For two groups the result is
// the least over the whole grid. Where time may be left idle (timeW not nil), idle
// time takes part as if it were one more group.
func splitSharesGlobally(cost shareCost, timeW, start []float64, budget float64, convex []bool) ([]float64, float64) {
	best, total := splitShares(cost, timeW, start, budget)
	n := len(start)
	others := n
	scanned := cost
	if timeW != nil {
		others = n + 1
		scanned = func(g int, share float64) (phi, slope float64) {
			if g == n {
				return 0, 0
			}
			phi, slope = cost(g, share)
			return phi + timeW[g]*share, slope + timeW[g]
		}
	}
	pairs := 0
	for i := range start {
		for j := range others {
			if j >= i && j < n || convex[i] && (j == n || convex[j]) || pairs >= maxScannedPairs {
				continue
			}
			pairs++
			sum := 0.0
			if j < n {
				sum = best[i] + best[j]
			} else {
				sum = budget
				for k := range best {
					if k != i {
						sum -= best[k]
					}
				}
			}
			for _, from := range dips(scanned, i, j, sum) {
				s := append([]float64(nil), best...)
				s[i] = from
				if j < n {
					s[j] = sum - from
				}
				if s, t := splitShares(cost, timeW, s, budget); t < total*(1-shareTolerance) {
					best, total = s, t
				}
			}
		}
	}
	return best, total
}

// dips returns the shares of group i at the local minima of phi_i + phi_j on
// the grid, when the two have sum together.
func dips(cost shareCost, i, j int, sum float64) []float64 {
	var share, total [shareGrid]float64
	for p := range shareGrid {
		x := shareGridLogit * (2*float64(p)/(shareGrid-1) - 1)
		share[p] = sum / (1 + math.Exp(-x))
		phi, _ := cost(i, share[p])
		if !math.IsInf(phi, 1) {
			rest, _ := cost(j, sum-share[p])
			phi += rest
		}
		total[p] = phi
	}
	var out []float64
	for p := range shareGrid {
		left := p == 0 || total[p] < total[p-1]
		right := p == shareGrid-1 || total[p] <= total[p+1]
		if left && right && !math.IsInf(total[p], 1) {
			out = append(out, share[p])
		}
	}
	return out
}
