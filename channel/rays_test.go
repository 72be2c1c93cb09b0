package channel

import (
	"math"
	"math/cmplx"
	"testing"
)

// One-ring model: scatterers all round a user seen from far under the half angle
// delta correlate two antennas d apart by J0(2 pi d delta/lambda) (Jakes 1974, from
// memory; derived: departures are delta cos(alpha), alpha uniform). The mean over
// 4000 drops has a standard error of 1/sqrt(4000) = 0.016.
func TestSpatialCorrelationOfRing(t *testing.T) {
	const drops, antennas, radiusM, distanceM = 4000, 13, 100, 2000
	lambda := WavelengthM(carrierHz)
	a := &Array{PositionsM: Linear(antennas, lambda)}
	h := make([]complex128, antennas)
	got := make([]complex128, antennas)
	var paths []Path
	for i := range drops {
		paths = paths[:0]
		to := [3]float64{distanceM, 0, 0}
		for _, r := range Ring(NewRand(5, uint64(i)), to, radiusM, 40) {
			paths = append(paths, r.Path(Pose{}, to, carrierHz))
		}
		a.Response(h, paths, carrierHz, 0)
		for m := range h {
			got[m] += cmplx.Conj(h[0]) * h[m] / drops
		}
	}
	const delta = float64(radiusM) / distanceM
	for m, r := range got {
		if want := math.J0(2 * math.Pi * float64(m) * delta); cmplx.Abs(r-complex(want, 0)) > 4*0.016 {
			t.Errorf("%d wavelengths apart: %.4f, want %.4f", m, r, want)
		}
	}
}

// Doppler: a user that moves among scatterers all round has the autocorrelation
// J0(2 pi v tau/lambda), whatever its direction (Clarke 1968; Jakes 1974), on
// every subband at its own frequency. The mean over the drops has a standard error
// of 1/sqrt(drops).
func TestDopplerAutocorrelation(t *testing.T) {
	const drops, steps, stepM, bandwidthHz, subbands = 1500, 12, 0.01, 1.4e9, 2
	a := &Array{PositionsM: Linear(1, 1)}
	h := make([]complex128, subbands)
	got := make([][steps]complex128, subbands)
	var paths []Path
	for i := range drops {
		at := [3]float64{600, 200, 1.5}
		rays := Ring(NewRand(6, uint64(i)), at, 80, 30)
		const heading = 0.7
		var first [subbands]complex128
		for s := range steps {
			to := [3]float64{at[0] + stepM*float64(s)*math.Cos(heading), at[1] + stepM*float64(s)*math.Sin(heading), at[2]}
			paths = paths[:0]
			for _, r := range rays {
				paths = append(paths, r.Path(Pose{PositionM: [3]float64{0, 0, 25}}, to, carrierHz))
			}
			a.Responses(h, paths, carrierHz, bandwidthHz, subbands)
			for f := range h {
				if s == 0 {
					first[f] = h[f]
				}
				got[f][s] += cmplx.Conj(first[f]) * h[f] / drops
			}
		}
	}
	for f := range got {
		fHz := carrierHz + (float64(f)-0.5)*bandwidthHz/subbands
		for s, r := range got[f] {
			want := math.J0(2 * math.Pi * stepM * float64(s) * fHz / SpeedOfLightMps)
			if cmplx.Abs(r-complex(want, 0)) > 4/math.Sqrt(drops) {
				t.Errorf("subband %d, %v m on: %.4f, want %.4f", f, stepM*float64(s), r, want)
			}
		}
	}
}

// Drawn clusters have the power and the spreads asked for, exactly, the straight
// way's mean direction and no ray that is shorter than it.
func TestClusters(t *testing.T) {
	pose := Pose{PositionM: [3]float64{10, -20, 25}, AzimuthDeg: 30}
	to := [3]float64{210, 80, 1.5}
	straight := LineOfSight(pose, to, carrierHz)
	c := Clusters{Number: 12, Rays: 8, DelaySpreadS: 3e-7, AngularSpreadDeg: 12, RaySpreadDeg: 3}
	for seed := range int64(50) {
		var power, delay, delay2, angle, angle2 float64
		for _, r := range c.Draw(NewRand(seed, 1), pose, to) {
			p := r.Path(pose, to, carrierHz)
			w := square(cmplx.Abs(p.Gain))
			off := wrapDeg(p.Departure.AzimuthDeg - straight.Departure.AzimuthDeg)
			excess := p.DelayS - straight.DelayS
			if excess < -1e-15 {
				t.Fatalf("a ray %v s before the straight one", -excess)
			}
			if math.Abs(p.Departure.ElevationDeg-straight.Departure.ElevationDeg) > 1e-9 {
				t.Fatalf("elevation %v, want %v", p.Departure.ElevationDeg, straight.Departure.ElevationDeg)
			}
			power += w
			delay, delay2 = delay+w*excess, delay2+w*excess*excess
			angle, angle2 = angle+w*off, angle2+w*off*off
		}
		if math.Abs(power-1) > 1e-9 || math.Abs(angle) > 1e-6 {
			t.Fatalf("power %v, mean azimuth %v", power, angle)
		}
		if got := math.Sqrt(delay2 - delay*delay); math.Abs(got/c.DelaySpreadS-1) > 1e-6 {
			t.Errorf("delay spread %v s, want %v", got, c.DelaySpreadS)
		}
		if got := math.Sqrt(angle2 - angle*angle); math.Abs(got/c.AngularSpreadDeg-1) > 1e-6 {
			t.Errorf("angular spread %v degrees, want %v", got, c.AngularSpreadDeg)
		}
	}
}

// Across the band the correlation of a cluster channel is the Fourier transform of
// its power over delay (Wiener-Khinchin): the mean of h*(0) h(f) over random
// phases.
func TestSubbandsFollowDelays(t *testing.T) {
	const drops, bandwidthHz, subbands = 4000, 20e6, 8
	to := [3]float64{300, 0, 1.5}
	rays := Clusters{Number: 12, Rays: 8, DelaySpreadS: 1e-7, AngularSpreadDeg: 12}.Draw(NewRand(7, 0), Pose{}, to)
	a := &Array{PositionsM: Linear(1, 1)}
	h := make([]complex128, subbands)
	got, want := make([]complex128, subbands), make([]complex128, subbands)
	paths := make([]Path, len(rays))
	for i := range drops {
		rng := NewRand(8, uint64(i))
		for j, r := range rays {
			paths[j] = r.Path(Pose{}, to, carrierHz)
			paths[j].Gain *= cmplx.Rect(1, 2*math.Pi*rng.Float64())
			if i == 0 {
				for f := range want {
					turns := float64(f) * bandwidthHz / subbands * paths[j].DelayS
					want[f] += cmplx.Rect(square(cmplx.Abs(paths[j].Gain)), 2*math.Pi*turns)
				}
			}
		}
		a.Responses(h, paths, carrierHz, bandwidthHz, subbands)
		for f := range h {
			got[f] += cmplx.Conj(h[0]) * h[f] / drops
		}
	}
	for f := range got {
		if cmplx.Abs(got[f]-want[f]) > 4*0.016 {
			t.Errorf("%d subbands apart: %.3f, want %.3f", f, got[f], want[f])
		}
	}
}

// Responses at one subband is Response at the carrier, and of several each is
// Response at its middle.
func TestResponses(t *testing.T) {
	a := Cylindrical(2, 6, 0.04, Sector65)
	var paths []Path
	to := [3]float64{90, 40, 0}
	for _, r := range Ring(NewRand(1, 1), to, 10, 5) {
		paths = append(paths, r.Path(Pose{}, to, carrierHz))
	}
	const n, subbands, bandwidthHz = 12, 4, 40e6
	got, want := make([]complex128, n*subbands), make([]complex128, n)
	a.Responses(got, paths, carrierHz, bandwidthHz, subbands)
	for f, offsetHz := range []float64{-15e6, -5e6, 5e6, 15e6} {
		a.Response(want, paths, carrierHz, offsetHz)
		for m := range want {
			if cmplx.Abs(got[f*n+m]-want[m]) > 1e-9 {
				t.Fatalf("subband %d, antenna %d: %v, want %v", f, m, got[f*n+m], want[m])
			}
		}
	}
	a.Responses(got[:n], paths, carrierHz, bandwidthHz, 1)
	a.Response(want, paths, carrierHz, 0)
	for m := range want {
		if cmplx.Abs(got[m]-want[m]) > 1e-12 {
			t.Fatalf("antenna %d: %v, want %v", m, got[m], want[m])
		}
	}
}

// MeanGain is the mean of |h|^2 over random phases.
func TestMeanGain(t *testing.T) {
	a := Cylindrical(1, 8, 0.04, Sector65)
	paths := []Path{{Gain: 2, Departure: Direction{AzimuthDeg: 20}}, {Gain: 1i, Departure: Direction{AzimuthDeg: 150, ElevationDeg: -10}}}
	const drops = 20000
	h := make([]complex128, 8)
	var mean float64
	rng := NewRand(2, 2)
	turned := make([]Path, len(paths))
	for range drops {
		for i, p := range paths {
			turned[i] = p
			turned[i].Gain *= cmplx.Rect(1, 2*math.Pi*rng.Float64())
		}
		a.Response(h, turned, carrierHz, 0)
		mean += energy(h) / 8 / drops
	}
	if got := a.MeanGain(paths); math.Abs(mean/got-1) > 0.02 {
		t.Errorf("mean gain %v, of drops %v", got, mean)
	}
	a.AzimuthsDeg = nil
	if got, want := a.MeanGain(paths[:1]), 4*math.Pow(10, Sector65(paths[0].Departure)/10); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("mean gain %v, want %v", got, want)
	}
}
