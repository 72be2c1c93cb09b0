package optim

import (
	"math"
	"math/rand/v2"
	"slices"
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

// More users than antennas are served at no SINR of 5 users/3 antennas and above:
// sum g/(1+g) < M (Hunger, Joham, IEEE Trans. SP 58(7), 2010), also where 1/(1+g)
// is lost beside 1. A user alone is: P = g/||h||^2.
func TestHugeTargets(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	var ws Workspace
	var r Result
	for exponent := 4.0; exponent < 300; exponent += 3 {
		for users := 1; users <= 5; users++ {
			h := rayleigh(rng, users, 3)
			var g Gram
			g.Compute(h)
			sinr := make([]float64, users)
			for i := range sinr {
				sinr[i] = math.Exp(exponent * (0.8 + 0.4*rng.Float64()))
			}
			status := (&Optimal{}).Solve(&Problem{Gram: &g, SINR: sinr}, &ws, &r)
			switch {
			case users == 1 && (status != Solved || math.Abs(r.PowerW*g.Norm2(0)/sinr[0]-1) > 1e-12):
				t.Errorf("one user at e^%g: %v, %g W", exponent, status, r.PowerW)
			case users > 3 && status != Unservable && status != IllConditioned:
				t.Errorf("%d users at e^%g: %v, %g W", users, exponent, status, r.PowerW)
			}
		}
	}
}

// Newton's method on the logarithm of the SINR takes fewer steps than on B_kk alone,
// which takes four for most of these: independent channels, four antennas for each
// user.
func TestStepsWellSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	for i := range 40 {
		var g Gram
		g.Compute(rayleigh(rng, 16, 64))
		var o Optimal
		var ws Workspace
		var r Result
		if status := o.Solve(&Problem{Gram: &g, SINR: slices.Repeat([]float64{3}, 16)}, &ws, &r); status != Solved || r.Steps > 3 {
			t.Errorf("draw %d: %v in %d steps, want at most 3", i, status, r.Steps)
		}
	}
}
