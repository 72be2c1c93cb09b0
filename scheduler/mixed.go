package scheduler

import (
	"context"
	"math"
	"slices"

	"leastwatt/optim/lp"
)

func init() {
	RegisterGrouping(GroupingMixed, "users in one group or several, at a rate of its own in each: groups and rates by column generation", mixed{})
}

// mixed lets users sit in several groups. A column is a group with rates and the
// power they take; a linear program chooses how long each is on the air,
//
//	min sum_c s_c P_c  subject to  sum_c s_c r_ck >= R_k,  sum_c s_c <= 1,
//
// and its prices, pi_k of a user's rate and nu of time, tell what a new column is
// worth: sum_k pi_k r_k - P(r) must exceed nu (Johansson, Xiao, IEEE Trans. Wireless
// Commun. 5(2), 2006, from memory). Columns start from the groups of exact, where
// it takes so many users, and of least-power. New ones are found by ascent over
// rates, dP/dr_k = pi_k at the top, from the columns in use, with users that are
// worth more than they take at first joining, and those whose rate falls to
// nothing leaving. The optimum is over the columns found: never above that of the
// groups it starts from.
type mixed struct{}

// Group implements Grouping.
func (g mixed) Group(v *View) [][]int { return untimed(g.Timed(v)) }

// Timed implements TimedGrouping.
func (mixed) Timed(v *View) []TimedGroup {
	var start []TimedGroup
	if len(v.active) <= MaxExactUsers && v.Subbands() == 1 {
		start = exact{}.Timed(v)
	} else {
		start = leastPower{}.Timed(v)
	}
	base := v.partitionOf(start)
	if v.divide(base); math.IsInf(base.powerW, 1) || v.options.ShareStep > 0 || v.options.Beams == BeamsCodebook {
		return start
	}
	m := &columns{view: v}
	limits := v.peak
	v.peak = nil
	for i := range base.groups {
		m.around(&base.groups[i])
	}
	m.generate()
	v.peak = limits
	// Limits and rate tables may make what the programme chose dearer.
	p := v.partitionOf(m.timed())
	if most := v.slot.Limits.MaxGroups; len(p.groups) == 0 || most > 0 && len(p.groups) > most {
		return start
	}
	if v.divide(p); !(p.powerW < base.powerW*(1-shareTolerance)) {
		return start
	}
	return m.timed()
}

// column is a group with rates while on the air and the power they take.
type column struct {
	users  []int
	rates  []float64
	powerW float64
	slopes []float64 // dP/dr_k
}

// columns is the state of column generation.
type columns struct {
	view  *View
	list  []column
	share []float64 // of columns
	pi    []float64 // [user] price of a nat per use
	nu    float64   // price of the slot's time
}

const (
	columnRounds = 60
	columnGain   = 1e-6 // part of nu that a column must be worth above it
	columnSteps  = 30   // of an ascent
	leastShare   = 1e-9 // of a column in use
	leastNats    = 1e-4 // a rate below leaves the group
	firstNats    = 1e-2 // at which a user's first slope is taken
	maxNatStep   = 1.0  // of a rate in an ascent
	nearby       = 1.1  // factor of rates around those of a group
)

// solved returns the column of users at rates; +Inf power where it cannot be.
func (m *columns) solved(users []int, rates []float64) column {
	c := column{users: users, rates: rates}
	s := &m.view.solver
	c.powerW, _ = s.power(&onAir{users: users, bands: m.view.allBands, rates: rates}, 1)
	if !math.IsInf(c.powerW, 1) {
		c.slopes = slices.Clone(s.bySum[:len(users)])
	}
	return c
}

func (m *columns) add(c column) {
	if c.powerW <= math.MaxFloat64 {
		m.list = append(m.list, c)
	}
}

// around adds a group at its share, and with each rate and all of them some more
// and some less: of the groups alone, prices would be any that share out what a
// group takes among its users.
func (m *columns) around(g *onAir) {
	rates := make([]float64, len(g.users))
	for i, k := range g.users {
		rates[i] = m.view.rate[k] / g.share
	}
	m.add(m.solved(g.users, rates))
	for _, by := range []float64{1 / nearby, nearby} {
		all := slices.Clone(rates)
		for i := range rates {
			one := slices.Clone(rates)
			one[i] *= by
			all[i] *= by
			m.add(m.solved(g.users, one))
		}
		m.add(m.solved(g.users, all))
	}
}

// generate adds columns while they are worth their time.
func (m *columns) generate() {
	for range columnRounds {
		if !m.master() || m.view.Stopped() {
			return
		}
		n := len(m.list)
		for i, s := range slices.Clone(m.share) {
			if s > leastShare {
				m.price(m.list[i])
			}
		}
		if len(m.list) == n {
			return
		}
	}
	m.master()
}

// master solves the linear program over the columns. It reports false where that
// failed; shares and prices are then those before.
func (m *columns) master() bool {
	users := m.view.active
	p := lp.Problem{}
	rows := make([]lp.Row, len(users)+1)
	place := make([]int, len(m.view.rate))
	for i, k := range users {
		place[k] = i
		rows[i] = lp.Row{Lower: m.view.rate[k], Upper: math.Inf(1)}
	}
	rows[len(users)] = lp.Row{Lower: math.Inf(-1), Upper: 1}
	for c := range m.list {
		col := &m.list[c]
		p.Cost = append(p.Cost, col.powerW)
		for i, k := range col.users {
			r := &rows[place[k]]
			r.Index, r.Value = append(r.Index, c), append(r.Value, col.rates[i])
		}
		time := &rows[len(users)]
		time.Index, time.Value = append(time.Index, c), append(time.Value, 1)
	}
	p.Rows = rows
	solver, err := lp.New(&p, nil)
	if err != nil {
		return false
	}
	defer solver.Close()
	var sol lp.Solution
	if solver.Solve(context.Background(), &sol) != nil || sol.Status != lp.Optimal {
		return false
	}
	m.share = sol.X
	m.pi = make([]float64, len(m.view.rate))
	for i, k := range users {
		m.pi[k] = sol.RowDual[i]
	}
	m.nu = -sol.RowDual[len(users)]
	return true
}

// worth returns what a column is worth above the price of its time.
func (m *columns) worth(c *column) float64 {
	sum := -c.powerW - m.nu
	for i, k := range c.users {
		sum += m.pi[k] * c.rates[i]
	}
	return sum
}

// price ascends from a column and from it with each user that is worth more than
// it takes at first, and adds the tops that are worth their time.
func (m *columns) price(from column) {
	top := m.ascend(from)
	m.addWorthy(top)
	if m.view.Stopped() || len(top.users) >= m.view.MaxGroupSize() {
		return
	}
	for _, k := range m.view.active {
		if slices.Contains(top.users, k) {
			continue
		}
		c := m.solved(append(slices.Clone(top.users), k), append(slices.Clone(top.rates), firstNats))
		if c.powerW <= math.MaxFloat64 && m.pi[k] > c.slopes[len(c.users)-1] {
			m.addWorthy(m.ascend(c))
		}
	}
}

func (m *columns) addWorthy(c column) {
	if m.worth(&c) > columnGain*m.nu {
		m.add(c)
	}
}

// ascend moves the rates of a column towards slopes of pi: each slope is taken to
// grow as the exponential of its rate, which is exact for a user by itself. A step
// that is not worth more is halved.
func (m *columns) ascend(c column) column {
	worth := m.worth(&c)
	for range columnSteps {
		step := make([]float64, len(c.users))
		for i, k := range c.users {
			step[i] = -maxNatStep
			if m.pi[k] > 0 {
				step[i] = math.Max(-maxNatStep, math.Min(math.Log(m.pi[k]/c.slopes[i]), maxNatStep))
			}
		}
		next, gain := c, 0.0
		for by := 1.0; by > 1e-3; by /= 2 {
			var users []int
			var rates []float64
			for i, k := range c.users {
				if r := c.rates[i] + by*step[i]; r > leastNats {
					users, rates = append(users, k), append(rates, r)
				}
			}
			if len(users) == 0 {
				break
			}
			t := m.solved(users, rates)
			if t.powerW <= math.MaxFloat64 {
				if gain = m.worth(&t) - worth; gain > 0 {
					next = t
					break
				}
			}
		}
		if !(gain > 0) {
			break
		}
		c, worth = next, worth+gain
		if gain < 1e-3*columnGain*m.nu {
			break
		}
	}
	return c
}

// timed returns the columns in use.
func (m *columns) timed() []TimedGroup {
	var out []TimedGroup
	for i, s := range m.share {
		if s > leastShare {
			out = append(out, TimedGroup{Users: m.list[i].users, Share: s, Rates: m.list[i].rates})
		}
	}
	return out
}
