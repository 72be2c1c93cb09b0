package lp

import (
	"math"
	"math/bits"
	"testing"

	"pgregory.net/rapid"
)

// enumerate returns the least objective over all whole points, or +Inf. All
// variables of p are integers between finite bounds, all data small whole
// numbers, so that the sums are exact.
func enumerate(p *Problem) float64 {
	n := len(p.Cost)
	x := make([]float64, n)
	best := inf
	var visit func(j int)
	visit = func(j int) {
		if j < n {
			l, u := p.bounds(j)
			for x[j] = l; x[j] <= u; x[j]++ {
				visit(j + 1)
			}
			return
		}
		for _, r := range p.Rows {
			act := 0.0
			for k, j := range r.Index {
				act += r.Value[k] * x[j]
			}
			if act < r.Lower || act > r.Upper {
				return
			}
		}
		sum := 0.0
		for j, c := range p.Cost {
			sum += c * x[j]
		}
		best = min(best, sum)
	}
	visit(0)
	return best
}

func allInteger(n int) []bool {
	s := make([]bool, n)
	for j := range s {
		s[j] = true
	}
	return s
}

// TestInteger checks random programs in integers against enumeration.
func TestInteger(t *testing.T) {
	for _, b := range backends {
		t.Run(b.name, func(t *testing.T) {
			seen := map[Status]int{}
			rapid.Check(t, func(t *rapid.T) {
				n := rapid.IntRange(1, 5).Draw(t, "vars")
				p := &Problem{Integer: allInteger(n)}
				for range n {
					l := drawNumber(t, -2, 2)
					p.Cost = append(p.Cost, drawNumber(t, -6, 6))
					p.Lower = append(p.Lower, l)
					p.Upper = append(p.Upper, l+drawNumber(t, 0, 4))
				}
				for range rapid.IntRange(0, 4).Draw(t, "rows") {
					p.Rows = append(p.Rows, drawRow(t, n))
				}
				sol := solveOnce(t, b, p, nil)
				verify(t, p, sol, 1e-10)
				seen[sol.Status]++
				switch want := enumerate(p); {
				case math.IsInf(want, 1):
					if sol.Status != Infeasible {
						t.Fatalf("status %v, objective %v, want infeasible", sol.Status, sol.Objective)
					}
				case sol.Status != Optimal || sol.Objective != want:
					t.Fatalf("status %v, objective %v, want %v", sol.Status, sol.Objective, want)
				}
			})
			if seen[Optimal] == 0 || seen[Infeasible] == 0 {
				t.Errorf("outcomes drawn: %v", seen)
			}
		})
	}
}

// TestMixed checks random programs in integers and others: the integers are
// enumerated, each choice leaving a program without integers.
func TestMixed(t *testing.T) {
	for _, b := range backends {
		t.Run(b.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				p := &Problem{Integer: []bool{true, true, false, false}}
				for range p.Integer {
					p.Cost = append(p.Cost, drawNumber(t, -6, 6))
					p.Lower = append(p.Lower, 0)
					p.Upper = append(p.Upper, drawNumber(t, 0, 3)+0.5)
				}
				for range rapid.IntRange(1, 3).Draw(t, "rows") {
					p.Rows = append(p.Rows, drawRow(t, len(p.Cost)))
				}
				sol := solveOnce(t, b, p, nil)
				verify(t, p, sol, 1e-10)
				best := inf
				for x0 := 0.0; x0 <= p.Upper[0]; x0++ {
					for x1 := 0.0; x1 <= p.Upper[1]; x1++ {
						q := *p
						q.Integer = nil
						q.Lower = []float64{x0, x1, 0, 0}
						q.Upper = []float64{x0, x1, p.Upper[2], p.Upper[3]}
						if part := solveOnce(t, b, &q, nil); part.Status == Optimal {
							best = min(best, part.Objective)
						}
					}
				}
				switch {
				case math.IsInf(best, 1):
					if sol.Status != Infeasible {
						t.Fatalf("status %v, want infeasible", sol.Status)
					}
				case sol.Status != Optimal || math.Abs(sol.Objective-best) > 1e-9:
					t.Fatalf("status %v, objective %v, want %v", sol.Status, sol.Objective, best)
				}
			})
		})
	}
}

// TestMixedKnown is a program for which lp_solve's own branch and bound returns
// -8 as the optimum. Found by a random search here; the point of -14 is checked
// by hand.
func TestMixedKnown(t *testing.T) {
	p := &Problem{
		Cost:    []float64{2, 1, 5, -4, 1, -1, 0},
		Rows:    []Row{row(-inf, 2, 4, -1, 4, 0, 1, 0, -1), row(-3, -1, 4, 0, 6, 5, 4, 0, -2)},
		Lower:   []float64{-4, 0, 1, 0, 0, -inf, 0},
		Upper:   []float64{-1, 3, 2, 4, 5, 3, 2},
		Integer: []bool{true, true, true, true, true, false, true},
	}
	for _, b := range backends {
		sol := solveOnce(t, b, p, nil)
		verify(t, p, sol, 1e-10)
		if sol.Status != Optimal || math.Abs(sol.Objective+14) > 1e-9 {
			t.Errorf("%s: %v, objective %v, want -14", b.name, sol.Status, sol.Objective)
		}
	}
}

// TestAssignment assigns users to beams, at most one user to a beam, at the least
// power and with a budget that makes the relaxation fractional; the optimum by
// dynamic programming over the sets of beams taken and the budget spent.
func TestAssignment(t *testing.T) {
	for _, b := range backends {
		t.Run(b.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				users := rapid.IntRange(2, 5).Draw(t, "users")
				beams := users + rapid.IntRange(0, 1).Draw(t, "spare beams")
				budget := rapid.IntRange(users, 6*users).Draw(t, "budget")
				power, load := make([]int, users*beams), make([]int, users*beams)
				p := &Problem{Upper: make([]float64, users*beams), Integer: allInteger(users * beams)}
				total := Row{Lower: -inf, Upper: float64(budget)}
				for k := range power {
					power[k] = rapid.IntRange(1, 30).Draw(t, "power")
					load[k] = rapid.IntRange(1, 9).Draw(t, "load")
					p.Cost = append(p.Cost, float64(power[k]))
					p.Upper[k] = 1
					total.Index = append(total.Index, k)
					total.Value = append(total.Value, float64(load[k]))
				}
				p.Rows = append(p.Rows, total)
				for u := range users {
					r := Row{Lower: 1, Upper: 1}
					for m := range beams {
						r.Index, r.Value = append(r.Index, u*beams+m), append(r.Value, 1)
					}
					p.Rows = append(p.Rows, r)
				}
				for m := range beams {
					r := Row{Lower: -inf, Upper: 1}
					for u := range users {
						r.Index, r.Value = append(r.Index, u*beams+m), append(r.Value, 1)
					}
					p.Rows = append(p.Rows, r)
				}
				sol := solveOnce(t, b, p, nil)
				verify(t, p, sol, 1e-10)
				want, ok := assign(users, beams, budget, power, load)
				if !ok {
					if sol.Status != Infeasible {
						t.Fatalf("status %v, want infeasible", sol.Status)
					}
					return
				}
				if sol.Status != Optimal || sol.Objective != float64(want) {
					t.Fatalf("status %v, objective %v, want %v", sol.Status, sol.Objective, want)
				}
			})
		})
	}
}

// assign returns the least power of an assignment within the budget.
func assign(users, beams, budget int, power, load []int) (least int, ok bool) {
	const none = math.MaxInt / 2
	// value[taken][spent] after as many users as bits in taken.
	value := make([][]int, 1<<beams)
	for taken := range value {
		value[taken] = make([]int, budget+1)
		for s := range value[taken] {
			value[taken][s] = none
		}
	}
	value[0][0] = 0
	least = none
	for taken := range value {
		u := bits.OnesCount(uint(taken))
		for s, v := range value[taken] {
			if v == none || u > users {
				continue
			}
			if u == users {
				least = min(least, v)
				continue
			}
			for m := range beams {
				k := u*beams + m
				if taken&(1<<m) == 0 && s+load[k] <= budget {
					to := &value[taken|1<<m][s+load[k]]
					*to = min(*to, v+power[k])
				}
			}
		}
	}
	return least, least < none
}

func TestIntegerKinds(t *testing.T) {
	for _, tt := range []struct {
		name      string
		p         Problem
		status    Status
		objective float64
	}{
		{
			// Derived: x = 6.5.
			"no whole point in the equality",
			Problem{Cost: []float64{1}, Rows: []Row{row(13, 13, 2)}, Upper: []float64{10}, Integer: []bool{true}},
			Infeasible, 0,
		},
		{
			// Derived: 0.2 <= x <= 0.8.
			"no whole point between the bounds",
			Problem{Cost: []float64{1}, Rows: []Row{row(0, 1, 1)}, Lower: []float64{0.2}, Upper: []float64{0.8}, Integer: []bool{true}},
			Infeasible, 0,
		},
		{
			"unbounded",
			Problem{Cost: []float64{-1, 0}, Rows: []Row{row(0, inf, 1, 1)}, Integer: []bool{true, false}},
			Unbounded, 0,
		},
		{
			// Derived: without rows each variable goes to its better bound.
			"no rows",
			Problem{Cost: []float64{-1, 1}, Lower: []float64{0, -1.5}, Upper: []float64{2.5, 0}, Integer: []bool{true, false}},
			Optimal, -3.5,
		},
		{
			// Derived: y = 1 and x = 1, the least whole x over 0.5, against x = 1e6+1.
			"large and small",
			Problem{Cost: []float64{1e-3, 1}, Rows: []Row{row(1e6+0.5, inf, 1, 1e6)}, Upper: []float64{2e6, 1}, Integer: []bool{true, true}},
			Optimal, 1 + 1e-3,
		},
	} {
		for _, b := range backends {
			sol := solveOnce(t, b, &tt.p, nil)
			verify(t, &tt.p, sol, 1e-10)
			if sol.Status != tt.status || tt.status == Optimal && math.Abs(sol.Objective-tt.objective) > 1e-9 {
				t.Errorf("%s: %s: %v, objective %v, want %v, %v", b.name, tt.name, sol.Status, sol.Objective, tt.status, tt.objective)
			}
		}
	}
}
