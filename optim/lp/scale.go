package lp

import "math"

// Scaling. Symbols, in the order of use:
//
//	r_i, c_j    exponents of row i and of variable j
//	s, t        exponents of all costs and of all bounds (right-hand sides)
//	a_ij -> a_ij 2^(r_i+c_j)     cost_j -> cost_j 2^(s+c_j)
//	row bound -> 2^(t+r_i)       variable bound -> 2^(t-c_j)
//	x_j = x'_j 2^(c_j-t)         y_i = y'_i 2^(r_i-s)       d_j = d'_j 2^(-s-c_j)
//
// Powers of two make this exact. The exponents minimise the sum of squares of
// the logarithms of all nonzero scaled numbers, costs and bounds included: the
// criterion of Curtis and Reid, "On the automatic scaling of matrices for
// Gaussian elimination", J. Inst. Maths Applics 10 (1972) (from memory), over
// the matrix bordered by costs and bounds. Costs and bounds belong in there:
// where path gains spread over 8 decades the powers do so as well, and a backend
// reads a power below its absolute tolerance as zero. Entries that are tiny
// beside the largest of their row and column, such as what zero-forcing leaves of
// interference, have no say: there are many of them and they would make the
// large ones huge. The largest are found by the equilibration of Ruiz, "A scaling
// algorithm to equilibrate both rows and columns norms in matrices", RAL-TR-2001-034
// (from memory).
//
// Integers keep their scale, for a backend must see which values are whole.

type scaling struct {
	rowExp, colExp    []int
	costExp, boundExp int
}

const (
	// sweeps of either method over the exponents, which are rounded afterwards.
	sweeps = 8

	// tiny is the exponent below which an equilibrated entry has no say.
	tiny = -20

	// drift is how far, in powers of two, the mean of all costs or of all bounds
	// may move by edits before the exponents are fitted anew.
	drift = 10

	// maxExp bounds every exponent, so that no sum of them overflows.
	maxExp = 300

	// widest is the largest exponent that a scaled entry or cost may have.
	widest = 60
)

// term is one nonzero of the bordered matrix: log + u[p] + sign*u[q] is the
// logarithm of its scaled value, u the exponents r, c, s, t in one vector.
type term struct {
	p, q int
	sign float64
	log  float64
}

// terms lists all nonzeros; the exponents are numbered rows first, then
// variables, then s and t.
func (m *model) terms() []term {
	d := &m.raw
	first, s := m.rows(), m.rows()+m.vars()
	t := s + 1
	ts := make([]term, 0, d.nonzeros()+3*m.vars()+2*m.rows())
	add := func(v float64, p, q int, sign float64) {
		if v != 0 && finite(v) {
			ts = append(ts, term{p, q, sign, math.Log2(math.Abs(v))})
		}
	}
	for j := range d.cols {
		for k, i := range d.cols[j].index {
			add(d.cols[j].value[k], i, first+j, 1)
		}
		add(d.cost[j], s, first+j, 1)
		add(d.lower[j], t, first+j, -1)
		add(d.upper[j], t, first+j, -1)
	}
	for i := range d.rowLower {
		add(d.rowLower[i], t, i, 1)
		if d.rowUpper[i] != d.rowLower[i] {
			add(d.rowUpper[i], t, i, 1)
		}
	}
	return ts
}

// significant removes the terms of tiny entries.
func (m *model) significant(ts []term) []term {
	all := m.rows() + m.vars()
	u := make([]float64, all)
	most := make([]float64, all)
	matrix := func(t term) bool { return t.p < all }
	for range sweeps {
		for k := range most {
			most[k] = math.Inf(-1)
		}
		for _, t := range ts {
			if matrix(t) {
				l := t.log + u[t.p] + u[t.q]
				most[t.p] = max(most[t.p], l)
				most[t.q] = max(most[t.q], l)
			}
		}
		for k := range u {
			if finite(most[k]) {
				u[k] -= most[k] / 2
			}
		}
	}
	kept := ts[:0]
	for _, t := range ts {
		if !matrix(t) || t.log+u[t.p]+u[t.q] >= tiny {
			kept = append(kept, t)
		}
	}
	return kept
}

// fit sets the exponents by block Gauss-Seidel: rows, then variables, then s
// and t, each the mean that its terms ask for. O(sweeps * nonzeros).
func (m *model) fit() {
	rows, all := m.rows(), m.rows()+m.vars()
	ts := m.significant(m.terms())
	u := make([]float64, all+2)
	sum := make([]float64, all+2)
	count := make([]float64, all+2)
	for _, t := range ts {
		count[t.p]++
		count[t.q]++
	}
	for j := range m.vars() {
		if m.isInteger(j) {
			count[rows+j] = 0
		}
	}
	if m.integer != nil {
		count[all+1] = 0
	}
	settle := func(lo, hi int) {
		for k := lo; k < hi; k++ {
			if count[k] > 0 {
				u[k] = sum[k] / count[k]
			}
		}
		clear(sum)
	}
	gather := func() {
		for _, t := range ts {
			sum[t.p] -= t.log + t.sign*u[t.q]
			sum[t.q] -= t.sign * (t.log + u[t.p])
		}
	}
	for range sweeps {
		gather()
		settle(0, rows)
		gather()
		settle(rows, all)
		gather()
		settle(all, all+2)
	}
	for i := range rows {
		m.rowExp[i] = roundExp(u[i])
	}
	for j := range m.vars() {
		m.colExp[j] = roundExp(u[rows+j])
	}
	m.costExp, m.boundExp = roundExp(u[all]), roundExp(u[all+1])
}

func roundExp(u float64) int {
	return int(math.Round(min(max(u, -maxExp), maxExp)))
}

// rescale fits the exponents (with on false it sets them to 0), scales
// everything and marks everything edited.
func (m *model) rescale(on bool) {
	n := m.vars()
	m.rowExp, m.colExp = make([]int, m.rows()), make([]int, n)
	m.costExp, m.boundExp = 0, 0
	if on {
		m.fit()
	}
	m.scaled = data{
		cols:     make([]column, n),
		cost:     make([]float64, n),
		lower:    make([]float64, n),
		upper:    make([]float64, n),
		rowLower: make([]float64, m.rows()),
		rowUpper: make([]float64, m.rows()),
	}
	m.capped, m.lost, m.touched = false, false, false
	for j := range n {
		m.scaleColumn(j)
	}
	for i := range m.rows() {
		m.scaleRowBounds(i)
	}
	m.edits = append(m.edits[:0], edit{kind: editAll})
}

func (m *model) scaleColumn(j int) {
	raw, out := m.raw.cols[j], column{}
	for k, i := range raw.index {
		out.index = append(out.index, i)
		out.value = append(out.value, m.entry(raw.value[k], m.rowExp[i]+m.colExp[j]))
	}
	m.scaled.cols[j] = out
	m.scaleCost(j)
	m.scaled.lower[j] = m.bound(m.raw.lower[j], m.boundExp-m.colExp[j], -1)
	m.scaled.upper[j] = m.bound(m.raw.upper[j], m.boundExp-m.colExp[j], 1)
}

func (m *model) scaleCost(j int) {
	m.scaled.cost[j] = m.entry(m.raw.cost[j], m.costExp+m.colExp[j])
}

func (m *model) scaleRowBounds(i int) {
	m.scaled.rowLower[i] = m.bound(m.raw.rowLower[i], m.boundExp+m.rowExp[i], -1)
	m.scaled.rowUpper[i] = m.bound(m.raw.rowUpper[i], m.boundExp+m.rowExp[i], 1)
}

// scaleNewColumn gives the last variable of raw an exponent that suits the
// exponents there are.
func (m *model) scaleNewColumn() {
	j := m.vars() - 1
	c := m.raw.cols[j]
	var sum, count float64
	for k, i := range c.index {
		sum -= math.Log2(math.Abs(c.value[k])) + float64(m.rowExp[i])
		count++
	}
	if v := m.raw.cost[j]; v != 0 {
		sum -= math.Log2(math.Abs(v)) + float64(m.costExp)
		count++
	}
	m.colExp = append(m.colExp, roundExp(sum/max(count, 1)))
	d := &m.scaled
	d.cols = append(d.cols, column{})
	d.cost = append(d.cost, 0)
	d.lower = append(d.lower, 0)
	d.upper = append(d.upper, 0)
	m.scaleColumn(j)
}

// scaleNewRow is scaleNewColumn for the last row.
func (m *model) scaleNewRow() {
	i := m.rows() - 1
	var sum, count float64
	for j := range m.raw.cols {
		if v, ok := m.raw.cols[j].last(i); ok {
			sum -= math.Log2(math.Abs(v)) + float64(m.colExp[j])
			count++
		}
	}
	m.rowExp = append(m.rowExp, roundExp(sum/max(count, 1)))
	for j := range m.raw.cols {
		if v, ok := m.raw.cols[j].last(i); ok {
			c := &m.scaled.cols[j]
			c.index = append(c.index, i)
			c.value = append(c.value, m.entry(v, m.rowExp[i]+m.colExp[j]))
		}
	}
	m.scaled.rowLower = append(m.scaled.rowLower, 0)
	m.scaled.rowUpper = append(m.scaled.rowUpper, 0)
	m.scaleRowBounds(i)
}

// last returns the entry in row i if that is the last one of the column.
func (c *column) last(i int) (v float64, ok bool) {
	k := len(c.index) - 1
	if k < 0 || c.index[k] != i {
		return 0, false
	}
	return c.value[k], true
}

// entry scales an entry or a cost.
func (m *model) entry(v float64, exp int) float64 {
	w := math.Ldexp(v, exp)
	if v != 0 && (w == 0 || math.Abs(w) > 1<<widest) {
		m.lost = true
	}
	return w
}

// bound scales a lower bound (side -1) or an upper one (side 1). One beyond huge
// is left out.
func (m *model) bound(v float64, exp, side int) float64 {
	w := math.Ldexp(v, exp)
	if !finite(v) || math.Abs(w) <= huge {
		return w
	}
	if (w > 0) != (side > 0) {
		m.lost = true
		return w
	}
	m.capped = true
	return math.Inf(side)
}

// drifted reports whether edits moved the costs or the bounds, as a whole, so
// far that the exponents should be fitted anew.
func (m *model) drifted() bool {
	if m.lost {
		return true
	}
	if !m.touched {
		return false
	}
	var cost, bound level
	d := &m.scaled
	cost.add(d.cost)
	if m.integer == nil {
		bound.add(d.lower)
		bound.add(d.upper)
		bound.add(d.rowLower)
		bound.add(d.rowUpper)
	}
	return cost.off() || bound.off()
}

// level is the mean binary exponent of the finite nonzeros added.
type level struct{ sum, count float64 }

func (l *level) add(vs []float64) {
	for _, v := range vs {
		if v != 0 && finite(v) {
			l.sum += float64(math.Ilogb(v))
			l.count++
		}
	}
}

func (l *level) off() bool { return math.Abs(l.sum) > drift*l.count }

// scaledGap returns AbsoluteGap for the scaled objective of a program with
// integers, whose bounds are not scaled as a whole.
func (m *model) scaledGap(set *Settings) float64 {
	return math.Ldexp(set.AbsoluteGap, m.costExp)
}

// Unscaling of a primal value, a row price and a reduced cost.

func (m *model) primal(j int, x float64) float64 { return math.Ldexp(x, m.colExp[j]-m.boundExp) }
func (m *model) price(i int, y float64) float64  { return math.Ldexp(y, m.rowExp[i]-m.costExp) }
func (m *model) reduced(j int, d float64) float64 {
	return math.Ldexp(d, -m.costExp-m.colExp[j])
}
