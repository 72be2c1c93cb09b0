package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

// Users in several groups of the caller. What each gets in which of its groups is
// chosen for least power, with the shares that then are best:
//
//	P(q) = min over shares of sum_g s_g P_g(q_g/s_g),   sum_g q_kg = R_k,
//
// q_kg in nats per use, mean over slot and subbands. By the envelope theorem
// dP/dq_kg is the slope of group g's power alone, shares held. So it is the split
// of a rate over subbands with groups in their place, see optim.RateSplit. P is not
// always convex, where the power of a group is not: the least is the nearest to
// where the search starts.

const (
	usersTolerance = 1e-7 // relative power at which a split over groups ends
	balanceStep    = 0.5  // of a user's target that is first moved to another group
	leastBalance   = 1.0 / 1024
)

// balanceExponents are those of the norms of loads that are lowered in turn, the
// last of which is within 0.1 % of the largest of two.
var balanceExponents = []float64{32, 1000}

// reach returns the subbands on which user k may be served.
func (v *View) reach(k int) []int {
	if len(v.slot.Groups) == 0 {
		return v.allBands
	}
	var out []int
	for _, f := range v.allBands {
		for i := range v.slot.Groups {
			g := &v.slot.Groups[i]
			if slices.Contains(g.UserIDs, v.slot.Users[k].ID) && (len(g.Subbands) == 0 || slices.Contains(g.Subbands, f)) {
				out = append(out, f)
				break
			}
		}
	}
	return out
}

// enlist takes down the members of groups where users are in several, and starts
// them with rates in proportion to subbands and time.
func (v *View) enlist(p *partition) {
	groups := make([][]int, len(v.rate)) // [user]
	several := false
	for i := range p.groups {
		for _, k := range p.groups[i].users {
			groups[k] = append(groups[k], i)
			several = several || len(groups[k]) > 1
		}
	}
	if !several {
		return
	}
	room := p.roughly(v.Subbands())
	p.members = make([][]int, len(p.groups))
	part := make([][]float64, len(p.groups))
	for i := range p.groups {
		g := &p.groups[i]
		for _, k := range g.users {
			if len(groups[k]) > 1 && !v.heard(k, g.bands) && v.heard(k, v.reach(k)) {
				continue
			}
			p.members[i] = append(p.members[i], k)
			part[i] = append(part[i], room[i])
		}
	}
	p.assign(part)
}

// heard reports whether user k has a channel on one of some subbands.
func (v *View) heard(k int, bands []int) bool {
	return slices.ContainsFunc(bands, func(f int) bool { return v.gram[f].Norm2(k) > 0 })
}

// roughly returns by group its share, or an even part of its room, times its part
// of the subbands.
func (p *partition) roughly(subbands int) []float64 {
	out := make([]float64, len(p.groups))
	for i := range p.groups {
		out[i] = p.groups[i].share
	}
	for _, r := range p.rooms(subbands) {
		even := slices.Repeat([]float64{1}, len(r.groups))
		r.fill(even)
		for n, i := range r.groups {
			out[i] = even[n]
		}
	}
	for i := range p.groups {
		out[i] = math.Max(out[i], minShare) * float64(len(p.groups[i].bands)) / float64(subbands)
	}
	return out
}

// assign gives the members of groups their parts, [group][member], of which only
// ratios count for each user. Who gets nothing in a group is left out of it.
func (p *partition) assign(part [][]float64) {
	sum := make(map[int]float64)
	for i, members := range p.members {
		for n, k := range members {
			sum[k] += part[i][n]
		}
	}
	for i, members := range p.members {
		g := &p.groups[i]
		before := g.users
		g.users, g.part = nil, nil
		for n, k := range members {
			if part[i][n] > 0 {
				g.users, g.part = append(g.users, k), append(g.part, part[i][n]/sum[k])
			}
		}
		if !slices.Equal(before, g.users) {
			g.found.duals = optim.Duals{}
			g.solved, g.split = solved{}, nil
		}
	}
}

// parts returns what assign was given, scaled to sums of 1.
func (p *partition) parts() [][]float64 {
	out := make([][]float64, len(p.members))
	for i, members := range p.members {
		g := &p.groups[i]
		out[i] = make([]float64, len(members))
		for n, k := range members {
			if at := slices.Index(g.users, k); at >= 0 {
				out[i][n] = g.part[at]
			}
		}
	}
	return out
}

// divideUsers is divide where users are in several groups. Where what it starts
// from cannot be served it looks for parts that can.
func (v *View) divideUsers(p *partition) {
	v.splitUsers(p)
	if v.divideSlot(p); math.IsInf(p.powerW, 1) && v.balance(p) {
		v.splitUsers(p)
		v.divideSlot(p)
	}
	if v.peak != nil && len(v.peak.cones) > 0 && !math.IsInf(p.powerW, 1) {
		// With the directions that matter.
		kept, powerW := p.parts(), p.powerW
		v.splitUsers(p)
		if v.divideSlot(p); !(p.powerW <= powerW) {
			p.assign(kept)
			v.divideSlot(p)
		}
	}
}

// userSplit is the search of splitUsers.
type userSplit struct {
	view  *View
	p     *partition
	users []int // those in several groups
	place []int // [user] in users; -1: in one group
	scale float64
	asked bool
}

// splitUsers finds the parts of least power near to those that there are, which
// it leaves as they are where they cannot be served.
func (v *View) splitUsers(p *partition) {
	s := userSplit{view: v, p: p, place: slices.Repeat([]int{-1}, len(v.rate))}
	count := make([]int, len(v.rate))
	for _, members := range p.members {
		for _, k := range members {
			if count[k]++; count[k] == 2 {
				s.place[k] = len(s.users)
				s.users = append(s.users, k)
			}
		}
	}
	if len(s.users) == 0 {
		return
	}
	defer func(kept bool) { v.quick = kept }(v.quick)
	v.quick = true
	// RateSplit takes slopes to grow with the exponential of rates: in nats per use
	// while on the air, for a group as wide and as long as the mean.
	n := len(p.groups)
	for _, r := range p.roughly(v.Subbands()) {
		s.scale += 1 / (r * float64(n))
	}
	problem := optim.SplitProblem{
		Users: len(s.users), Subbands: n, Rate: make([]float64, len(s.users)), Power: s.power,
		Start: make([]float64, len(s.users)*n), Closed: slices.Repeat([]bool{true}, len(s.users)*n),
	}
	kept := p.parts()
	for u, k := range s.users {
		problem.Rate[u] = v.rate[k] * s.scale / float64(n)
	}
	for i, members := range p.members {
		for m, k := range members {
			if u := s.place[k]; u >= 0 {
				problem.Start[u*n+i], problem.Closed[u*n+i] = kept[i][m], false
			}
		}
	}
	var result optim.SplitResult
	split := optim.RateSplit{Tolerance: usersTolerance, Stop: v.Stopped}
	if split.Solve(&problem, &result) != optim.Solved {
		p.assign(kept)
		return
	}
	s.assign(result.Rate)
}

// assign sets the parts of the users in several groups from rates, [user][group].
func (s *userSplit) assign(rate []float64) {
	n := len(s.p.groups)
	part := make([][]float64, n)
	for i, members := range s.p.members {
		part[i] = make([]float64, len(members))
		for m, k := range members {
			part[i][m] = 1
			if u := s.place[k]; u >= 0 {
				part[i][m] = rate[u*n+i]
			}
		}
	}
	s.p.assign(part)
}

// power is SplitProblem.Power. Where there is no time left only the first is
// looked at.
func (s *userSplit) power(rate, slope []float64) float64 {
	v, p := s.view, s.p
	if s.asked && v.Stopped() {
		return math.Inf(1)
	}
	s.asked = true
	s.assign(rate)
	v.divideOnce(p, true)
	if math.IsInf(p.powerW, 1) {
		return p.powerW
	}
	n := len(p.groups)
	for i := range p.groups {
		g := &p.groups[i]
		if len(g.users) == 0 {
			continue
		}
		if powerW, _ := v.solver.power(g, g.share); math.IsInf(powerW, 1) {
			return powerW
		}
		wider := float64(v.Subbands()) / float64(len(g.bands))
		for m, k := range g.users {
			if u := s.place[k]; u >= 0 {
				slope[u*n+i] = wider * v.solver.bySum[m] / s.scale
			}
		}
	}
	return p.powerW
}

// balance seeks parts that can be served. It moves parts of users from group to
// group while the largest load falls, the load of a bound on shares being what its
// groups need at least over what there is; to get past where two loads are equal, a
// norm of them all is lowered first. It reports whether loads are about 1 at most.
func (v *View) balance(p *partition) bool {
	b := balancing{view: v, p: p, need: make([]float64, len(p.groups)), accuracy: 10 * shareEdge}
	if v.peak != nil && len(v.peak.cones) > 0 {
		b.accuracy = shareEdgeEIRP
	}
	for i := range p.groups {
		if b.look(i); math.IsInf(b.need[i], 1) {
			b.relieve(i)
		}
	}
	for i := range p.groups {
		b.look(i) // more may have come
	}
	for _, exponent := range balanceExponents {
		b.exponent = exponent
		b.loads = b.measure()
		for step := balanceStep; step >= leastBalance; step /= 2 {
			for b.loads.most > 1 && !v.Stopped() && b.sweep(step) {
			}
		}
	}
	return b.loads.most <= 1+2*b.accuracy
}

// balancing is the search of balance.
type balancing struct {
	view     *View
	p        *partition
	need     []float64 // [group] least share
	accuracy float64   // relative, of need
	exponent float64   // of the norm
	loads    loads
}

// loads sums up how far what groups need exceeds what there is.
type loads struct {
	lost int     // groups that no share serves
	most float64 // the largest load of the others; +Inf with one lost
	norm float64 // of the loads of the others
}

// look finds what group i needs.
func (b *balancing) look(i int) {
	if g := &b.p.groups[i]; len(g.users) == 0 {
		b.need[i] = 0
	} else {
		b.need[i] = b.view.leastShare(g, b.need[i], b.accuracy)
	}
}

func (b *balancing) measure() (out loads) {
	var all []float64
	served := func(i int) float64 {
		if math.IsInf(b.need[i], 1) {
			out.lost++
			return 0
		}
		return b.need[i]
	}
	for i := range b.p.groups {
		if g := &b.p.groups[i]; g.fixed {
			all = append(all, served(i)/g.share)
		}
	}
	for _, r := range b.p.rooms(b.view.Subbands()) {
		s := make([]float64, len(r.groups))
		for n, i := range r.groups {
			s[n] = served(i)
		}
		all = append(all, r.load(s))
	}
	most := slices.Max(all)
	for _, x := range all {
		out.norm += math.Pow(x/most, b.exponent)
	}
	out.norm = most * math.Pow(out.norm, 1/b.exponent)
	if out.most = most; out.lost > 0 {
		out.most = math.Inf(1)
	}
	return out
}

// sweep tries for each user of each group to move a part of its target, step or all
// that there is, to each other group. It reports whether any did good.
func (b *balancing) sweep(step float64) bool {
	moved := false
	for from, members := range b.p.members {
		for m, k := range members {
			for to := range b.p.members {
				n := slices.Index(b.p.members[to], k)
				part := b.p.parts()
				if n < 0 || to == from || part[from][m] == 0 || b.view.Stopped() {
					continue
				}
				by := math.Min(step, part[from][m])
				part[from][m] -= by
				part[to][n] += by
				moved = b.try(part, from, to) || moved
			}
		}
	}
	return moved
}

// try takes parts that differ in two groups if they are better.
func (b *balancing) try(part [][]float64, from, to int) bool {
	kept, needFrom, needTo := b.p.parts(), b.need[from], b.need[to]
	b.p.assign(part)
	b.look(from)
	b.look(to)
	if now := b.measure(); now.lost < b.loads.lost || now.lost == b.loads.lost && now.norm < b.loads.norm*(1-4*b.accuracy) {
		b.loads = now
		return true
	}
	b.p.assign(kept)
	b.need[from], b.need[to] = needFrom, needTo
	return false
}

// relieve takes the users who are in other groups too out of a group that no share
// serves, until one does.
func (b *balancing) relieve(i int) {
	for m := range b.p.members[i] {
		part := b.p.parts()
		if part[i][m] == 0 || part[i][m] == 1 {
			continue // not here, or nowhere else
		}
		part[i][m] = 0
		b.p.assign(part)
		if b.look(i); !math.IsInf(b.need[i], 1) {
			return
		}
	}
}
