package optim_test

import (
	"math/rand/v2"
	"testing"

	"leastwatt/optim"
)

// TestLimitedBoundAtEveryStep: the lower bound holds wherever a solve ends. Prices on
// the way cost what caps let through, phi(q) - q.c (weak duality), which is to be
// taken off: phi alone passes the least power long before the end.
func TestLimitedBoundAtEveryStep(t *testing.T) {
	rng := rand.New(rand.NewPCG(81, 82))
	steps := 0
	for i := range 40 {
		users, antennas := 2+i%3, 3+i%4
		h := optim.NewChannel(users, antennas)
		for j := range h.Data {
			h.Data[j] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		p := &optim.LimitedProblem{Bands: []optim.Band{{Channel: h, SINR: repeat(1+3*rng.Float64(), users)}}}
		free := limit(p)
		p.Limits.AntennaW = repeat((1.05+0.2*rng.Float64())*free.PowerW/float64(antennas), antennas)
		whole := limit(p)
		if whole.Status != optim.Solved {
			continue
		}
		for most := 1; most < whole.Solves; most++ {
			var ws optim.LimitedWorkspace
			var r optim.LimitedResult
			l := optim.Limited{MaxSolves: most}
			if s := l.Solve(p, &ws, &r); s != optim.StepLimit {
				t.Errorf("problem %d: %v after %d of %d solves", i, s, most, whole.Solves)
			}
			if !(r.LowerBoundW <= whole.PowerW*(1+1e-9)) { // what the power is found to
				t.Errorf("problem %d: at least %.12g W after %d solves, %.12g W do", i, r.LowerBoundW, most, whole.PowerW)
			}
			steps++
		}
	}
	if steps < 60 {
		t.Errorf("%d steps: too few to tell", steps)
	}
}
