package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"leastwatt/optim"
)

// unevenBook returns beams that load antennas differently: each has some of the
// antennas, at weights drawn at random.
func unevenBook(rng *rand.Rand, beams, antennas int) []complex128 {
	out := make([]complex128, beams*antennas)
	for b := range beams {
		for any := false; !any; {
			for m := range antennas {
				if rng.IntN(2) == 0 {
					out[b*antennas+m] = complex(rng.NormFloat64(), rng.NormFloat64())
					any = true
				}
			}
		}
	}
	return out
}

// bookPower returns the least power of a group of all users at once, on one subband,
// over all assignments of beams within the limits on antennas and on the group, each
// powered by iteration; +Inf where none keeps to them. Unless within, limits do not count.
func bookPower(s *Slot, within bool) (leastW float64, antennaW []float64) {
	n, m := len(s.Users), s.Channel.Antennas
	book, _ := optim.NewCodebook(m, s.Options.Codebook.Beams)
	leastW = math.Inf(1)
	assignments(n, book.Beams, func(z []int) {
		p := optim.FixedProblem{Users: n, Gain: make([]float64, n*n)}
		for k, u := range s.Users {
			for j, b := range z {
				p.Gain[k*n+j] = powerOf([]complex128{optim.Received(s.Channel.At(k, 0), book.Beam(b))}) / u.NoiseW
			}
			p.SINR = append(p.SINR, math.Exp2(u.RateBps/s.BandwidthHz)-1)
		}
		var r optim.PowerResult
		if (optim.Iterative{}).Solve(&p, &r) != optim.Solved || r.PowerW >= leastW {
			return
		}
		load := make([]float64, m)
		for j, b := range z {
			for a, w := range book.Beam(b) {
				load[a] += r.UserW[j] * abs2(w)
			}
		}
		if within {
			if s.Limits.TotalPowerW != nil && r.PowerW > *s.Limits.TotalPowerW {
				return
			}
			for a, w := range load {
				if a < len(s.Limits.AntennaPowerW) && w > s.Limits.AntennaPowerW[a] {
					return
				}
			}
		}
		leastW, antennaW = r.PowerW, load
	})
	return leastW, antennaW
}

// Beams are chosen within the limits on antennas: where any assignment keeps to them
// the group is MET, with the least power of those that do.
func TestCodebookWithinLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	met, other, short := 0, 0, 0
	for i := range 120 {
		users, antennas := 1+i%3, 4
		s := randomSlot(rng, users, antennas, 0.3)
		s.Options = Options{Grouping: "together", Beams: BeamsCodebook, Codebook: &Codebook{Beams: unevenBook(rng, 6, antennas)}}
		freeW, load := bookPower(s, false)
		if math.IsInf(freeW, 1) {
			continue
		}
		for _, w := range load {
			s.Limits.AntennaPowerW = append(s.Limits.AntennaPowerW, math.Max(w, freeW)*(0.3+1.5*rng.Float64()))
		}
		least, _ := bookPower(s, true)
		plan := schedule(context.Background(), s, &memory{})
		if math.IsInf(least, 1) {
			if short++; plan.Status == StatusMet && plan.Strategy.Grouping == "together" {
				t.Errorf("slot %d: MET, no assignment keeps to the limits", i)
			}
			continue
		}
		if met++; least > freeW {
			other++
		}
		if plan.Status != StatusMet || plan.Strategy.Grouping != "together" || !(math.Abs(plan.RadiatedPowerW/least-1) < 3e-6) {
			t.Errorf("slot %d of %d users: %v %s, %g W, by enumeration %g W", i, users, plan.Status, plan.Strategy.Grouping, plan.RadiatedPowerW, least)
		}
	}
	t.Logf("%d met, %d of them by other beams than without limits, %d short", met, other, short)
	if met < 40 || other < 10 || short < 5 {
		t.Errorf("%d met, %d by other beams, %d short: too few to judge", met, other, short)
	}
}

// With objective consumed too, weights are along the beam named on all its antennas: to
// switch off some would make another beam of it.
func TestCodebookConsumed(t *testing.T) {
	rng := rand.New(rand.NewPCG(73, 74))
	for i := range 20 {
		s := randomSlot(rng, 1+i%3, 8, 0.2)
		s.Options = consumedOptions(0.3, 10, 5, 1)
		s.Options.Beams, s.Options.Weights = BeamsCodebook, WeightsF64
		plan := scheduleMet(t, s)
		book, _ := optim.DFTCodebook(8, 0, 1)
		for _, g := range plan.Groups {
			for _, a := range g.Allocations {
				along := abs2(optim.Received(book.Beam(a.BeamIndex), a.Weights))
				if !(math.Abs(along/a.PowerW-1) < 1e-9) {
					t.Errorf("slot %d: %g of the power is along beam %d", i, along/a.PowerW, a.BeamIndex)
				}
			}
		}
	}
}

// On several subbands beams are chosen on mean gains, and by other scales of the limits
// where those break them, which is no proof: of slots of one user, with a rate table and
// share steps in every other, that some beam serves within the limits, judged by slots
// with that beam alone, 1 of 21 is SHORT and 24 % more power is taken at worst (measured;
// the bounds leave a little room).
func TestCodebookWithinLimitsOnSubbands(t *testing.T) {
	rng := rand.New(rand.NewPCG(75, 76))
	met, missed := 0, 0
	over := 1.0
	for i := range 60 {
		s := scattered(rng, 1, 2, 4, 0.5)
		all := unevenBook(rng, 5, 4)
		s.Options = Options{Beams: BeamsCodebook, Codebook: &Codebook{Beams: all}}
		if i%2 == 1 {
			s.Options.RateTable, s.Options.ShareStep = "cqi-64qam", 1.0/14
		}
		free := schedule(context.Background(), s, &memory{})
		if free.Status != StatusMet {
			continue
		}
		for range 4 {
			s.Limits.AntennaPowerW = append(s.Limits.AntennaPowerW, free.Groups[0].RadiatedPowerW*(0.1+rng.Float64()))
		}
		least := math.Inf(1)
		for b := range 5 {
			one := *s
			one.Options.Codebook = &Codebook{Beams: all[b*4 : (b+1)*4]}
			if p := schedule(context.Background(), &one, &memory{}); p.Status == StatusMet {
				least = math.Min(least, p.RadiatedPowerW)
			}
		}
		if math.IsInf(least, 1) {
			continue
		}
		met++
		plan := schedule(context.Background(), s, &memory{})
		if plan.Status != StatusMet {
			missed++
			continue
		}
		over = math.Max(over, plan.RadiatedPowerW/least)
	}
	t.Logf("%d slots, %d of them SHORT, %.3f times the least at worst", met, missed, over)
	if met < 15 || missed > 2 || !(over < 1.4) {
		t.Errorf("%d slots, %d of them SHORT, %g times the least", met, missed, over)
	}
}
