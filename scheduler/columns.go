package scheduler

import (
	"context"
	"math"
	"slices"

	"leastwatt/optim/lp"
)

// column is a group with rates while on the air and the power they take.
type column struct {
	place  int       // of columns.places
	users  []int     // rising
	rates  []float64 // in nats per use of its subbands
	powerW float64   // +Inf where the rates cannot be had
	slopes []float64 // dP/dr_k
	share  float64   // of the slot, by the program
	split  []float64 // [user][subband] of rates; nil on one
}

// columns is the state of column generation. A column is a group with rates on
// one of some sets of subbands that have none in common; a linear program chooses
// how long each is on the air,
//
//	min sum_c s_c P_c  subject to  part * sum_c s_c r_ck >= R_k for each user,
//	sum_c s_c <= 1 for each set of subbands,
//
// and its prices, pi_k of a user's rate and nu of the time of each set, tell what a
// new column is worth: part * sum_k pi_k r_k - P(r) must exceed nu (Johansson, Xiao,
// IEEE Trans. Wireless Commun. 5(2), 2006, from memory). New ones are found by
// ascent over rates, dP/dr_k = part * pi_k at the top, and by changes of groups, see
// explore.
//
// Programs over few columns put wild prices on rates. So columns count at first
// only where they are worth much more than their time, and groups are changed
// before the rates of those in use are right to the last digit.
type columns struct {
	view   *View
	places [][]int // the sets of subbands, all of one size
	part   float64 // of all subbands that one set is
	list   []column
	pi     []float64   // [user] price of a nat per use, mean over all subbands
	nu     []float64   // [place] price of its time
	worthW float64     // what a column must be worth above the price of its time
	first  [][]float64 // [place][user] slope of the power of a user by itself at hardly any rate
}

// columnGains are the parts of the highest nu that columns must be worth above
// theirs, one after the other.
var columnGains = []float64{1e-2, 1e-3, 1e-4, 1e-5, 1e-6}

const (
	columnRounds = 200
	columnSteps  = 30   // of an ascent
	leastShare   = 1e-9 // of a column in use
	leastNats    = 1e-4 // a rate below leaves the group
	firstNats    = 1e-3 // at which a user's first slope is taken
	maxNatStep   = 1.0  // of a rate in an ascent
	nearby       = 1.1  // factor of rates around those of a group
	halvings     = 8    // of rates that a group cannot have together

	mergeTolerance = 1e-7 // relative power by which one column in place of two may take more
)

// inTurn returns the sets of subbands for groups that use all of them in turn.
func (v *View) inTurn() [][]int { return [][]int{v.allBands} }

// apart returns the sets of subbands for groups that use one each.
func (v *View) apart() [][]int {
	var out [][]int
	for f := range v.allBands {
		out = append(out, v.allBands[f:f+1])
	}
	return out
}

// newColumns returns no columns yet, to live on sets of subbands.
func newColumns(v *View, places [][]int) *columns {
	m := &columns{view: v, places: places, part: float64(len(places[0])) / float64(v.Subbands())}
	for place := range places {
		m.first = append(m.first, make([]float64, len(v.rate)))
		for _, k := range v.active {
			c := m.solved(place, []int{k}, []float64{firstNats})
			if m.first[place][k] = math.Inf(1); !math.IsInf(c.powerW, 1) {
				m.first[place][k] = c.slopes[0]
			}
		}
	}
	return m
}

// solved returns the column of users at rates.
func (m *columns) solved(place int, users []int, rates []float64) column {
	c := column{place: place, users: users, rates: rates}
	s := &m.view.solver
	c.powerW, _ = s.power(&onAir{users: users, bands: m.places[place], rates: rates}, 1)
	if !math.IsInf(c.powerW, 1) {
		c.slopes = slices.Clone(s.bySum[:len(users)])
		if len(m.places[place]) > 1 {
			c.split = slices.Clone(s.rates)
		}
	}
	return c
}

func (m *columns) add(c column) {
	if c.powerW <= math.MaxFloat64 {
		m.list = append(m.list, c)
	}
}

// seed adds the columns of a group at its share, its rates split over the sets of
// subbands.
func (m *columns) seed(g onAir) {
	g.users = slices.Sorted(slices.Values(g.users))
	s := &m.view.solver
	if power, _ := s.power(&g, g.share); math.IsInf(power, 1) {
		return
	}
	n := len(m.places)
	split := slices.Clone(s.rates) // [user][place]
	if n == 1 {
		split = slices.Clone(s.mean)
	}
	for place := range n {
		var users []int
		var rates []float64
		for i, k := range g.users {
			if r := split[i*n+place]; r > 0 {
				users, rates = append(users, k), append(rates, r)
			}
		}
		if len(users) > 0 {
			m.around(place, users, rates)
		}
	}
}

// around adds a group with rates, and with each rate and all of them some more
// and some less: of the groups alone, prices would be any that share out what a
// group takes among its users.
func (m *columns) around(place int, users []int, rates []float64) {
	m.add(m.solved(place, users, rates))
	for _, by := range []float64{1 / nearby, nearby} {
		all := slices.Clone(rates)
		for i := range rates {
			one := slices.Clone(rates)
			one[i] *= by
			all[i] *= by
			m.add(m.solved(place, users, one))
		}
		m.add(m.solved(place, users, all))
	}
}

// generate adds columns while they are worth their time: groups in use at better
// rates, and where there are none other groups. It ends early where time is up.
func (m *columns) generate() {
	rounds := 0
	for i, gain := range columnGains {
		for {
			if rounds++; rounds > columnRounds || m.view.Stopped() || !m.master() {
				return
			}
			m.worthW = gain * slices.Max(m.nu)
			n := len(m.list)
			if m.tune(); len(m.list) == n {
				m.explore(i == len(columnGains)-1)
			}
			if len(m.list) == n {
				break
			}
		}
	}
}

// master solves the linear program over the columns. It reports false where that
// failed; shares and prices are then those before.
func (m *columns) master() bool {
	users := m.view.active
	p := lp.Problem{Rows: make([]lp.Row, len(users)+len(m.places))}
	rows := make([]*lp.Row, len(m.view.rate)) // [user]
	for i, k := range users {
		rows[k] = &p.Rows[i]
		*rows[k] = lp.Row{Lower: m.view.rate[k], Upper: math.Inf(1)}
	}
	time := p.Rows[len(users):] // [place]
	for place := range time {
		time[place] = lp.Row{Lower: math.Inf(-1), Upper: 1}
	}
	for i := range m.list {
		c := &m.list[i]
		p.Cost = append(p.Cost, c.powerW)
		put := func(row *lp.Row, value float64) {
			row.Index, row.Value = append(row.Index, i), append(row.Value, value)
		}
		for j, k := range c.users {
			put(rows[k], m.part*c.rates[j])
		}
		put(&time[c.place], 1)
	}
	solver, err := lp.New(&p, nil)
	if err != nil {
		return false
	}
	defer solver.Close()
	var sol lp.Solution
	if solver.Solve(context.Background(), &sol) != nil || sol.Status != lp.Optimal {
		return false
	}
	for i, s := range sol.X {
		m.list[i].share = s
	}
	m.pi = make([]float64, len(m.view.rate))
	for i, k := range users {
		m.pi[k] = sol.RowDual[i]
	}
	m.nu = make([]float64, len(m.places))
	for place := range m.nu {
		m.nu[place] = -sol.RowDual[len(users)+place]
	}
	return true
}

// inUse returns the columns in use.
func (m *columns) inUse() []column {
	var out []column
	for i := range m.list {
		if m.list[i].share > leastShare {
			out = append(out, m.list[i])
		}
	}
	return out
}

// merged returns the columns in use, one in place of several of the same users, at
// the mean of their rates, where that takes no more power. The program itself has a
// column for every row that binds, and so often several of one group around the
// rates that would be best.
func (m *columns) merged() []column {
	var out []column
	for _, c := range m.inUse() {
		into := slices.IndexFunc(out, func(o column) bool {
			one := m.mean(&o, &c)
			if !(one.share*one.powerW <= (o.share*o.powerW+c.share*c.powerW)*(1+mergeTolerance)) {
				return false
			}
			c = one
			return true
		})
		if into < 0 {
			out = append(out, c)
		} else {
			out[into] = c
		}
	}
	return out
}

// mean returns the column that does what two do, of +Inf power where they are not of
// the same users on the same subbands.
func (m *columns) mean(a, b *column) column {
	if a.place != b.place || !slices.Equal(a.users, b.users) {
		return column{powerW: math.Inf(1)}
	}
	share := a.share + b.share
	rates := make([]float64, len(a.rates))
	for i := range rates {
		rates[i] = (a.share*a.rates[i] + b.share*b.rates[i]) / share
	}
	one := m.solved(a.place, a.users, rates)
	one.share = share
	return one
}

// worth returns what a column is worth above the price of its time.
func (m *columns) worth(c *column) float64 {
	sum := -c.powerW - m.nu[c.place]
	for i, k := range c.users {
		sum += m.part * m.pi[k] * c.rates[i]
	}
	return sum
}

func (m *columns) addWorthy(c column) {
	if m.worth(&c) > m.worthW {
		c.share = 0
		m.add(c)
	}
}

// tune adds groups in use at rates that are worth more.
func (m *columns) tune() {
	for _, c := range m.merged() {
		m.addWorthy(c)
		m.addWorthy(m.ascend(c))
	}
}

// ascend moves the rates of a column towards slopes of part * pi: each slope is
// taken to grow as the exponential of its rate, which is exact for a user by
// itself. A step that is not worth more is halved. Users whose rate falls to
// nothing leave. It ends early where time is up.
func (m *columns) ascend(c column) column {
	worth := m.worth(&c)
	for range columnSteps {
		if m.view.Stopped() {
			break
		}
		step := make([]float64, len(c.users))
		for i, k := range c.users {
			step[i] = -maxNatStep
			if m.pi[k] > 0 {
				step[i] = math.Max(-maxNatStep, math.Min(math.Log(m.part*m.pi[k]/c.slopes[i]), maxNatStep))
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
			t := m.solved(c.place, users, rates)
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
		if gain < 1e-3*m.worthW {
			break
		}
	}
	return c
}

// timed returns the columns in use as groups, subband after subband.
func (m *columns) timed() []TimedGroup {
	used := m.merged()
	slices.SortStableFunc(used, func(a, b column) int { return a.place - b.place })
	var out []TimedGroup
	for _, c := range used {
		out = append(out, TimedGroup{Users: c.users, Subbands: m.places[c.place], Share: math.Min(c.share, 1), Rates: c.rates, split: c.split})
	}
	return out
}
