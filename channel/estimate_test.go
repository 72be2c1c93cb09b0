package channel

import (
	"math"
	"math/cmplx"
	"testing"
)

// g = tau rho beta^2/(1 + tau rho beta) is the power of the estimate, beta - g
// its error: tau = 8, rho = beta = 1 give g = 0.8888889 (Marzetta et al.,
// Fundamentals of Massive MIMO, ch. 3, from memory; value computed from it).
func TestEstimationVariance(t *testing.T) {
	ls := Pilots{Length: 8, PowerW: 1, NoiseW: 1}.LSVariance(0)
	if got := 1 - MMSEVariance(1, ls); math.Abs(got-0.8888889) > 5e-8 {
		t.Errorf("power of the estimate %v, want 0.8888889", got)
	}
	// A user elsewhere of gain 0.5 on the same pilots adds it to the noise:
	// beta^2/(beta + beta' + 1/(tau rho)), Marzetta 2010 (from memory; derived).
	ls = Pilots{Length: 8, PowerW: 2, NoiseW: 4}.LSVariance(0.5)
	if want := 3 * 3 / (3 + 0.5 + 0.25); math.Abs(3-MMSEVariance(3, ls)-want) > 1e-12 {
		t.Errorf("power of the estimate %v, want %v", 3-MMSEVariance(3, ls), want)
	}
	if got := MMSEVariance(0, 0); got != 0 {
		t.Errorf("no channel, no noise: %v", got)
	}
}

// The drawn estimate has the error variance stated and is not correlated with its
// error. Standard errors over 200000 samples are near 0.003.
func TestEstimate(t *testing.T) {
	const n, gain, ls = 200000, 2.0, 0.6
	h, got := make([]complex128, n), make([]complex128, n)
	Rayleigh(NewRand(1, 0), h, gain)
	Estimate(NewRand(1, 1), got, h, gain, ls)
	var variance float64
	var cross complex128
	for i := range h {
		e := h[i] - got[i]
		variance += square(cmplx.Abs(e)) / n
		cross += cmplx.Conj(got[i]) * e / n
	}
	if want := MMSEVariance(gain, ls); math.Abs(variance/want-1) > 0.01 {
		t.Errorf("error variance %v, want %v", variance, want)
	}
	if cmplx.Abs(cross) > 0.01 {
		t.Errorf("estimate and error correlate by %v", cross)
	}
	Estimate(NewRand(1, 1), got, h, gain, 0)
	for i := range h {
		if got[i] != h[i] {
			t.Fatal("without noise the estimate is not the channel")
		}
	}
}

// A least-squares estimate turned into one of least mean square error: by
// Wiener's filter (any textbook) the error has variance r s/(r+s), does not correlate
// with the estimate, and the two have r between them. What goes in correlates with its
// error by s. Standard errors over 200000 samples are near 0.003.
func TestFromLeastSquares(t *testing.T) {
	const n, r, s = 200000, 2.0, 0.6
	rng := NewRand(2, 0)
	h, y := make([]complex128, n), make([]complex128, n)
	Rayleigh(rng, h, r)
	DrawTruth(rng, y, h, s) // noise
	if got := MeanSquare(y, s); !(math.Abs(got/r-1) < 0.01) {
		t.Errorf("mean square %v of the channel, want %v", got, r)
	}
	estimate := make([]complex128, n)
	claimed, err := FromLeastSquares(estimate, y, r, s)
	if err != nil || !(math.Abs(claimed-r*s/(r+s)) < 1e-15) {
		t.Errorf("variance %v, %v, want %v", claimed, err, r*s/(r+s))
	}
	moments := func(known []complex128) (variance, cross, power float64) {
		for i := range h {
			e := h[i] - known[i]
			variance += square(cmplx.Abs(e)) / n
			cross += real(cmplx.Conj(known[i])*e) / n
			power += square(cmplx.Abs(known[i])) / n
		}
		return variance, cross, power
	}
	variance, cross, power := moments(estimate)
	if !(math.Abs(variance/claimed-1) < 0.01) || !(math.Abs(cross) < 0.01) || !(math.Abs((power+variance)/r-1) < 0.01) {
		t.Errorf("error variance %v of %v claimed, correlation %v, power of both %v of %v", variance, claimed, cross, power+variance, r)
	}
	if _, cross, _ := moments(y); !(math.Abs(cross+s) < 0.02) {
		t.Errorf("a least-squares estimate correlates with its error by %v, want %v", cross, -s)
	}
	if _, err := FromLeastSquares(y, y, r, 0); err != nil {
		t.Error(err)
	}
	for _, bad := range [][2]float64{{0, 1}, {-1, 1}, {math.NaN(), 1}, {math.Inf(1), 1}, {1, -1}, {1, math.NaN()}, {1, math.Inf(1)}} {
		if _, err := FromLeastSquares(y, y, bad[0], bad[1]); err == nil {
			t.Errorf("gain %v and noise %v are taken", bad[0], bad[1])
		}
	}
	if _, err := FromLeastSquares(y[1:], y, 1, 1); err == nil {
		t.Error("lengths that differ are taken")
	}
	if got := MeanSquare([]complex128{1}, 2); got != 0 {
		t.Errorf("all noise: mean square %v", got)
	}
}

// Split keeps the power of a channel, and true channels drawn have it too. Derived:
// |estimate|^2 + n e r = |h|^2, and in the mean over truths the same.
func TestSplit(t *testing.T) {
	const n, e = 50000, 0.3
	h, known := make([]complex128, n), make([]complex128, n)
	Rayleigh(NewRand(3, 0), h, 5)
	variance := Split(known, h, e)
	r := MeanSquare(h, 0)
	if got := MeanSquare(known, 0); !(math.Abs(got/((1-e)*r)-1) < 1e-12) || !(math.Abs(variance/(e*r)-1) < 1e-12) {
		t.Errorf("estimate and error have %v and %v of %v", got, variance, r)
	}
	truth := make([]complex128, n)
	DrawTruth(NewRand(3, 1), truth, known, variance)
	if got := MeanSquare(truth, 0); !(math.Abs(got/r-1) < 0.02) {
		t.Errorf("a true channel has mean square %v, want %v", got, r)
	}
	if variance := Split(known, h, 0); variance != 0 || known[7] != h[7] {
		t.Errorf("without error the estimate is not the channel")
	}
}

// J0 of the Doppler shift at 3.5 GHz (values computed): speed, delay, correlation.
func TestAgeing(t *testing.T) {
	for _, tc := range []struct{ kmh, delayS, want float64 }{
		{3, 0.5e-3, 0.999766}, {3, 10e-3, 0.908741}, {30, 1e-3, 0.908741}, {30, 5e-3, -0.278589},
		{60, 1e-3, 0.659819}, {120, 0.5e-3, 0.659819}, {120, 1e-3, -0.020756}, {0, 1, 1},
	} {
		if got := Ageing(tc.kmh/3.6, 3.5e9, tc.delayS); math.Abs(got-tc.want) > 1e-6 {
			t.Errorf("%v km/h, %v s: %.6f, want %.6f", tc.kmh, tc.delayS, got, tc.want)
		}
	}
}

// An estimate used later: over rings of scatterers the error of rho times it has
// the variance stated.
func TestAgedVariance(t *testing.T) {
	const drops, gain, ls, speedMps, delayS = 6000, 1.0, 0.1, 10, 1.2e-3
	a := &Array{PositionsM: Linear(1, 1)}
	rho := Ageing(speedMps, carrierHz, delayS)
	h := make([]complex128, 1)
	var paths []Path
	var got float64
	at := func(rays []Ray, x float64) complex128 {
		paths = paths[:0]
		for _, r := range rays {
			paths = append(paths, r.Path(Pose{}, [3]float64{500 + x, 0, 0}, carrierHz))
		}
		a.Response(h, paths, carrierHz, 0)
		return h[0]
	}
	for i := range drops {
		rng := NewRand(4, uint64(i))
		rays := Ring(rng, [3]float64{500, 0, 0}, 60, 40)
		estimate := []complex128{at(rays, 0)}
		Estimate(rng, estimate, estimate, gain, ls)
		got += square(cmplx.Abs(at(rays, speedMps*delayS)-complex(rho, 0)*estimate[0])) / drops
	}
	want := AgedVariance(gain, MMSEVariance(gain, ls), rho)
	if math.Abs(got/want-1) > 0.06 {
		t.Errorf("error variance %v, want %v", got, want)
	}
	if got := AgedVariance(gain, 0.3, 1); math.Abs(got-0.3) > 1e-15 {
		t.Errorf("unaged %v, want 0.3", got)
	}
}

// Rice: mean power that of the straight path, the straight part k/(1+k) of it, the
// rest as an exponential law (E|s|^4 = 2 of its power squared).
func TestRice(t *testing.T) {
	const n, k = 100000, 3.0
	straight, got := make([]complex128, n), make([]complex128, n)
	for i := range straight {
		straight[i] = cmplx.Rect(2, float64(i))
	}
	Rayleigh(NewRand(9, 0), got, 4)
	Rice(got, straight, got, k)
	var scattered, fourth float64
	var along complex128
	for i := range got {
		along += cmplx.Conj(straight[i]) * got[i] / (4 * n)
		s := got[i] - complex(math.Sqrt(k/(1+k)), 0)*straight[i]
		scattered += square(cmplx.Abs(s)) / n
		fourth += square(square(cmplx.Abs(s))) / n
	}
	if math.Abs(energy(got)/(4*n)-1) > 0.02 || cmplx.Abs(along-complex(math.Sqrt(k/(1+k)), 0)) > 0.02 {
		t.Errorf("power %v, straight part %v", energy(got)/n, along)
	}
	if math.Abs(scattered-4/(1+k)) > 0.02 || math.Abs(fourth/square(scattered)-2) > 0.1 {
		t.Errorf("scattered power %v, want %v; fourth moment %v", scattered, 4/(1+k), fourth/square(scattered))
	}
}
