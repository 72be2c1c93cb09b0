package lp

import (
	"context"
	"errors"
	"math"
	"time"
)

// engine is what a backend provides. It reads the scaled program and m.edits,
// the changes since its last call; the solver empties that list afterwards.
type engine interface {
	// relax solves the program without its integrality. If it finds an optimum it
	// sets out to the vertex and returns Optimal; if a limit ends the search it
	// returns that; for all else Numerical. It starts from start unless that is
	// nil. Higher attempts take other paths.
	relax(m *model, r *run, start, out *Basis, attempt int) Status

	close()
}

// attempts is how many paths relax has.
const attempts = 3

// run is what one Solve may still spend.
type run struct {
	ctx                       context.Context
	deadline                  time.Time // zero for none
	iterations, nodes         int       // spent
	iterationLimit, nodeLimit int       // math.MaxInt for none
}

// over returns the limit that ends everything, if one is used up, or NotRun.
func (r *run) over() Status {
	switch err := r.ctx.Err(); {
	case errors.Is(err, context.DeadlineExceeded):
		return TimeLimit
	case err != nil:
		return Cancelled
	case !r.deadline.IsZero() && !time.Now().Before(r.deadline):
		return TimeLimit
	case r.iterations >= r.iterationLimit:
		return IterationLimit
	}
	return NotRun
}

// solver is the Solver over any engine.
type solver struct {
	eng   engine // nil once closed
	set   Settings
	model *model
	basis Basis // to start from; empty for none
	found Basis // scratch for relax
	vert  vertex
	x     []float64 // scratch for integer
}

var _ Solver = (*solver)(nil)

func newSolver(p *Problem, set *Settings, eng engine) (Solver, error) {
	if set == nil {
		d := Defaults()
		set = &d
	}
	if err := errors.Join(set.Validate(), p.Validate()); err != nil {
		return nil, err
	}
	s := &solver{eng: eng, set: *set, model: newModel(p)}
	s.model.rescale(set.Scale)
	return s, nil
}

// Solve implements Solver.
func (s *solver) Solve(ctx context.Context, sol *Solution) error {
	sol.Status, sol.Objective = NotRun, math.NaN()
	sol.X, sol.RowDual, sol.ReducedCost = sol.X[:0], sol.RowDual[:0], sol.ReducedCost[:0]
	sol.Iterations, sol.Nodes = 0, 0
	if s.eng == nil {
		return ErrClosed
	}
	r := newRun(ctx, &s.set)
	sol.Status = s.solve(r)
	sol.Iterations, sol.Nodes = r.iterations, r.nodes
	if sol.Status == Optimal && !s.fill(sol) {
		sol.Status = Numerical
	}
	return nil
}

func newRun(ctx context.Context, set *Settings) *run {
	r := &run{ctx: ctx, iterationLimit: set.IterationLimit, nodeLimit: set.NodeLimit}
	if r.iterationLimit == 0 {
		r.iterationLimit = math.MaxInt
	}
	if r.nodeLimit == 0 {
		r.nodeLimit = math.MaxInt
	}
	if set.TimeLimit > 0 {
		r.deadline = time.Now().Add(set.TimeLimit)
	}
	return r
}

func (s *solver) solve(r *run) Status {
	m := s.model
	if st := r.over(); st != NotRun {
		return st
	}
	if m.raw.crossed() {
		return Infeasible
	}
	if s.set.Scale && m.drifted() {
		m.rescale(true)
	}
	if m.lost {
		return Numerical
	}
	if m.integer != nil {
		return s.solveInteger(r)
	}
	st := s.relax(r, &s.basis)
	if st == Numerical && s.set.Scale && m.touched {
		m.rescale(true) // some row or cost may have gone its own way
		st = s.relax(r, &s.basis)
	}
	if st == Optimal {
		s.basis.copyFrom(&s.found)
	}
	return st
}

// relax solves the program without its integrality, from start unless that is
// nil or empty, into s.vert and s.found. Every outcome is proved by a vertex
// that passed the check: an optimum by itself, the others by programs that have
// an optimum.
func (s *solver) relax(r *run, start *Basis) Status {
	if s.model.raw.nonzeros() == 0 {
		return s.relaxTrivial()
	}
	if start != nil && start.empty() {
		start = nil
	}
	if st := s.attempt(r, s.model, start, 0); st != Numerical {
		return st
	}
	if st := s.refute(r); st != Numerical {
		return st
	}
	return s.persist(r, s.model, 1)
}

// attempt asks the engine once for an optimal vertex of m.
func (s *solver) attempt(r *run, m *model, start *Basis, k int) Status {
	if over := r.over(); over != NotRun {
		return over
	}
	st := s.eng.relax(m, r, start, &s.found, k)
	m.edits = m.edits[:0]
	if st == Optimal && !s.vert.evaluate(&m.scaled, &s.found, &s.set) {
		return Numerical
	}
	return st
}

// persist asks, from attempt k on, until the answer holds.
func (s *solver) persist(r *run, m *model, k int) Status {
	for ; k < attempts; k++ {
		if st := s.attempt(r, m, nil, k); st != Numerical {
			return st
		}
	}
	return Numerical
}

// refute proves that the program has no optimum, or finds it after all: it seeks
// a feasible vertex at the least sum of violations, starts from there, and last
// seeks a ray.
func (s *solver) refute(r *run) Status {
	m := s.model
	defer func() { m.edits = append(m.edits[:0], edit{kind: editAll}) }() // the engine holds another program
	d := &m.scaled
	elastic := &model{scaled: *d.elastic(), edits: []edit{{kind: editAll}}}
	if st := s.persist(r, elastic, 0); st != Optimal {
		return st
	}
	if s.vert.objective(&elastic.scaled) > s.vert.allowance {
		return Infeasible
	}
	feasible := s.found.restrict(len(d.cost), elastic.scaled.cols)
	m.edits = append(m.edits[:0], edit{kind: editAll})
	if st := s.attempt(r, m, feasible, 0); st != Numerical {
		return st
	}
	ray := &model{scaled: *d.recession(), edits: []edit{{kind: editAll}}}
	if st := s.persist(r, ray, 0); st != Optimal {
		return st
	}
	if -s.vert.objective(&ray.scaled) > s.vert.allowance && !m.capped {
		return Unbounded
	}
	return Numerical
}

// relaxTrivial is relax for a matrix without entries.
func (s *solver) relaxTrivial() Status {
	d, b := &s.model.scaled, &s.found
	b.size(len(d.cost), len(d.rowLower))
	for i := range b.Row {
		b.Row[i] = Basic
		if d.rowLower[i] > 0 || d.rowUpper[i] < 0 {
			return Infeasible
		}
	}
	for j, c := range d.cost {
		st, ok := best(c, d.lower[j], d.upper[j])
		if !ok {
			return Unbounded
		}
		b.Variable[j] = st
	}
	if !s.vert.evaluate(d, b, &s.set) {
		return Numerical
	}
	return Optimal
}

// best returns where a variable that occurs in no row is best off, and false
// when that is at infinity.
func best(cost, lower, upper float64) (BasisStatus, bool) {
	switch {
	case cost > 0:
		return AtLower, !math.IsInf(lower, -1)
	case cost < 0:
		return AtUpper, !math.IsInf(upper, 1)
	}
	return settle(AtLower, lower, upper), true
}

// solveInteger finds the integers first, then fixes them and solves for the
// rest, so that they are whole exactly and the rest is computed and checked like
// any other vertex.
func (s *solver) solveInteger(r *run) Status {
	m := s.model
	s.x = resize(s.x, m.vars())
	st := s.branch(r, s.x)
	if st != Optimal {
		return st
	}
	defer s.release()
	for j, is := range m.integer {
		if is {
			v := math.Round(s.x[j])
			m.setBounds(j, v, v)
		}
	}
	st = s.relax(r, nil)
	if st == Infeasible || st == Unbounded {
		return Numerical
	}
	return st
}

// release gives the integers their own bounds back.
func (s *solver) release() {
	m := s.model
	for j, is := range m.integer {
		if is {
			m.setBounds(j, m.raw.lower[j], m.raw.upper[j])
		}
	}
}

// fill writes the vertex into sol, unscaled. It reports whether all is finite.
func (s *solver) fill(sol *Solution) bool {
	m, v := s.model, &s.vert
	sol.X = resize(sol.X, m.vars())
	objective := 0.0
	ok := true
	for j := range sol.X {
		x := m.primal(j, v.x[j])
		sol.X[j] = min(max(x, m.raw.lower[j]), m.raw.upper[j])
		objective += m.raw.cost[j] * x
		ok = ok && finite(x) && sol.X[j] == x // else a bound beyond huge is passed
	}
	if m.integer == nil {
		sol.RowDual = resize(sol.RowDual, m.rows())
		for i := range sol.RowDual {
			sol.RowDual[i] = m.price(i, v.y[i])
			ok = ok && finite(sol.RowDual[i])
		}
		sol.ReducedCost = resize(sol.ReducedCost, m.vars())
		for j := range sol.ReducedCost {
			sol.ReducedCost[j] = m.reduced(j, v.d[j])
			ok = ok && finite(sol.ReducedCost[j])
		}
	}
	if ok = ok && finite(objective); ok {
		sol.Objective = objective
		return true
	}
	sol.X, sol.RowDual, sol.ReducedCost = sol.X[:0], sol.RowDual[:0], sol.ReducedCost[:0]
	return false
}

// SetRowBounds implements Solver.
func (s *solver) SetRowBounds(i int, lower, upper float64) error {
	if s.eng == nil {
		return ErrClosed
	}
	if err := s.model.checkRow(i); err != nil {
		return err
	}
	if err := checkBounds("row", i, lower, upper); err != nil {
		return err
	}
	s.model.setRowBounds(i, lower, upper)
	return nil
}

// SetCost implements Solver.
func (s *solver) SetCost(j int, cost float64) error {
	if s.eng == nil {
		return ErrClosed
	}
	if err := s.model.checkVariable(j); err != nil {
		return err
	}
	if err := checkCost(j, cost); err != nil {
		return err
	}
	s.model.setCost(j, cost)
	return nil
}

// AddColumn implements Solver.
func (s *solver) AddColumn(cost float64, index []int, value []float64, lower, upper float64) error {
	if s.eng == nil {
		return ErrClosed
	}
	j := s.model.vars()
	err := errors.Join(
		checkCost(j, cost),
		checkVector("variable", j, index, value, make([]int, s.model.rows()), 1),
		checkBounds("variable", j, lower, upper))
	if err != nil {
		return err
	}
	s.model.addColumn(cost, index, value, lower, upper)
	if !s.basis.empty() {
		s.basis.Variable = append(s.basis.Variable, settle(AtLower, lower, upper))
	}
	return nil
}

// AddRow implements Solver.
func (s *solver) AddRow(row Row) error {
	if s.eng == nil {
		return ErrClosed
	}
	i := s.model.rows()
	err := errors.Join(
		checkVector("row", i, row.Index, row.Value, make([]int, s.model.vars()), 1),
		checkBounds("row", i, row.Lower, row.Upper))
	if err != nil {
		return err
	}
	s.model.addRow(&row)
	if !s.basis.empty() {
		s.basis.Row = append(s.basis.Row, Basic)
	}
	return nil
}

// Basis implements Solver.
func (s *solver) Basis() Basis {
	var b Basis
	b.copyFrom(&s.basis)
	return b
}

// SetBasis implements Solver.
func (s *solver) SetBasis(b Basis) error {
	if s.eng == nil {
		return ErrClosed
	}
	if err := b.check(s.model.vars(), s.model.rows()); err != nil {
		return err
	}
	s.basis.copyFrom(&b)
	return nil
}

// Close implements Solver.
func (s *solver) Close() error {
	if s.eng != nil {
		s.eng.close()
		s.eng = nil
	}
	return nil
}
