package scheduler

import (
	"cmp"
	"math"
	"slices"

	"leastwatt/optim"
)

// rowNodes bounds the steps of the rate table looked at for one user at one share.
const rowNodes = 200

// rowTries bounds the exchanges of rows looked at for a group at one share.
const rowTries = 32

const exchangeGain = 1e-9 // part of the power that an exchange saves

// steppedPower replaces the rates by steps of the rate table that carry them and
// returns their power.
//
// Where the split over subbands is that of least power, exp(-rate) is in proportion
// to the power for one unit of exp(rate) - 1 more, interference and what is done
// about it included. Of steps that are known to cost slope for one nat more it is
// slope exp(-rate).
func (s *groupSolver) steppedPower(g *onAir) float64 {
	s.costs = s.costs[:0]
	for _, r := range s.rates {
		s.costs = append(s.costs, -r)
	}
	if !s.stepUp(g, s.rates) || len(g.bands) == 1 && !s.chooseBeams(g, s.rates) {
		return math.Inf(1)
	}
	s.slopes = slices.Grow(s.slopes[:0], len(s.rates))[:len(s.rates)]
	return s.powerAt(g, s.rates, s.slopes)
}

// exchangeRows lowers the power of the rows of the group's last solve, on several
// subbands, by exchanges: a user goes up on one and down on another. What users do to
// each other shows only when a group is solved, so that it looks at rowTries exchanges
// at most. It returns what that saves.
func (s *groupSolver) exchangeRows(g *onAir) (savedW float64) {
	n, last := len(g.bands), &g.solved
	if n == 1 || len(g.users) == 1 || s.view.table == nil || len(last.rates) == 0 {
		return 0
	}
	s.mean = append(s.mean[:0], last.mean...)
	for i, b := range last.beam {
		s.choice.beam[g.users[i]] = b
	}
	s.slopes = slices.Grow(s.slopes[:0], len(last.rates))[:len(last.rates)]
	rates, kept := slices.Clone(last.rates), slices.Clone(last.rates)
	last.rates = kept // others may hold what was there
	before := last.powerW
	tries := rowTries
	for better := true; better; {
		better = false
		for x := range len(g.users) * n * n * 2 {
			i, up, down, all := x/(2*n*n), x/(2*n)%n, x/2%n, x%2 == 0
			row, from := rates[i*n:(i+1)*n], last.rates[i*n:(i+1)*n]
			if !s.exchange(g, row, from, i, up, down, all) {
				continue
			}
			if tries--; tries < 0 || s.view.Stopped() {
				return before - last.powerW
			}
			if now := s.powerAt(g, rates, s.slopes); now < last.powerW*(1-exchangeGain) {
				last.powerW, better = now, true
				copy(from, row)
			}
			copy(row, from)
		}
	}
	return before - last.powerW
}

// exchange sets row to the rates from, of the i-th user, with one step more on subband
// up and as few as will do on subband down, or with none there and as many as it takes
// on the other. It reports false where there is nothing to exchange.
func (s *groupSolver) exchange(g *onAir, row, from []float64, i, up, down int, all bool) bool {
	t := s.view.table
	if up == down || from[down] == 0 || s.view.ownGain(g.users[i], g.bands[up]) == 0 {
		return false
	}
	rest := s.mean[i] * float64(len(row)) * (1 - 1e-12)
	for b, r := range from {
		if b != up && b != down {
			rest -= r
		}
	}
	step := t.StepFor(from[up]) + 1
	if from[up] == 0 {
		step = 0
	}
	if all {
		step = t.StepFor(math.Max(rest, 0))
	}
	if step < 0 || step >= len(t.Steps) {
		return false
	}
	row[up], row[down] = t.Nats(step), 0
	if left := rest - row[up]; left > 0 {
		row[down] = t.Nats(max(t.StepFor(left), 0))
	}
	if row[down] >= from[down] || row[up] == from[up] {
		copy(row, from)
		return false
	}
	return true
}

// stepUp replaces rates, [user][band], by the steps of the rate table of least power
// that carry the means, taken what s.costs says for the logarithm of one unit of
// exp(rate) - 1, where there is a rate, on a scale of the user's own. It reports
// false when the table does not reach.
func (s *groupSolver) stepUp(g *onAir, rates []float64) bool {
	n := len(g.bands)
	for i := range g.users {
		if !s.stepUser(g, i, rates[i*n:(i+1)*n], s.costs[i*n:(i+1)*n]) {
			return false
		}
	}
	return true
}

// stepUser is stepUp for the i-th user of a group. On subbands left free the
// channel's gain says what they cost.
func (s *groupSolver) stepUser(g *onAir, i int, rates, costs []float64) bool {
	total := s.mean[i] * float64(len(rates))
	used := math.Inf(-1) // logarithm of the cost over that of the gain alone, at most
	c := rowChoice{table: s.view.table, least: math.Inf(1), nodes: rowNodes}
	for b, r := range rates {
		gain := math.Log(s.view.ownGain(g.users[i], g.bands[b]))
		if math.IsInf(gain, -1) {
			continue
		}
		cost := math.Inf(1)
		if r > 2*splitFloor*total {
			cost = costs[b]
			used = math.Max(used, cost+gain)
		}
		c.bands = append(c.bands, bandCost{band: b, gain: gain, log: cost})
	}
	for j := range c.bands {
		if b := &c.bands[j]; math.IsInf(b.log, 1) {
			b.log = used - b.gain
		}
	}
	slices.SortStableFunc(c.bands, func(a, b bandCost) int { return cmp.Compare(a.log, b.log) })
	for j := len(c.bands) - 1; j >= 0; j-- {
		b := &c.bands[j]
		b.log = math.Min(b.log-c.bands[0].log, maxNats)
		b.cost = math.Exp(b.log)
	}
	c.at = slices.Repeat([]int{-1}, len(c.bands))
	c.pick(0, total*(1-1e-12), 0)
	if c.best == nil {
		return false
	}
	clear(rates)
	for j, at := range c.best {
		if at >= 0 {
			rates[c.bands[j].band] = s.view.table.Nats(at)
		}
	}
	return true
}

// splitFloor is the part of a user's rate below which a subband counts as free.
const splitFloor = 1e-6

// bandCost is a subband of rowChoice, with the logarithms of its gain and of the cost
// of one unit of exp(rate) - 1, and that cost over the least.
type bandCost struct {
	band            int
	gain, log, cost float64
}

// rowChoice seeks the steps of a rate table, one or none on each subband, that carry
// a rate at the least sum of cost (exp(nats) - 1): branch and bound, where rates
// without steps bound what the subbands not yet decided cost. It takes the nearest
// steps first, so that an end before its time does little harm.
type rowChoice struct {
	table *optim.RateTable
	bands []bandCost // by rising cost
	at    []int      // [band] place of the step in the table, -1 none
	best  []int      // nil: none yet
	least float64
	nodes int
}

// pick decides on the subbands from i on, which are to carry so many nats. It reports
// false where they cannot for less than the least cost known.
func (c *rowChoice) pick(i int, need, cost float64) bool {
	if need <= 0 {
		if cost < c.least {
			c.best, c.least = slices.Clone(c.at), cost
		}
		return true
	}
	top := len(c.table.Steps) - 1
	if i == len(c.bands) || need > c.table.Nats(top)*float64(len(c.bands)-i) {
		return false
	}
	rate, bound := c.filled(i, need)
	if c.nodes--; cost+bound >= c.least*(1-1e-12) || c.best != nil && c.nodes < 0 {
		return false
	}
	if i == len(c.bands)-1 {
		return c.take(i, c.table.StepFor(need), need, cost)
	}
	// The further from the rate without steps, the more the bound is.
	nearest := min(c.table.StepAt(math.Expm1(rate), 1), top)
	for step := nearest + 1; step <= top && c.take(i, step, need, cost); step++ {
	}
	for step := nearest; step >= -1 && c.take(i, step, need, cost); step-- {
	}
	return true
}

// take gives subband i a step and decides on the rest.
func (c *rowChoice) take(i, step int, need, cost float64) bool {
	nats := 0.0
	if step >= 0 {
		nats = c.table.Nats(step)
	}
	c.at[i] = step
	defer func() { c.at[i] = -1 }()
	return c.pick(i+1, need-nats, cost+c.bands[i].cost*math.Expm1(nats))
}

// filled returns the rate of subband i, and the least cost, where the subbands from
// it on carry so many nats without steps: water filling, cost exp(rate) is the same
// on all in use.
func (c *rowChoice) filled(i int, need float64) (rate, cost float64) {
	sum, costs, level := 0.0, 0.0, math.Inf(1)
	n := i
	for ; n < len(c.bands) && level > c.bands[n].log; n++ {
		sum += c.bands[n].log
		costs += c.bands[n].cost
		level = (need + sum) / float64(n-i+1)
	}
	return level - c.bands[i].log, float64(n-i)*math.Exp(level) - costs
}
