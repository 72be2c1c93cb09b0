package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"leastwatt/channel"
)

// quiet returns a planar slot with users at random directions in sight.
func quiet(rng *rand.Rand, users, rows, columns int, bitsPerUse float64) *Slot {
	s := planarSlot(rows, columns, 3e9)
	s.BandwidthHz = 1e7
	f := farFieldOf(s)
	row := make([]complex128, rows*columns)
	for k := range users {
		s.Users = append(s.Users, User{ID: string(rune('a' + k)), RateBps: 1e7 * bitsPerUse, NoiseW: 1e-13})
		f.row(row, channel.Direction{AzimuthDeg: -50 + 100*rng.Float64(), ElevationDeg: -15 * rng.Float64()})
		gain := complex(math.Pow(10, -4.5-rng.Float64()), 0)
		for _, z := range row {
			s.Channel.Samples = append(s.Channel.Samples, z*gain)
		}
	}
	return s
}

// Limits drawn in to a part of what the free plan takes hold on the weights as
// encoded, and the plan costs no less than the free one.
func TestLimitsHold(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	met := 0
	for i := range 8 {
		slot := quiet(rng, 2+i%3, 2, 4, 1)
		slot.Options.Weights = WeightFormat(1 + i%3)
		free := schedule(context.Background(), slot)
		if free.Status != StatusMet {
			t.Fatalf("free plan: %v", free.Status)
		}
		most := 0.0
		for _, p := range free.AntennaPowerW {
			most = math.Max(most, p)
		}
		for name, limits := range map[string]Limits{
			"antenna": {AntennaPowerW: constant(8, most*0.9)},
			"one off": {AntennaPowerW: append(constant(7, 10*most), 0)},
			"total":   {TotalPowerW: ptr(free.Groups[0].RadiatedPowerW * 0.7)},
			"silence": {TotalPowerW: ptr(0.0)},
		} {
			slot.Limits = limits
			plan := schedule(context.Background(), slot)
			if plan.Status == StatusMet && (name == "antenna" || name == "one off") {
				met++
			}
			if plan.Status != StatusMet && plan.Status != StatusShort {
				t.Errorf("%s: %v %v", name, plan.Status, plan.Violations)
			}
			if plan.Status == StatusMet && plan.Strategy == free.Strategy && plan.RadiatedPowerW < free.RadiatedPowerW*(1-1e-6) {
				t.Errorf("%s: %g W, %g W without limits", name, plan.RadiatedPowerW, free.RadiatedPowerW)
			}
			if plan.Status == StatusShort && name != "silence" && len(plan.LimitsBinding) == 0 {
				t.Errorf("%s: short, and no limit binds", name)
			}
			for _, g := range plan.Groups {
				if g.RadiatedPowerW > orInf(limits.TotalPowerW) {
					t.Errorf("%s: power %g, limit %g", name, g.RadiatedPowerW, *limits.TotalPowerW)
				}
			}
			for m, p := range plan.AntennaPowerW {
				if limits.AntennaPowerW != nil && p > limits.AntennaPowerW[m] {
					t.Errorf("%s: antenna %d: %g, limit %g", name, m, p, limits.AntennaPowerW[m])
				}
			}
		}
	}
	t.Logf("%d of 16 plans under antenna limits met", met)
	if met < 12 {
		t.Errorf("only %d of 16 plans under antenna limits met", met)
	}
}

func constant(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func orInf(v *float64) float64 {
	if v == nil {
		return math.Inf(1)
	}
	return *v
}

// A total limit under what one user needs: the plan spends all of it and the
// rate is the one that it carries, log2(1 + P g / N) (Shannon); the limit needed
// is g N / ||h||^2.
func TestShortfallSingleUser(t *testing.T) {
	slot := quiet(rand.New(rand.NewPCG(15, 16)), 1, 2, 2, 3)
	free := schedule(context.Background(), slot)
	cap := free.RadiatedPowerW / 4
	slot.Limits.TotalPowerW = &cap
	plan := schedule(context.Background(), slot)
	if plan.Status != StatusShort {
		t.Fatal(plan.Status)
	}
	want := 1e7 * math.Log2(1+7.0/4) // 3 bit take an SINR of 7
	if got := plan.Users[0].RateBps; math.Abs(got/want-1) > 1e-5 {
		t.Errorf("rate %g, want %g", got, want)
	}
	if len(plan.LimitsBinding) != 1 || plan.LimitsBinding[0].Limit != "totalPowerW" ||
		math.Abs(plan.LimitsBinding[0].NeededW/free.RadiatedPowerW-1) > 1e-6 {
		t.Errorf("binding %+v, want totalPowerW %g", plan.LimitsBinding, free.RadiatedPowerW)
	}
}

// A user of twice the priority keeps twice the fraction of its target.
func TestShortfallPriority(t *testing.T) {
	slot := quiet(rand.New(rand.NewPCG(17, 18)), 3, 2, 4, 2)
	slot.Options.Grouping = "together"
	free := schedule(context.Background(), slot)
	slot.Limits.TotalPowerW = ptr(free.RadiatedPowerW / 30)
	even := schedule(context.Background(), slot)
	slot.Users[0].Priority = 2
	plan := schedule(context.Background(), slot)
	fraction := func(p *Plan, k int) float64 { return p.Users[k].RateBps / p.Users[k].TargetBps }
	if even.Status != StatusShort || plan.Status != StatusShort {
		t.Fatal(even.Status, plan.Status)
	}
	if d := fraction(even, 0) / fraction(even, 1); math.Abs(d-1) > 5e-3 {
		t.Errorf("even priorities keep %g and %g", fraction(even, 0), fraction(even, 1))
	}
	if d := fraction(plan, 0) / fraction(plan, 1); math.Abs(d-2) > 1e-2 && fraction(plan, 0) < 1 {
		t.Errorf("priority 2 keeps %g, priority 1 %g", fraction(plan, 0), fraction(plan, 1))
	}
}
