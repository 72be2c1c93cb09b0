package lp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Assignment programs are highly degenerate, and costs of 1e-17 beside others of
// 1 to 1e4 keep backends from an optimum: whatever they make of that, a status
// comes back. Phase 1 of lp_solve's primal simplex does not survive it.
func TestAssignmentOfRoundedCosts(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	for range 1000 {
		p := assignment(rng, 8, 14, 8)
		s, err := New(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		var sol Solution
		if err := s.Solve(t.Context(), &sol); err != nil {
			t.Fatal(err)
		}
		s.Close()
		switch sol.Status {
		case Optimal, Infeasible, Numerical:
		default:
			t.Fatalf("%v", sol.Status)
		}
	}
}

// assignment gives each of some users one of the few beams it asks for, no beam
// twice.
func assignment(rng *rand.Rand, users, beams, few int) *Problem {
	p := &Problem{Rows: make([]Row, users+beams)}
	for i := range p.Rows {
		p.Rows[i] = Row{Lower: math.Inf(-1), Upper: 1}
	}
	add := func(i int) {
		r := &p.Rows[i]
		r.Index, r.Value = append(r.Index, len(p.Cost)-1), append(r.Value, 1)
	}
	for k := range users {
		p.Rows[k].Lower = 1
		for i, b := range rng.Perm(beams)[:few] {
			cost := rng.ExpFloat64()
			switch {
			case i == 0:
				cost = 1e-16 * rng.NormFloat64()
			case k%3 == 1:
				cost = 1e4
			}
			p.Cost = append(p.Cost, cost)
			add(k)
			add(users + b)
		}
	}
	return p
}
