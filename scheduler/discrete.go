package scheduler

import (
	"math"
	"sort"
)

// shareOption is one share that a group may get, and what it then costs: share
// * power, in W, what the objective adds included (timeW).
type shareOption struct {
	share float64
	phi   float64
}

const (
	maxShareOptions = 48   // per group
	shareUnits      = 4000 // of the programme where shares have no step
	shareReach      = 4.0  // options lie within this factor of the continuous share
)

// discreteShares chooses shares where they come in steps, or rates do, so that
// costs jump: of a list of options per group the best choice that fits the
// budget. Around the continuous optimum the options are all multiples of the
// share step, or the shares at which one step of the rate table just carries
// one user's rate. It returns +Inf when no choice serves every group.
func (v *View) discreteShares(p *partition, r *room, shares []float64) ([]float64, float64) {
	open, budget := r.groups, r.widest()
	step := v.options.ShareStep
	unit := budget / shareUnits
	if step > 0 {
		unit = step
	}
	units := int(math.Floor(budget/unit + 1e-9))
	options := make([][]shareOption, len(open))
	for i, g := range open {
		if v.Stopped() {
			if near, power := v.nearShares(p, r, shares); !math.IsInf(power, 1) {
				return near, power
			}
		}
		var at []float64
		if step > 0 {
			at = multiples(step, units, shares[i])
		} else {
			at = v.stepShares(&p.groups[g], shares[i], budget)
		}
		for _, s := range at {
			if phi := s * (v.solver.planPower(&p.groups[g], s) + v.timeW(&p.groups[g])); !math.IsInf(phi, 1) {
				options[i] = append(options[i], shareOption{s, phi})
			}
		}
	}
	if r.rows == nil {
		return chooseShares(options, unit, units)
	}
	if shares, power := r.chooseWithin(options); !math.IsInf(power, 1) {
		return shares, power
	}
	return v.nearShares(p, r, shares)
}

// nearShares is discreteShares without a choice: the shares as they are, or the
// multiples of the share step near to them.
func (v *View) nearShares(p *partition, r *room, shares []float64) ([]float64, float64) {
	var groups []*onAir
	for i, g := range r.groups {
		group := &p.groups[g]
		groups = append(groups, &onAir{users: group.users, part: group.part, bands: group.bands, share: shares[i]})
	}
	if step := v.options.ShareStep; step > 0 {
		wholeSteps(groups, step, r.left)
	}
	near, power := make([]float64, len(groups)), 0.0
	for i, g := range groups {
		if near[i] = g.share; g.share == 0 {
			return shares, math.Inf(1)
		}
		power += g.share * (v.solver.planPower(g, g.share) + v.timeW(g))
	}
	return near, power
}

// multiples returns the multiples of step nearest to s in proportion, at most
// maxShareOptions of them and 1 among them.
func multiples(step float64, units int, s float64) []float64 {
	first := max(1, int(s/step/shareReach))
	last := min(units, int(math.Ceil(s/step*shareReach)))
	stride := max(1, (last-first)/maxShareOptions)
	var out []float64
	if first > 1 {
		out = append(out, step)
	}
	for n := first; n <= last; n += stride {
		out = append(out, float64(n)*step)
	}
	return out
}

// stepShares returns the shares around s at which a step of the rate table just
// carries the rate of one user of the group.
func (v *View) stepShares(g *onAir, s, budget float64) []float64 {
	wider := float64(v.Subbands()) / float64(len(g.bands))
	var out []float64
	least := 0.0 // the table's last step carries every user
	for n := range g.users {
		rate := v.target(g, n) * wider
		least = math.Max(least, rate/v.table.Nats(len(v.table.Steps)-1))
		for i := range v.table.Steps {
			if at := rate / v.table.Nats(i); at >= s/shareReach && at <= math.Min(s*shareReach, budget) {
				out = append(out, at)
			}
		}
	}
	out = append(out, math.Min(least, budget))
	sort.Float64s(out)
	if len(out) > maxShareOptions {
		thin := make([]float64, 0, maxShareOptions)
		for i := range maxShareOptions {
			thin = append(thin, out[i*len(out)/maxShareOptions])
		}
		out = thin
	}
	for i := range out {
		out[i] *= 1 + 1e-12 // the step carries the rate after rounding too
	}
	return out
}

// chooseShares picks one option per group so that shares add up to at most the
// units and costs are least: the multiple-choice knapsack by dynamic
// programming (Kellerer, Pferschy, Pisinger, Knapsack Problems, ch. 11, from
// memory). Exact where shares are whole units; otherwise shares are rounded up
// to units. O(groups * options * units).
func chooseShares(options [][]shareOption, unit float64, units int) ([]float64, float64) {
	n := len(options)
	best := make([]float64, units+1) // least cost of the groups so far within u units
	pick := make([][]int, n)
	for i := range options {
		next := make([]float64, units+1)
		pick[i] = make([]int, units+1)
		for u := range next {
			next[u] = math.Inf(1)
			pick[i][u] = -1
			for o, opt := range options[i] {
				need := int(math.Ceil(opt.share/unit - 1e-9))
				if need <= u && best[u-need]+opt.phi < next[u] {
					next[u] = best[u-need] + opt.phi
					pick[i][u] = o
				}
			}
		}
		best = next
	}
	total := best[units]
	shares := make([]float64, n)
	if math.IsInf(total, 1) {
		return shares, total
	}
	u := units
	for i := n - 1; i >= 0; i-- {
		opt := options[i][pick[i][u]]
		shares[i] = opt.share
		u -= int(math.Ceil(opt.share/unit - 1e-9))
	}
	return shares, total
}
