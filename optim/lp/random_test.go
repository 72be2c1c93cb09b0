package lp

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// drawProblem draws a program of small whole numbers: ties, degenerate vertices,
// implied rows, empty rows and columns are common, and of the outcomes none is
// rare.
func drawProblem(t *rapid.T) *Problem {
	n := rapid.IntRange(1, 7).Draw(t, "vars")
	p := &Problem{}
	for range n {
		p.Cost = append(p.Cost, drawNumber(t, -4, 6))
		l, u := drawBounds(t)
		p.Lower, p.Upper = append(p.Lower, l), append(p.Upper, u)
	}
	for range rapid.IntRange(0, 7).Draw(t, "rows") {
		p.Rows = append(p.Rows, drawRow(t, n))
	}
	return p
}

func drawNumber(t *rapid.T, lo, hi int) float64 {
	return float64(rapid.IntRange(lo, hi).Draw(t, "number"))
}

func drawBounds(t *rapid.T) (lower, upper float64) {
	switch l := drawNumber(t, -4, 4); rapid.IntRange(0, 7).Draw(t, "bounds") {
	case 0:
		return -inf, inf
	case 1:
		return -inf, l
	case 2:
		return l, l + drawNumber(t, 0, 5)
	case 3:
		return 0, drawNumber(t, 0, 9)
	}
	return 0, inf
}

func drawSides(t *rapid.T) (lower, upper float64) {
	switch l := drawNumber(t, -6, 14); rapid.IntRange(0, 9).Draw(t, "sides") {
	case 0:
		return -inf, inf
	case 1, 2:
		return l, l
	case 3:
		return l, l + drawNumber(t, 1, 5)
	case 4, 5, 6:
		return -inf, l
	default:
		return l, inf
	}
}

func drawRow(t *rapid.T, n int) Row {
	var r Row
	for j := range n {
		if v := drawNumber(t, -8, 6); v >= -4 {
			r.Index = append(r.Index, j)
			r.Value = append(r.Value, v) // 0 as well
		}
	}
	r.Lower, r.Upper = drawSides(t)
	return r
}

// sameOutcome fails unless the two agree on the status and the objective of p.
func sameOutcome(t *rapid.T, p *Problem, a, b *Solution) {
	t.Helper()
	if a.Status != b.Status {
		t.Fatalf("status %v and %v", a.Status, b.Status)
	}
	if a.Status != Optimal {
		return
	}
	size := 0.0
	for j, c := range p.Cost {
		size += math.Abs(c * a.X[j])
	}
	if math.Abs(a.Objective-b.Objective) > 1e-11*(1+size) {
		t.Fatalf("objective %v and %v", a.Objective, b.Objective)
	}
}

// TestRandom checks every solution against the program, and the backends against
// each other.
func TestRandom(t *testing.T) {
	seen := map[Status]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t)
		var sols []*Solution
		for _, b := range backends {
			sol := solveOnce(t, b, p, nil)
			if !slices.Contains([]Status{Optimal, Infeasible, Unbounded}, sol.Status) {
				t.Fatalf("%s: status %v", b.name, sol.Status)
			}
			verify(t, p, sol, 1e-10)
			sols = append(sols, sol)
			sameOutcome(t, p, sols[0], sol)
		}
		seen[sols[0].Status]++
	})
	if len(seen) != 3 {
		t.Errorf("outcomes drawn: %v, want three kinds", seen)
	}
}

// TestEdits checks that a solver which is kept through edits ends where a new one
// does that is given the edited program.
func TestEdits(t *testing.T) {
	for _, b := range backends {
		t.Run(b.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				p := drawProblem(t)
				s, err := b.new(p, nil)
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				var kept Solution
				for range rapid.IntRange(1, 6).Draw(t, "edits") {
					if rapid.Bool().Draw(t, "solve") {
						if err := s.Solve(context.Background(), &kept); err != nil {
							t.Fatal(err)
						}
					}
					p = drawEdit(t, s, p)
				}
				if err := s.Solve(context.Background(), &kept); err != nil {
					t.Fatal(err)
				}
				verify(t, p, &kept, 1e-10)
				sameOutcome(t, p, solveOnce(t, b, p, nil), &kept)
			})
		})
	}
}

// drawEdit draws an edit, makes it in s, and returns p with it.
func drawEdit(t *rapid.T, s Solver, p *Problem) *Problem {
	q := &Problem{
		Cost:  slices.Clone(p.Cost),
		Rows:  slices.Clone(p.Rows),
		Lower: slices.Clone(p.Lower),
		Upper: slices.Clone(p.Upper),
	}
	m, n := len(p.Rows), len(p.Cost)
	var err error
	switch kind := rapid.IntRange(0, 3).Draw(t, "edit"); {
	case kind == 0 && m > 0:
		i := rapid.IntRange(0, m-1).Draw(t, "row")
		q.Rows[i].Lower, q.Rows[i].Upper = drawSides(t)
		err = s.SetRowBounds(i, q.Rows[i].Lower, q.Rows[i].Upper)
	case kind <= 1:
		j := rapid.IntRange(0, n-1).Draw(t, "variable")
		q.Cost[j] = drawNumber(t, -4, 6)
		err = s.SetCost(j, q.Cost[j])
	case kind == 2:
		cost := drawNumber(t, -4, 6)
		l, u := drawBounds(t)
		col := drawRow(t, m) // of rows
		for k, i := range col.Index {
			r := &q.Rows[i]
			r.Index = append(slices.Clone(r.Index), n)
			r.Value = append(slices.Clone(r.Value), col.Value[k])
		}
		q.Cost, q.Lower, q.Upper = append(q.Cost, cost), append(q.Lower, l), append(q.Upper, u)
		err = s.AddColumn(cost, col.Index, col.Value, l, u)
	default:
		r := drawRow(t, n)
		q.Rows = append(q.Rows, r)
		err = s.AddRow(r)
	}
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// TestBasis checks that no start, however bad, changes the outcome.
func TestBasis(t *testing.T) {
	for _, b := range backends {
		t.Run(b.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				p := drawProblem(t)
				s, err := b.new(p, nil)
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				if err := s.SetBasis(drawBasis(t, len(p.Cost), len(p.Rows))); err != nil {
					t.Fatal(err)
				}
				var sol Solution
				if err := s.Solve(context.Background(), &sol); err != nil {
					t.Fatal(err)
				}
				verify(t, p, &sol, 1e-10)
				sameOutcome(t, p, solveOnce(t, b, p, nil), &sol)
			})
		})
	}
}

// TestBasisRestart checks that the basis of an optimum, set on a new solver, is
// taken for what it is: with rows and variables at either bound, no pivot is left
// to do.
func TestBasisRestart(t *testing.T) {
	// Derived: the last two variables go to their bounds and every row decides
	// one of the first four.
	p := &Problem{
		Cost: []float64{1, -1, 2, -2, 3, -3},
		Rows: []Row{
			row(1, 5, 1, 0, 0, 0, 0.1, 0.1), row(1, 5, 0, 1, 0, 0, 0.1, -0.1),
			row(1, inf, 0.1, 0, 1, 0, 0, 0), row(-inf, 5, 0, 0.1, 0, 1, 0, 0),
		},
		Upper: []float64{inf, inf, inf, inf, 2, 2},
	}
	for _, b := range backends {
		s, err := b.new(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.Basis(); len(got.Variable)+len(got.Row) != 0 {
			t.Errorf("%s: basis %v before the first solve", b.name, got)
		}
		var sol Solution
		mustSolve(t, s, context.Background(), &sol)
		basis := s.Basis()
		s.Close()
		want := Basis{
			Variable: []BasisStatus{Basic, Basic, Basic, Basic, AtLower, AtUpper},
			Row:      []BasisStatus{AtLower, AtUpper, AtLower, AtUpper},
		}
		if !cmp.Equal(basis, want) {
			t.Errorf("%s: basis %v, want %v", b.name, basis, want)
		}
		if s, err = b.new(p, nil); err != nil {
			t.Fatal(err)
		}
		if err := s.SetBasis(basis); err != nil {
			t.Fatal(err)
		}
		var again Solution
		mustSolve(t, s, context.Background(), &again)
		s.Close()
		if again.Iterations != 0 && b.name != "simplex" {
			t.Errorf("%s: %d iterations from the optimal basis", b.name, again.Iterations)
		}
		again.Iterations = sol.Iterations
		if !cmp.Equal(again, sol) {
			t.Errorf("%s: %+v, then %+v", b.name, sol, again)
		}
	}
}

// drawBasis draws a basis that need not even be regular.
func drawBasis(t *rapid.T, n, m int) Basis {
	all := make([]BasisStatus, n+m)
	for k := range all {
		all[k] = rapid.SampledFrom([]BasisStatus{AtLower, AtUpper, AtZero}).Draw(t, "status")
	}
	perm := rapid.Permutation(indices(n+m)).Draw(t, "basic")
	for _, k := range perm[:m] {
		all[k] = Basic
	}
	return Basis{Variable: all[:n], Row: all[n:]}
}
