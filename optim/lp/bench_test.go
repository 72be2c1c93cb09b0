package lp

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// dense returns min c'x, A x >= b, x >= 0 with positive data: feasible and
// bounded.
func dense(rnd *rand.Rand, vars, rows int) *Problem {
	p := &Problem{Cost: make([]float64, vars)}
	for j := range p.Cost {
		p.Cost[j] = 1 + rnd.Float64()
	}
	for range rows {
		row := Row{Lower: 1 + rnd.Float64(), Upper: math.Inf(1)}
		for j := range vars {
			row.Index = append(row.Index, j)
			row.Value = append(row.Value, rnd.Float64())
		}
		p.Rows = append(p.Rows, row)
	}
	return p
}

func BenchmarkSolve(b *testing.B) {
	ctx := context.Background()
	for _, size := range [][2]int{{16, 16}, {64, 128}, {500, 32}} {
		p := dense(rand.New(rand.NewPCG(1, 1)), size[0], size[1])
		for _, backend := range backends {
			name := fmt.Sprintf("%s/vars=%d/rows=%d", backend.name, size[0], size[1])
			b.Run(name+"/cold", func(b *testing.B) {
				b.ReportAllocs()
				var sol Solution
				for b.Loop() {
					s, err := backend.new(p, nil)
					if err != nil {
						b.Fatal(err)
					}
					mustSolve(b, s, ctx, &sol)
					s.Close()
				}
			})
			b.Run(name+"/kept", func(b *testing.B) {
				b.ReportAllocs()
				s, err := backend.new(p, nil)
				if err != nil {
					b.Fatal(err)
				}
				defer s.Close()
				rnd := rand.New(rand.NewPCG(2, 2))
				var sol Solution
				for b.Loop() {
					for i := range p.Rows {
						s.SetRowBounds(i, p.Rows[i].Lower*(0.95+0.1*rnd.Float64()), math.Inf(1))
					}
					mustSolve(b, s, ctx, &sol)
				}
			})
		}
	}
}

func mustSolve(tb tester, s Solver, ctx context.Context, sol *Solution) {
	tb.Helper()
	if err := s.Solve(ctx, sol); err != nil {
		tb.Fatal(err)
	}
	if sol.Status != Optimal {
		tb.Fatalf("status %v", sol.Status)
	}
}
