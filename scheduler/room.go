package scheduler

import (
	"context"
	"math"
	"slices"

	"leastwatt/optim/lp"
)

// room is what there is to divide among open groups whose subbands hang together:
// on each subband the shares of the groups that use it add up to what is left of
// the slot there, at most. Groups that have no subband in common may be on the air
// at the same time.
type room struct {
	groups []int       // of the partition
	left   []float64   // [subband] of the slot, besides groups of fixed shares
	budget float64     // of the shares of all the groups together, where one bound says it all
	rows   []budgetRow // otherwise: those bounds that no other implies
}

// budgetRow bounds the sum of the shares of some groups of a room.
type budgetRow struct {
	places []int // of room.groups, rising
	budget float64
}

const (
	priceSweeps    = 200   // of modelRoom
	priceTolerance = 1e-11 // relative change of prices at which they end
	optionNodes    = 2000  // of branch and bound over options for shares
)

// rooms returns the groups of open shares, of those that have users, room by room.
func (p *partition) rooms(subbands int) []room {
	left := slices.Repeat([]float64{1}, subbands)
	var open []int
	narrow := false
	for i := range p.groups {
		switch g := &p.groups[i]; {
		case g.fixed:
			for _, f := range g.bands {
				left[f] -= g.share
			}
		case len(g.users) > 0:
			open = append(open, i)
			narrow = narrow || len(g.bands) < subbands
		}
	}
	if len(open) == 0 {
		return nil
	}
	if !narrow {
		return []room{{groups: open, left: left, budget: slices.Min(left)}}
	}
	// Subbands of one group are in one room: each leads to one of lower number, the
	// first of a room to itself.
	lead := make([]int, subbands)
	for f := range lead {
		lead[f] = f
	}
	first := func(f int) int {
		for lead[f] != f {
			f = lead[f]
		}
		return f
	}
	for _, i := range open {
		for _, f := range p.groups[i].bands {
			a, b := first(p.groups[i].bands[0]), first(f)
			lead[max(a, b)] = min(a, b)
		}
	}
	var out []room
	at := make(map[int]int)
	for _, i := range open {
		f := first(p.groups[i].bands[0])
		if _, known := at[f]; !known {
			at[f] = len(out)
			out = append(out, room{left: left})
		}
		r := &out[at[f]]
		r.groups = append(r.groups, i)
	}
	for i := range out {
		out[i].bound(p)
	}
	return out
}

// bound finds the bounds of the room that no other implies.
func (r *room) bound(p *partition) {
	var all []budgetRow
	for f, left := range r.left {
		row := budgetRow{budget: left}
		for place, i := range r.groups {
			if slices.Contains(p.groups[i].bands, f) {
				row.places = append(row.places, place)
			}
		}
		if len(row.places) > 0 {
			all = append(all, row)
		}
	}
	for i := range all {
		implied := false
		for j := range all {
			same := slices.Equal(all[i].places, all[j].places) && all[i].budget == all[j].budget
			implied = implied || all[j].implies(&all[i]) && i != j && (!same || j < i)
		}
		if !implied {
			r.rows = append(r.rows, all[i])
		}
	}
	if len(r.rows) == 1 {
		r.budget, r.rows = r.rows[0].budget, nil
	}
}

// implies reports whether shares that keep to a keep to b.
func (a *budgetRow) implies(b *budgetRow) bool {
	for _, place := range b.places {
		if !slices.Contains(a.places, place) {
			return false
		}
	}
	return a.budget <= b.budget
}

// least returns the smallest bound.
func (r *room) least() float64 {
	if r.rows == nil {
		return r.budget
	}
	least := math.Inf(1)
	for i := range r.rows {
		least = math.Min(least, r.rows[i].budget)
	}
	return least
}

// widest returns the largest bound.
func (r *room) widest() float64 {
	most := r.budget
	for i := range r.rows {
		most = math.Max(most, r.rows[i].budget)
	}
	return most
}

// load returns the largest sum of shares over its bound.
func (r *room) load(s []float64) float64 {
	if r.rows == nil {
		sum := 0.0
		for _, x := range s {
			sum += x
		}
		return sum / r.budget
	}
	most := 0.0
	for i := range r.rows {
		sum := 0.0
		for _, place := range r.rows[i].places {
			sum += s[place]
		}
		most = math.Max(most, sum/r.rows[i].budget)
	}
	return most
}

// fill scales shares so that a bound is used up.
func (r *room) fill(s []float64) {
	if r.rows == nil {
		normalize(s, r.budget)
		return
	}
	by := 1 / r.load(s)
	for i := range s {
		s[i] *= by
	}
}

// fit scales shares down to keep to every bound.
func (r *room) fit(s []float64) {
	if r.load(s) > 1 {
		r.fill(s)
	}
}

// servable moves the shares s, where they leave a group unserved, to ones that
// serve every group. It reports false when there are none.
func (r *room) servable(cost shareCost, s []float64) bool {
	if r.rows == nil {
		return servable(cost, s, r.budget)
	}
	ok := true
	for g := range s {
		phi, _ := cost(g, s[g])
		ok = ok && !math.IsInf(phi, 1)
	}
	if ok {
		return true
	}
	for g := range s {
		if s[g] = leastServed(cost, g, 1); math.IsInf(s[g], 1) {
			return false
		}
	}
	if r.load(s) > 1 {
		return false
	}
	r.fill(s)
	return true
}

// model moves the shares s to the minimum of sum c_g s_g (exp(a_g/s_g) - 1) +
// timeW_g s_g within the room. With bounds of several kinds each has a price, 0
// where it leaves room; a group's slope is the sum of its own. Prices are found one
// after the other, each so that its bound is just kept, until they stay: ascent on
// the dual, which is concave.
func (r *room) model(s, c, a, timeW []float64) {
	if r.rows == nil {
		modelIdle(s, c, a, timeW, r.budget)
		return
	}
	price := slices.Clone(timeW) // [group] of time
	nu := make([]float64, len(r.rows))
	for range priceSweeps {
		change, most := 0.0, 0.0
		for i := range r.rows {
			row := &r.rows[i]
			for _, g := range row.places {
				price[g] = math.Max(0, price[g]-nu[i])
			}
			last := nu[i]
			nu[i] = row.price(s, c, a, price)
			for _, g := range row.places {
				price[g] += nu[i]
			}
			change, most = math.Max(change, math.Abs(nu[i]-last)), math.Max(most, nu[i])
		}
		if change <= priceTolerance*most {
			break
		}
	}
	least := r.least()
	for g := range s {
		if price[g] > 0 {
			x, _ := solveSlope(math.Log(price[g])-math.Log(c[g]), a[g]/s[g])
			s[g] = a[g] / x
		}
		s[g] = math.Max(s[g], minShare*least)
	}
	r.fit(s)
}

// price returns the least price that, on top of the groups' others, keeps their
// modelled shares to the bound, and moves the shares there.
func (row *budgetRow) price(s, c, a, others []float64) float64 {
	// Where all shares were even, the bound would just be kept: prices that make one
	// group take more, and the others less, lie on either side.
	even := row.budget / float64(len(row.places))
	lo, hi := math.Inf(1), math.Inf(-1) // of its logarithm
	free := true
	for _, g := range row.places {
		v, _ := logSlope(a[g] / even)
		v = logDifference(math.Log(c[g])+v, math.Log(others[g]))
		lo, hi = math.Min(lo, v), math.Max(hi, v)
		free = free && others[g] > 0
	}
	lo = math.Max(lo, hi-logReach)
	at := func(logNu float64) (sum, fall float64) {
		for _, g := range row.places {
			logPrice := logSum(logNu, math.Log(others[g]))
			x, rise := solveSlope(logPrice-math.Log(c[g]), a[g]/s[g])
			s[g] = a[g] / x
			sum += s[g]
			fall += s[g] / x / rise * math.Exp(logNu-logPrice)
		}
		return sum, fall
	}
	if free {
		if sum, _ := at(math.Inf(-1)); sum <= row.budget {
			return 0
		}
	}
	logNu := (lo + hi) / 2
	for range 100 {
		sum, fall := at(logNu)
		off := math.Log(sum / row.budget)
		if off > 0 {
			lo = logNu
		} else {
			hi = logNu
		}
		if math.Abs(off) < 1e-13 || hi-lo < 1e-13*(1+math.Abs(lo)) {
			break
		}
		if next := logNu + off*sum/fall; next > lo && next < hi {
			logNu = next
		} else {
			logNu = (lo + hi) / 2
		}
	}
	return math.Exp(logNu)
}

// chooseWithin is chooseShares where bounds are of several kinds: by a 0-1 program,
// exact unless it has to end before. Where that has no answer, costs are +Inf.
func (r *room) chooseWithin(options [][]shareOption) ([]float64, float64) {
	p := lp.Problem{}
	shares := make([]float64, len(options))
	rows := make([]lp.Row, len(r.rows))
	for i := range rows {
		rows[i] = lp.Row{Lower: math.Inf(-1), Upper: r.rows[i].budget * (1 + 1e-12)}
	}
	scale := 0.0
	for g := range options {
		least := math.Inf(1)
		one := lp.Row{Lower: 1, Upper: 1}
		for _, o := range options[g] {
			n := len(p.Cost)
			one.Index, one.Value = append(one.Index, n), append(one.Value, 1)
			for i := range r.rows {
				if slices.Contains(r.rows[i].places, g) {
					rows[i].Index, rows[i].Value = append(rows[i].Index, n), append(rows[i].Value, o.share)
				}
			}
			p.Cost, p.Integer = append(p.Cost, o.phi), append(p.Integer, true)
			least = math.Min(least, o.phi)
		}
		if len(options[g]) == 0 {
			return shares, math.Inf(1)
		}
		scale = math.Max(scale, least)
		rows = append(rows, one)
	}
	for n := range p.Cost {
		p.Cost[n] /= scale
	}
	p.Rows = rows
	set := lp.Defaults()
	set.NodeLimit = optionNodes
	solver, err := lp.New(&p, &set)
	if err != nil {
		return shares, math.Inf(1)
	}
	defer solver.Close()
	var sol lp.Solution
	if solver.Solve(context.Background(), &sol) != nil || len(sol.X) != len(p.Cost) {
		return shares, math.Inf(1)
	}
	total, n := 0.0, 0
	for g := range options {
		for _, o := range options[g] {
			if sol.X[n] > 0.5 {
				shares[g] = o.share
				total += o.phi
			}
			n++
		}
		if shares[g] == 0 {
			return shares, math.Inf(1)
		}
	}
	if r.load(shares) > 1+1e-9 {
		return shares, math.Inf(1)
	}
	return shares, total
}
