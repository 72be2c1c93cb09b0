package optim

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// loaded returns a workspace that holds random gains, errors included.
func loaded(t *testing.T, rng *rand.Rand, users, beams int, target float64) *CodebookWorkspace {
	p := CodebookProblem{Users: users, Beams: beams, Gain: make([]float64, users*beams),
		SINR: make([]float64, users), ErrorVariance: make([]float64, users)}
	for k := range users {
		path := math.Pow(10, 4*rng.Float64())
		for b := range beams {
			p.Gain[k*beams+b] = path * (0.01 + math.Pow(rng.Float64(), 4))
		}
		p.SINR[k] = target * (0.5 + rng.Float64())
		p.ErrorVariance[k] = path * 1e-3 * rng.Float64()
	}
	ws := new(CodebookWorkspace)
	if s := ws.load(&p, 50); s != Solved {
		t.Fatal(s)
	}
	return ws
}

// The rise that is predicted for a move of one user and for two is that of a new
// solve, and so is whether there is one (Woodbury's identity).
func TestExchangePrediction(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 20))
	served, not := 0, 0
	check := func(ws *CodebookWorkspace, z []int, s, was, rise float64, ok bool) {
		t.Helper()
		q := slices.Clone(ws.q)
		defer copy(ws.q, q)
		if again := ws.uplink(z, s); again != ok && ws.costW() < ws.cap/10 {
			t.Errorf("solved %v, predicted %v", again, ok)
		} else if again {
			served++
			if d := ws.costW() - was - rise; math.Abs(d) > 1e-9*(was+ws.costW()) {
				t.Errorf("from %g to %g W, predicted a rise of %g W", was, ws.costW(), rise)
			}
		} else {
			not++
		}
	}
	for range 100 {
		ws := loaded(t, rng, 5, 9, 0.3)
		z := rng.Perm(9)[:5]
		s := 1.0
		if !ws.uplink(z, s) {
			s = 1.2 * ws.miss(z) // relaxed beyond the cap
			ws.uplink(z, s)
		}
		was := ws.costW()
		ws.receive()
		ws.respond(z, s)
		for k := range z {
			for b := range ws.l {
				y := slices.Clone(z)
				y[k] = b
				rise, ok := ws.rise(k, b)
				check(ws, y, s, was, rise, ok)
				j := (k + 1 + rng.IntN(4)) % 5
				y[j] = rng.IntN(9)
				rise, ok = ws.riseOfTwo(k, b, j, y[j])
				check(ws, y, s, was, rise, ok)
			}
		}
	}
	if served < 1000 || not < 100 {
		t.Errorf("%d served, %d not: one side is hardly tested", served, not)
	}
}

// At the miss the uplink powers sum to the cap; the targets can be met within it
// if and only if the miss is no more than 1.
func TestMiss(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 21))
	met, missed := 0, 0
	for range 300 {
		ws := loaded(t, rng, 2+rng.IntN(5), 8, 0.5)
		z := rng.Perm(8)[:ws.n]
		served := ws.uplink(z, 1)
		s := ws.miss(z)
		if served != (s <= 1) {
			t.Errorf("served %v, miss %g", served, s)
		}
		at := slices.Clone(ws.q)
		ws.uplink(z, s*(1+1e-9))
		for k, v := range ws.q {
			if math.Abs(v/at[k]-1) > 0.01 {
				t.Errorf("user %d: %g at the miss, %g next to it", k, at[k], v)
			}
		}
		if cost := ws.costW(); math.Abs(cost/ws.cap-1) > 0.01 {
			t.Errorf("next to the miss %g W, cap %g W", cost, ws.cap)
		}
		if served {
			met++
		} else {
			missed++
		}
	}
	if met < 50 || missed < 50 {
		t.Errorf("%d met, %d missed", met, missed)
	}
}
