package lp

import (
	"fmt"
	"math"
)

// huge is where a bound of the scaled program counts as absent: no simplex code
// can tell a slack of 1e20 from an infinite one.
const huge = 1e20

// column is a sparse column of the matrix.
type column struct {
	index []int
	value []float64
}

// data is a program of n variables and m rows in column form.
type data struct {
	cols               []column
	cost               []float64
	lower, upper       []float64 // variables
	rowLower, rowUpper []float64
}

// model is a program as given and as scaled, and what changed in the scaled one
// since a backend last looked.
type model struct {
	raw, scaled data
	integer     []bool // nil when no variable is
	scaling

	capped  bool // some finite bound was beyond huge and left out
	lost    bool // the spread of the numbers is beyond scaling
	touched bool // bounds or costs changed since the scaling was fitted
	edits   []edit
}

type editKind int8

const (
	editAll       editKind = iota // everything, sizes included
	editRowBounds                 // the bounds of row index
	editBounds                    // the bounds of variable index
	editCost                      // the cost of variable index
	editAddColumn                 // variable index is new
	editAddRow                    // row index is new
)

type edit struct {
	kind  editKind
	index int
}

func (m *model) rows() int            { return len(m.raw.rowLower) }
func (m *model) vars() int            { return len(m.raw.cost) }
func (m *model) isInteger(j int) bool { return m.integer != nil && m.integer[j] }

// newModel copies a valid problem.
func newModel(p *Problem) *model {
	n := len(p.Cost)
	m := &model{raw: data{
		cols:  make([]column, n),
		cost:  append([]float64(nil), p.Cost...),
		lower: make([]float64, n),
		upper: make([]float64, n),
	}}
	for j := range n {
		m.raw.lower[j], m.raw.upper[j] = p.bounds(j)
		if len(p.Integer) > 0 && p.Integer[j] {
			if m.integer == nil {
				m.integer = make([]bool, n)
			}
			m.integer[j] = true
			m.raw.lower[j] = math.Ceil(m.raw.lower[j])
			m.raw.upper[j] = math.Floor(m.raw.upper[j])
		}
	}
	for i := range p.Rows {
		m.raw.addRow(&p.Rows[i])
	}
	return m
}

func (d *data) addRow(r *Row) {
	i := len(d.rowLower)
	d.rowLower = append(d.rowLower, r.Lower)
	d.rowUpper = append(d.rowUpper, r.Upper)
	for k, j := range r.Index {
		if v := r.Value[k]; v != 0 {
			d.cols[j].index = append(d.cols[j].index, i)
			d.cols[j].value = append(d.cols[j].value, v)
		}
	}
}

// setRowBounds, setCost, addColumn and addRow edit both programs; the data is
// valid by now.

func (m *model) setRowBounds(i int, lower, upper float64) {
	m.raw.rowLower[i], m.raw.rowUpper[i] = lower, upper
	m.scaleRowBounds(i)
	m.touched = true
	m.edits = append(m.edits, edit{editRowBounds, i})
}

func (m *model) setCost(j int, cost float64) {
	m.raw.cost[j] = cost
	m.scaleCost(j)
	m.touched = true
	m.edits = append(m.edits, edit{editCost, j})
}

func (m *model) addColumn(cost float64, index []int, value []float64, lower, upper float64) {
	var c column
	for k, i := range index {
		if v := value[k]; v != 0 {
			c.index = append(c.index, i)
			c.value = append(c.value, v)
		}
	}
	d := &m.raw
	d.cols = append(d.cols, c)
	d.cost = append(d.cost, cost)
	d.lower = append(d.lower, lower)
	d.upper = append(d.upper, upper)
	if m.integer != nil {
		m.integer = append(m.integer, false)
	}
	m.touched = true
	m.scaleNewColumn()
	m.edits = append(m.edits, edit{editAddColumn, m.vars() - 1})
}

func (m *model) addRow(r *Row) {
	m.raw.addRow(r)
	m.touched = true
	m.scaleNewRow()
	m.edits = append(m.edits, edit{editAddRow, m.rows() - 1})
}

// setBounds narrows a variable of the scaled program only: branch and bound
// does this to integers, whose scale is 1.
func (m *model) setBounds(j int, lower, upper float64) {
	if m.scaled.lower[j] == lower && m.scaled.upper[j] == upper {
		return
	}
	m.scaled.lower[j], m.scaled.upper[j] = lower, upper
	m.edits = append(m.edits, edit{editBounds, j})
}

// crossed reports whether some bounds exclude each other.
func (d *data) crossed() bool {
	for j, l := range d.lower {
		if l > d.upper[j] {
			return true
		}
	}
	for i, l := range d.rowLower {
		if l > d.rowUpper[i] {
			return true
		}
	}
	return false
}

// elastic returns the program with all rows made soft and the sum of their
// violations for a cost. Its optimum is above 0 only if d is infeasible.
func (d *data) elastic() *data {
	e := &data{
		cols:     append([]column(nil), d.cols...),
		cost:     make([]float64, len(d.cost)),
		lower:    append([]float64(nil), d.lower...),
		upper:    append([]float64(nil), d.upper...),
		rowLower: d.rowLower,
		rowUpper: d.rowUpper,
	}
	soften := func(i int, sign float64) {
		e.cols = append(e.cols, column{[]int{i}, []float64{sign}})
		e.cost = append(e.cost, 1)
		e.lower = append(e.lower, 0)
		e.upper = append(e.upper, math.Inf(1))
	}
	for i := range d.rowLower {
		if finite(d.rowLower[i]) {
			soften(i, 1)
		}
		if finite(d.rowUpper[i]) {
			soften(i, -1)
		}
	}
	return e
}

// recession returns the program of the directions in which d never ends, cut
// off at 1. If its optimum is below 0 and d is feasible, d is unbounded.
func (d *data) recession() *data {
	r := &data{cols: d.cols, cost: d.cost}
	r.lower, r.upper = cone(d.lower, d.upper, 1)
	r.rowLower, r.rowUpper = cone(d.rowLower, d.rowUpper, math.Inf(1))
	return r
}

// cone returns 0 for each finite bound and -end or end for the others.
func cone(lower, upper []float64, end float64) (lo, up []float64) {
	lo, up = make([]float64, len(lower)), make([]float64, len(upper))
	for k := range lower {
		if math.IsInf(lower[k], -1) {
			lo[k] = -end
		}
		if math.IsInf(upper[k], 1) {
			up[k] = end
		}
	}
	return lo, up
}

// nonzeros returns the number of entries of the matrix.
func (d *data) nonzeros() int {
	n := 0
	for j := range d.cols {
		n += len(d.cols[j].index)
	}
	return n
}

func (m *model) checkRow(i int) error {
	if i < 0 || i >= m.rows() {
		return fmt.Errorf("lp: row %d is out of range [0, %d)", i, m.rows())
	}
	return nil
}

func (m *model) checkVariable(j int) error {
	if j < 0 || j >= m.vars() {
		return fmt.Errorf("lp: variable %d is out of range [0, %d)", j, m.vars())
	}
	return nil
}
