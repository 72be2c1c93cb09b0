package scheduler

import (
	"cmp"
	"math"
	"slices"
)

const (
	gainTolerance     = 1e-3 // of the fractions spent afterwards
	shareEdge         = 1e-7 // relative accuracy of the least share of a group
	shareEdgeEIRP     = 1e-4 // the same where EIRP is limited: the power rises without bound at the edge
	roughEdge         = 1e-3 // of it where partitions are compared
	largestLeastShare = 1e6  // a group that would need more is not served at all
	hurriedEdge       = 0.05 // of it when there is no time left
	maxFractionSteps  = 60
)

// shortfall seeks the rates to deliver of a slot whose targets cannot all be met.
//
// Limits hold while a group is on the air, so that it is the ratio of its targets
// to its share that a group can bear or not. With s_g the least share at which
// group g meets its targets in full, a fraction t of all targets takes shares
// t s_g: the largest common fraction is the budget of shares over sum s_g.
type shortfall struct {
	view     *View
	full     []float64 // [user] target, in nats per use at share 1
	weight   []float64 // [user] priority over the least
	fraction []float64 // [user] of the target to deliver
	whole    bool      // shares are rounded to the share step even where targets fit without
}

// shortfall returns the partition, of those tried, that loses least, with its
// shares. First the common fraction t of all targets is made as large as can be;
// a user of twice the least priority keeps twice that fraction, up to all of its
// target. What is left is then spent on the users that can still gain, by
// falling priority. v.rate is left at the rates to deliver. When there is no time
// left all of this is done roughly, with the first partition, and nothing more spent.
func (v *View) shortfall(tried []*partition) *partition {
	s := &shortfall{view: v, full: slices.Clone(v.rate), weight: v.priorities(), fraction: make([]float64, len(v.rate))}
	var out []int
	for _, k := range v.active {
		if !v.bears(&onAir{users: []int{k}, bands: v.reach(k)}, largestLeastShare) {
			out = append(out, k) // of no channel
		}
	}
	v.boundPower()
	// Rates are on the edge of what limits allow: users who get all of their target
	// keep it when weights are encoded.
	v.solver.limited.headroom = math.Max(v.solver.limited.headroom, 4*RateTolerance)
	var best *partition
	most := -1.0
	for _, p := range tried {
		if best != nil && v.Stopped() {
			break
		}
		q := p.without(out)
		if t := s.share(q, roughEdge); t > most {
			best, most = q, t
		}
	}
	best, _, proved := s.mostFraction(best, most, without(v.active, out), tried)
	edge := shareEdge
	if v.peak != nil && len(v.peak.cones) > 0 {
		edge = shareEdgeEIRP
	}
	if v.Stopped() {
		edge = hurriedEdge
	}
	most = s.share(best, edge)
	best.unserved, best.fractionProved = out, proved
	for i := range best.groups {
		s.spend(best, &best.groups[i])
	}
	if most >= 1 {
		// All but groups of fixed shares are served, for least power where the search for
		// that finds shares.
		q := best.clone()
		if v.divide(q); !math.IsInf(q.powerW, 1) {
			return q
		}
		if v.options.ShareStep > 0 {
			s.whole = true
			s.share(best, edge)
		}
	}
	return best
}

// without returns a copy without some users, and without groups left empty.
func (p *partition) without(users []int) *partition {
	q := &partition{grouping: p.grouping, short: true}
	for _, g := range p.groups {
		if g = g.without(users); len(g.users) > 0 {
			q.groups = append(q.groups, g)
		}
	}
	return q
}

// without returns the group without some users.
func (g onAir) without(users []int) onAir {
	left := g
	left.users, left.part, left.rates = nil, nil, nil // targets are lowered
	for i, k := range g.users {
		if !slices.Contains(users, k) {
			left.users = append(left.users, k)
			if g.part != nil {
				left.part = append(left.part, g.part[i])
			}
		}
	}
	return left
}

// share gives every group of p its share and its users the fractions that it can
// bear; groups that get no share are left out. It returns the common fraction of
// the groups whose shares are open, 1 where there are none.
func (s *shortfall) share(p *partition, edge float64) float64 {
	least := 1.0
	// Users in several groups get what the least of them bears.
	fraction := slices.Repeat([]float64{1}, len(s.fraction))
	note := func(groups ...*onAir) {
		for _, g := range groups {
			for _, k := range g.users {
				fraction[k] = math.Min(fraction[k], s.fraction[k])
			}
		}
	}
	alone := func(g *onAir) float64 {
		t := s.common([]*onAir{g}, slices.Repeat([]float64{g.share}, s.view.Subbands()), edge)
		note(g)
		return t
	}
	for _, r := range p.rooms(s.view.Subbands()) {
		var groups []*onAir
		for _, i := range r.groups {
			if g := &p.groups[i]; s.served(g) {
				groups = append(groups, g)
			} else {
				least = 0
				note(g)
			}
		}
		t := s.common(groups, r.left, edge)
		if step := s.view.options.ShareStep; step > 0 && (t < 1 || s.whole) {
			wholeSteps(groups, step, r.left)
			for _, g := range groups {
				t = math.Min(t, alone(g))
			}
		} else {
			note(groups...)
		}
		least = math.Min(least, t)
	}
	for i := range p.groups {
		if g := &p.groups[i]; g.fixed {
			if s.served(g) {
				alone(g)
			} else {
				note(g)
			}
		}
	}
	for i := range p.groups {
		for _, k := range p.groups[i].users {
			s.set(k, fraction[k])
		}
	}
	p.groups = slices.DeleteFunc(p.groups, func(g onAir) bool { return g.share == 0 })
	return least
}

// served reports whether some share, however large, serves the group: users whose
// beams cannot be told apart are served by none. Such a group gets no share.
func (s *shortfall) served(g *onAir) bool {
	s.deliver(g, 1)
	if s.view.bears(g, largestLeastShare) {
		return true
	}
	s.deliver(g, 0)
	g.share = 0
	return false
}

// common finds the largest fraction t of the targets of some groups that fits what
// is left of the slot on their subbands, and sets their shares and their users'
// fractions to it.
func (s *shortfall) common(groups []*onAir, left []float64, edge float64) float64 {
	if len(groups) == 0 {
		return 1
	}
	least := math.Inf(1)
	for _, g := range groups {
		for _, f := range g.bands {
			least = math.Min(least, left[f])
		}
	}
	if !(least > 0) {
		for _, g := range groups {
			s.deliver(g, 0)
			g.share = 0
		}
		return 0
	}
	need := func(t float64) float64 {
		for _, g := range groups {
			s.deliver(g, t)
			g.share = s.view.leastShare(g, g.share, edge)
		}
		return load(groups, left)
	}
	largest := 0.0
	for _, g := range groups {
		for _, k := range g.users {
			largest = math.Max(largest, s.weight[k])
		}
	}
	// Up to this t no target is met in full, and what is needed grows in
	// proportion; from there it grows by less, so that steps in proportion stay
	// below the largest t.
	t := 1 / largest
	sum := need(t)
	for range maxFractionSteps {
		last := t
		if t = math.Min(1, t/sum); math.Abs(t/last-1) < 10*edge {
			break
		}
		sum = need(t)
	}
	// Groups bear the same ratio of targets to share.
	scale := 1 / sum
	done := make(map[int]bool)
	for _, g := range groups {
		g.share *= scale
		for _, k := range g.users {
			if !done[k] {
				s.set(k, s.fraction[k]*math.Min(1, scale))
				done[k] = true
			}
		}
	}
	return t
}

// load returns the largest sum, over subbands, of the shares of groups there over
// what is left of the slot.
func load(groups []*onAir, left []float64) float64 {
	sum := make([]float64, len(left))
	for _, g := range groups {
		for _, f := range g.bands {
			sum[f] += g.share
		}
	}
	most := 0.0
	for f, x := range sum {
		if x > 0 {
			most = math.Max(most, x/left[f])
		}
	}
	return most
}

// deliver sets the fractions of a group's users for the common fraction t.
func (s *shortfall) deliver(g *onAir, t float64) {
	for _, k := range g.users {
		s.set(k, math.Min(1, t*s.weight[k]))
	}
}

// set sets the fraction of the target of user k that is delivered.
func (s *shortfall) set(k int, fraction float64) {
	s.fraction[k] = fraction
	s.view.rate[k] = s.full[k] * fraction
}

// spend raises the fractions of a group's users as far as their groups can bear at
// their shares, one user after the other.
func (s *shortfall) spend(p *partition, g *onAir) {
	v := s.view
	bears := func(k int) bool {
		for i := range p.groups {
			if h := &p.groups[i]; slices.Contains(h.users, k) && !v.bears(h, h.share) {
				return false
			}
		}
		return true
	}
	s.retreat(g)
	users := slices.Clone(g.users)
	slices.SortStableFunc(users, func(i, j int) int { return cmp.Compare(s.weight[j], s.weight[i]) })
	for _, k := range users {
		lo, hi := s.fraction[k], 1.0
		bearsAt := func(x float64) bool { s.set(k, x); return bears(k) }
		switch {
		case lo == 0 || v.Stopped():
		case bearsAt(hi):
			lo = hi
		case bearsAt(math.Min(lo*(1+gainTolerance), hi)): // most users have nothing to gain
			for hi-lo > gainTolerance*lo {
				if x := (lo + hi) / 2; bearsAt(x) {
					lo = x
				} else {
					hi = x
				}
			}
			lo *= 1 - gainTolerance/2 // off the edge
		}
		s.set(k, lo)
	}
	s.retreat(g)
}

// retreat lowers the fractions of a group's users until the group bears them: on
// the edge of what it can bear, rounding decides.
func (s *shortfall) retreat(g *onAir) {
	for less := shareEdge; !s.view.bears(g, g.share) && less < 1; less *= 4 {
		for _, k := range g.users {
			s.set(k, s.fraction[k]*(1-less))
		}
	}
}

// bears reports whether the group meets its targets in the share given, in no
// direction above a limit on EIRP.
func (v *View) bears(g *onAir, share float64) bool {
	defer func(kept float64) { g.share = kept }(g.share)
	g.share = share
	for range maxRowRounds {
		if math.IsInf(v.solver.planPower(g, share), 1) {
			return false
		}
		if !v.addDirections(g) {
			return true
		}
	}
	return false
}

// leastShare returns, to twice a relative accuracy, the least share at which the
// group meets its targets, which may be more than one; +Inf where no share will
// do. last is one found before, 0 or +Inf for none. It is bracketed by steps that grow,
// then bisected.
func (v *View) leastShare(g *onAir, last, accuracy float64) float64 {
	by := 1 + 4*accuracy
	if last == 0 || math.IsInf(last, 1) {
		last, by = 1, 2
	}
	lo, hi := last, last
	if v.bears(g, last) {
		for lo = last / by; v.bears(g, lo); lo /= by {
			if hi = lo; hi < 1/largestLeastShare {
				return hi
			}
			by = math.Min(by*by*by, 4)
		}
	} else {
		for hi = last * by; !v.bears(g, hi); hi *= by {
			if lo = hi; lo > largestLeastShare {
				return math.Inf(1)
			}
			by = math.Min(by*by*by, 4)
		}
	}
	for hi/lo > 1+accuracy && (hi/lo > 1+hurriedEdge || !v.Stopped()) {
		if mid := math.Sqrt(lo * hi); v.bears(g, mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi * (1 + accuracy)
}

// wholeSteps rounds shares of groups to multiples of step that fit what is left of
// the slot on their subbands, at least one each where there are so many: down, and
// then up where rounding down took most.
func wholeSteps(groups []*onAir, step float64, left []float64) {
	free := make([]int, len(left)) // steps
	for f := range left {
		free[f] = int(math.Floor(left[f]/step + 1e-9))
	}
	units := make([]int, len(groups))
	add := func(i, n int) {
		units[i] += n
		for _, f := range groups[i].bands {
			free[f] -= n
		}
	}
	for i, g := range groups {
		add(i, max(1, int(math.Floor(g.share/step+1e-9))))
	}
	ratio := func(i int) float64 { return float64(units[i]) / groups[i].share }
	for f := range free {
		for free[f] < 0 {
			best := -1
			for i, g := range groups {
				if slices.Contains(g.bands, f) && units[i] > 0 && (best < 0 || units[best] == 1 && units[i] > 1 ||
					(units[best] == 1) == (units[i] == 1) && ratio(i) > ratio(best)) {
					best = i
				}
			}
			if best < 0 {
				break // no step at all is left
			}
			add(best, -1)
		}
	}
	for {
		worst := -1
		for i, g := range groups {
			room := !slices.ContainsFunc(g.bands, func(f int) bool { return free[f] < 1 })
			if room && (worst < 0 || ratio(i) < ratio(worst)) {
				worst = i
			}
		}
		if worst < 0 {
			break
		}
		add(worst, 1)
	}
	for i, g := range groups {
		g.share = float64(units[i]) * step
	}
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
	}
	for _, k := range v.active {
		least = math.Min(least, w[k])
	}
	for k := range w {
		w[k] /= least
	}
	return w
}

// commonFraction returns the largest t for which each user but those unserved gets t
// times its weight, up to all, of its target.
func (p *Plan) commonFraction(v *View, unserved []int) *float64 {
	weight, t := v.priorities(), 1.0
	for _, k := range v.active {
		if u := &p.Users[k]; !u.met() && !slices.Contains(unserved, k) {
			t = math.Min(t, u.RateBps/u.TargetBps/weight[k])
		}
	}
	return &t
}
