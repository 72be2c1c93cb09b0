package scheduler_test

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leastwatt/scheduler"
)

// echoSlot has users with channels of four echoes of chance, each half the power of
// the one before and a subband's part of a turn later from one subband to the next:
// they fade on some subbands. Rates are within half of the bits per use, path gains
// within a decade. Made up here.
func echoSlot(rng *rand.Rand, users, subbands, antennas int, bits float64) *scheduler.Slot {
	s := &scheduler.Slot{BandwidthHz: 1e7, Channel: scheduler.Channel{Antennas: antennas, Subbands: subbands}}
	s.Channel.Samples = make([]complex128, users*subbands*antennas)
	for k := range users {
		s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint("u", k), RateBps: 1e7 * bits * (0.5 + rng.Float64()), NoiseW: 1e-13})
		gain := math.Pow(10, -10-rng.Float64())
		for m := range antennas {
			for echo := range 4 {
				a := complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(gain/2*math.Exp2(-float64(echo))), 0)
				for f := range subbands {
					s.Channel.At(k, f)[m] += a * cmplx.Rect(1, -2*math.Pi*float64(echo*f)/float64(subbands))
				}
			}
		}
	}
	return s
}

// planned schedules a slot with a grouping.
func planned(slot *scheduler.Slot, grouping string) *scheduler.Plan {
	s := *slot
	s.Options.Grouping = grouping
	return scheduler.NewEngine().Schedule(context.Background(), &s)
}

func dB(ratio float64) float64 { return 10 * math.Log10(ratio) }

// On several subbands mixed takes no more than least-power whatever the slot, and
// less on average. Every plan is what its audit says, and above the floor.
func TestMixedOnSubbands(t *testing.T) {
	const drops = 4
	sum, all := 0.0, 0
	t.Logf("mean dB over least-power: %9s %9s", "mixed", "floor")
	for _, c := range []struct{ users, subbands, antennas int }{
		{4, 2, 8}, {5, 3, 4}, {4, 4, 8}, {4, 2, 2}, {6, 3, 3}, {6, 4, 4}, {8, 4, 4},
	} {
		rng := rand.New(rand.NewPCG(61, uint64(c.users*100+c.subbands*10+c.antennas)))
		var mixed, floor float64
		for range drops {
			slot := echoSlot(rng, c.users, c.subbands, c.antennas, 1.5)
			slot.Options = scheduler.Options{Weights: scheduler.WeightsF64, Floor: true}
			baseW := planned(slot, scheduler.GroupingLeastPower).RadiatedPowerW
			slot.Options.Grouping = scheduler.GroupingMixed
			plan := planOf(t, slot)
			if plan.RadiatedPowerW > baseW*(1+1e-6) {
				t.Errorf("%v: %g W, least-power %g W", c, plan.RadiatedPowerW, baseW)
			}
			mixed += dB(plan.RadiatedPowerW/baseW) / drops
			floor += dB(*plan.FloorPowerW/baseW) / drops
		}
		t.Logf("K=%d F=%d M=%d %22.3f %9.3f", c.users, c.subbands, c.antennas, mixed, floor)
		sum += mixed * drops
		all += drops
	}
	t.Logf("%d slots: %.3f dB over least-power on average", all, sum/float64(all))
	if sum/float64(all) > -0.25 {
		t.Errorf("%g dB over least-power on average", sum/float64(all))
	}
}

// Groups of mixed on a subband each, whatever is asked for beside them: targets are
// met, each group on a subband is of other users, and the audit agrees.
func TestMixedWithOptions(t *testing.T) {
	rng := rand.New(rand.NewPCG(63, 64))
	apart := 0
	for i, change := range []func(*scheduler.Slot){
		func(*scheduler.Slot) {},
		func(s *scheduler.Slot) { s.Options.Weights = scheduler.WeightsF32 },
		func(s *scheduler.Slot) { s.Options.Weights = scheduler.WeightsI16 },
		func(s *scheduler.Slot) { s.Options.Beams = scheduler.BeamsRegularized },
		func(s *scheduler.Slot) { s.Options.SINRGapDB = 3 },
		func(s *scheduler.Slot) { s.Users[1].CSIErrorVariance = 1e-14 },
		func(s *scheduler.Slot) { s.Users[0].SubbandNoiseW = []float64{1e-13, 1e-14, 1e-13} },
		func(s *scheduler.Slot) { s.Users[2].RateBps = 0 },
		func(s *scheduler.Slot) { s.Limits.MaxGroupSize = 2 },
		func(s *scheduler.Slot) { s.Limits.MaxGroups = 3 },
		func(s *scheduler.Slot) { s.Options.RateTable = "mcs-64qam" },
		func(s *scheduler.Slot) { s.Options.ShareStep = 1.0 / 14 },
		func(s *scheduler.Slot) { s.Options.Beams = scheduler.BeamsCodebook },
		func(s *scheduler.Slot) { s.Options.Objective = scheduler.ObjectiveConsumed },
		func(s *scheduler.Slot) { // hardly more than radiated
			efficiency := 0.4
			s.Options.Objective = scheduler.ObjectiveConsumed
			s.Options.Consumption = &scheduler.Consumption{AmplifierEfficiency: &efficiency}
		},
		func(s *scheduler.Slot) {
			s.Options.Consumption = &scheduler.Consumption{Model: "per-antenna-2015"}
		},
		func(s *scheduler.Slot) { clear(s.Channel.At(1, 2)) },
	} {
		slot := echoSlot(rng, 5, 3, 3, 1)
		slot.Options.Weights = scheduler.WeightsF64
		change(slot)
		base := planned(slot, scheduler.GroupingLeastPower)
		slot.Options.Grouping = scheduler.GroupingMixed
		slot.Options.Floor = true
		plan := planOf(t, slot)
		if cost, of := objective(slot, plan), objective(slot, base); cost > of*(1+1e-6) {
			t.Errorf("slot %d: %g W, least-power %g W", i, cost, of)
		}
		seen := map[string]bool{}
		for _, g := range plan.Groups {
			if len(g.Subbands) == 1 {
				apart++
			}
			if g.Subbands != nil && slot.Options.Objective == scheduler.ObjectiveConsumed {
				t.Errorf("slot %d: a group on subbands %v only", i, g.Subbands)
			}
			var ids []string
			for _, a := range g.Allocations {
				ids = append(ids, a.UserID)
			}
			slices.Sort(ids)
			if group := fmt.Sprint(ids, g.Subbands); seen[group] && len(g.Subbands) == 1 {
				t.Errorf("slot %d: users %s twice", i, group)
			} else {
				seen[group] = true
			}
			if most := slot.Limits.MaxGroupSize; most > 0 && len(ids) > most {
				t.Errorf("slot %d: %d users in a group", i, len(ids))
			}
		}
		if most := slot.Limits.MaxGroups; most > 0 && len(plan.Groups) > most {
			t.Errorf("slot %d: %d groups", i, len(plan.Groups))
		}
	}
	if apart < 20 {
		t.Errorf("%d groups on one subband", apart)
	}
}

// Where mixed starts from exact it takes no more, whatever is asked for beside it,
// and is not short where exact is not.
func TestMixedNeverAboveExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	for i := range 6 {
		bands := 1 + i%3
		slot := echoSlot(rng, 3+i/3, bands, 2+rng.IntN(3), 1+rng.Float64())
		peakW := 0.0
		for _, g := range planned(slot, scheduler.GroupingLeastPower).Groups {
			peakW = math.Max(peakW, g.RadiatedPowerW)
		}
		total, wide := peakW*(0.8+0.4*rng.Float64()), 2*peakW
		for name, change := range map[string]func(*scheduler.Slot){
			"nothing":     func(*scheduler.Slot) {},
			"total power": func(s *scheduler.Slot) { s.Limits.TotalPowerW = &total },
			"antenna powers": func(s *scheduler.Slot) {
				s.Limits.AntennaPowerW = slices.Repeat([]float64{total / 2}, s.Channel.Antennas)
			},
			"shareStep": func(s *scheduler.Slot) { s.Options.ShareStep = 1.0 / 14 },
			"rateTable": func(s *scheduler.Slot) { s.Options.RateTable = "cqi-64qam" },
			"maxGroups": func(s *scheduler.Slot) { s.Limits.MaxGroups = 2 },
			"all": func(s *scheduler.Slot) {
				s.Limits.TotalPowerW, s.Options.ShareStep, s.Options.RateTable = &wide, 1.0/14, "cqi-64qam"
			},
		} {
			s := *slot
			change(&s)
			exact, mixed := planned(&s, scheduler.GroupingExact), planned(&s, scheduler.GroupingMixed)
			if exact.Status == scheduler.StatusMet && (mixed.Status != scheduler.StatusMet || !(mixed.RadiatedPowerW <= exact.RadiatedPowerW*(1+1e-6))) {
				t.Errorf("slot %d, %d subbands, %s: mixed %v %g W, exact %g W", i, bands, name, mixed.Status, mixed.RadiatedPowerW, exact.RadiatedPowerW)
			}
		}
	}
}

// objective returns what the options of a slot minimise.
func objective(slot *scheduler.Slot, plan *scheduler.Plan) float64 {
	if slot.Options.Objective == scheduler.ObjectiveConsumed {
		return *plan.ConsumedPowerW
	}
	return plan.RadiatedPowerW
}

// With limits on power that bind groups use all subbands, so that none is on the air
// beside another; mixed is short only where least-power is, takes no
// more where that meets its targets, and breaks none.
func TestMixedOnSubbandsWithinLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(65, 66))
	met := 0
	for i := range 8 {
		slot := echoSlot(rng, 4, 2, 3, 1)
		slot.Options.Weights = scheduler.WeightsF64
		peakW := 0.0
		free := planned(slot, scheduler.GroupingLeastPower)
		for _, g := range free.Groups {
			peakW = math.Max(peakW, g.RadiatedPowerW)
		}
		peakW *= 0.9 + 0.1*float64(i%3)
		if i%2 == 0 {
			slot.Limits.TotalPowerW = &peakW
		} else {
			slot.Limits.AntennaPowerW = slices.Repeat([]float64{0.5 * peakW}, 3)
		}
		base := planned(slot, scheduler.GroupingLeastPower)
		slot.Options.Grouping = scheduler.GroupingMixed
		plan := audited(t, slot)
		for _, g := range plan.Groups {
			if g.Subbands != nil {
				t.Errorf("slot %d: a group on subbands %v only", i, g.Subbands)
			}
		}
		if base.Status != scheduler.StatusMet {
			continue
		}
		met++
		if plan.Status != scheduler.StatusMet || plan.RadiatedPowerW > base.RadiatedPowerW*(1+1e-6) {
			t.Errorf("slot %d: %v, %g W, least-power %g W", i, plan.Status, plan.RadiatedPowerW, base.RadiatedPowerW)
		}
	}
	if met < 3 {
		t.Errorf("targets met in %d slots", met)
	}
}

// Under a limit that is far away mixed takes no more than least-power either, also
// where it keeps its groups, and less on average.
func TestMixedInTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(65, 66))
	farW, mean := 1e9, 0.0
	const drops = 15
	for i := range drops {
		slot := echoSlot(rng, 4, 3, 2, 1.5)
		slot.Limits.TotalPowerW = &farW
		baseW, mixedW := planned(slot, scheduler.GroupingLeastPower).RadiatedPowerW, planned(slot, scheduler.GroupingMixed).RadiatedPowerW
		if mixedW > baseW*(1+1e-6) {
			t.Errorf("slot %d: %g W, least-power %g W", i, mixedW, baseW)
		}
		mean += dB(mixedW/baseW) / drops
	}
	t.Logf("%.3f dB over least-power on average", mean)
	if mean > -0.2 {
		t.Errorf("%g dB over least-power on average", mean)
	}
}

// Where no more groups are allowed than least-power needs mixed keeps those, and the
// split of rates over subbands that they were found with.
func TestMixedKeepsGroups(t *testing.T) {
	rng := rand.New(rand.NewPCG(65, 66))
	farW := 1e9
	for i := range 12 {
		slot := echoSlot(rng, 4, 3, 2, 1.5)
		slot.Limits.TotalPowerW = &farW // groups in turn
		base := planned(slot, scheduler.GroupingLeastPower)
		slot.Limits.MaxGroups = len(base.Groups)
		base = planned(slot, scheduler.GroupingLeastPower)
		if plan := planned(slot, scheduler.GroupingMixed); plan.RadiatedPowerW > base.RadiatedPowerW*(1+1e-6) {
			t.Errorf("slot %d: %g W, least-power %g W", i, plan.RadiatedPowerW, base.RadiatedPowerW)
		}
	}
}

// With a work limit mixed plans are the same bit for bit, say that they were
// stopped early, and take no more than least-power with as much work.
func TestMixedWorkLimit(t *testing.T) {
	slot := echoSlot(rand.New(rand.NewPCG(67, 68)), 7, 3, 4, 1.5)
	full := planned(slot, scheduler.GroupingMixed)
	if full.StoppedEarly {
		t.Error("stopped early without a limit")
	}
	var limits []int64
	search := planned(slot, scheduler.GroupingLeastPower).Solves
	for i := range int64(12) {
		limits = append(limits, 1+i*search/12, search+i*(full.Solves-search)/12)
	}
	between := 0
	for _, limit := range limits {
		slot.Options.WorkLimit = limit
		base, plan := planned(slot, scheduler.GroupingLeastPower), planned(slot, scheduler.GroupingMixed)
		if !plan.StoppedEarly || plan.Status != scheduler.StatusMet {
			t.Errorf("limit %d: %v, stopped early: %v", limit, plan.Status, plan.StoppedEarly)
		}
		if again := planned(slot, scheduler.GroupingMixed); !cmp.Equal(plan, again) {
			t.Errorf("limit %d: plans differ: %s", limit, cmp.Diff(plan, again))
		}
		// Rates may be split over subbands a little less well where less is left.
		if plan.RadiatedPowerW > base.RadiatedPowerW*(1+1e-4) {
			t.Errorf("limit %d: %g W, least-power %g W", limit, plan.RadiatedPowerW, base.RadiatedPowerW)
		}
		if over := plan.Solves - limit; over > 150 {
			t.Errorf("limit %d: %d solves more", limit, over)
		}
		if plan.RadiatedPowerW < base.RadiatedPowerW*(1-1e-6) && plan.RadiatedPowerW > full.RadiatedPowerW*(1+1e-6) {
			between++
		}
	}
	if between < 3 {
		t.Errorf("better than least-power and not the best yet at %d limits", between)
	}
}

// BenchmarkMixed plans slots of 8 users, 8 antennas and 4 subbands.
func BenchmarkMixed(b *testing.B) {
	for _, grouping := range []string{scheduler.GroupingLeastPower, scheduler.GroupingMixed} {
		b.Run("grouping="+grouping, func(b *testing.B) {
			rng := rand.New(rand.NewPCG(69, 70))
			var slots []*scheduler.Slot
			for range 8 {
				slots = append(slots, echoSlot(rng, 8, 4, 8, 1.5))
			}
			solves := int64(0)
			for i := range b.N {
				solves += planned(slots[i%len(slots)], grouping).Solves
			}
			b.ReportMetric(float64(solves)/float64(b.N), "solves/op")
		})
	}
}
