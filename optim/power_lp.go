package optim

import (
	"context"
	"math"

	"leastwatt/optim/lp"
)

// LinearProgram finds the least powers of fixed beams by linear programming:
// minimise sum p subject to p_k own_k - g_k sum_{j != k} p_j (a_kj + e_k) >= g_k,
// own_k = a_kk - g_k e_k. It is the slowest way to the answer of Direct and is
// kept as an independent check of it. O(K^3) and more.
type LinearProgram struct {
	// New makes the solver; nil means lp.New.
	New func(*lp.Problem, *lp.Settings) (lp.Solver, error)
}

// Solve solves p into r and returns r.Status.
func (l LinearProgram) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(p.Users)
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
	newSolver := l.New
	if newSolver == nil {
		newSolver = lp.New
	}
	solver, err := newSolver(program, nil)
	if err != nil {
		return IllConditioned
	}
	defer solver.Close()
	var sol lp.Solution
	if err := solver.Solve(context.Background(), &sol); err != nil {
		return IllConditioned
	}
	r.Steps = sol.Iterations
	switch sol.Status {
	case lp.Optimal:
		return r.accept(sol.X)
	case lp.Infeasible:
		return Unservable
	case lp.IterationLimit:
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
