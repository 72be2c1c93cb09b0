package lp

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
)

// NewSimplex returns a Solver on gonum's simplex: dense and slow, for builds
// without cgo and as a check on lp_solve. A nil set means Defaults.
func NewSimplex(p *Problem, set *Settings) (Solver, error) {
	return newSolver(p, set, &simplex{})
}

// simplex is the engine on gonum's lp.Simplex, which solves the standard form
//
//	minimise c'z  subject to  A z = b, z >= 0
//
// from a feasible basis, returns only the point, has no limits and can cycle.
// What it lacks is made up for here:
//
//   - b is perturbed, each row by another small positive amount, after Charnes,
//     "Optimality and degeneracy in linear programming", Econometrica 20 (1952)
//     (idea from memory). No vertex is then degenerate, so nothing cycles and the
//     nonzeros of the point are its basis. That basis is what is returned; the
//     vertex is computed from it with the true b.
//   - Phase 1 runs here, from slacks and artificials, as a program of its own.
//     gonum's gives up where rank is missing and at absolute tolerances.
//   - A is handed over as a matrix that counts gonum's iterations and breaks
//     them off at a limit.
//
// It keeps nothing between solves and so has no use for a start.
type simplex struct{}

// standard is a program in standard form. Rows and variables of the program are
// treated alike: row i is a variable too, in A x - r = 0. Symbols:
//
//	v = lower + z            a lower bound
//	v = upper - z            an upper bound only
//	v = lower + z, z + w = upper - lower    both (a row more)
//	v = z - w                neither
//	v = lower                fixed: no column
//
// A row of the program without bounds is left out, a variable without entries
// too.
type standard struct {
	rows int
	cols []part
	cost []float64
	b    []float64
	eps  []float64 // the perturbation in b

	rowOf  []int // row of the program -> row of A, or -1
	zOf    []int // variable, or vars + row -> column z, or -1
	wOf    []int // the same for w
	start  []int // the basis that phase 1 starts from, one column a row
	always bool  // no artificials: the start is feasible for the program
}

// part is a sparse column of A.
type part struct {
	row        []int
	value      []float64
	artificial bool
}

// close implements engine.
func (*simplex) close() {}

// perturbations are the sizes, relative to 1 + |b_i|, of the attempts.
var perturbations = [attempts]float64{1e-9, 1e-11, 1e-7}

// pivotTol is the least pivot by which an artificial is driven out of a basis.
const pivotTol = 1e-8

// relax implements engine.
func (*simplex) relax(m *model, r *run, _, out *Basis, attempt int) Status {
	d := &m.scaled
	s := newStandard(d, perturbations[attempt])
	basis := s.start
	if !s.always {
		var st Status
		if basis, st = s.phase1(r); st != Optimal {
			return st
		}
	}
	for j := range d.cols {
		if _, ok := best(d.cost[j], d.lower[j], d.upper[j]); !ok && s.idle(&d.cols[j]) {
			return Numerical // unbounded if anything
		}
	}
	basis, st := s.phase2(r, basis)
	if st == Optimal {
		s.read(d, basis, out)
	}
	return st
}

// newStandard brings d into standard form with b >= eps > 0.
func newStandard(d *data, eps float64) *standard {
	n, m := len(d.cost), len(d.rowLower)
	s := &standard{rowOf: make([]int, m), zOf: make([]int, n+m), wOf: make([]int, n+m)}
	for i := range m {
		s.rowOf[i] = -1
		if finite(d.rowLower[i]) || finite(d.rowUpper[i]) {
			s.rowOf[i] = s.addRow(0)
		}
	}
	for j, c := range d.cols {
		s.zOf[j], s.wOf[j] = -1, -1
		if !s.idle(&c) {
			s.addVariable(j, c, d.cost[j], d.lower[j], d.upper[j])
		}
	}
	for i := range m {
		s.zOf[n+i], s.wOf[n+i] = -1, -1
		if s.rowOf[i] >= 0 {
			s.addVariable(n+i, column{[]int{i}, []float64{-1}}, 0, d.rowLower[i], d.rowUpper[i])
		}
	}
	s.turn()
	s.perturb(eps)
	return s
}

// idle reports whether c has no entries in rows that are not left out.
func (s *standard) idle(c *column) bool {
	for _, i := range c.index {
		if s.rowOf[i] >= 0 {
			return false
		}
	}
	return true
}

func (s *standard) addRow(b float64) int {
	s.b = append(s.b, b)
	s.rows++
	return s.rows - 1
}

// addColumn adds sign times c, whose rows are those of the program.
func (s *standard) addColumn(c column, sign, cost float64) int {
	var p part
	for k, i := range c.index {
		if at := s.rowOf[i]; at >= 0 {
			p.row = append(p.row, at)
			p.value = append(p.value, sign*c.value[k])
		}
	}
	s.cols = append(s.cols, p)
	s.cost = append(s.cost, sign*cost)
	return len(s.cols) - 1
}

// addVariable adds variable v of the program, or vars + row.
func (s *standard) addVariable(v int, c column, cost, lower, upper float64) {
	sign, origin := 1.0, lower
	switch lo, up := finite(lower), finite(upper); {
	case lower == upper:
		sign = 0
	case lo && up:
		s.zOf[v] = s.addColumn(c, 1, cost)
		row := s.addRow(upper - lower)
		s.cols[s.zOf[v]].row = append(s.cols[s.zOf[v]].row, row)
		s.cols[s.zOf[v]].value = append(s.cols[s.zOf[v]].value, 1)
		s.wOf[v] = len(s.cols)
		s.cols = append(s.cols, part{row: []int{row}, value: []float64{1}})
		s.cost = append(s.cost, 0)
		sign = 0
	case lo:
	case up:
		sign, origin = -1, upper
	default:
		origin = 0
		s.wOf[v] = s.addColumn(c, -1, cost)
	}
	if sign != 0 {
		s.zOf[v] = s.addColumn(c, sign, cost)
	}
	for k, i := range c.index {
		if at := s.rowOf[i]; at >= 0 {
			s.b[at] -= c.value[k] * origin
		}
	}
}

// turn gives the rows the sign that makes b >= 0 and finds the basis to start
// from: in each row a column of its own with the entry 1 (a slack), or an
// artificial.
func (s *standard) turn() {
	own := make([]int, s.rows) // a column with its only entry here, or -1
	for i := range own {
		own[i] = -1
	}
	sign := make([]float64, s.rows)
	for j, c := range s.cols {
		if len(c.row) == 1 && math.Abs(c.value[0]) == 1 && s.cost[j] == 0 {
			i := c.row[0]
			if own[i] < 0 || c.value[0]*s.b[i] >= 0 {
				own[i] = j
			}
		}
	}
	for i, b := range s.b {
		sign[i] = 1
		if b < 0 || b == 0 && own[i] >= 0 && s.cols[own[i]].value[0] < 0 {
			sign[i], s.b[i] = -1, -b
		}
	}
	for _, c := range s.cols {
		for k, i := range c.row {
			c.value[k] *= sign[i]
		}
	}
	s.start, s.always = make([]int, s.rows), true
	for i := range s.start {
		if own[i] >= 0 && s.cols[own[i]].value[0] > 0 {
			s.start[i] = own[i]
			continue
		}
		s.always = false
		s.start[i] = len(s.cols)
		s.cols = append(s.cols, part{row: []int{i}, value: []float64{1}, artificial: true})
		s.cost = append(s.cost, 0)
	}
}

// perturb adds between eps and 2 eps, relative to 1 + b_i, to each b_i. The
// amounts are pseudo-random, for regular ones meet again in the vertices of
// regular programs, and the same at every call.
func (s *standard) perturb(eps float64) {
	rnd := rand.New(rand.NewPCG(1, 2))
	s.eps = make([]float64, s.rows)
	for i, b := range s.b {
		s.eps[i] = eps * (1 + rnd.Float64()) * (1 + b)
		s.b[i] += s.eps[i]
	}
}

// phase1 minimises the sum of the artificials and returns a basis without them,
// save in rows that others imply. Prices of phase 1 are at most 1, so the
// perturbations explain no more than their sum.
func (s *standard) phase1(r *run) ([]int, Status) {
	cost := make([]float64, len(s.cols))
	for j, c := range s.cols {
		if c.artificial {
			cost[j] = 1
		}
	}
	z, st := s.call(r, cost, s.b, indices(len(s.cols)), s.start)
	if st != Optimal {
		return nil, st
	}
	var left, most float64
	for j, c := range s.cols {
		if c.artificial {
			left += z[j]
		}
	}
	for _, e := range s.eps {
		most += 2 * e
	}
	basis, ok := s.support(z)
	if left > most || !ok || !s.driveOut(basis) {
		return nil, Numerical
	}
	return basis, Optimal
}

// phase2 minimises the cost from a feasible basis. b is moved, by about the
// perturbation, so that the basis is feasible however phase 1 left it.
func (s *standard) phase2(r *run, basis []int) ([]int, Status) {
	if s.rows == 0 {
		return nil, Optimal
	}
	z := append([]float64(nil), s.b...)
	lu, pivots, ok := s.factor(basis)
	if !ok {
		return nil, Numerical
	}
	lapack64.Getrs(blas.NoTrans, lu, general(s.rows, 1, z), pivots)
	b := make([]float64, s.rows)
	for p, j := range basis {
		v := max(z[p], s.eps[p])
		for k, i := range s.cols[j].row {
			b[i] += s.cols[j].value[k] * v
		}
	}
	in := make([]bool, len(s.cols))
	for _, j := range basis {
		in[j] = true
	}
	var use []int
	for j, c := range s.cols {
		if !c.artificial || in[j] {
			use = append(use, j)
		}
	}
	z, st := s.call(r, s.cost, b, use, basis)
	if st != Optimal {
		return nil, st
	}
	if basis, ok = s.support(z); !ok {
		return nil, Numerical
	}
	return basis, Optimal
}

// support returns the columns where z is not 0, if those are as many as rows.
func (s *standard) support(z []float64) ([]int, bool) {
	var basis []int
	for j, v := range z {
		if v != 0 {
			basis = append(basis, j)
		}
	}
	return basis, len(basis) == s.rows
}

// driveOut swaps artificials in the basis, which are at the perturbation's
// level, for other columns where some column can take the place.
func (s *standard) driveOut(basis []int) bool {
	in := make([]bool, len(s.cols))
	for _, j := range basis {
		in[j] = true
	}
	for p, art := range basis {
		if !s.cols[art].artificial {
			continue
		}
		lu, pivots, ok := s.factor(basis)
		if !ok {
			return false
		}
		u := make([]float64, s.rows) // row p of the inverse
		u[p] = 1
		lapack64.Getrs(blas.Trans, lu, general(s.rows, 1, u), pivots)
		at, most := -1, pivotTol
		for j, c := range s.cols {
			if in[j] || c.artificial {
				continue
			}
			var w float64
			for k, i := range c.row {
				w += u[i] * c.value[k]
			}
			if math.Abs(w) > most {
				at, most = j, math.Abs(w)
			}
		}
		if at >= 0 {
			basis[p], in[at] = at, true
		}
	}
	return true
}

// factor returns the LU factors of the basis.
func (s *standard) factor(basis []int) (blas64.General, []int, bool) {
	lu := general(s.rows, s.rows, make([]float64, s.rows*s.rows))
	for p, j := range basis {
		for k, i := range s.cols[j].row {
			lu.Data[i*lu.Stride+p] = s.cols[j].value[k]
		}
	}
	pivots := make([]int, s.rows)
	return lu, pivots, lapack64.Getrf(lu, pivots)
}

// read translates a basis of the standard form.
func (s *standard) read(d *data, basis []int, out *Basis) {
	n, m := len(d.cost), len(d.rowLower)
	in := make([]bool, len(s.cols))
	implied := make([]bool, s.rows) // rows whose artificial stayed
	for _, j := range basis {
		in[j] = true
		if c := &s.cols[j]; c.artificial {
			implied[c.row[0]] = true
		}
	}
	status := func(v int, boxed bool) BasisStatus {
		z := s.zOf[v] >= 0 && in[s.zOf[v]]
		w := s.wOf[v] >= 0 && in[s.wOf[v]]
		switch {
		case boxed && z && w, !boxed && (z || w):
			return Basic
		case boxed && z:
			return AtUpper
		}
		return AtLower // or what settle makes of it
	}
	out.size(n, m)
	for j := range n {
		if s.idle(&d.cols[j]) {
			out.Variable[j], _ = best(d.cost[j], d.lower[j], d.upper[j])
			continue
		}
		out.Variable[j] = status(j, finite(d.lower[j]) && finite(d.upper[j]))
	}
	for i := range m {
		at := s.rowOf[i]
		if at < 0 || implied[at] {
			out.Row[i] = Basic
			continue
		}
		out.Row[i] = status(n+i, finite(d.rowLower[i]) && finite(d.rowUpper[i]))
	}
}

// call runs gonum's simplex over the columns use, from the basis, and returns
// the point over all columns.
func (s *standard) call(r *run, cost, b []float64, use, basis []int) (z []float64, st Status) {
	a := &watched{rows: s.rows, cols: len(use), data: make([]float64, s.rows*len(use)), run: r}
	c := make([]float64, len(use))
	to := make([]int, len(s.cols))
	for q, j := range use {
		to[j] = q
		c[q] = cost[j]
		for k, i := range s.cols[j].row {
			a.data[i*a.cols+q] = s.cols[j].value[k]
		}
	}
	first := make([]int, len(basis))
	for p, j := range basis {
		first[p] = to[j]
	}
	a.arm()
	defer func() {
		if p := recover(); p != nil {
			z, st = nil, Numerical // gonum panics on some bases that are all but singular
			if stop, ok := p.(stopped); ok {
				st = stop.status
			}
		}
	}()
	_, x, err := lp.Simplex(c, a, b, priceTol, first)
	if err != nil {
		return nil, Numerical
	}
	z = make([]float64, len(s.cols))
	for q, j := range use {
		z[j] = x[q]
	}
	return z, Optimal
}

// priceTol ends gonum's simplex: the least reduced cost of the scaled program.
const priceTol = 1e-12

// watched is a matrix that counts how often gonum comes back to it, once an
// iteration, and stops it by a panic with stopped at a limit.
type watched struct {
	rows, cols int
	data       []float64
	run        *run
	setup      int // readings of row 0 before the first iteration
}

type stopped struct{ status Status }

// arm counts what lp.Simplex reads before it iterates: row 0 up to its first
// nonzero and each column once for its checks, each column once for the split in
// basic and others.
func (w *watched) arm() {
	w.setup = 2 * w.cols
	for j := range w.cols {
		w.setup++
		if w.data[j] != 0 {
			break
		}
	}
}

func (w *watched) Dims() (r, c int) { return w.rows, w.cols }
func (w *watched) T() mat.Matrix    { return mat.Transpose{Matrix: w} }
func (w *watched) At(i, j int) float64 {
	if i == 0 {
		w.tick()
	}
	return w.data[i*w.cols+j]
}

func (w *watched) tick() {
	if w.setup > 0 {
		w.setup--
		return
	}
	if over := w.run.over(); over != NotRun {
		panic(stopped{over})
	}
	w.run.iterations++
}

func indices(n int) []int {
	s := make([]int, n)
	for i := range s {
		s[i] = i
	}
	return s
}
