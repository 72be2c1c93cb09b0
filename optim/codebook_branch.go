package optim

import (
	"math"
	"slices"
)

// beamTree is a search over assignments of distinct beams: a node bans beams
// from users, and its bound is the least power where beams may be shared.
type beamTree struct {
	ws              *CodebookWorkspace
	nodes, maxNodes int
	best            []int   // the best assignment found
	leastW          float64 // its power; +Inf for none
	cut             bool    // nodes ran out
	beyond          bool    // a node was given up for the cap
}

// boundMargin is how close, relative, a bound may come to the best power found
// where a node is given up.
const boundMargin = 1e-9

// search fills best and returns a lower bound on the power of any assignment.
func (t *beamTree) search(start []int) float64 {
	ws := t.ws
	z := make([]int, ws.n)
	started := ws.startFrom(z, start)
	if !started {
		for k := range z {
			z[k] = ws.strongest(k) // within the cap: alone, no beam costs less
		}
	}
	given := slices.Clone(z)
	t.nodes++
	bound, done := t.bound(z)
	if done {
		return bound
	}
	if !started {
		copy(given, z)
		switch ws.assign(given) {
		case Solved:
			started = true
		case Unservable:
			t.beyond = ws.anyBeyond()
			return 0
		}
	}
	// Assigned anew from where exchanges end, while that lowers the power.
	for started && ws.improve(given) && ws.costW() < t.leastW*(1-exchangeMargin) {
		t.keep(given, ws.costW())
		if bound >= t.leastW*(1-boundMargin) {
			return bound
		}
		started = ws.assign(given) == Solved
	}
	return t.split(z, bound)
}

// bound relaxes z under the bans. done says that nothing better is left below.
func (t *beamTree) bound(z []int) (boundW float64, done bool) {
	served, proved := t.ws.relax(z)
	if !served {
		t.beyond = t.beyond || !proved
		return math.Inf(1), true
	}
	boundW = t.ws.costW()
	if boundW >= t.leastW*(1-boundMargin) {
		return boundW, true
	}
	if distinct(z) {
		t.keep(z, boundW)
		return boundW, true
	}
	return boundW, false
}

func (t *beamTree) keep(z []int, powerW float64) {
	if powerW < t.leastW {
		t.best, t.leastW = slices.Clone(z), powerW
	}
}

// split branches on a shared beam of z, whose bound is boundW: one user has it,
// or does not. It returns the lower bound of both branches.
func (t *beamTree) split(z []int, boundW float64) float64 {
	ws := t.ws
	ws.uplink(z, 1)
	ws.receive()
	k, b := ws.collision(z)
	var banned []int
	ban := func(j, c int) {
		if i := j*ws.l + c; ws.ban[i]&branched == 0 {
			ws.ban[i] |= branched
			banned = append(banned, i)
		}
	}
	for j := range z {
		if j != k {
			ban(j, b)
		}
	}
	for c := range ws.l {
		if c != b {
			ban(k, c)
		}
	}
	has := t.below(z, boundW)
	for _, i := range banned {
		ws.ban[i] &^= branched
	}
	ban(k, b)
	hasNot := t.below(z, boundW)
	ws.ban[k*ws.l+b] &^= branched
	return math.Max(boundW, math.Min(has, hasNot))
}

// below returns a lower bound on what the bans leave. z are beams to start from.
func (t *beamTree) below(z []int, parentW float64) float64 {
	if t.nodes >= t.maxNodes {
		t.cut = true
		return parentW
	}
	t.nodes++
	ws := t.ws
	z = slices.Clone(z)
	for k, b := range z {
		if ws.ban[k*ws.l+b] == 0 {
			continue
		}
		if z[k] = ws.strongest(k); z[k] < 0 {
			t.beyond = t.beyond || ws.anyBeyond()
			return math.Inf(1)
		}
	}
	bound, done := t.bound(z)
	if done {
		return bound
	}
	return t.split(z, bound)
}

// collision returns a user and its beam, shared in z: the user whose need would
// grow most on its next best beam.
func (ws *CodebookWorkspace) collision(z []int) (user, beam int) {
	user, most := -1, 0.0
	for k, b := range z {
		if !slices.Contains(z[:k], b) && !slices.Contains(z[k+1:], b) {
			continue
		}
		next := math.Inf(1)
		for c, ban := range ws.ban[k*ws.l : (k+1)*ws.l] {
			if ban == 0 && c != b {
				next = math.Min(next, ws.t[k*ws.l+c]/ws.own(k, c))
			}
		}
		if growth := next * ws.own(k, b) / ws.t[k*ws.l+b]; growth > most {
			user, most = k, growth
		}
	}
	return user, z[user]
}

func distinct(z []int) bool {
	for k, b := range z {
		if slices.Contains(z[:k], b) {
			return false
		}
	}
	return true
}

// strongest returns the beam of largest gain that user k may have, or -1.
func (ws *CodebookWorkspace) strongest(k int) int {
	best, most := -1, 0.0
	for b, ban := range ws.ban[k*ws.l : (k+1)*ws.l] {
		if v := ws.a[k*ws.l+b]; ban == 0 && v > most {
			best, most = b, v
		}
	}
	return best
}

// anyBeyond reports whether some beam is banned for the cap alone.
func (ws *CodebookWorkspace) anyBeyond() bool {
	return slices.Contains(ws.ban[:ws.n*ws.l], beyondCap)
}

// startFrom sets z to the beams given for the active users. It reports false
// unless there are some, distinct and allowed.
func (ws *CodebookWorkspace) startFrom(z, start []int) bool {
	if start == nil {
		return false
	}
	for i, k := range ws.active {
		z[i] = start[k]
		if z[i] < 0 || ws.ban[i*ws.l+z[i]] != 0 {
			return false
		}
	}
	return distinct(z)
}
