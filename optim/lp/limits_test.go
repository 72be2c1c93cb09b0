package lp

import (
	"context"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"
)

// knapsack is a program whose relaxation is fractional.
func knapsack() *Problem {
	return &Problem{
		Cost:    []float64{-8, -11, -6, -4},
		Rows:    []Row{row(-inf, 14, 5, 7, 4, 3)},
		Upper:   []float64{1, 1, 1, 1},
		Integer: allInteger(4),
	}
}

func TestLimits(t *testing.T) {
	big := dense(rand.New(rand.NewPCG(1, 2)), 60, 40)
	past, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	for _, b := range backends {
		for _, tt := range []struct {
			name string
			p    *Problem
			ctx  context.Context
			edit func(*Settings)
			want Status
		}{
			{"iterations", big, context.Background(), func(s *Settings) { s.IterationLimit = 3 }, IterationLimit},
			{"nodes", knapsack(), context.Background(), func(s *Settings) { s.NodeLimit = 1 }, NodeLimit},
			{"enough nodes", knapsack(), context.Background(), func(s *Settings) { s.NodeLimit = 100 }, Optimal},
			{"time", big, context.Background(), func(s *Settings) { s.TimeLimit = 1 }, TimeLimit},
			{"no limits", big, context.Background(), func(s *Settings) { s.IterationLimit, s.NodeLimit = 0, 0 }, Optimal},
			{"deadline", big, past, nil, TimeLimit},
			{"cancelled", big, cancelled, nil, Cancelled},
			{"cancelled with integers", knapsack(), cancelled, nil, Cancelled},
		} {
			set := Defaults()
			if tt.edit != nil {
				tt.edit(&set)
			}
			s, err := b.new(tt.p, &set)
			if err != nil {
				t.Fatal(err)
			}
			var sol Solution
			if err := s.Solve(tt.ctx, &sol); err != nil {
				t.Fatal(err)
			}
			if sol.Status != tt.want {
				t.Errorf("%s: %s: status %v, want %v", b.name, tt.name, sol.Status, tt.want)
			}
			verify(t, tt.p, &sol, 1e-10)
			if tt.name == "iterations" && sol.Iterations != 3 {
				t.Errorf("%s: %d iterations, the limit is 3", b.name, sol.Iterations)
			}
			s.Close()
		}
	}
}

// TestStopped breaks off a solve from another goroutine and then solves to the
// end. The program takes hundreds of times longer than the goroutine needs.
func TestStopped(t *testing.T) {
	vars := map[string]int{"lp_solve": 400, "simplex": 60}
	for _, b := range backends {
		n := vars[b.name]
		p := dense(rand.New(rand.NewPCG(1, 3)), n, n)
		s, err := b.new(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		go cancel()
		var sol Solution
		if err := s.Solve(ctx, &sol); err != nil {
			t.Fatal(err)
		}
		if sol.Status != Cancelled {
			t.Errorf("%s: status %v, want cancelled", b.name, sol.Status)
		}
		ctx, cancel = context.WithTimeout(context.Background(), time.Millisecond)
		if err := s.Solve(ctx, &sol); err != nil {
			t.Fatal(err)
		}
		cancel()
		if sol.Status != TimeLimit {
			t.Errorf("%s: status %v, want time limit", b.name, sol.Status)
		}
		if b.name == "lp_solve" {
			mustSolve(t, s, context.Background(), &sol)
			verify(t, p, &sol, 1e-10)
		}
		s.Close()
	}
}

// TestParallel solves in several goroutines, each with solvers of its own, while
// the garbage collector runs and solvers are dropped without Close. Every result
// is that of a single goroutine, bit for bit.
func TestParallel(t *testing.T) {
	for _, b := range backends {
		const programs = 6
		var want [programs][]float64
		problem := func(k int) *Problem {
			return newPowerControl(rand.New(rand.NewPCG(4, uint64(k))), 12, 16, 8, 0.9, 1).problem()
		}
		for k := range want {
			want[k] = solveOnce(t, b, problem(k), nil).X
		}
		stop := make(chan struct{})
		var gc, solvers sync.WaitGroup
		gc.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					runtime.GC()
				}
			}
		})
		for range 4 {
			solvers.Go(func() {
				for round := range 5 {
					for k := range want {
						s, err := b.new(problem(k), nil)
						if err != nil {
							t.Error(err)
							return
						}
						var sol Solution
						ctx, cancel := context.WithCancel(context.Background())
						for range 2 {
							if err := s.Solve(ctx, &sol); err != nil {
								t.Error(err)
							}
							if !slices.Equal(sol.X, want[k]) {
								t.Errorf("%s: %v, x %v, want %v", b.name, sol.Status, sol.X, want[k])
							}
						}
						cancel()
						if round%2 == 0 {
							s.Close()
						}
					}
				}
			})
		}
		solvers.Wait()
		close(stop)
		gc.Wait()
	}
}

// TestReuse checks that a kept solver allocates next to nothing: a slot's worth
// of right-hand sides and a solve.
func TestReuse(t *testing.T) {
	c := newPowerControl(rand.New(rand.NewPCG(4, 9)), 16, 16, 4, 0.5, 1)
	s, err := New(c.problem(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var sol Solution
	mustSolve(t, s, context.Background(), &sol)
	noise := c.noiseW
	allocs := testing.AllocsPerRun(50, func() {
		noise *= 1.01
		for k, target := range c.target {
			s.SetRowBounds(k, target*noise, inf)
		}
		mustSolve(t, s, context.Background(), &sol)
	})
	if Backend() == "lp_solve" && allocs > 2 {
		t.Errorf("%v allocations", allocs)
	}
}
