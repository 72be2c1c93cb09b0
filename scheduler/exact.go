package scheduler

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
)

func init() {
	RegisterGrouping(GroupingExact, "the partition of least slot power, proved on one subband; for 10 users at most", exact{})
}

// MaxExactUsers is the largest number of users with a rate that grouping
// `exact` takes: it looks at every subset of them.
const MaxExactUsers = 10

// exact finds the partition of least slot power.
//
// For any price nu >= 0 of the slot's time, a partition into groups S costs at
// least sum v_S - nu, where v_S = min over s of phi_S(s) + nu s. The least such
// sum comes from dynamic programming over subsets of users; every partition
// whose own sum is below the best cost known is then divided and solved. Shares
// couple the groups, so that the programme alone could miss.
//
// The v_S are proved from below. Least powers as a function of SINR targets grow
// at least as fast as the targets, P(c g) >= c P(g) for c >= 1 (Yates, IEEE JSAC
// 13(7), 1995: interference functions are scalable), so that for s < s'
//
//	phi(s) >= phi(s') s/s' min_k (exp(R_k/s) - 1)/(exp(R_k/s') - 1),
//
// which has its minimum in k at the least rate; over several subbands only
// phi(s) >= phi(s') follows, the same for a rate of 0. Limits, rate tables and
// share steps make partitions dearer only; the bounds are without them.
//
// On one subband the least is proved, to what shares found on a grid may miss. On
// several the power of a group is that of the best split of its rates over subbands
// that descents and exchanges find (optim.RateSplit), which nothing proves to be the
// least: exact is then the best of all partitions by that measure.
//
// O(3^K) for the programme, some ten solves for each of 2^K subsets.
type exact struct{}

// Group implements Grouping.
func (g exact) Group(v *View) [][]int { return untimed(g.Timed(v)) }

func (exact) everyPartition() int { return MaxExactUsers }

// Timed implements TimedGrouping.
func (exact) Timed(v *View) []TimedGroup {
	if len(v.active) > MaxExactUsers {
		return leastPower{}.Timed(v)
	}
	e := &exactSearch{view: v, users: v.active, least: math.Inf(1)}
	e.start()
	e.find()
	if e.best == nil {
		return timeless(v.groups(semiOrthogonal{}))
	}
	e.recall()
	return e.best.timed()
}

// exactTolerance is how far a bound v_S may lie below the cost known, in parts of
// the best total: closer bounds leave fewer partitions to solve.
const exactTolerance = 1e-3

// exactSearch is the state of one search. Subsets are masks over users.
type exactSearch struct {
	view   *View
	users  []int
	nu     float64
	best   *partition
	least  float64     // its cost
	recall func()      // what the solver knew when best was found
	value  []float64   // [subset] at most v_S; +Inf for a group that cannot be
	rest   [][]float64 // [groups][subset] least sum of values in at most so many groups
	solved int         // partitions
}

// start takes what least-power finds as the best known, and its price of time.
func (e *exactSearch) start() {
	s := e.view.searched(nil)
	if e.nu = s.nu; s.teams == nil {
		for _, k := range e.users {
			e.nu = math.Max(e.nu, s.estimate.power([]int{k}, 1))
		}
	}
	if e.best = e.view.bestOf(s.partition()); e.best != nil {
		e.least, e.recall = e.best.powerW, e.view.solver.remember()
	}
}

// find looks at every partition that the bound leaves.
func (e *exactSearch) find() {
	if e.bound(); e.best != nil && e.view.Stopped() {
		return
	}
	e.programme()
	e.branch(1<<len(e.users)-1, min(e.view.MaxGroups(), len(e.users)), 0, nil)
}

// bound fills value, as far as there is time.
func (e *exactSearch) bound() {
	e.value = make([]float64, 1<<len(e.users))
	limit := min(e.view.MaxGroupSize(), len(e.users))
	peak := e.view.peak
	e.view.peak = nil
	defer func() { e.view.peak = peak }()
	for m := 1; m < len(e.value); m++ {
		if e.best != nil && e.view.Stopped() {
			return
		}
		e.value[m] = math.Inf(1)
		if bits.OnesCount(uint(m)) <= limit {
			e.value[m] = e.leastPriced(e.members(m))
		}
	}
}

func (e *exactSearch) members(m int) []int {
	var users []int
	for i, k := range e.users {
		if m&(1<<i) != 0 {
			users = append(users, k)
		}
	}
	return users
}

// shareRange is the shares from below (not in it) to share, where the cost is
// known, with a lower bound on cost + nu * share over them and where that lies.
type shareRange struct {
	below, share float64
	phi          float64
	bound, at    float64
}

// leastPriced returns a lower bound on min over s of phi(s) + nu s of a group.
// The range with the least bound is cut until that is near the least value seen
// or above what could matter.
func (e *exactSearch) leastPriced(users []int) float64 {
	g := onAir{users: users, bands: e.view.allBands}
	slowest := 0.0
	if e.view.Subbands() == 1 {
		slowest = math.Inf(1)
		for _, k := range users {
			slowest = math.Min(slowest, e.view.rate[k])
		}
	}
	upper := math.Inf(1)
	sample := func(below, share float64) shareRange {
		power, _ := e.view.solver.power(&g, share)
		r := shareRange{below: below, share: share, phi: share * power}
		upper = math.Min(upper, r.phi+e.nu*share)
		r.limit(slowest, e.nu)
		return r
	}
	ranges := []shareRange{sample(0, 1)}
	for range maxCuts {
		low := 0
		for i := range ranges {
			if ranges[i].bound < ranges[low].bound {
				low = i
			}
		}
		r := &ranges[low]
		bound := r.bound
		if upper-bound <= exactTolerance*math.Min(e.least, upper) || bound >= e.least+e.nu || e.view.Stopped() {
			return bound
		}
		cut := math.Sqrt(r.at * r.share)
		left := sample(r.below, cut)
		r.below = cut
		r.limit(slowest, e.nu)
		ranges = append(ranges, left)
	}
	bound := math.Inf(1)
	for i := range ranges {
		bound = math.Min(bound, ranges[i].bound)
	}
	return bound
}

const maxCuts = 200

// limit sets bound and at of a range for a least rate, in nats per use at share
// 1: the cost is at least that of one user of that rate which costs phi at share.
func (r *shareRange) limit(rate, nu float64) {
	r.at = r.below
	if math.IsInf(r.phi, 1) {
		r.bound = r.phi
		return
	}
	if x := rate / r.share; x > 0 && x <= maxNats {
		c := r.phi / (r.share * math.Expm1(x))
		_, at := leastPriced(c, rate, nu)
		r.at = math.Min(math.Max(at, r.below), r.share)
		r.bound = modelCost(c, rate, r.at) + nu*r.at
		return
	}
	r.at = math.Max(r.below, leastCut*r.share)
	r.bound = r.phi + nu*r.below
}

// leastCut keeps cuts of ranges that begin at 0 from going down too fast.
const leastCut = 0.01

// programme fills rest.
func (e *exactSearch) programme() {
	groups := min(e.view.MaxGroups(), len(e.users))
	e.rest = make([][]float64, groups+1)
	for n := range e.rest {
		e.rest[n] = make([]float64, len(e.value))
		for m := 1; m < len(e.value); m++ {
			e.rest[n][m] = math.Inf(1)
			if n == 0 {
				continue
			}
			e.parts(m, func(part int) {
				e.rest[n][m] = math.Min(e.rest[n][m], e.value[part]+e.rest[n-1][m&^part])
			})
		}
	}
}

// parts calls f with the subsets of m that hold its first user.
func (e *exactSearch) parts(m int, f func(part int)) {
	first := m & -m
	others := m &^ first
	for sub := others; ; sub = (sub - 1) & others {
		f(sub | first)
		if sub == 0 {
			return
		}
	}
}

// branch divides and solves every partition of the users in m into at most the
// groups left, beside those picked at a cost so far, that the bound leaves.
func (e *exactSearch) branch(m, groups int, sum float64, picked []int) {
	if m == 0 {
		e.solve(picked)
		return
	}
	if groups == 0 || e.view.Stopped() {
		return
	}
	type part struct {
		mask int
		sum  float64
	}
	var parts []part
	e.parts(m, func(p int) {
		parts = append(parts, part{p, e.value[p] + e.rest[groups-1][m&^p]})
	})
	slices.SortStableFunc(parts, func(a, b part) int {
		switch {
		case a.sum < b.sum:
			return -1
		case a.sum > b.sum:
			return 1
		}
		return 0
	})
	for _, p := range parts {
		if !(sum+p.sum-e.nu < e.least) {
			return
		}
		e.branch(m&^p.mask, groups-1, sum+e.value[p.mask], append(picked, p.mask))
	}
}

// solve divides the slot among the groups picked and keeps what is better.
func (e *exactSearch) solve(picked []int) {
	e.solved++
	p := &partition{}
	for _, m := range picked {
		p.groups = append(p.groups, onAir{users: e.members(m), bands: e.view.allBands})
	}
	e.view.divide(p)
	if p.powerW < e.least*(1-shareTolerance) {
		e.best, e.least, e.recall = p, p.powerW, e.view.solver.remember()
	}
}

// checkExact refuses a grouping that cannot take so many users.
func (s *Slot) checkExact(v *violations) {
	if s.Options.Grouping != GroupingExact || len(s.Groups) > 0 {
		return
	}
	if users := s.served(); users > MaxExactUsers {
		v.add("options.grouping", fmt.Sprintf("%s with %d users that have a rate", text(GroupingExact), users),
			fmt.Sprintf("%s with at most %d users that have a rate, or another grouping", GroupingExact, MaxExactUsers))
	}
}
