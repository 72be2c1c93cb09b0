package lp

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// vertex computes and checks the solution that a basis names.
//
// With B the basic variables and T the rows out of the basis (as many),
// N the other variables, each at a bound:
//
//	x_N, b_T   the bounds that the statuses name
//	x_B        solves A_TB x_B = b_T - A_TN x_N
//	y_T        solves A_TB' y_T = c_B, other prices are 0
//	d          = c - A'y
//
// A backend's own numbers are rounded to its tolerances; these are not, so two
// backends that end at the same basis agree to rounding.
type vertex struct {
	x, d   []float64 // variables
	y, act []float64 // rows: prices and activities A x
	size   []float64 // rows: sum_j |a_ij x_j|
	reach  []float64 // rows: the largest |a_ij| of a basic variable

	allowance float64 // what the objective may be off by

	basic, tight []int // B and T
	place        []int // row -> position in T, or -1

	mat, lu  []float64 // A_TB, row by row
	pivots   []int
	rhs, res []float64
}

// noise is the relative size of what counts as rounding: in a row, against its
// largest entry times the largest basic x, in a column against its largest entry
// times the largest y. The tolerances of Settings come on top, against the terms
// of the row or column in question. Nothing is measured against a constant, so
// the check holds for a badly scaled program too.
const noise = 1e-13

// evaluate sets v to the vertex that b names in d. It reports whether that is
// feasible and optimal: that and nothing else makes a status Optimal. O(k^3 +
// nonzeros) for k basic variables.
func (v *vertex) evaluate(d *data, b *Basis, set *Settings) bool {
	return v.gather(d, b) && v.factor(d) &&
		v.solvePrimal(d, b) && v.solveDual(d) &&
		v.feasible(d, set.FeasibilityTol) && v.optimal(d, b, set.OptimalityTol)
}

// gather sets B, T and x_N, and settles the statuses in b.
func (v *vertex) gather(d *data, b *Basis) bool {
	n, m := len(d.cost), len(d.rowLower)
	v.x, v.d = resize(v.x, n), resize(v.d, n)
	v.y, v.act, v.size = resize(v.y, m), resize(v.act, m), resize(v.size, m)
	v.reach, v.place = resize(v.reach, m), resize(v.place, m)
	v.basic, v.tight = v.basic[:0], v.tight[:0]
	for j, st := range b.Variable {
		v.x[j] = 0
		if st == Basic {
			v.basic = append(v.basic, j)
			continue
		}
		b.Variable[j] = settle(st, d.lower[j], d.upper[j])
		v.x[j] = rest(b.Variable[j], d.lower[j], d.upper[j])
	}
	for i, st := range b.Row {
		v.place[i] = -1
		if st == Basic {
			continue
		}
		b.Row[i] = settle(st, d.rowLower[i], d.rowUpper[i])
		if b.Row[i] == AtZero {
			return false // a row without bounds cannot hold
		}
		v.place[i] = len(v.tight)
		v.tight = append(v.tight, i)
	}
	return len(v.basic) == len(v.tight)
}

// rest returns where a nonbasic variable or row of that status sits.
func rest(st BasisStatus, lower, upper float64) float64 {
	switch st {
	case AtLower:
		return lower
	case AtUpper:
		return upper
	}
	return 0
}

// settle returns the nonbasic status nearest to st that the bounds have room
// for.
func settle(st BasisStatus, lower, upper float64) BasisStatus {
	switch {
	case math.IsInf(lower, -1) && math.IsInf(upper, 1):
		return AtZero
	case math.IsInf(lower, -1):
		return AtUpper
	case math.IsInf(upper, 1) || st == AtZero:
		return AtLower
	}
	return st
}

// factor sets mat to A_TB and lu to its factors.
func (v *vertex) factor(d *data) bool {
	k := len(v.basic)
	v.mat, v.lu = resize(v.mat, k*k), resize(v.lu, k*k)
	v.pivots, v.rhs, v.res = resize(v.pivots, k), resize(v.rhs, k), resize(v.res, k)
	if k == 0 {
		return true
	}
	clear(v.mat)
	for q, j := range v.basic {
		for e, i := range d.cols[j].index {
			if p := v.place[i]; p >= 0 {
				v.mat[p*k+q] = d.cols[j].value[e]
			}
		}
	}
	copy(v.lu, v.mat)
	return lapack64.Getrf(general(k, k, v.lu), v.pivots)
}

// solve solves with A_TB or its transpose, rhs -> rhs, with one step of
// iterative refinement. It reports whether the result is finite.
func (v *vertex) solve(trans blas.Transpose) bool {
	k := len(v.rhs)
	if k == 0 {
		return true
	}
	lu, a := general(k, k, v.lu), general(k, k, v.mat)
	copy(v.res, v.rhs)
	lapack64.Getrs(trans, lu, general(k, 1, v.rhs), v.pivots)
	blas64.Gemv(trans, -1, a, vector(v.rhs), 1, vector(v.res))
	lapack64.Getrs(trans, lu, general(k, 1, v.res), v.pivots)
	for p, r := range v.res {
		v.rhs[p] += r
		if !finite(v.rhs[p]) {
			return false
		}
	}
	return true
}

// solvePrimal sets x_B, put inside its bounds, then act, size and reach.
func (v *vertex) solvePrimal(d *data, b *Basis) bool {
	for p, i := range v.tight {
		v.rhs[p] = rest(b.Row[i], d.rowLower[i], d.rowUpper[i])
	}
	for j, x := range v.x {
		if x == 0 {
			continue
		}
		for e, i := range d.cols[j].index {
			if p := v.place[i]; p >= 0 {
				v.rhs[p] -= d.cols[j].value[e] * x
			}
		}
	}
	if !v.solve(blas.NoTrans) {
		return false
	}
	for q, j := range v.basic {
		v.x[j] = min(max(v.rhs[q], d.lower[j]), d.upper[j])
	}
	clear(v.act)
	clear(v.size)
	clear(v.reach)
	for j, x := range v.x {
		if x == 0 {
			continue
		}
		for e, i := range d.cols[j].index {
			t := d.cols[j].value[e] * x
			v.act[i] += t
			v.size[i] += math.Abs(t)
		}
	}
	for _, j := range v.basic {
		for e, i := range d.cols[j].index {
			v.reach[i] = max(v.reach[i], math.Abs(d.cols[j].value[e]))
		}
	}
	return true
}

// solveDual leaves y_T in rhs and sets the other prices.
func (v *vertex) solveDual(d *data) bool {
	for q, j := range v.basic {
		v.rhs[q] = d.cost[j]
	}
	clear(v.y)
	return v.solve(blas.Trans)
}

// feasible checks the rows; x is inside its bounds already, so that a value
// which had to be moved there shows in the rows or in the gap.
func (v *vertex) feasible(d *data, tol float64) bool {
	most := v.mostBasic()
	for i, act := range v.act {
		slack := tol*v.size[i] + noise*v.reach[i]*most
		if l := d.rowLower[i]; act < l && l-act > slack+tol*math.Abs(l) {
			return false
		}
		if u := d.rowUpper[i]; act > u && act-u > slack+tol*math.Abs(u) {
			return false
		}
	}
	return true
}

// mostBasic returns the largest |x_j| of a basic variable.
func (v *vertex) mostBasic() float64 {
	most := 0.0
	for _, j := range v.basic {
		most = max(most, math.Abs(v.x[j]))
	}
	return most
}

// optimal sets d and checks the signs of y and d and the duality gap
//
//	|c'x - (sum_i y_i b_i + sum_j d_j x_j over nonbasic j)|
func (v *vertex) optimal(d *data, b *Basis, tol float64) bool {
	most := 0.0
	gap, size := 0.0, 0.0
	term := func(t float64) {
		gap += t
		size += math.Abs(t)
	}
	for p, i := range v.tight {
		y := v.rhs[p]
		most = max(most, math.Abs(y))
		if d.rowLower[i] < d.rowUpper[i] && (b.Row[i] == AtUpper) != (y < 0) {
			y = 0 // the wrong sign; too much of it shows in d or the gap
		}
		v.y[i] = y
		term(-y * rest(b.Row[i], d.rowLower[i], d.rowUpper[i]))
	}
	dearest := 0.0 // of the basic costs
	for j, c := range d.cost {
		rc, terms, widest := c, math.Abs(c), 0.0
		for e, i := range d.cols[j].index {
			if v.place[i] >= 0 {
				a := d.cols[j].value[e]
				rc -= a * v.y[i]
				terms += math.Abs(a * v.y[i])
				widest = max(widest, math.Abs(a))
			}
		}
		slack := tol*terms + noise*widest*most
		switch {
		case b.Variable[j] == Basic || b.Variable[j] == AtZero:
			if math.Abs(rc) > slack {
				return false
			}
			dearest = max(dearest, math.Abs(c))
			rc = 0
		case d.lower[j] == d.upper[j]:
		case b.Variable[j] == AtLower:
			if rc < -slack {
				return false
			}
			rc = max(rc, 0)
		case b.Variable[j] == AtUpper:
			if rc > slack {
				return false
			}
			rc = min(rc, 0)
		}
		v.d[j] = rc
		term(c * v.x[j])
		term(-rc * v.x[j])
	}
	v.allowance = tol*size + noise*dearest*v.mostBasic()
	return math.Abs(gap) <= v.allowance
}

func general(rows, cols int, data []float64) blas64.General {
	return blas64.General{Rows: rows, Cols: cols, Stride: max(cols, 1), Data: data}
}

func vector(data []float64) blas64.Vector {
	return blas64.Vector{N: len(data), Inc: 1, Data: data}
}

// resize returns s with length n, its contents unspecified.
func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}

// objective returns c'x.
func (v *vertex) objective(d *data) float64 {
	var sum float64
	for j, c := range d.cost {
		sum += c * v.x[j]
	}
	return sum
}
