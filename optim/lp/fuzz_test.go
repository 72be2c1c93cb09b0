package lp

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// soundTol is the tolerance to which verify may hold a solution of Defaults. The
// solver adds the sizes of cost and prices where verify takes the larger of the
// two, so that 1e-9 there is up to 2e-9 here; the rest is rounding.
const soundTol = 2.1e-9

// FuzzSolver solves programs of small whole numbers, integers among the
// variables or not, by every backend, edits them, solves them again, and then with
// rows, variables, costs and bounds in units that powers of two relate: the outcome
// is the same, as scaling by powers of two is exact. Last, odd numbers take the
// place of some: a status or an error, and no NaN in a solution.
func FuzzSolver(f *testing.F) {
	rng := rand.New(rand.NewPCG(8, 9))
	for range 40 {
		data := make([]byte, 2048)
		for i := range data {
			data[i] = byte(rng.Uint64() >> (8 * rng.IntN(8)))
		}
		f.Add(data)
	}
	f.Fuzz(rapid.MakeFuzz(fuzzSolver))
}

func fuzzSolver(t *rapid.T) {
	p := drawProblem(t)
	if rapid.Bool().Draw(t, "integers") {
		p.Integer = make([]bool, len(p.Cost))
		p.Integer[0] = true
		for j := range p.Cost {
			p.Integer[j] = p.Integer[j] || rapid.Bool().Draw(t, "integer")
			if math.IsInf(p.Lower[j], -1) {
				p.Lower[j] = -9 // branch and bound may not end on unbounded integers
			}
			p.Upper[j] = math.Min(p.Upper[j], p.Lower[j]+9)
		}
	}
	first := solveFuzzed(t, p, nil)
	solveFuzzed(t, p, drawUnits(t, p, first))
	if p.Integer == nil {
		s, err := backends[0].new(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		var kept Solution
		for range 3 {
			if err := s.Solve(context.Background(), &kept); err != nil {
				t.Fatal(err)
			}
			verify(t, p, &kept, soundTol)
			p = drawEdit(t, s, p)
		}
		if err := s.Solve(context.Background(), &kept); err != nil {
			t.Fatal(err)
		}
		if again := solveFuzzed(t, p, nil); decided(&kept) {
			sameFuzzed(t, p, &kept, again)
		}
	}
	solveOdd(t, p)
}

// units are exponents of two, and the solution without them.
type units struct {
	row, col     []int
	cost, bounds int
	known        *Solution
}

// drawUnits draws units for p, whose solution is known. Integers keep theirs.
func drawUnits(t *rapid.T, p *Problem, known *Solution) *units {
	u := &units{known: known}
	exponent := func() int { return rapid.IntRange(-30, 30).Draw(t, "exponent") }
	for range p.Rows {
		u.row = append(u.row, exponent())
	}
	for range p.Cost {
		e := exponent()
		if p.Integer != nil {
			e = 0
		}
		u.col = append(u.col, e)
	}
	u.cost = exponent()
	if p.Integer == nil {
		u.bounds = exponent()
	}
	return u
}

// apply returns p in the units of u: x_j is counted in 2^col_j, row i in 2^row_i.
func (u *units) apply(p *Problem) *Problem {
	q := &Problem{Integer: p.Integer}
	for j, c := range p.Cost {
		q.Cost = append(q.Cost, math.Ldexp(c, u.cost+u.col[j]))
		l, h := p.bounds(j)
		q.Lower = append(q.Lower, math.Ldexp(l, u.bounds-u.col[j]))
		q.Upper = append(q.Upper, math.Ldexp(h, u.bounds-u.col[j]))
	}
	for i, r := range p.Rows {
		s := Row{Index: r.Index, Lower: math.Ldexp(r.Lower, u.bounds+u.row[i]), Upper: math.Ldexp(r.Upper, u.bounds+u.row[i])}
		for k, v := range r.Value {
			s.Value = append(s.Value, math.Ldexp(v, u.row[i]+u.col[r.Index[k]]))
		}
		q.Rows = append(q.Rows, s)
	}
	return q
}

// solveFuzzed solves p, in the units of u unless that is nil, by every backend,
// checks the solutions and holds them against each other and what is known.
func solveFuzzed(t *rapid.T, p *Problem, u *units) *Solution {
	q := p
	var want *Solution
	if u != nil {
		q = u.apply(p)
		if decided(u.known) {
			want = u.known
		}
	}
	set := Defaults()
	set.NodeLimit, set.IterationLimit = 200, 20000
	var first *Solution
	for _, b := range backends {
		sol := solveOnce(t, b, q, &set)
		if sol.Status == NotRun || sol.Status == Cancelled || sol.Status == TimeLimit {
			t.Fatalf("%s: status %v", b.name, sol.Status)
		}
		if u != nil && sol.Status == Optimal {
			sol.Objective = math.Ldexp(sol.Objective, -u.cost-u.bounds)
			for j := range sol.X {
				sol.X[j] = math.Ldexp(sol.X[j], u.col[j]-u.bounds)
			}
			for i := range sol.RowDual {
				sol.RowDual[i] = math.Ldexp(sol.RowDual[i], u.row[i]-u.cost)
			}
			for j := range sol.ReducedCost {
				sol.ReducedCost[j] = math.Ldexp(sol.ReducedCost[j], -u.col[j]-u.cost)
			}
		}
		verify(t, p, sol, soundTol)
		if !decided(sol) {
			continue
		}
		if want != nil {
			sameFuzzed(t, p, want, sol)
		}
		want = sol
		if first == nil {
			first = sol
		}
	}
	if first == nil {
		first = &Solution{Status: Numerical, Objective: math.NaN()}
	}
	return first
}

// decided reports whether a solve found what the program is.
func decided(s *Solution) bool {
	return slices.Contains([]Status{Optimal, Infeasible, Unbounded}, s.Status)
}

func sameFuzzed(t *rapid.T, p *Problem, a, b *Solution) {
	t.Helper()
	if !decided(a) || !decided(b) {
		return
	}
	if a.Status != b.Status {
		t.Fatalf("status %v and %v", a.Status, b.Status)
	}
	if a.Status != Optimal {
		return
	}
	size := 1.0
	for j, c := range p.Cost {
		size += math.Abs(c * a.X[j])
	}
	if math.Abs(a.Objective-b.Objective) > 2*soundTol*size {
		t.Fatalf("objective %v and %v", a.Objective, b.Objective)
	}
}

// solveOdd puts odd numbers into p.
func solveOdd(t *rapid.T, p *Problem) {
	odd := func() float64 {
		return rapid.SampledFrom([]float64{math.NaN(), inf, -inf, 1e300, -1e300, 5e-324, 1e25, -1e-25, 0}).Draw(t, "odd")
	}
	q := &Problem{Cost: slices.Clone(p.Cost), Lower: slices.Clone(p.Lower), Upper: slices.Clone(p.Upper)}
	for _, r := range p.Rows {
		q.Rows = append(q.Rows, Row{r.Index, slices.Clone(r.Value), r.Lower, r.Upper})
	}
	for range rapid.IntRange(1, 3).Draw(t, "odd numbers") {
		switch kind := rapid.IntRange(0, 4).Draw(t, "where"); {
		case kind == 0:
			q.Cost[rapid.IntRange(0, len(q.Cost)-1).Draw(t, "cost")] = odd()
		case kind == 1:
			q.Lower[rapid.IntRange(0, len(q.Lower)-1).Draw(t, "lower")] = odd()
		case kind == 2:
			q.Upper[rapid.IntRange(0, len(q.Upper)-1).Draw(t, "upper")] = odd()
		case len(q.Rows) > 0:
			r := &q.Rows[rapid.IntRange(0, len(q.Rows)-1).Draw(t, "row")]
			if kind == 3 || len(r.Value) == 0 {
				r.Upper = odd()
			} else {
				r.Value[rapid.IntRange(0, len(r.Value)-1).Draw(t, "entry")] = odd()
			}
		}
	}
	for _, b := range backends {
		s, err := b.new(q, nil)
		if err != nil {
			continue
		}
		var sol Solution
		if err := s.Solve(context.Background(), &sol); err != nil {
			t.Fatal(err)
		}
		s.Close()
		if sol.Status == NotRun {
			t.Fatal("not run")
		}
		if sol.Status != Optimal {
			continue
		}
		for _, v := range slices.Concat(sol.X, sol.RowDual, sol.ReducedCost, []float64{sol.Objective}) {
			if !finite(v) {
				t.Fatalf("%s: %v in %+v", b.name, v, sol)
			}
		}
		for j, x := range sol.X {
			if l, u := q.bounds(j); !(l <= x && x <= u) {
				t.Errorf("%s: x[%d] = %v, must be in [%v, %v]", b.name, j, x, l, u)
			}
		}
	}
}
