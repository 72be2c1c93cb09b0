package campaign

import (
	"context"
	"math"
	"strings"
	"testing"

	"leastwatt/channel"
	"leastwatt/scheduler"
)

// estimateOf returns a slot of Rayleigh channels of which the part e is error, for a
// user in each group of its own where alone.
func estimateOf(e float64, alone bool) *scheduler.Slot {
	const users, antennas, bandwidthHz = 4, 8, 1e7
	slot := &scheduler.Slot{BandwidthHz: bandwidthHz, Options: scheduler.Options{Weights: scheduler.WeightsF64, Seed: 4, Grouping: "together"}}
	slot.Channel = scheduler.Channel{Antennas: antennas, Subbands: 1, Samples: make([]complex128, users*antennas)}
	channel.Rayleigh(channel.NewRand(4, 1), slot.Channel.Samples, 1e-10)
	for k := range users {
		h := slot.Channel.At(k, 0)
		slot.Users = append(slot.Users, scheduler.User{
			ID: string(rune('a' + k)), RateBps: 4e6 * float64(k+1), NoiseW: 1e-13, CSIErrorVariance: channel.Split(h, h, e),
		})
	}
	if alone {
		slot.Options.Grouping, slot.Users, slot.Channel.Samples = "alone", slot.Users[:1], slot.Channel.Samples[:antennas]
	}
	return slot
}

// Over true channels drawn, a plan for an estimate delivers its rates in the mean: that
// noise of an estimate's error is no worse than Gaussian (see overTruths). The same
// plan falls short where the errors are larger than it was told, and the trial says so.
func TestOverTruths(t *testing.T) {
	ctx := context.Background()
	for _, e := range []float64{0.01, 0.1, 0.3} {
		slot := estimateOf(e, false)
		plan := scheduler.NewEngine().Schedule(ctx, slot)
		trial, _ := Judge(slot, plan)
		if !trial.Met() {
			t.Fatalf("error of %g: %+v", e, trial)
		}
		planned := trial.RateBps
		if err := trial.overTruths(ctx, slot, plan, 200); err != nil || !trial.Met() {
			t.Errorf("error of %g: %v, %s", e, err, trial.Reason)
		}
		if !(trial.WorstRateRatio > 0.99 && trial.WorstRateRatio < 2) || trial.RateBps == planned {
			t.Errorf("error of %g: worst rate %g of its target; %g bit/s in all, %g planned", e, trial.WorstRateRatio, trial.RateBps, planned)
		}
		worse := *slot
		worse.Users = append([]scheduler.User(nil), slot.Users...)
		for k := range worse.Users {
			worse.Users[k].CSIErrorVariance *= 4
		}
		trial, _ = Judge(slot, plan)
		if err := trial.overTruths(ctx, &worse, plan, 200); err != nil || trial.Met() || !strings.Contains(trial.Reason, "true channels") {
			t.Errorf("error of %g, truly four times that: %v, %+v", e, err, trial)
		}
	}
}

// The mean over true channels against a closed form: one user of one antenna known with
// the error variance v has 1/ln 2 E log(1 + p |h|^2), |h|^2 noncentral chi-squared about
// |estimate|^2; the integral over the error's two parts is summed on a grid.
func TestOverTruthsMean(t *testing.T) {
	slot := estimateOf(0.3, true)
	slot.Channel.Antennas, slot.Channel.Samples = 1, slot.Channel.Samples[:1]
	plan := scheduler.NewEngine().Schedule(context.Background(), slot)
	trial, _ := Judge(slot, plan)
	if err := trial.overTruths(context.Background(), slot, plan, 20000); err != nil {
		t.Fatal(err)
	}
	u := slot.Users[0]
	known := math.Hypot(real(slot.Channel.Samples[0]), imag(slot.Channel.Samples[0]))
	sigma, p := math.Sqrt(u.CSIErrorVariance/2), plan.RadiatedPowerW/u.NoiseW
	const step = 0.02
	var want, weight float64
	for x := -6.0; x <= 6; x += step {
		for y := -6.0; y <= 6; y += step {
			w := math.Exp(-(x*x + y*y) / 2)
			a, b := known+sigma*x, sigma*y
			want += w * slot.BandwidthHz * math.Log2(1+p*(a*a+b*b))
			weight += w
		}
	}
	want /= weight
	if !(math.Abs(trial.RateBps/want-1) < 0.01) { // standard error 0.003
		t.Errorf("%g bit/s in the mean over true channels, want %g", trial.RateBps, want)
	}
}

// A sweep judges estimates over true channels, the same with any number of workers.
func TestSweepTruths(t *testing.T) {
	var first float64
	for _, workers := range []int{1, 3} {
		s := Sweep{
			Quantity: "csi-errors", Values: []float64{0, 0.2}, Drops: 2, Workers: workers, TruthPairs: 20,
			Slot: func(value float64, _ int) *scheduler.Slot { return estimateOf(value, false) },
		}
		r, err := s.Do(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		exact, drawn := r.Points[0].Slots[1].Trials[0], r.Points[1].Slots[1].Trials[0]
		if !exact.Met() || !drawn.Met() || math.Abs(exact.WorstRateRatio-1) > 1e-5 || math.Abs(drawn.WorstRateRatio-1) < 1e-5 {
			t.Errorf("ratios %g and %g: %+v", exact.WorstRateRatio, drawn.WorstRateRatio, drawn)
		}
		if first == 0 {
			first = drawn.RateBps
		}
		if drawn.RateBps != first {
			t.Errorf("%d workers: %g bit/s, with one %g", workers, drawn.RateBps, first)
		}
	}
}
