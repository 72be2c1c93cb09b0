package scheduler

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"leastwatt/optim"
)

// randomSlot is a slot of i.i.d. Rayleigh channels with path gains over four
// decades.
func randomSlot(rng *rand.Rand, users, antennas int, bitsPerUse float64) *Slot {
	return randomWideSlot(rng, users, 1, antennas, bitsPerUse)
}

func randomWideSlot(rng *rand.Rand, users, subbands, antennas int, bitsPerUse float64) *Slot {
	s := &Slot{BandwidthHz: 1e7, Channel: Channel{Antennas: antennas, Subbands: subbands}}
	for k := range users {
		s.Users = append(s.Users, User{ID: fmt.Sprint("u", k), RateBps: 1e7 * bitsPerUse * (0.5 + rng.Float64()), NoiseW: 1e-13})
		gain := math.Pow(10, -8-4*rng.Float64())
		for range antennas * subbands {
			s.Channel.Samples = append(s.Channel.Samples,
				complex(rng.NormFloat64(), rng.NormFloat64())*complex(math.Sqrt(gain/2), 0))
		}
	}
	return s
}

func TestScheduleMeetsTargets(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 20 {
		slot := randomWideSlot(rng, 1+rng.IntN(12), 1+i%3, 1+rng.IntN(16), 0.5)
		for _, grouping := range []string{"together", "alone", "random", "semi-orthogonal"} {
			for _, beams := range Beams() {
				slot.Options = Options{Grouping: grouping, SINRGapDB: float64(i % 2), Beams: beams.Name, Weights: WeightFormat(rng.IntN(4))}
				plan := NewEngine().Schedule(context.Background(), slot)
				if plan.Status != StatusMet {
					t.Errorf("K=%d F=%d M=%d %s %s %v: %v", len(slot.Users), slot.Channel.Subbands, slot.Channel.Antennas, grouping, beams.Name, slot.Options.Weights, plan.Status)
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
		c := &partition{}
		for _, users := range [][]int{{0, 1, 2}, {3, 4}, {5}} {
			c.groups = append(c.groups, onAir{users: users, bands: v.allBands})
		}
		v.divide(c)
		var slopes []float64
		sum := 0.0
		for _, g := range c.groups {
			p, slope := v.solver.power(&g, g.share)
			slopes = append(slopes, slope)
			sum += g.share
			const h = 1e-5
			up, _ := v.solver.power(&g, g.share*(1+h))
			down, _ := v.solver.power(&g, g.share*(1-h))
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

// A plan on a rate table delivers steps of the table, never less than asked, and
// costs no less than the plan without a table; a plan in share steps has shares
// that are whole steps.
func TestSteps(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for i := range 12 {
		slot := randomWideSlot(rng, 1+rng.IntN(6), 1+i%2, 4+rng.IntN(8), 0.5)
		free := NewEngine().Schedule(context.Background(), slot)
		for _, o := range []Options{
			{RateTable: "mcs-64qam"}, {RateTable: "cqi-256qam"}, {ShareStep: 1.0 / 14}, {RateTable: "mcs-256qam", ShareStep: 1.0 / 28},
		} {
			slot.Options = o
			plan := NewEngine().Schedule(context.Background(), slot)
			if plan.Status != StatusMet {
				t.Errorf("%+v: %v", o, plan.Status)
				continue
			}
			if plan.Strategy == free.Strategy && plan.RadiatedPowerW < free.RadiatedPowerW*(1-1e-6) {
				t.Errorf("%+v: %g W, %g W without steps", o, plan.RadiatedPowerW, free.RadiatedPowerW)
			}
			table := optim.RateTableByName(o.RateTable)
			for _, g := range plan.Groups {
				if n := g.Share / o.ShareStep; o.ShareStep > 0 && math.Abs(n-math.Round(n)) > 1e-9 {
					t.Errorf("share %g is %g steps", g.Share, n)
				}
				for _, a := range g.Allocations {
					bits := 0.0
					for _, row := range a.RateStep {
						if row >= 0 {
							bits += efficiency(table, row)
						}
					}
					want := g.Share * slot.BandwidthHz / float64(slot.Channel.Subbands) * bits
					if table != nil && math.Abs(a.RateBps-want) > 1e-9*want {
						t.Errorf("rows %v carry %g bit/s, plan says %g", a.RateStep, want, a.RateBps)
					}
				}
			}
		}
	}
}

func efficiency(t *optim.RateTable, row int) float64 {
	for _, s := range t.Steps {
		if s.Index == row {
			return s.EfficiencyBitHz
		}
	}
	return math.NaN()
}

// A user without a channel on one subband is served on the other: its rate there
// is twice its mean rate, which alone takes N/2 (2^(2R/B) - 1) / |h|^2 W (Shannon).
func TestSilentSubband(t *testing.T) {
	for _, beams := range Beams() {
		for _, grouping := range []string{"alone", "together"} {
			slot := randomSlot(rand.New(rand.NewPCG(41, 42)), 2, 4, 1)
			slot.Channel.Subbands = 2
			h := slot.Channel.Samples
			zero := make([]complex128, 4)
			slot.Channel.Samples = slices.Concat(h[:4], zero, h[4:], h[4:])
			slot.Users[1].RateBps = 0
			if grouping == "together" {
				slot.Users[1].RateBps = slot.Users[0].RateBps
			}
			slot.Options = Options{Grouping: grouping, Beams: beams.Name}
			plan := schedule(context.Background(), slot, &memory{})
			if plan.Status != StatusMet {
				t.Errorf("%s %s: %v", beams.Name, grouping, plan.Status)
			}
			u := slot.Users[0]
			want := u.NoiseW / 2 * (math.Exp2(2*u.RateBps/slot.BandwidthHz) - 1) / powerOf(h[:4])
			if grouping == "alone" && beams.Name != BeamsCodebook && math.Abs(plan.RadiatedPowerW/want-1) > 1e-6 {
				t.Errorf("%s: %g W, want %g W", beams.Name, plan.RadiatedPowerW, want)
			}
		}
	}
}
