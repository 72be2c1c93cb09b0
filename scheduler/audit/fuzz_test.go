package audit

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"leastwatt/scheduler"
)

// FuzzAudit audits slots and plans of which a few numbers are any at all. It ends
// within its work, without a panic, in an error or in numbers that are finite.
func FuzzAudit(f *testing.F) {
	for seed := range uint64(40) {
		f.Add(seed, 1.0, math.Copysign(0, -1))
		f.Add(seed, math.SmallestNonzeroFloat64, math.MaxFloat64)
		f.Add(seed, math.NaN(), math.Inf(1))
		f.Add(seed, 1e200, 1e-200)
	}
	f.Fuzz(func(t *testing.T, seed uint64, x, y float64) {
		slot, plan := anyPlan(seed, x, y)
		err := check(slot, plan)
		if err != nil {
			return
		}
		a := newAuditor(context.Background(), slot, plan)
		a.work = 1 << 18
		if err := a.run(); err != nil {
			return
		}
		if !finiteResult(&a.result) || len(a.result.Users) != len(slot.Users) {
			t.Errorf("result %+v", a.result)
		}
		for _, found := range a.result.Findings {
			if found.String() == "" || found.Path == "" {
				t.Errorf("finding %+v", found)
			}
		}
	})
}

// anyPlan is a slot and a plan of a seed with x and y in the place of some numbers.
func anyPlan(seed uint64, x, y float64) (*scheduler.Slot, *scheduler.Plan) {
	rng := rand.New(rand.NewPCG(seed, 22))
	slot, plan := byHand()
	if rng.IntN(3) == 0 {
		slot, plan = withBeams()
	}
	slot.CarrierHz = 299792458
	slot.Array = &scheduler.Array{PositionsM: [][3]float64{{0, 0, 0}, {0, 0.5, 0.1}}, ElementPattern: []string{"", scheduler.PatternSector65}[rng.IntN(2)]}
	slot.Limits = scheduler.Limits{
		TotalPowerW: number(6), AntennaPowerW: []float64{5, 1}, EIRPW: number(20),
		ProtectedDirections: []scheduler.ProtectedDirection{{AzimuthDeg: 20, ElevationDeg: -5, WidthDeg: 10, EIRPW: 3}, {WidthDeg: 360, EIRPW: 30}},
	}
	slot.Options.RateTable = []string{"", "", "mcs-256qam"}[rng.IntN(3)]
	plan.FloorPowerW = number(0.1)
	plan.FloorCertificate = &scheduler.FloorCertificate{Prices: []float64{1, 2}, PowersW: []float64{3, 4}}
	plan.PeakEIRPW = number(18)
	if rng.IntN(2) == 0 {
		plan.Status, plan.UnservableUserIDs = scheduler.StatusShort, []string{"one"}
	}
	al := plan.Groups[0].Allocations
	cone := &slot.Limits.ProtectedDirections[0]
	numbers := []*float64{
		&slot.CarrierHz, &slot.BandwidthHz, &slot.Users[0].RateBps, &slot.Users[0].NoiseW, &slot.Users[1].CSIErrorVariance,
		&slot.Array.PositionsM[0][0], &slot.Array.PositionsM[1][2], &slot.Array.ElementGainDBi, slot.Limits.TotalPowerW,
		&slot.Limits.AntennaPowerW[1], slot.Limits.EIRPW, &cone.AzimuthDeg, &cone.ElevationDeg, &cone.WidthDeg, &cone.EIRPW,
		&slot.Options.SINRGapDB, &slot.Options.ShareStep, plan.FloorPowerW, &plan.FloorCertificate.Prices[0],
		&plan.FloorCertificate.PowersW[1], plan.PeakEIRPW, &plan.Groups[0].Share, &al[0].SINR[0], &al[1].RateBps, &al[0].PowerW,
		&plan.Users[1].TargetBps, &plan.RadiatedPowerW, &plan.Groups[0].WeightScale,
	}
	for _, v := range []float64{x, y} {
		switch n := rng.IntN(len(numbers) + 4); {
		case n < len(numbers):
			*numbers[n] = v
		case n < len(numbers)+2:
			slot.Channel.Samples[rng.IntN(4)] = complex(v, x)
		default:
			al[rng.IntN(2)].Weights[rng.IntN(2)] = complex(v, y)
		}
	}
	return slot, plan
}
