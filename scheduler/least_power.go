package scheduler

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

func init() {
	RegisterGrouping(GroupingLeastPower, "search from several partitions by true slot power: users are moved, swapped, groups merged and split while that saves power", leastPower{})
}

// leastPower searches for the partition of least slot power. It starts from
// partitions dealt by estimated cost into 1, 2, ... groups, from semi-orthogonal
// groups, from one group and from every user by itself; the best of them, and
// then the others that are not far behind, descend by single changes whose power
// is solved. It ends early where the deadline or the work limit says so, with the
// best so far; otherwise the result depends only on the slot.
type leastPower struct{}

// Group implements Grouping.
func (g leastPower) Group(v *View) [][]int { return untimed(g.Timed(v)) }

// Timed implements TimedGrouping.
func (leastPower) Timed(v *View) []TimedGroup {
	s := newSearch(v)
	return timed(s.run(s.starts()))
}

func timed(teams []team) []TimedGroup {
	out := make([]TimedGroup, 0, len(teams))
	for i := range teams {
		out = append(out, TimedGroup{Users: teams[i].users, Share: teams[i].share})
	}
	return out
}

// untimed drops the shares.
func untimed(groups []TimedGroup) [][]int {
	out := make([][]int, 0, len(groups))
	for i := range groups {
		out = append(out, groups[i].Users)
	}
	return out
}

// startGroups is a partition to start from, with estimated cost and shares.
type startGroups struct {
	groups [][]int
	share  []float64
	cost   float64
}

const (
	maxDealt    = 8   // groups dealt at most while their number pays
	dealtWorse  = 1.5 // of the best estimate: where dealing into more groups ends
	descents    = 4   // starts that descend
	startsWorse = 1.3 // of the best start: above it none does
)

// kicks returns how often groups are dealt anew for a number of users.
func kicks(users int) int { return min(3*users, max(300/users, 4)) }

// starts returns the partitions to start from, the cheapest by estimate first.
func (s *search) starts() []startGroups {
	v, e := s.view, s.estimate
	var out []startGroups
	add := func(groups [][]int, share []float64, cost float64) {
		out = append(out, startGroups{groups, share, cost})
	}
	least := math.Inf(1)
	fewest := (len(v.active) + s.maxSize - 1) / s.maxSize
	for n := fewest; n <= min(len(v.active), s.maxTeams, fewest+maxDealt); n++ {
		groups, share, cost := e.dealt(v.active, nil, n, 1, s.maxSize)
		add(groups, share, cost)
		least = math.Min(least, cost)
		if cost > dealtWorse*least {
			break
		}
	}
	for _, g := range []Grouping{semiOrthogonal{}, alone{}} {
		groups := g.Group(v)
		share := make([]float64, len(groups))
		for i := range share {
			share[i] = 1 / float64(len(groups))
		}
		share, cost := e.shares(groups, share, 1)
		add(groups, share, cost)
	}
	slices.SortStableFunc(out, func(a, b startGroups) int { return cmp.Compare(a.cost, b.cost) })
	return out
}

// run solves the starts, descends from the best of them and returns the teams of
// the best partition found; nil where no start can be served.
func (s *search) run(starts []startGroups) []team {
	type began struct {
		teams     []team
		total, nu float64
	}
	var best began
	best.total = math.Inf(1)
	var all []began
	for i, start := range starts {
		if i > 0 && s.view.Stopped() && best.teams != nil {
			break
		}
		s.teams, s.total = nil, math.Inf(1)
		if !s.start(start.groups, start.share) {
			continue
		}
		all = append(all, began{s.teams, s.total, s.nu})
		if s.total < best.total {
			best = all[len(all)-1]
		}
		if i == 1 {
			// Of the two that look best, the better one descends before the
			// others are solved: time may be short.
			s.teams, s.total, s.nu = best.teams, best.total, best.nu
			s.descend()
			best = began{s.teams, s.total, s.nu}
		}
	}
	slices.SortStableFunc(all, func(a, b began) int { return cmp.Compare(a.total, b.total) })
	for i, b := range all {
		if i >= descents || b.total > startsWorse*all[0].total || s.view.Stopped() {
			break
		}
		s.teams, s.total, s.nu = b.teams, b.total, b.nu
		s.descend()
		if s.total < best.total {
			best = began{s.teams, s.total, s.nu}
		}
	}
	s.teams, s.total, s.nu = best.teams, best.total, best.nu
	rng := rand.New(rand.NewPCG(3, 4))
	for range kicks(len(s.view.active)) {
		if s.teams == nil || s.view.Stopped() {
			break
		}
		s.kick(rng)
	}
	return s.teams
}
