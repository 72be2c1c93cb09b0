package optim

import (
	"math"
	"math/rand/v2"
	"testing"
)

func rayleigh(rng *rand.Rand, users, antennas int) Channel {
	h := NewChannel(users, antennas)
	for i := range h.Data {
		h.Data[i] = complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(0.5), 0)
	}
	return h
}

func sinrs(h Channel, w []complex128) []float64 {
	out := make([]float64, h.Users)
	for k := range h.Users {
		s, i := 0.0, 1.0
		for j := range h.Users {
			z := dot(h.User(k), w[j*h.Antennas:(j+1)*h.Antennas])
			if j == k {
				s = abs2(z)
			} else {
				i += abs2(z)
			}
		}
		out[k] = s / i
	}
	return out
}

func TestOptimalMeetsTargets(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var o Optimal
	var ws Workspace
	var r Result
	var g Gram
	for range 200 {
		m := 1 + rng.IntN(32)
		k := 1 + rng.IntN(m)
		h := rayleigh(rng, k, m)
		g.Compute(h)
		sinr := make([]float64, k)
		for i := range sinr {
			sinr[i] = math.Exp(4*rng.Float64() - 2)
		}
		if s := o.Solve(&Problem{Gram: &g, SINR: sinr}, &ws, &r); s != Solved {
			t.Fatalf("M=%d K=%d: %v", m, k, s)
		}
		w := make([]complex128, k*m)
		r.Beams.Weights(w, h)
		for i, got := range sinrs(h, w) {
			if math.Abs(got/sinr[i]-1) > 1e-9 {
				t.Errorf("M=%d K=%d user %d: SINR %g, want %g", m, k, i, got, sinr[i])
			}
		}
		if p := norm2(w); math.Abs(p/r.PowerW-1) > 1e-9 || math.Abs(r.PowerW/r.DualW-1) > 1e-9 {
			t.Errorf("M=%d K=%d: weights %g, primal %g, dual %g, steps %d", m, k, p, r.PowerW, r.DualW, r.Steps)
		}
		if r.LowerBoundW > r.PowerW*(1+1e-12) || r.LowerBoundW < r.PowerW*(1-1e-6) {
			t.Errorf("lower bound %g of %g", r.LowerBoundW, r.PowerW)
		}
	}
}

// The cold path from channel to weights, which the design asks for in 40 us.
func BenchmarkOptimalBeams(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	h := rayleigh(rng, 16, 64)
	sinr := make([]float64, 16)
	for i := range sinr {
		sinr[i] = 10
	}
	var o Optimal
	var ws Workspace
	var r Result
	var g Gram
	w := make([]complex128, 16*64)
	b.Run("gram", func(b *testing.B) {
		for b.Loop() {
			g.Compute(h)
		}
	})
	b.Run("powers", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			g.Compute(h)
			o.Solve(&Problem{Gram: &g, SINR: sinr}, &ws, &r)
		}
		b.ReportMetric(float64(r.Steps), "steps")
	})
	b.Run("weights", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			g.Compute(h)
			o.Solve(&Problem{Gram: &g, SINR: sinr}, &ws, &r)
			r.Beams.Weights(w, h)
		}
	})
}
