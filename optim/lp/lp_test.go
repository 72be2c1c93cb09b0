package lp

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

var inf = math.Inf(1)

// tester is what testing.T and rapid.T share.
type tester interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
	Fatal(args ...any)
}

// row returns a dense row.
func row(lower, upper float64, value ...float64) Row {
	r := Row{Lower: lower, Upper: upper}
	for j, v := range value {
		r.Index = append(r.Index, j)
		r.Value = append(r.Value, v)
	}
	return r
}

// solveOnce solves p on a fresh solver.
func solveOnce(tb tester, b backend, p *Problem, set *Settings) *Solution {
	tb.Helper()
	s, err := b.new(p, set)
	if err != nil {
		tb.Fatal(err)
	}
	defer s.Close()
	var sol Solution
	if err := s.Solve(context.Background(), &sol); err != nil {
		tb.Fatal(err)
	}
	return &sol
}

// verify checks a solution against p alone: primal feasibility, and for programs
// without integers the signs of prices and reduced costs, complementary slackness
// and strong duality (any textbook on linear programming). Each check is relative
// to the terms that meet in it.
func verify(tb tester, p *Problem, sol *Solution, tol float64) {
	tb.Helper()
	n, m := len(p.Cost), len(p.Rows)
	if sol.Status != Optimal {
		if len(sol.X)+len(sol.RowDual)+len(sol.ReducedCost) != 0 || !math.IsNaN(sol.Objective) {
			tb.Fatalf("%v with a solution: %+v", sol.Status, sol)
		}
		return
	}
	if len(sol.X) != n {
		tb.Fatalf("len(X) = %d, want %d", len(sol.X), n)
	}
	whole := len(p.Integer) > 0
	objective, objectiveSize := 0.0, 0.0
	act, size := make([]float64, m), make([]float64, m)
	most := 0.0
	for j, x := range sol.X {
		if l, u := p.bounds(j); !(l <= x && x <= u) {
			tb.Errorf("x[%d] = %v, must be in [%v, %v]", j, x, l, u)
		}
		if whole && p.Integer[j] && x != math.Round(x) {
			tb.Errorf("x[%d] = %v, must be whole", j, x)
		}
		objective += p.Cost[j] * x
		objectiveSize += math.Abs(p.Cost[j] * x)
		most = max(most, math.Abs(x))
	}
	for i, r := range p.Rows {
		widest := 0.0
		for k, j := range r.Index {
			act[i] += r.Value[k] * sol.X[j]
			size[i] += math.Abs(r.Value[k] * sol.X[j])
			widest = max(widest, math.Abs(r.Value[k]))
		}
		slack := tol*size[i] + 1e-12*widest*most
		if act[i] < r.Lower-slack-tol*math.Abs(r.Lower) || act[i] > r.Upper+slack+tol*math.Abs(r.Upper) {
			tb.Errorf("row %d is %v, must be in [%v, %v]", i, act[i], r.Lower, r.Upper)
		}
	}
	if d := math.Abs(objective - sol.Objective); !(d <= tol*objectiveSize) {
		tb.Errorf("objective %v, c'x is %v", sol.Objective, objective)
	}
	if whole {
		if len(sol.RowDual)+len(sol.ReducedCost) != 0 {
			tb.Errorf("prices of a program with integers")
		}
		return
	}
	if len(sol.RowDual) != m || len(sol.ReducedCost) != n {
		tb.Fatalf("%d prices and %d reduced costs, want %d and %d", len(sol.RowDual), len(sol.ReducedCost), m, n)
	}
	dual, dualSize := 0.0, objectiveSize
	rest := append([]float64(nil), p.Cost...)
	terms := make([]float64, n) // sum of |y a|, and the rounding of the largest y
	dearest := 0.0
	for _, y := range sol.RowDual {
		dearest = max(dearest, math.Abs(y))
	}
	for i, y := range sol.RowDual {
		r := p.Rows[i]
		bound := r.Lower
		if y < 0 {
			bound = r.Upper
		}
		if y == 0 {
			continue
		}
		if math.Abs(act[i]-bound) > tol*max(size[i], math.Abs(bound))+1e-12*most {
			tb.Errorf("row %d is %v, in [%v, %v], and has the price %v", i, act[i], r.Lower, r.Upper, y)
		}
		dual += y * bound
		dualSize += math.Abs(y * bound)
		for k, j := range r.Index {
			rest[j] -= y * r.Value[k]
			terms[j] += math.Abs(y*r.Value[k]) + 1e-3*dearest*math.Abs(r.Value[k])
		}
	}
	for j, d := range sol.ReducedCost {
		if math.Abs(d-rest[j]) > tol*max(terms[j], math.Abs(p.Cost[j])) {
			tb.Errorf("reduced cost %d is %v, cost less prices %v", j, d, rest[j])
		}
		if d == 0 {
			continue
		}
		l, u := p.bounds(j)
		bound := l
		if d < 0 {
			bound = u
		}
		if sol.X[j] != bound {
			tb.Errorf("x[%d] = %v, in [%v, %v], has the reduced cost %v", j, sol.X[j], l, u, d)
		}
		dual += d * bound
		dualSize += math.Abs(d * bound)
	}
	if !(math.Abs(dual-objective) <= tol*dualSize) {
		tb.Errorf("primal %v, dual %v", objective, dual)
	}
}

// textbook lists programs whose outcome is known.
var textbook = []struct {
	name, source string
	p            Problem
	status       Status
	objective    float64
	x, rowDual   []float64 // nil where not unique
}{
	{
		name:   "Wyndor Glass",
		source: "Hillier and Lieberman, Introduction to Operations Research, section 3.1; duals section 6.1 (from memory)",
		p: Problem{
			Cost: []float64{-3, -5},
			Rows: []Row{row(-inf, 4, 1, 0), row(-inf, 12, 0, 2), row(-inf, 18, 3, 2)},
		},
		status: Optimal, objective: -36, x: []float64{2, 6}, rowDual: []float64{0, -1.5, -1},
	},
	{
		name:   "Beale's cycle",
		source: "Beale (1955), on which Dantzig's rule cycles (from memory); optimum by hand",
		p: Problem{
			Cost: []float64{-0.75, 20, -0.5, 6},
			Rows: []Row{row(-inf, 0, 0.25, -8, -1, 9), row(-inf, 0, 0.5, -12, -0.5, 3), row(-inf, 1, 0, 0, 1, 0)},
		},
		status: Optimal, objective: -1.25, x: []float64{1, 0, 1, 0},
	},
	{
		name:   "Klee-Minty cube",
		source: "Klee and Minty (1972) in the form of Chvatal, Linear Programming, chapter 4 (from memory); optimum by hand",
		p: Problem{
			Cost: []float64{-100, -10, -1},
			Rows: []Row{row(-inf, 1, 1, 0, 0), row(-inf, 100, 20, 1, 0), row(-inf, 10000, 200, 20, 1)},
		},
		status: Optimal, objective: -10000, x: []float64{0, 0, 10000},
	},
	{
		name:   "equality, range, free",
		source: "derived: y = 3-x; the range 1 <= x-y <= 2 is 2 <= x <= 2.5; min 2x+y = x+3 is at x = 2",
		p: Problem{
			Cost:  []float64{2, 1},
			Rows:  []Row{row(3, 3, 1, 1), row(1, 2, 1, -1)},
			Lower: []float64{-inf, -inf}, Upper: []float64{inf, inf},
		},
		status: Optimal, objective: 5, x: []float64{2, 1}, rowDual: []float64{1.5, 0.5},
	},
	{
		name:   "range from above",
		source: "derived: as before with max x+3, at x = 2.5",
		p: Problem{
			Cost:  []float64{-2, -1},
			Rows:  []Row{row(3, 3, 1, 1), row(1, 2, 1, -1)},
			Lower: []float64{-inf, -inf}, Upper: []float64{inf, inf},
		},
		status: Optimal, objective: -5.5, x: []float64{2.5, 0.5}, rowDual: []float64{-1.5, -0.5},
	},
	{
		name:   "transport with an implied row",
		source: "derived: supplies 3 and 4, demands 2 and 5, costs 1 2; 3 1: send 2 on the first lane, 1 on the second, 4 on the fourth",
		p: Problem{
			Cost: []float64{1, 2, 3, 1},
			Rows: []Row{row(3, 3, 1, 1, 0, 0), row(4, 4, 0, 0, 1, 1), row(2, 2, 1, 0, 1, 0), row(5, 5, 0, 1, 0, 1)},
		},
		status: Optimal, objective: 8, x: []float64{2, 1, 0, 4},
	},
	{
		name:   "bounds alone",
		source: "derived: each variable at its better bound",
		p: Problem{
			Cost:  []float64{1, -1, 0},
			Rows:  []Row{row(-inf, 100, 1, 1, 0)},
			Lower: []float64{-2, -inf, 3}, Upper: []float64{5, 7, 3},
		},
		status: Optimal, objective: -9, x: []float64{-2, 7, 3}, rowDual: []float64{0},
	},
	{
		name:   "same row thrice",
		source: "derived: min x+y on x+y >= 2",
		p: Problem{
			Cost: []float64{1, 1},
			Rows: []Row{row(2, inf, 1, 1), row(2, 2, 1, 1), row(4, inf, 2, 2)},
		},
		status: Optimal, objective: 2,
	},
	{
		name: "no variables", source: "derived",
		p:      Problem{Rows: []Row{{Lower: -1, Upper: 1}}},
		status: Optimal, rowDual: []float64{0},
	},
	{
		name: "no variables, infeasible", source: "derived: 0 >= 1",
		p:      Problem{Rows: []Row{{Lower: 1, Upper: inf}}},
		status: Infeasible,
	},
	{
		name: "no rows", source: "derived",
		p:      Problem{Cost: []float64{1, -1}, Upper: []float64{4, 4}},
		status: Optimal, objective: -4, x: []float64{0, 4},
	},
	{
		name: "no rows, unbounded", source: "derived",
		p:      Problem{Cost: []float64{-1}},
		status: Unbounded,
	},
	{
		name: "zero row and zero column", source: "derived: x is free of rows, y >= 1",
		p: Problem{
			Cost: []float64{1, 2},
			Rows: []Row{row(0, 0, 0, 0), row(1, inf, 0, 1)},
		},
		status: Optimal, objective: 2, x: []float64{0, 1}, rowDual: []float64{0, 2},
	},
	{
		name: "infeasible", source: "derived: x+y <= 1 and x+y >= 2",
		p: Problem{
			Cost: []float64{1, 1},
			Rows: []Row{row(-inf, 1, 1, 1), row(2, inf, 1, 1)},
		},
		status: Infeasible,
	},
	{
		name: "crossed row", source: "derived",
		p:      Problem{Cost: []float64{1}, Rows: []Row{row(2, 1, 1)}},
		status: Infeasible,
	},
	{
		name: "crossed bounds", source: "derived",
		p:      Problem{Cost: []float64{1}, Rows: []Row{row(0, 1, 1)}, Lower: []float64{2}, Upper: []float64{1}},
		status: Infeasible,
	},
	{
		name: "unbounded", source: "derived: along (1, 1)",
		p: Problem{
			Cost: []float64{-1, 0},
			Rows: []Row{row(-inf, 1, 1, -1)},
		},
		status: Unbounded,
	},
	{
		name:   "unbounded, called infeasible by lp_solve",
		source: "found by a random search here; a feasible point and a ray by an independent solver (HiGHS)",
		p: Problem{
			Cost: []float64{2, -3, -2, 0, -3, 3},
			Rows: []Row{
				row(3, 6, 0, 0, -4, 4, -4, 3), row(-inf, 13, 0, -4, 4, 0, 4), row(-3, inf, -4),
				row(-inf, inf, 0, 1, -1), row(-inf, -5, 5, -1, 4, 0, 1), row(-6, inf, 3, 0, 0, 0, -1),
			},
			Lower: []float64{0, -inf, 0, -inf, 0, 0}, Upper: []float64{inf, inf, inf, inf, 6, inf},
		},
		status: Unbounded,
	},
	{
		name: "infeasible and dual infeasible", source: "derived",
		p: Problem{
			Cost: []float64{-1, 0},
			Rows: []Row{row(-inf, -1, 0, 1)},
		},
		status: Infeasible,
	},
}

func TestTextbook(t *testing.T) {
	for _, b := range backends {
		for _, tt := range textbook {
			t.Run(b.name+"/"+tt.name, func(t *testing.T) {
				sol := solveOnce(t, b, &tt.p, nil)
				if sol.Status != tt.status {
					t.Fatalf("status %v, want %v", sol.Status, tt.status)
				}
				verify(t, &tt.p, sol, 1e-12)
				if tt.status != Optimal {
					return
				}
				near := cmpopts.EquateApprox(1e-13, 1e-13)
				if !cmp.Equal(sol.Objective, tt.objective, near) {
					t.Errorf("objective %v, want %v", sol.Objective, tt.objective)
				}
				if tt.x != nil && !cmp.Equal(sol.X, tt.x, near) {
					t.Errorf("x %v, want %v", sol.X, tt.x)
				}
				if tt.rowDual != nil && !cmp.Equal(sol.RowDual, tt.rowDual, near) {
					t.Errorf("prices %v, want %v", sol.RowDual, tt.rowDual)
				}
			})
		}
	}
}

func TestBackend(t *testing.T) {
	if got, want := Backend(), backends[0].name; got != want {
		t.Errorf("Backend() = %q, want %q", got, want)
	}
}

func TestStatus(t *testing.T) {
	seen := map[string]bool{}
	for s := NotRun; s <= Numerical; s++ {
		if name := s.String(); name == "" || seen[name] {
			t.Errorf("status %d has the name %q", int(s), name)
		} else {
			seen[name] = true
		}
		if (s.Err() == nil) != (s == Optimal) {
			t.Errorf("%v.Err() = %v", s, s.Err())
		}
	}
	for _, s := range []Status{-1, Numerical + 1} {
		if !strings.HasPrefix(s.String(), "Status(") || s.Err() == nil {
			t.Errorf("unknown status: %v, %v", s, s.Err())
		}
	}
	var sol Solution
	if sol.Status != NotRun {
		t.Errorf("the zero status is %v", sol.Status)
	}
}

func TestBadData(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		p    Problem
		want []string
	}{
		{Problem{Cost: []float64{nan, inf}}, []string{"variable 0 is NaN", "variable 1 is +Inf"}},
		{Problem{Cost: []float64{1}, Lower: []float64{1, 2}}, []string{"len(Lower) is 2, must be 0 or 1"}},
		{Problem{Cost: []float64{1}, Upper: []float64{1, 2}}, []string{"len(Upper)"}},
		{Problem{Cost: []float64{1}, Integer: []bool{true, true}}, []string{"len(Integer)"}},
		{Problem{Cost: []float64{1}, Lower: []float64{nan}}, []string{"variable 0: bounds NaN"}},
		{Problem{Cost: []float64{1}, Lower: []float64{inf}}, []string{"variable 0: bounds"}},
		{Problem{Cost: []float64{1}, Upper: []float64{-inf}}, []string{"variable 0: bounds"}},
		{Problem{Cost: []float64{1}, Rows: []Row{row(nan, 1, 1)}}, []string{"row 0: bounds"}},
		{Problem{Cost: []float64{1}, Rows: []Row{row(0, 1, inf)}}, []string{"row 0: the value at index 0 is +Inf"}},
		{Problem{Cost: []float64{1}, Rows: []Row{row(0, 1, 1, 1)}}, []string{"row 0: index 1 is out of range [0, 1)"}},
		{Problem{Cost: []float64{1}, Rows: []Row{{Index: []int{-1}, Value: []float64{1}}}}, []string{"index -1"}},
		{Problem{Cost: []float64{1}, Rows: []Row{{Index: []int{0, 0}, Value: []float64{1, 2}}}}, []string{"index 0 occurs twice"}},
		{Problem{Cost: []float64{1}, Rows: []Row{{Index: []int{0}}}}, []string{"len(Index) is 1, len(Value) 0"}},
		{Problem{Cost: []float64{1}, Rows: []Row{row(nan, 1, nan)}}, []string{"bounds", "the value at index 0"}},
	} {
		for _, b := range backends {
			s, err := b.new(&tt.p, nil)
			if err == nil {
				s.Close()
				t.Errorf("%+v was accepted", tt.p)
				continue
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q, must contain %q", err, want)
				}
			}
		}
	}
}

func TestBadSettings(t *testing.T) {
	p := &Problem{Cost: []float64{1}}
	for name, edit := range map[string]func(*Settings){
		"FeasibilityTol": func(s *Settings) { s.FeasibilityTol = 0 },
		"OptimalityTol":  func(s *Settings) { s.OptimalityTol = math.NaN() },
		"IntegralityTol": func(s *Settings) { s.IntegralityTol = 1 },
		"AbsoluteGap":    func(s *Settings) { s.AbsoluteGap = -1 },
		"RelativeGap":    func(s *Settings) { s.RelativeGap = inf },
		"IterationLimit": func(s *Settings) { s.IterationLimit = -1 },
		"NodeLimit":      func(s *Settings) { s.NodeLimit = -1 },
		"TimeLimit":      func(s *Settings) { s.TimeLimit = -time.Second },
	} {
		set := Defaults()
		edit(&set)
		if _, err := New(p, &set); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

// TestRefusedEdits checks that edits with bad data change nothing.
func TestRefusedEdits(t *testing.T) {
	nan := math.NaN()
	for _, b := range backends {
		p := &textbook[0].p
		s, err := b.new(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		for k, err := range []error{
			s.SetRowBounds(-1, 0, 1),
			s.SetRowBounds(3, 0, 1),
			s.SetRowBounds(0, nan, 1),
			s.SetCost(2, 1),
			s.SetCost(0, nan),
			s.AddColumn(inf, nil, nil, 0, 1),
			s.AddColumn(1, []int{3}, []float64{1}, 0, 1),
			s.AddColumn(1, []int{0, 0}, []float64{1, 1}, 0, 1),
			s.AddColumn(1, []int{0}, []float64{1}, nan, 1),
			s.AddRow(row(nan, 1, 1)),
			s.AddRow(row(0, 1, 1, 1, 1)),
			s.SetBasis(Basis{}),
			s.SetBasis(Basis{Variable: []BasisStatus{Basic, 9}, Row: []BasisStatus{Basic, Basic, AtLower}}),
			s.SetBasis(Basis{Variable: []BasisStatus{AtLower, AtLower}, Row: []BasisStatus{Basic, Basic, AtLower}}),
		} {
			if err == nil {
				t.Errorf("%s: edit %d was accepted", b.name, k)
			}
		}
		var sol Solution
		mustSolve(t, s, context.Background(), &sol)
		verify(t, p, &sol, 1e-12)
		if math.Abs(sol.Objective+36) > 1e-12 {
			t.Errorf("%s: objective %v, want -36", b.name, sol.Objective)
		}
		s.Close()
	}
}

func TestClosed(t *testing.T) {
	for _, b := range backends {
		s, err := b.new(&textbook[0].p, nil)
		if err != nil {
			t.Fatal(err)
		}
		var sol Solution
		mustSolve(t, s, context.Background(), &sol)
		for range 2 {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
		for _, err := range []error{
			s.Solve(context.Background(), &sol),
			s.SetRowBounds(0, 0, 1),
			s.SetCost(0, 1),
			s.AddColumn(1, nil, nil, 0, 1),
			s.AddRow(row(0, 1, 1)),
			s.SetBasis(Basis{}),
		} {
			if !errors.Is(err, ErrClosed) {
				t.Errorf("%s: error %v, want ErrClosed", b.name, err)
			}
		}
		if sol.Status != NotRun || len(sol.X) != 0 {
			t.Errorf("%s: %+v after Close", b.name, sol)
		}
	}
}
