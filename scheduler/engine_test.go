package scheduler

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// randomSlot is a slot of i.i.d. Rayleigh channels with path gains over four
// decades.
func randomSlot(rng *rand.Rand, users, antennas int, bitsPerUse float64) *Slot {
	s := &Slot{BandwidthHz: 1e7, Channel: Channel{Antennas: antennas, Subbands: 1}}
	for k := range users {
		s.Users = append(s.Users, User{ID: fmt.Sprint("u", k), RateBps: 1e7 * bitsPerUse * (0.5 + rng.Float64()), NoiseW: 1e-13})
		gain := math.Pow(10, -8-4*rng.Float64())
		for range antennas {
			s.Channel.Samples = append(s.Channel.Samples,
				complex(rng.NormFloat64(), rng.NormFloat64())*complex(math.Sqrt(gain/2), 0))
		}
	}
	return s
}

func TestScheduleMeetsTargets(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 60 {
		slot := randomSlot(rng, 1+rng.IntN(12), 1+rng.IntN(16), 0.5)
		for _, grouping := range []string{"together", "alone", "random", "semi-orthogonal"} {
			for _, beams := range Beams() {
				slot.Options = Options{Grouping: grouping, Beams: beams.Name, Weights: WeightFormat(rng.IntN(4))}
				plan := NewEngine().Schedule(context.Background(), slot)
				if plan.Status != StatusMet {
					t.Errorf("K=%d M=%d %s %s %v: %v", len(slot.Users), slot.Channel.Antennas, grouping, beams.Name, slot.Options.Weights, plan.Status)
				}
			}
		}
	}
}

func TestSharesEqualSlopes(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 40 {
		slot := randomSlot(rng, 6, 4, 1)
		v := newView(slot, Options{}.Resolve())
		c := v.split("", [][]int{{0, 1, 2}, {3, 4}, {5}}, nil)
		var slopes []float64
		sum := 0.0
		for _, g := range c.groups {
			p, slope := v.solver.power(g.users, g.share)
			slopes = append(slopes, slope)
			sum += g.share
			const h = 1e-5
			up, _ := v.solver.power(g.users, g.share*(1+h))
			down, _ := v.solver.power(g.users, g.share*(1-h))
			numeric := ((1+h)*up - (1-h)*down) / (2 * h)
			if math.Abs(numeric-slope) > 1e-5*math.Abs(slope)+1e-9*p {
				t.Errorf("slope %g, numeric %g", slope, numeric)
			}
		}
		if math.Abs(sum-1) > 1e-12 {
			t.Errorf("shares add up to %g", sum)
		}
		for _, s := range slopes {
			if math.Abs(s/slopes[0]-1) > 1e-3 {
				t.Errorf("slopes %v", slopes)
			}
		}
	}
}
