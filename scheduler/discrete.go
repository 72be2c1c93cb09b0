package scheduler

import (
	"cmp"
	"math"
	"slices"
)

// shareOption is one share that a group may get, and what it then costs: share
// * power, in W, what the objective adds included (timeW).
type shareOption struct {
	share float64
	phi   float64
	found solved // what the group takes there
}

const (
	shareUnits       = 4000 // of the programme where shares have no step
	firstOptions     = 32   // of a group, over all that there are; of smallGroup users or less in proportion more
	smallGroup       = 8
	moreOptions      = 8 // around the one chosen, in each of menuRounds
	menuRounds       = 4
	exchangedOptions = 8 // of a group, the cheapest
	mostCounts       = 4 // of subbands in use, about, and of those on the next step
)

// discreteShares chooses shares where they come in steps, or rates do, so that
// costs jump: of a list of options per group the best choice that fits the
// budget. The options of a group are the multiples of the share step, or the shares
// at which steps of the rate table just carry the rate of one of its users; the
// continuous optimum says little about them, since the first step of a table may
// carry far more than is asked. Where there are many, some all over the range are
// solved, and then more around the ones chosen. It returns +Inf when no choice
// serves every group.
func (v *View) discreteShares(p *partition, r *room, shares []float64) ([]float64, float64) {
	budget := r.widest()
	unit := budget / shareUnits
	if step := v.options.ShareStep; step > 0 {
		unit = step
	}
	units := wholeUnits(budget, unit)
	menus := make([]shareMenu, len(r.groups))
	options := make([][]shareOption, len(menus))
	for i, g := range r.groups {
		if v.Stopped() {
			if near, power := v.nearShares(p, r, shares); !math.IsInf(power, 1) {
				return near, power
			}
		}
		menus[i].list(v, &p.groups[g], shares[i], budget)
		options[i] = menus[i].options
	}
	choose := func() ([]float64, float64) {
		if r.rows == nil {
			return chooseShares(options, unit, units, v.Stopped)
		}
		return r.chooseWithin(options)
	}
	best, power := choose()
	for round := 0; round < menuRounds && !v.Stopped(); round++ {
		more := false
		for i := range menus {
			more = menus[i].widen(v, best[i]) || more
			options[i] = menus[i].options
		}
		if !more {
			break
		}
		if now, w := choose(); w < power || math.IsInf(power, 1) {
			best, power = now, w
		}
	}
	if math.IsInf(power, 1) {
		if r.rows == nil && !v.Stopped() {
			return best, power
		}
		return v.nearShares(p, r, shares)
	}
	for i := range menus {
		menus[i].exchange(v)
		options[i] = menus[i].options
	}
	if now, w := choose(); w < power {
		best, power = now, w
	}
	for i, g := range r.groups {
		p.groups[g].solved = cheapestAt(options[i], best[i]).found
	}
	return best, power
}

// cheapestAt returns the option of least cost at a share that there is.
func cheapestAt(options []shareOption, share float64) shareOption {
	best := shareOption{phi: math.Inf(1)}
	for _, o := range options {
		if o.share == share && o.phi < best.phi {
			best = o
		}
	}
	return best
}

// exchange adds what the cheapest options become by exchanges of rows.
func (m *shareMenu) exchange(v *View) {
	g := m.group
	if v.table == nil || len(g.bands) == 1 || len(g.users) == 1 {
		return
	}
	cheap := slices.SortedStableFunc(slices.Values(m.options), func(a, b shareOption) int { return cmp.Compare(a.phi, b.phi) })
	for _, o := range cheap[:min(len(cheap), exchangedOptions)] {
		if v.Stopped() {
			return
		}
		g.solved = o.found
		if v.solver.exchangeRows(g) > 0 {
			m.options = append(m.options, v.carriedOption(g, o.share))
		}
	}
}

// shareMenu is the shares that a group may get, of which some are solved.
type shareMenu struct {
	group   *onAir
	at      []float64 // rising
	solved  []bool
	options []shareOption // of those that serve the group
	from    []int         // [option] where in at it was solved
}

// list fills the menu and solves some of it: all over the range, and next to a
// share.
func (m *shareMenu) list(v *View, g *onAir, share, budget float64) {
	m.group = g
	if v.table != nil {
		m.at = v.stepShares(g, share, budget)
	} else {
		step := v.options.ShareStep
		for n := 1; n <= wholeUnits(budget, step); n++ {
			m.at = append(m.at, float64(n)*step)
		}
	}
	m.solved = make([]bool, len(m.at))
	near, _ := slices.BinarySearch(m.at, share)
	m.solve(v, near)
	m.spread(v, 0, len(m.at)-1, firstOptions*max(1, smallGroup/len(g.users)))
}

// spread solves some of the menu evenly from one place to another. It reports
// whether any was not solved before.
func (m *shareMenu) spread(v *View, first, last, count int) bool {
	any := false
	count = min(count, last-first+1)
	for i := range count {
		if i > 0 && v.Stopped() {
			break
		}
		at := last
		if count > 1 {
			at = first + i*(last-first)/(count-1)
		}
		any = m.solve(v, at) || any
	}
	return any
}

// solve solves the menu at a place. It reports false where that was done before or
// there is none.
func (m *shareMenu) solve(v *View, i int) bool {
	if i < 0 || i >= len(m.at) || m.solved[i] {
		return false
	}
	m.solved[i] = true
	if o, ok := v.shareOption(m.group, m.at[i]); ok {
		m.options, m.from = append(m.options, o), append(m.from, i)
	}
	return true
}

// widen solves more around the share chosen, or around the least one that serves
// the group where that is 0. It reports false where there is no more.
func (m *shareMenu) widen(v *View, chosen float64) bool {
	if len(m.from) == 0 {
		return false
	}
	at := slices.Min(m.from)
	for i, o := range m.options {
		if o.share == chosen {
			at = m.from[i]
		}
	}
	first, last := at-1, at+1
	for first >= 0 && !m.solved[first] {
		first--
	}
	for last < len(m.at) && !m.solved[last] {
		last++
	}
	below := m.spread(v, first+1, at-1, moreOptions/2)
	return m.spread(v, at+1, last-1, moreOptions/2) || below
}

// shareOption returns what a group costs at a share, or at less where the steps of
// the rate table that it needs there carry its rates in less. It reports false
// where the group is not served.
func (v *View) shareOption(g *onAir, share float64) (shareOption, bool) {
	if math.IsInf(v.solver.planPower(g, share), 1) {
		return shareOption{}, false
	}
	return v.carriedOption(g, share), true
}

// carriedOption returns the option of a group solved at a share.
func (v *View) carriedOption(g *onAir, share float64) shareOption {
	o := shareOption{share: share, found: g.solved}
	if v.table != nil {
		o.share = math.Min(share, v.shareCarried(g))
		v.solver.setMean(g, o.share)
		o.found.mean = slices.Clone(v.solver.mean)
	}
	o.phi = o.share * (o.found.powerW + v.timeW(g))
	return o
}

// shareCarried returns the least share in which the rates of the group's last solve
// carry its targets.
func (v *View) shareCarried(g *onAir) float64 {
	n := len(g.bands)
	share := 0.0
	for i := range g.users {
		nats := 0.0
		for _, r := range g.solved.rates[i*n : (i+1)*n] {
			nats += r
		}
		share = math.Max(share, v.target(g, i)*float64(v.Subbands())/nats)
	}
	return v.wholeShare(share * (1 + 1e-12)) // the steps carry the rates after rounding too
}

// wholeShare returns the least share from s on that comes in whole share steps.
func (v *View) wholeShare(s float64) float64 {
	if step := v.options.ShareStep; step > 0 {
		return step * math.Max(1, math.Ceil(s/step-1e-9))
	}
	return s
}

// wholeBudget returns what a budget has room for in whole share steps.
func (v *View) wholeBudget(budget float64) float64 {
	if step := v.options.ShareStep; step > 0 {
		return step * float64(wholeUnits(budget, step))
	}
	return budget
}

// wholeUnits returns how many units fit a budget.
func wholeUnits(budget, unit float64) int { return int(math.Floor(budget/unit + 1e-9)) }

// nearShares is discreteShares without a choice: the shares as they are, or the
// multiples of the share step near to them.
func (v *View) nearShares(p *partition, r *room, shares []float64) ([]float64, float64) {
	var groups []*onAir
	for i, g := range r.groups {
		group := p.groups[g]
		group.share = shares[i]
		groups = append(groups, &group)
	}
	if step := v.options.ShareStep; step > 0 {
		wholeSteps(groups, step, r.left)
	}
	near, power := make([]float64, len(groups)), 0.0
	for i, g := range groups {
		if g.share == 0 {
			return shares, math.Inf(1)
		}
		o, ok := v.shareOption(g, g.share)
		if !ok {
			return shares, math.Inf(1)
		}
		near[i] = o.share
		power += o.phi
		p.groups[r.groups[i]].solved = o.found
	}
	return near, power
}

// stepShares returns the shares within the budget at which a step of the rate table,
// on some of a group's subbands together with another, the next one where there is
// much, on the others in use,
// just carries the rate of one of its users, and the share given.
func (v *View) stepShares(g *onAir, share, budget float64) []float64 {
	n, t := len(g.bands), v.table
	top := len(t.Steps) - 1
	apart := 1 // steps between those on subbands in use
	if len(g.users)*n <= smallGroup {
		apart = top
	}
	out := []float64{share}
	least := 0.0 // the table's last step carries every user
	for i := range g.users {
		nats := v.target(g, i) * float64(v.Subbands()) // of the group's subbands together, at share 1
		least = math.Max(least, nats/t.Nats(top)/float64(n))
		if i > 0 && v.Stopped() {
			continue
		}
		for used := n; used > 0; used -= max(1, used/mostCounts) {
			for next := 0; next < used; next += max(1, used/mostCounts) {
				for step := range t.Steps {
					for other := step; other <= min(step+apart, top) && (next > 0 || other == step); other++ {
						sum := float64(used-next)*t.Nats(step) + float64(next)*t.Nats(other)
						if at := nats / sum; at <= budget {
							out = append(out, at)
						}
					}
				}
			}
		}
	}
	out = slices.DeleteFunc(append(out, budget), func(s float64) bool { return s < least })
	for i, s := range out {
		out[i] = math.Min(v.wholeShare(s*(1+1e-12)), v.wholeBudget(budget)) // the step carries the rate after rounding too
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// chooseShares picks one option per group so that shares add up to at most the
// units and costs are least: the multiple-choice knapsack by dynamic
// programming (Kellerer, Pferschy, Pisinger, Knapsack Problems, ch. 11, from
// memory). Exact where shares are whole units; otherwise shares are rounded up
// to units, and what that leaves is spent on the group that gains most, again and
// again. It has no answer where it is told to stop. O(groups * options * units).
func chooseShares(options [][]shareOption, unit float64, units int, stop func() bool) ([]float64, float64) {
	n := len(options)
	if n == 1 {
		units, unit = 1, unit*float64(units) // any share within the budget is as good
	}
	best := make([]float64, units+1) // least cost of the groups so far within u units
	pick := make([][]int, n)
	worth := make([][]shareOption, n)
	need := func(o *shareOption) int { return int(math.Ceil(o.share/unit - 1e-9)) }
	for i := range options {
		if i > 0 && stop() {
			return make([]float64, n), math.Inf(1)
		}
		worth[i] = undominated(options[i])
		next := slices.Repeat([]float64{math.Inf(1)}, units+1)
		pick[i] = slices.Repeat([]int{-1}, units+1)
		for o := range worth[i] {
			phi, least := worth[i][o].phi, need(&worth[i][o])
			for u := least; u <= units; u++ {
				if cost := best[u-least] + phi; cost < next[u] {
					next[u], pick[i][u] = cost, o
				}
			}
		}
		best = next
	}
	shares := make([]float64, n)
	if math.IsInf(best[units], 1) {
		return shares, best[units]
	}
	u, left := units, unit*float64(units)
	chosen := make([]shareOption, n)
	for i := n - 1; i >= 0; i-- {
		chosen[i] = worth[i][pick[i][u]]
		left -= chosen[i].share
		u -= need(&chosen[i])
	}
	for !stop() && spendRest(worth, chosen, &left) {
	}
	total := 0.0
	for i, o := range chosen {
		shares[i] = o.share
		total += o.phi
	}
	return shares, total
}

// undominated returns the options, by rising share, that cost less than all shorter
// ones.
func undominated(options []shareOption) []shareOption {
	var out []shareOption
	for _, o := range slices.SortedStableFunc(slices.Values(options), func(a, b shareOption) int {
		return cmp.Or(cmp.Compare(a.share, b.share), cmp.Compare(a.phi, b.phi))
	}) {
		if len(out) == 0 || o.phi < out[len(out)-1].phi {
			out = append(out, o)
		}
	}
	return out
}

// spendRest changes the one choice that saves most within what is left of the
// budget. It reports false where none saves any.
func spendRest(options [][]shareOption, chosen []shareOption, left *float64) bool {
	group, most := -1, 0.0
	var better shareOption
	for i := range options {
		for _, o := range options[i] {
			if saved := chosen[i].phi - o.phi; o.share-chosen[i].share <= *left && saved > most {
				group, most, better = i, saved, o
			}
		}
	}
	if group < 0 {
		return false
	}
	*left -= better.share - chosen[group].share
	chosen[group] = better
	return true
}
