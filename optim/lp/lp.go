// Package lp solves small and medium linear and mixed-integer programs
//
//	minimise    c'x
//	subject to  L <= A x <= U,  l <= x <= u,  x_j integer for the marked j
//
// through lp_solve 5.5 where cgo is on, and through gonum's simplex where it
// is not (or with the build tag nolpsolve). Both stand behind the same
// interface, [Solver], and both only propose a vertex: the numbers that a
// [Solution] carries are computed here from that vertex by one LU
// factorisation and are checked for feasibility and optimality, relative to
// the terms of each row and column, before the status says [Optimal]. A vertex
// that fails the check is reported as [Numerical], never as an answer.
//
// Watts, path gains and noise powers spread over many decades, far outside the
// absolute tolerances (1e-9 or so) that simplex codes work with, so the program
// is scaled by powers of two before a backend sees it and the result is scaled
// back; see scale.go.
//
// The caller owes: Close when done (a finaliser is only a net); one goroutine
// at a time per Solver. Different Solvers are independent of each other.
package lp

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

// Row is one row of a program, Lower <= sum_k Value[k] x[Index[k]] <= Upper.
// An absent side is -Inf or +Inf; equal sides make an equality.
type Row struct {
	Index        []int
	Value        []float64
	Lower, Upper float64
}

// Problem is a program over n = len(Cost) variables, minimised. To maximise,
// negate Cost.
type Problem struct {
	Cost []float64
	Rows []Row

	// Lower and Upper bound the variables. Each is of length n or nil; nil
	// means 0 and +Inf.
	Lower, Upper []float64

	// Integer marks variables that must be whole. Of length n, or nil for none.
	Integer []bool
}

// Status says how a solve ended. What the program turned out to be is a
// Status; a Go error means that the call itself was wrong.
type Status int

// Statuses of a solve.
const (
	NotRun         Status = iota // nothing was solved yet; the zero value
	Optimal                      // solved, and the solution passed the check
	Infeasible                   // no point satisfies the rows and bounds
	Unbounded                    // the objective falls for ever
	IterationLimit               // Settings.IterationLimit reached
	NodeLimit                    // Settings.NodeLimit reached
	TimeLimit                    // Settings.TimeLimit or the context's deadline passed
	Cancelled                    // the context was cancelled
	Numerical                    // no vertex that passes the check was found
)

var statuses = [...]struct {
	name string
	err  error
}{
	NotRun:         {"not run", errors.New("lp: not run")},
	Optimal:        {"optimal", nil},
	Infeasible:     {"infeasible", errors.New("lp: infeasible")},
	Unbounded:      {"unbounded", errors.New("lp: unbounded")},
	IterationLimit: {"iteration limit", errors.New("lp: iteration limit reached")},
	NodeLimit:      {"node limit", errors.New("lp: node limit reached")},
	TimeLimit:      {"time limit", errors.New("lp: time limit reached")},
	Cancelled:      {"cancelled", errors.New("lp: cancelled")},
	Numerical:      {"numerical trouble", errors.New("lp: numerical trouble")},
}

// String returns the status in words.
func (s Status) String() string {
	if s < 0 || int(s) >= len(statuses) {
		return fmt.Sprintf("Status(%d)", int(s))
	}
	return statuses[s].name
}

// Err returns nil for Optimal and an error, always the same one, for every
// other status.
func (s Status) Err() error {
	if s < 0 || int(s) >= len(statuses) {
		return fmt.Errorf("lp: unknown status %d", int(s))
	}
	return statuses[s].err
}

// Solution is the outcome of one solve. Unless Status is Optimal, Objective is
// NaN and the slices are empty. Solve reuses the slices.
type Solution struct {
	Status    Status
	Objective float64
	X         []float64 // of length n; inside its bounds exactly

	// RowDual[i] is the price of row i: the change of the objective per unit of
	// the bound that holds the row. It is >= 0 where the lower bound holds, <= 0
	// where the upper does and 0 where neither does.
	//
	// ReducedCost[j] = Cost[j] - sum_i RowDual[i] A[i][j] is the same for the
	// bounds of variable j.
	//
	// Both are empty for a program with integers, which has no prices.
	RowDual, ReducedCost []float64

	Iterations int // simplex pivots, over all nodes and attempts
	Nodes      int // branch-and-bound nodes; 0 without integers
}

// BasisStatus is the part that a variable or a row plays at a vertex.
type BasisStatus int8

// Parts at a vertex.
const (
	AtLower BasisStatus = iota // held by the lower bound
	AtUpper                    // held by the upper bound
	Basic                      // held by no bound of its own
	AtZero                     // nonbasic without a bound to sit at
)

// Basis names a vertex: as many Basic entries, over variables and rows
// together, as there are rows.
type Basis struct {
	Variable, Row []BasisStatus
}

// Settings are the knobs of a Solver. Start from [Defaults].
type Settings struct {
	// Scale turns the scaling by powers of two on. Off is for experiments only.
	Scale bool

	// FeasibilityTol and OptimalityTol bound the relative violation of rows and
	// bounds, and of reduced costs, in a solution that is called Optimal.
	FeasibilityTol, OptimalityTol float64

	// IntegralityTol is how far from whole an integer may be when it counts as
	// whole; it is then rounded and the rest solved again.
	IntegralityTol float64

	// AbsoluteGap and RelativeGap end branch and bound when the best solution
	// is proved within either of the optimum.
	AbsoluteGap, RelativeGap float64

	// IterationLimit, NodeLimit and TimeLimit bound one Solve; 0 is no limit.
	// Only TimeLimit depends on the machine.
	IterationLimit, NodeLimit int
	TimeLimit                 time.Duration
}

// Defaults returns the settings that New uses when given nil.
func Defaults() Settings {
	return Settings{
		Scale:          true,
		FeasibilityTol: 1e-9,
		OptimalityTol:  1e-9,
		IntegralityTol: 1e-9,
		AbsoluteGap:    1e-9,
		RelativeGap:    1e-9,
		IterationLimit: 1_000_000,
		NodeLimit:      1_000_000,
	}
}

// Validate returns every violation, joined, or nil.
func (s *Settings) Validate() error {
	var errs []error
	check := func(ok bool, name string, v any, allowed string) {
		if !ok {
			errs = append(errs, fmt.Errorf("lp: settings: %s is %v, must be %s", name, v, allowed))
		}
	}
	within := func(name string, v, lo, hi float64) {
		check(lo <= v && v <= hi, name, v, fmt.Sprintf("in [%g, %g]", lo, hi))
	}
	within("FeasibilityTol", s.FeasibilityTol, 1e-12, 1e-3)
	within("OptimalityTol", s.OptimalityTol, 1e-12, 1e-3)
	within("IntegralityTol", s.IntegralityTol, 1e-12, 1e-1)
	within("AbsoluteGap", s.AbsoluteGap, 0, math.MaxFloat64)
	within("RelativeGap", s.RelativeGap, 0, 1)
	check(s.IterationLimit >= 0, "IterationLimit", s.IterationLimit, ">= 0")
	check(s.NodeLimit >= 0, "NodeLimit", s.NodeLimit, ">= 0")
	check(s.TimeLimit >= 0, "TimeLimit", s.TimeLimit, ">= 0")
	return errors.Join(errs...)
}

// Solver holds one program and solves it again after edits, from where the
// last solve ended. Edits that are refused leave the program unchanged.
type Solver interface {
	// Solve solves the program as it stands into sol. Its error is ErrClosed or
	// nil; everything else is sol.Status.
	Solve(ctx context.Context, sol *Solution) error

	// SetRowBounds changes the sides of row i. The basis is kept.
	SetRowBounds(i int, lower, upper float64) error

	// SetCost changes the cost of variable j. The basis is kept.
	SetCost(j int, cost float64) error

	// AddColumn adds a continuous variable with the given entries (row numbers
	// and values). It gets the number n. The basis is kept, the variable out of
	// it.
	AddColumn(cost float64, index []int, value []float64, lower, upper float64) error

	// AddRow adds a row. It gets the number m. The basis is kept, the row in it.
	AddRow(row Row) error

	// Basis returns the vertex of the last solve (or the one set), from which
	// the next solve starts. It is empty when there is none.
	Basis() Basis

	// SetBasis sets the vertex to start from. It is a hint: it may cost time,
	// not correctness. The simplex backend has no use for it.
	SetBasis(Basis) error

	// Close frees what the solver holds. A second Close does nothing.
	Close() error
}

// ErrClosed is returned by every method of a Solver after Close.
var ErrClosed = errors.New("lp: solver is closed")

// Validate returns every violation in the data, joined, or nil. Bounds that
// cross are not one: such a program is Infeasible.
func (p *Problem) Validate() error {
	n := len(p.Cost)
	var errs []error
	add := func(err error) {
		if err != nil {
			errs = append(errs, err)
		}
	}
	for j, c := range p.Cost {
		add(checkCost(j, c))
	}
	for _, b := range []struct {
		name string
		n    int
	}{{"Lower", len(p.Lower)}, {"Upper", len(p.Upper)}, {"Integer", len(p.Integer)}} {
		if b.n != 0 && b.n != n {
			add(fmt.Errorf("lp: len(%s) is %d, must be 0 or %d", b.name, b.n, n))
		}
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	for j := range n {
		l, u := p.bounds(j)
		add(checkBounds("variable", j, l, u))
	}
	seen := make([]int, n)
	for i := range p.Rows {
		r := &p.Rows[i]
		add(checkVector("row", i, r.Index, r.Value, seen, i+1))
		add(checkBounds("row", i, r.Lower, r.Upper))
	}
	return errors.Join(errs...)
}

// bounds returns the bounds of variable j.
func (p *Problem) bounds(j int) (lower, upper float64) {
	upper = math.Inf(1)
	if len(p.Lower) > 0 {
		lower = p.Lower[j]
	}
	if len(p.Upper) > 0 {
		upper = p.Upper[j]
	}
	return lower, upper
}

// checkVector checks a sparse vector over len(seen) places, that of row or
// variable k. It marks the places it uses with mark, which must be new to seen.
func checkVector(kind string, k int, index []int, value []float64, seen []int, mark int) error {
	if len(index) != len(value) {
		return fmt.Errorf("lp: %s %d: len(Index) is %d, len(Value) %d", kind, k, len(index), len(value))
	}
	for e, j := range index {
		switch {
		case j < 0 || j >= len(seen):
			return fmt.Errorf("lp: %s %d: index %d is out of range [0, %d)", kind, k, j, len(seen))
		case seen[j] == mark:
			return fmt.Errorf("lp: %s %d: index %d occurs twice", kind, k, j)
		case !finite(value[e]):
			return fmt.Errorf("lp: %s %d: the value at index %d is %v, must be finite", kind, k, j, value[e])
		}
		seen[j] = mark
	}
	return nil
}

func checkBounds(kind string, k int, lower, upper float64) error {
	if math.IsNaN(lower) || math.IsNaN(upper) || math.IsInf(lower, 1) || math.IsInf(upper, -1) {
		return fmt.Errorf("lp: %s %d: bounds %v and %v, must be numbers below +Inf and above -Inf", kind, k, lower, upper)
	}
	return nil
}

func checkCost(j int, cost float64) error {
	if !finite(cost) {
		return fmt.Errorf("lp: the cost of variable %d is %v, must be finite", j, cost)
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
