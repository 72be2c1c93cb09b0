package channel

import (
	"math"
	"testing"
)

// Worked numbers of TR 38.901 tables 7.4.1-1 and 7.4.2-1, user 1.5 m up: computed
// from the formulas apart from this code; UMa at 100 m and 3.5 GHz also by hand.
func TestPathLoss(t *testing.T) {
	for _, tc := range []struct {
		scenario                    Urban
		fGHz, distanceM             float64
		sightDB, hiddenDB, probable float64
	}{
		{UMa, 3.5, 50, 77.2122, 92.5108, 0.6494},
		{UMa, 3.5, 100, 83.1382, 103.0375, 0.3477},
		{UMa, 3.5, 200, 89.5695, 114.4620, 0.1280},
		{UMa, 3.5, 500, 98.2692, 129.9158, 0.0363},
		{UMa, 3.5, 1000, 109.4119, 141.6660, 0.0180},
		{UMa, 2, 100, 78.2774, 98.1768, 0.3477},
		{UMa, 2, 500, 96.8848, 125.0551, 0.0363},
		{UMi, 3.5, 50, 79.0896, 94.1807, 0.5196},
		{UMi, 3.5, 100, 85.3142, 104.6438, 0.2310},
		{UMi, 3.5, 200, 91.6112, 115.2288, 0.0935},
		{UMi, 3.5, 500, 107.1138, 129.2645, 0.0360},
		{UMi, 28, 100, 103.3760, 123.8796, 0.2310},
	} {
		l := Link{CarrierHz: tc.fGHz * 1e9, DistanceM: tc.distanceM, StationM: tc.scenario.StationM(), UserM: 1.5, LineOfSight: true}
		if got := tc.scenario.PathLossDB(l); math.Abs(got-tc.sightDB) > 1e-4 {
			t.Errorf("%v, %v GHz, %v m in sight: %.4f dB, want %.4f", tc.scenario, tc.fGHz, tc.distanceM, got, tc.sightDB)
		}
		l.LineOfSight = false
		if got := tc.scenario.PathLossDB(l); math.Abs(got-tc.hiddenDB) > 1e-4 {
			t.Errorf("%v, %v GHz, %v m hidden: %.4f dB, want %.4f", tc.scenario, tc.fGHz, tc.distanceM, got, tc.hiddenDB)
		}
		if got := tc.scenario.SightProbability(tc.distanceM); math.Abs(got-tc.probable) > 5e-5 {
			t.Errorf("%v, %v m: probability of sight %.4f, want %.4f", tc.scenario, tc.distanceM, got, tc.probable)
		}
	}
	// A higher user loses less, by 0.6 or 0.3 dB/m; nearer than 10 m counts as 10 m.
	l := Link{CarrierHz: 3.5e9, DistanceM: 400, StationM: 25, UserM: 1.5}
	low := UMa.PathLossDB(l)
	l.UserM = 6.5
	slope := 39.08 * math.Log10(math.Hypot(400, 23.5)/math.Hypot(400, 18.5))
	if got := low - UMa.PathLossDB(l); math.Abs(got-3-slope) > 1e-9 {
		t.Errorf("5 m up save %v dB, want %v", got, 3+slope)
	}
	l.DistanceM = 10
	at10 := UMa.PathLossDB(l)
	if l.DistanceM = 0; UMa.PathLossDB(l) != at10 {
		t.Errorf("at the mast %v dB, want that of 10 m, %v", UMa.PathLossDB(l), at10)
	}
}

// The field has the standard deviation asked for and the correlation exp(-d/D):
// over 1500 fields the standard errors are near 0.03.
func TestShadowing(t *testing.T) {
	const sigmaDB, distanceM, fields = 6, 50, 1500
	lags := []float64{0, 10, 25, 50, 100, 200}
	products := make([]float64, len(lags))
	var mean, fourth float64
	for i := range fields {
		s := NewShadowing(NewRand(11, uint64(i)), sigmaDB, distanceM)
		here := s.LossDB(120, -40)
		mean += here / fields
		fourth += square(square(here)) / fields
		for j, d := range lags {
			products[j] += here * s.LossDB(120+0.6*d, -40+0.8*d) / fields
		}
	}
	if math.Abs(mean) > 0.4 {
		t.Errorf("mean %v dB", mean)
	}
	for j, d := range lags {
		if got, want := products[j]/(sigmaDB*sigmaDB), math.Exp(-d/distanceM); math.Abs(got-want) > 0.1 {
			t.Errorf("correlation over %v m is %.3f, want %.3f", d, got, want)
		}
	}
	if kurtosis := fourth / square(products[0]); math.Abs(kurtosis-3) > 0.3 {
		t.Errorf("kurtosis %v, want that of a Gaussian, 3", kurtosis)
	}
}

// Straight legs and turns: the way is as long as asked, never jumps, and its
// heading changes by no more than the turning circle allows.
func TestTrack(t *testing.T) {
	const stepM = 0.25
	for seed := range int64(20) {
		track := NewTrack(NewRand(seed, 0), 100, 20, 150, 0, 100, 2000)
		px, py := track.At(0)
		if px != 100 || py != 20 {
			t.Fatalf("starts at %v, %v", px, py)
		}
		var heading, furthest float64
		turns := 0
		for d := stepM; d < 2000; d += stepM {
			x, y := track.At(d)
			if step := math.Hypot(x-px, y-py); step > stepM*(1+1e-9) || step < stepM*0.999 {
				t.Fatalf("seed %d: %v m of way make a step of %v m", seed, stepM, step)
			}
			h := math.Atan2(y-py, x-px)
			change := math.Abs(math.Remainder(h-heading, 2*math.Pi))
			if d > stepM && change > stepM/turnRadiusM*1.001 {
				t.Fatalf("seed %d: turns by %v rad in %v m", seed, change, stepM)
			}
			if change > 1e-6 {
				turns++
			}
			furthest = max(furthest, math.Hypot(x-150, y))
			px, py, heading = x, y, h
		}
		if turns < 100 {
			t.Errorf("seed %d: turns over %v m of 2000", seed, float64(turns)*stepM)
		}
		if furthest > 100+2*(longestM+2*turnRadiusM) {
			t.Errorf("seed %d: goes %v m away", seed, furthest)
		}
	}
	short, long := NewTrack(NewRand(3, 9), 0, 0, 0, 0, 50, 100), NewTrack(NewRand(3, 9), 0, 0, 0, 0, 50, 5000)
	x, y := short.At(99)
	if lx, ly := long.At(99); lx != x || ly != y {
		t.Error("a longer track is another one")
	}
}
