package channel

import (
	"math"
	"math/cmplx"
	"testing"
)

const carrierHz = 3.5e9

// 20 log10 d_km + 20 log10 f_MHz + 32.4478 (Friis 1946; the constant is 20 log10
// of 4 pi 1e9 / c).
func TestFreeSpaceLoss(t *testing.T) {
	for _, tc := range []struct{ distanceM, carrierHz, want float64 }{
		{1000, 1e6, 32.4478},
		{100, 3.5e9, 83.3291},
	} {
		if got := FreeSpaceLossDB(tc.distanceM, tc.carrierHz); math.Abs(got-tc.want) > 5e-5 {
			t.Errorf("loss over %v m at %v Hz = %.4f dB, want %.4f", tc.distanceM, tc.carrierHz, got, tc.want)
		}
	}
}

// The sign of the phases: far away, the channel of the model is that of the
// exact distance from every antenna, conjugated (y = h^H x).
func TestPlaneWaveIsFarField(t *testing.T) {
	pose := Pose{PositionM: [3]float64{3, -2, 30}, AzimuthDeg: 20, DowntiltDeg: 10}
	lambda := WavelengthM(carrierHz)
	a := &Array{PositionsM: Planar(4, 8, lambda/2)}
	user := [3]float64{8e4, 5e4, -1e4}
	got := make([]complex128, 32)
	a.Response(got, []Path{LineOfSight(pose, user, carrierHz)}, carrierHz, 0)

	v := pose.Local(user)
	for m, p := range a.PositionsM {
		d := norm(sub(v, p))
		physical := cmplx.Rect(lambda/(4*math.Pi*d), -2*math.Pi*d/lambda)
		want := cmplx.Conj(physical)
		// The rest of the plane wave is aperture^2/(2 d lambda) turns, and
		// rounding of 1e6 wavelengths.
		if err := cmplx.Abs(got[m]-want) / cmplx.Abs(want); err > 1e-4 {
			t.Fatalf("antenna %d: %v, want %v", m, got[m], want)
		}
	}
}

// One user in line of sight: the matched beam needs g sigma^2/||h||^2, so each
// doubling of the antennas halves the power and 16 need 1/16 of one antenna's
// (common practice, no source).
func TestDoublingAntennasHalvesPower(t *testing.T) {
	path := LineOfSight(Pose{}, [3]float64{120, 35, -20}, carrierHz)
	var one float64
	for n := 1; n <= 128; n *= 2 {
		a := &Array{PositionsM: Linear(n, WavelengthM(carrierHz)/2), Pattern: Sector65}
		h := make([]complex128, n)
		a.Response(h, []Path{path}, carrierHz, 0)
		if n == 1 {
			one = energy(h)
			d := path.Departure
			want := Sector65(d) - FreeSpaceLossDB(path.DelayS*SpeedOfLightMps, carrierHz)
			if got := 10 * math.Log10(one); math.Abs(got-want) > 1e-9 {
				t.Errorf("one antenna: |h|^2 = %v dB, want %v", got, want)
			}
		}
		if got := energy(h) / one; math.Abs(got-float64(n)) > 1e-9*float64(n) {
			t.Errorf("%d antennas gather %v times the power of one", n, got)
		}
	}
}

// A user that moves by dx along the path turns the phase of the sample by
// 2 pi dx / lambda: at 10 m/s straight away from the array, 116.75 Hz.
func TestDopplerFollowsGeometry(t *testing.T) {
	const speedMps, stepS = 10, 1e-3
	a := &Array{PositionsM: Linear(1, 0.04)}
	before, after := make([]complex128, 1), make([]complex128, 1)
	a.Response(before, []Path{LineOfSight(Pose{}, [3]float64{100, 0, 0}, carrierHz)}, carrierHz, 0)
	a.Response(after, []Path{LineOfSight(Pose{}, [3]float64{100 + speedMps*stepS, 0, 0}, carrierHz)}, carrierHz, 0)
	// The received wave loses phase, h is its conjugate.
	hz := cmplx.Phase(after[0]/before[0]) / (2 * math.Pi * stepS)
	if want := speedMps * carrierHz / SpeedOfLightMps; math.Abs(hz-want) > 1e-6 {
		t.Errorf("Doppler shift %v Hz, want %v", hz, want)
	}
}

// Over a scatterer: the whole way counts for loss, phase and delay, the first
// leg for the direction.
func TestScatter(t *testing.T) {
	pose := Pose{PositionM: [3]float64{0, 0, 10}}
	p := Scatter(pose, [3]float64{30, 40, 10}, [3]float64{30, 40, 22}, 0.1i, carrierHz)
	const lengthM = 50 + 12
	wantDB := -FreeSpaceLossDB(lengthM, carrierHz) - 20
	if got := 20 * math.Log10(cmplx.Abs(p.Gain)); math.Abs(got-wantDB) > 1e-9 {
		t.Errorf("gain %v dB, want %v", got, wantDB)
	}
	if want := lengthM / 299792458.0; math.Abs(p.DelayS-want) > 1e-18 {
		t.Errorf("delay %v s, want %v", p.DelayS, want)
	}
	wantPhase := math.Pi/2 - 2*math.Pi*math.Mod(lengthM*carrierHz/299792458.0, 1)
	if d := math.Remainder(cmplx.Phase(p.Gain)-wantPhase, 2*math.Pi); math.Abs(d) > 1e-9 {
		t.Errorf("phase off by %v rad", d)
	}
	if want := (Direction{AzimuthDeg: math.Atan2(40, 30) * 180 / math.Pi}); math.Abs(p.Departure.AzimuthDeg-want.AzimuthDeg) > 1e-12 || p.Departure.ElevationDeg != 0 {
		t.Errorf("departure %v, want %v", p.Departure, want)
	}
}

// Two equal paths whose lengths differ by dL fade together with period c/dL in
// frequency: adding c/(2 dL) to the offset turns a peak into a null.
func TestFrequencyOffset(t *testing.T) {
	a := &Array{PositionsM: Linear(1, 1)}
	h := make([]complex128, 1)
	const excessM = 30
	paths := []Path{{Gain: 1, DelayS: 1e-6}, {Gain: 1, DelayS: 1e-6 + excessM/299792458.0}}
	a.Response(h, paths, carrierHz, 0)
	if got := cmplx.Abs(h[0]); math.Abs(got-2) > 1e-12 {
		t.Errorf("at the carrier |h| = %v, want 2", got)
	}
	a.Response(h, paths, carrierHz, 299792458.0/(2*excessM))
	if got := cmplx.Abs(h[0]); got > 1e-9 {
		t.Errorf("half a period off |h| = %v, want 0", got)
	}
	// Direction of time: the later path lags by 2 pi f tau, h is the conjugate.
	a.Response(h, []Path{{Gain: 1, DelayS: 1e-9}}, carrierHz, 1e8)
	if got, want := cmplx.Phase(h[0]), 2*math.Pi*0.1; math.Abs(got-want) > 1e-12 {
		t.Errorf("phase %v, want %v", got, want)
	}
}

// The exact loss at grazing is 6.0 dB (half the Fresnel integral, 20 log10 2);
// the approximation gives 6.03. Well clear there is none, and far in the shadow
// it tends to 20 log10(v) + 12.95 dB (from memory, ITU-R P.526).
func TestKnifeEdgeLoss(t *testing.T) {
	lambda := WavelengthM(carrierHz)
	edge := func(heightM float64) float64 { return KnifeEdgeLossDB(heightM, 100, 10, lambda) }
	if got := edge(0); math.Abs(got-20*math.Log10(2)) > 0.02 {
		t.Errorf("grazing loss %v dB, want 6.02", got)
	}
	if got := edge(-5); got != 0 {
		t.Errorf("loss well clear %v dB, want 0", got)
	}
	const heightM = 20
	v := heightM * math.Sqrt(2/lambda*(1.0/100+1.0/10))
	if got, want := edge(heightM), 12.95+20*math.Log10(v); math.Abs(got-want) > 0.1 {
		t.Errorf("loss in the shadow %v dB, want %v", got, want)
	}
	last := 0.0
	for h := -3.0; h < 10; h += 0.01 {
		if got := edge(h); got < last {
			t.Fatalf("loss falls from %v to %v dB at height %v m", last, got, h)
		} else {
			last = got
		}
	}
}
