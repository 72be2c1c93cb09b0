package scheduler

import (
	"cmp"
	"math"
	"slices"
)

// Symbols of this file:
//
//	g_k  SINR that user k needs in its group's share
//	a_k  mean over subbands of log ||h_k||^2, as a gain
//	c_kj correlation, mean square over subbands
//	z_k  sum over the others j of the group of g_j/(1+g_j) c_kj^2

// estimate tells what groups cost without solving them: a user takes
// g_k / (a_k (1 - z_k)), which is the large-system optimum (Tse, Hanly, IEEE
// Trans. IT 45(2), 1999) with every user's own correlations in the place of the
// mean 1/M. It ranks candidates; what is kept is solved.
type estimate struct {
	view  *View
	corr2 []float64 // [user][user] c_kj^2
	gain  []float64 // [user] a_k
}

func newEstimate(v *View) *estimate {
	n := len(v.slot.Users)
	e := &estimate{view: v, corr2: make([]float64, n*n), gain: make([]float64, n)}
	bands := float64(v.Subbands())
	for _, k := range v.active {
		sum := 0.0
		for f := range v.gram {
			sum += math.Log(math.Max(v.gram[f].Norm2(k), math.SmallestNonzeroFloat64))
		}
		e.gain[k] = math.Exp(sum / bands)
	}
	for f := range v.gram {
		g := &v.gram[f]
		for i, k := range v.active {
			for _, j := range v.active[:i] {
				z := g.At(k, j)
				if d := g.Norm2(k) * g.Norm2(j); d > 0 {
					e.corr2[k*n+j] += (real(z)*real(z) + imag(z)*imag(z)) / d / bands
				}
				e.corr2[j*n+k] = e.corr2[k*n+j]
			}
		}
	}
	return e
}

func (e *estimate) row(k int) []float64 {
	n := len(e.gain)
	return e.corr2[k*n : (k+1)*n]
}

// The factor 1/(1-z) goes over into an exponential where it would have a pole:
// the estimate is poor there, but what makes a crowd worse must count.
const (
	crowded    = 0.75
	overhead   = 1 / (1 - crowded)
	maxPenalty = 100 // of z beyond crowded
)

// penalty returns the factor by which others raise a user's power.
func penalty(z float64) float64 {
	if z < crowded {
		return 1 / (1 - z)
	}
	return overhead * math.Exp(math.Min(overhead*(z-crowded), maxPenalty))
}

// need returns user k's interference-free power in a share and g/(1+g).
func (e *estimate) need(k int, share float64) (power, theta float64) {
	g := e.view.gap * math.Expm1(math.Min(e.view.rate[k]/share, maxNats))
	return g / e.gain[k], g / (1 + g)
}

// power returns the power of a group at a share, in W while on the air. O(n^2).
func (e *estimate) power(users []int, share float64) float64 {
	sum := 0.0
	theta := make([]float64, len(users))
	free := make([]float64, len(users))
	for i, k := range users {
		free[i], theta[i] = e.need(k, share)
	}
	for i, k := range users {
		row, z := e.row(k), 0.0
		for j, other := range users {
			if j != i {
				z += theta[j] * row[other]
			}
		}
		sum += free[i] * penalty(z)
	}
	return sum
}

// cost is a shareCost over groups.
func (e *estimate) cost(groups [][]int) shareCost {
	return func(g int, share float64) (phi, slope float64) {
		const h = 1e-4
		phi = share * e.power(groups[g], share)
		less := share * (1 - h)
		slope = (phi - less*e.power(groups[g], less)) / (h * share)
		return phi, math.Min(slope, -1e-9*phi/share)
	}
}

// steepness returns the derivative of penalty.
func steepness(z float64) float64 {
	p := penalty(z)
	if z < crowded {
		return p * p
	}
	return overhead * p
}

// deal is a way to deal users into groups of given shares, and what changes to it
// cost by the estimate: what a user itself takes in full, what it does to others
// to first order. That is one look-up each.
type deal struct {
	e       *estimate
	maxSize int
	share   []float64
	groups  [][]int
	at      []int     // [user] its group
	free    []float64 // [user][group] share * interference-free power
	theta   []float64 // [user][group] g/(1+g)
	z       []float64 // [user][group] that the user has or would have there
	steep   []float64 // [user] d cost / d z where it is
	harm    []float64 // [user][group] sum over others there of steep * corr2
}

// newDeal returns an empty deal.
func (e *estimate) newDeal(users []int, share []float64, maxSize int) *deal {
	n, groups := len(e.gain), len(share)
	store := make([]float64, 4*n*groups+n)
	cut := func(n int) []float64 {
		out := store[:n:n]
		store = store[n:]
		return out
	}
	d := &deal{
		e: e, maxSize: maxSize, share: share, groups: make([][]int, groups), at: make([]int, n),
		free: cut(n * groups), theta: cut(n * groups), z: cut(n * groups), harm: cut(n * groups), steep: cut(n),
	}
	for _, k := range users {
		d.at[k] = -1
		for g, s := range share {
			power, theta := e.need(k, s)
			d.free[k*groups+g], d.theta[k*groups+g] = s*power, theta
		}
	}
	return d
}

// fill deals users one after the other, in the order given or, where that is nil,
// those that need the most power first, to where they raise the cost least; then
// it moves and swaps them while that lowers it.
func (d *deal) fill(users, order []int) {
	groups := len(d.share)
	if order == nil {
		order = slices.Clone(users)
		slices.SortStableFunc(order, func(k, j int) int { return cmp.Compare(d.free[j*groups], d.free[k*groups]) })
	}
	for _, k := range order {
		d.put(k, d.cheapest(k))
	}
	for range dealRounds {
		changed := false
		for _, k := range users {
			changed = d.improve(k, users) || changed
		}
		if !changed {
			return
		}
	}
}

const (
	dealRounds = 20
	dealGain   = 1e-6 // the part of what a user costs that a change must save
)

// join returns what user k adds to the cost of group g without a member, -1 for
// none.
func (d *deal) join(k, g, without int) float64 {
	at := k*len(d.share) + g
	z, harm := d.z[at], d.harm[at]
	if without >= 0 {
		c := d.e.row(without)[k]
		z -= d.theta[without*len(d.share)+g] * c
		harm -= d.steep[without] * c
	}
	return d.free[at]*penalty(z) + d.theta[at]*harm
}

// leave returns what the cost of user k's group falls by without it.
func (d *deal) leave(k int) float64 { return d.join(k, d.at[k], -1) }

// cheapest returns the group with room that user k adds least to; 0 where there
// is none.
func (d *deal) cheapest(k int) int {
	best, least := -1, math.Inf(1)
	for g := range d.groups {
		if len(d.groups[g]) < d.maxSize {
			if rise := d.join(k, g, -1); best < 0 || rise < least {
				best, least = g, rise
			}
		}
	}
	return max(best, 0)
}

// take takes user k out of its group.
func (d *deal) take(k int) {
	from := d.at[k]
	at := slices.Index(d.groups[from], k)
	d.groups[from] = slices.Delete(d.groups[from], at, at+1)
	d.at[k] = -1
	d.refresh(from)
}

// put moves user k to group g.
func (d *deal) put(k, g int) {
	if d.at[k] >= 0 {
		d.take(k)
	}
	d.at[k] = g
	d.groups[g] = append(d.groups[g], k)
	d.refresh(g)
}

// refresh computes what depends on the members of a group. O(K n).
func (d *deal) refresh(g int) {
	groups := len(d.share)
	for i := g; i < len(d.z); i += groups {
		d.z[i], d.harm[i] = 0, 0
	}
	for _, k := range d.groups[g] {
		theta := d.theta[k*groups+g]
		for j, c := range d.e.row(k) {
			d.z[j*groups+g] += theta * c
		}
	}
	for _, k := range d.groups[g] {
		d.steep[k] = d.free[k*groups+g] * steepness(d.z[k*groups+g])
		for j, c := range d.e.row(k) {
			d.harm[j*groups+g] += d.steep[k] * c
		}
	}
}

// cost returns the cost of a group.
func (d *deal) cost(g int) float64 {
	sum := 0.0
	for _, k := range d.groups[g] {
		at := k*len(d.share) + g
		sum += d.free[at] * penalty(d.z[at])
	}
	return sum
}

// improve makes the best move or swap of one user that lowers the cost. It
// reports whether there was one.
func (d *deal) improve(k int, users []int) bool {
	from := d.at[k]
	fall := d.leave(k)
	best, to, other := dealGain*fall, -1, -1
	for g := range d.groups {
		if g != from && len(d.groups[g]) < d.maxSize {
			if gain := fall - d.join(k, g, -1); gain > best {
				best, to, other = gain, g, -1
			}
		}
	}
	for _, j := range users {
		if g := d.at[j]; g != from {
			if gain := fall + d.leave(j) - d.join(k, g, j) - d.join(j, from, k); gain > best {
				best, to, other = gain, g, j
			}
		}
	}
	if to < 0 {
		return false
	}
	was := d.cost(from) + d.cost(to)
	d.swap(k, other, from, to)
	if d.cost(from)+d.cost(to) < was {
		return true
	}
	d.swap(k, other, to, from)
	return false
}

// swap moves user k from one group to another, and a user of the other, where not
// -1, the other way.
func (d *deal) swap(k, other, from, to int) {
	if other >= 0 {
		d.put(other, from)
	}
	d.put(k, to)
}

// dealt returns a deal of users into at most n groups, shares and users settled
// in turn, without empty groups; its shares, of a budget; and its cost. See
// fill for order.
func (e *estimate) dealt(users, order []int, n int, budget float64, maxSize int) (groups [][]int, share []float64, cost float64) {
	share = make([]float64, n)
	for g := range share {
		share[g] = budget / float64(n)
	}
	for range shareRounds {
		d := e.newDeal(users, share, maxSize)
		d.fill(users, order)
		groups, share = nil, nil
		for g, members := range d.groups {
			if len(members) > 0 {
				groups = append(groups, members)
				share = append(share, d.share[g])
			}
		}
		normalize(share, budget)
		share, cost = e.shares(groups, share, budget)
		if len(groups) == 1 {
			break
		}
	}
	return groups, share, cost
}

const (
	shareRounds   = 2
	estimateSteps = 3 // of the shares' descent
)

// shares takes a few steps towards the shares of least cost.
func (e *estimate) shares(groups [][]int, start []float64, budget float64) ([]float64, float64) {
	cost := e.cost(groups)
	n := len(groups)
	best, least := start, math.Inf(1)
	s, c, a := slices.Clone(start), make([]float64, n), make([]float64, n)
	for range estimateSteps {
		sum := 0.0
		for g := range groups {
			phi, slope := cost(g, s[g])
			sum += phi
			c[g], a[g] = shareModel(s[g], phi, slope)
		}
		if !(sum < least) {
			break
		}
		best, least = slices.Clone(s), sum
		if n == 1 {
			break
		}
		equalSlopes(s, c, a, budget)
	}
	return best, least
}
