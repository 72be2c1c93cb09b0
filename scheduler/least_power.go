package scheduler

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

func init() {
	RegisterGrouping(GroupingLeastPower, "search by true slot power: users are moved and swapped, groups merged and split while that saves power", leastPower{})
}

// leastPower searches for the partition of least slot power. It starts from
// partitions dealt by estimated cost into few and more groups, from
// semi-orthogonal ones and from every user by itself; they descend by single changes
// whose power is solved, as long as there is hope to get below the best; after the
// first descents and after the last some groups at a time are dealt anew and descend
// again. It ends early where the deadline or the work limit says so, with the best so
// far; otherwise the result depends only on the slot, and is never worse than one
// group, every user by itself or semi-orthogonal groups.
type leastPower struct{}

// Group implements Grouping.
func (g leastPower) Group(v *View) [][]int { return untimed(g.Timed(v)) }

func (leastPower) everyPartition() int { return provedUsers }

// Timed implements TimedGrouping. The search is for the least power without
// limits; a search under them follows where they cannot be met that way, or only at
// more power.
func (leastPower) Timed(v *View) []TimedGroup {
	found := v.searched(nil).partition()
	if v.options.HysteresisDB > 0 && len(found.groups) > 0 {
		// Not for less than that are groups changed.
		if v.divide(found); !math.IsInf(found.powerW, 1) {
			return found.timed()
		}
	}
	best := v.bestOf(found)
	if v.peak != nil && !v.Stopped() && (best == nil || best.powerW > v.freely(found)*(1+limitsCost)) {
		best = v.cheaper(best, v.searched(v.peak).partition())
	}
	if best == nil {
		return timeless(v.groups(semiOrthogonal{}))
	}
	return best.timed()
}

// limitsCost is the part of the least power without limits that they may cost before
// groups are searched for under them.
const limitsCost = 1e-4

// cheaper returns the cheaper of a partition that is divided, nil for none, and
// another; nil where that cannot be served either. The solver is left with how the one
// returned splits rates over subbands.
func (v *View) cheaper(best, p *partition) *partition {
	if len(p.groups) == 0 {
		return best
	}
	recall := v.solver.remember()
	v.divide(p)
	if !math.IsInf(p.powerW, 1) && (best == nil || p.powerW < best.powerW*(1-shareTolerance)) {
		return p
	}
	recall()
	return best
}

// bestOf divides the slot among the groups of p and, since shares found globally
// may yet favour them, of the partitions that are simple, and returns the
// cheapest; nil where none can be served. The solver is left with how that splits
// rates over subbands: another start may end where more power is needed.
func (v *View) bestOf(p *partition) *partition {
	if v.peak != nil && v.Stopped() {
		if first := v.firstServed(p); first != nil {
			return first
		}
	}
	var best *partition
	recall := func() {}
	defer func() { recall() }()
	keep := func(p *partition) {
		v.divide(p)
		if !math.IsInf(p.powerW, 1) && (best == nil || p.powerW < best.powerW*(1-shareTolerance)) {
			best, recall = p, v.solver.remember()
		}
	}
	if len(p.groups) > 0 {
		keep(p)
	}
	for _, g := range []Grouping{semiOrthogonal{}, together{}, alone{}} {
		if best != nil && v.Stopped() {
			break
		}
		p := v.partitionOf(timeless(v.groups(g)))
		if best == nil || v.peak == nil || v.freely(p) < best.powerW {
			keep(p)
		}
	}
	return best
}

// firstServed returns the first of the groups of p, one group of all and the
// partitions that are simple that limits let serve with shares as they come; nil
// where none is. To look for shares under limits takes many solves, those that fail
// the longest.
func (v *View) firstServed(p *partition) *partition {
	v.hurried = true
	defer func() { v.hurried = false }()
	tries := []*partition{p}
	for _, g := range []Grouping{together{}, semiOrthogonal{}, alone{}} {
		tries = append(tries, v.partitionOf(timeless(v.groups(g))))
	}
	for _, p := range tries {
		if len(p.groups) == 0 {
			continue
		}
		if v.divide(p); !math.IsInf(p.powerW, 1) {
			return p
		}
	}
	return nil
}

// freely returns the power of a partition without limits, which is no more than
// with them.
func (v *View) freely(p *partition) float64 {
	limits := v.peak
	v.peak = nil
	defer func() { v.peak = limits }()
	q := p.clone()
	v.divide(q)
	return q.powerW
}

// searched returns a search that has run under some limits.
func (v *View) searched(peak *peakLimits) *search {
	limits := v.peak
	v.peak = peak
	defer func() { v.peak = limits }()
	if v.Subbands() == 1 {
		v.solver.tolerance = solveTolerance
		defer func() { v.solver.tolerance = 0 }()
	}
	s := newSearch(v)
	if !s.resume() {
		s.run()
	}
	return s
}

// partition returns the partition found with its shares to start from; without
// groups where none can be served. The solver is left with its split of rates over
// subbands.
func (s *search) partition() *partition {
	p := &partition{}
	for i := range s.teams {
		s.view.solver.setFractions(s.teams[i].users, s.teams[i].split)
		p.groups = append(p.groups, onAir{users: s.teams[i].users, bands: s.view.allBands, share: s.teams[i].share})
	}
	return p
}

const (
	solveTolerance = 2e-2 // of log l in a search: powers are off by 2e-5 at most, 4e-6 as a rule
	moreDealt      = 8    // groups dealt at most beyond the fewest allowed
	dealtWorse     = 1.5  // of the best estimate: where dealing into more groups ends
	descents       = 4    // starts that descend at a time
)

// kicks returns how often groups are dealt anew, early and again late, for a number
// of users. Of 96 slots at the quay (64 antennas, 32 users) the worst is 0.05 dB above
// an earlier search of more solves; with 1200 for 1600 it was 0.19 dB, with 2400 the
// same.
func kicks(users int) int { return min(6*users, max(1600/users, 8)) }

// deals returns partitions dealt by estimated cost, the cheapest first.
func (s *search) deals() []dealing {
	var out []dealing
	users := s.view.active
	least := math.Inf(1)
	fewest := (len(users) + s.maxSize - 1) / s.maxSize
	for n := fewest; n <= min(len(users), s.maxTeams, fewest+moreDealt); n++ {
		d := s.estimate.dealt(users, nil, n, 1, s.maxSize)
		if len(out) > 0 && len(d.groups) < n {
			break // so few groups have been dealt
		}
		out = append(out, d)
		least = math.Min(least, d.cost)
		if d.cost > dealtWorse*least {
			break
		}
	}
	slices.SortStableFunc(out, func(a, b dealing) int { return cmp.Compare(a.cost, b.cost) })
	return out
}

// simple returns a partition by a simple grouping.
func (s *search) simple(g Grouping) dealing {
	groups := s.view.groups(g)
	share := make([]float64, len(groups))
	for i := range share {
		share[i] = 1 / float64(len(groups))
	}
	share, cost := s.estimate.shares(groups, share, 1)
	return dealing{groups, share, cost}
}

// run searches. Time may be short: as soon as no other deal's estimate is below the
// power of the best start, those so far descend, and then the deal into a group fewer
// than the best has, as the estimate finds too many groups rather than too few. The
// best is kicked before the other deals are solved.
func (s *search) run() {
	var began []held
	best := held{total: math.Inf(1)}
	stopped := func() bool { return best.teams != nil && s.view.Stopped() }
	solve := func(d dealing) {
		s.held = held{total: math.Inf(1)}
		if s.start(d) {
			began = append(began, s.held)
			best = best.or(s.held)
		}
	}
	descend := func() {
		slices.SortStableFunc(began, func(a, b held) int { return cmp.Compare(a.total, b.total) })
		for _, from := range began[:min(len(began), descents)] {
			s.held = from
			s.descend(best.total)
			best = best.or(s.held)
		}
		began = began[:0]
	}
	kick := func(stream uint64) {
		s.held = best
		s.kicks(kicks(len(s.view.active)), stream)
		best = s.held
	}
	deals := s.deals()
	for len(deals) > 0 && !stopped() {
		next := 0
		if best.teams != nil && best.total <= deals[0].cost {
			descend()
			next = slices.IndexFunc(deals, func(d dealing) bool { return len(d.groups) == len(best.teams)-1 })
			if next < 0 {
				break
			}
		}
		solve(s.refined(deals[next]))
		deals = slices.Delete(deals, next, next+1)
	}
	descend()
	kick(0)
	for _, d := range deals {
		if !stopped() {
			solve(s.refined(d))
		}
	}
	for _, g := range []Grouping{semiOrthogonal{}, alone{}} {
		if !stopped() {
			solve(s.simple(g))
		}
	}
	descend()
	kick(1)
}

// refined refines a dealing of all users.
func (s *search) refined(d dealing) dealing {
	return s.estimate.refined(d, s.view.active, 1, s.maxSize)
}

// kicks deals groups anew some times.
func (s *search) kicks(times int, stream uint64) {
	rng := rand.New(rand.NewPCG(3, stream))
	for range times {
		if s.teams == nil || s.view.Stopped() {
			return
		}
		s.kick(rng)
	}
}
