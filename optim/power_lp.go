package optim

import (
	"context"
	"math"

	"leastwatt/optim/lp"
)

// LinearProgram finds the least powers of fixed beams by linear programming:
// minimise sum p subject to p_k own_k - g_k sum_{j != k} p_j (a_kj + e_k) >= g_k,
// own_k = a_kk - g_k e_k, and to the caps on rows and the total. It is the slowest
// way to the answer of Direct and is kept as an independent check of it. O(K^3)
// and more.
type LinearProgram struct {
	// New makes the solver; nil means lp.New.
	New func(*lp.Problem, *lp.Settings) (lp.Solver, error)
	// Context ends the solve, with IllConditioned; nil means never.
	Context context.Context
}

// Solve solves p into r and returns r.Status: Solved; Unservable when the targets
// alone are infeasible; AboveLimits when they are so with the caps; IllConditioned
// when no vertex passed the checks of package lp; StepLimit; or BadInput.
func (l LinearProgram) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(len(p.SINR))
	r.Status = l.solve(p, r)
	return r.Status
}

func (l LinearProgram) solve(p *FixedProblem, r *PowerResult) Status {
	if !p.valid() {
		return BadInput
	}
	program, ok := p.program()
	if !ok {
		return Unservable
	}
	capped := len(program.Rows)
	p.addCaps(program)
	status := l.run(p, program, r)
	if status == Unservable && len(program.Rows) > capped {
		// Beyond the caps, or beyond any power?
		program.Rows = program.Rows[:capped]
		status = l.run(p, program, r)
	}
	return status
}

func (l LinearProgram) run(p *FixedProblem, program *lp.Problem, r *PowerResult) Status {
	var sol lp.Solution
	status := runProgram(l.Context, l.New, program, nil, &sol)
	r.Steps += sol.Iterations
	if status != Solved {
		return status
	}
	return r.accept(p, sol.X)
}

// runProgram solves a program once, with lp.New where newSolver is nil:
// Unservable for an infeasible one, StepLimit where a limit of set ended it,
// IllConditioned for everything else that is not Solved.
func runProgram(ctx context.Context, newSolver func(*lp.Problem, *lp.Settings) (lp.Solver, error), p *lp.Problem, set *lp.Settings, sol *lp.Solution) Status {
	if ctx == nil {
		ctx = context.Background()
	}
	if newSolver == nil {
		newSolver = lp.New
	}
	solver, err := newSolver(p, set)
	if err != nil {
		return IllConditioned
	}
	defer solver.Close()
	if err := solver.Solve(ctx, sol); err != nil {
		return IllConditioned
	}
	switch sol.Status {
	case lp.Optimal:
		return Solved
	case lp.Infeasible:
		return Unservable
	case lp.IterationLimit, lp.NodeLimit:
		return StepLimit
	}
	return IllConditioned
}

// program returns the power program, and false where estimation errors alone
// already exceed what a user's own signal can carry.
func (p *FixedProblem) program() (*lp.Problem, bool) {
	n := p.Users
	out := &lp.Problem{Cost: make([]float64, n)}
	for k, g := range p.SINR {
		out.Cost[k] = 1
		if g == 0 {
			continue
		}
		e := 0.0
		if p.ErrorVariance != nil {
			e = p.ErrorVariance[k]
		}
		if p.Gain[k*n+k] <= g*e {
			return nil, false
		}
		row := lp.Row{Lower: g, Upper: math.Inf(1)}
		for j := range n {
			row.Index = append(row.Index, j)
			if j == k {
				row.Value = append(row.Value, p.Gain[k*n+k]-g*e)
			} else {
				row.Value = append(row.Value, -g*(p.Gain[k*n+j]+e))
			}
		}
		out.Rows = append(out.Rows, row)
	}
	return out, true
}

// addCaps adds the caps on rows and the total.
func (p *FixedProblem) addCaps(out *lp.Problem) {
	all := make([]int, p.Users)
	ones := make([]float64, p.Users)
	for k := range all {
		all[k], ones[k] = k, 1
	}
	for i, c := range p.RowW {
		out.Rows = append(out.Rows, lp.Row{Index: all, Value: p.RowGain[i*p.Users : (i+1)*p.Users], Lower: math.Inf(-1), Upper: c})
	}
	if p.TotalW > 0 {
		out.Rows = append(out.Rows, lp.Row{Index: all, Value: ones, Lower: math.Inf(-1), Upper: p.TotalW})
	}
}
