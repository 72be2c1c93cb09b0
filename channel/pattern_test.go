package channel

import (
	"math"
	"testing"
)

// 0.886 lambda/(N d cos theta_0) is the half-power beamwidth in the limit of many
// antennas, from (sin u/u)^2 = 1/2 at u = 1.3915573783, and -13.2614588840 dB the
// first sidelobe, at tan u = u (derived; Van Trees, Optimum Array Processing, ch.
// 2, from memory).
func TestBeamLimits(t *testing.T) {
	const n = 256
	a := halfWave(n)
	nullDeg := math.Asin(2.0/n) * 180 / math.Pi
	width := 2 * crossing(a, math.Sqrt(0.5), 0, nullDeg) * math.Pi / 180
	if want := 0.8858929414 / (n * 0.5); math.Abs(width/want-1) > 1e-4 {
		t.Errorf("half-power beamwidth %.8f rad, want %.8f", width, want)
	}
	at := peak(a, nullDeg, math.Asin(4.0/n*0.999)*180/math.Pi)
	if got := 20 * math.Log10(factor(a, at)); math.Abs(got+13.2614588840) > 1e-3 {
		t.Errorf("first sidelobe %.5f dB, want -13.26146", got)
	}
}

// A beam turned aside is wider: exact values computed from the Dirichlet kernel,
// 16 antennas half a wavelength apart.
func TestBeamwidthScanned(t *testing.T) {
	a := halfWave(16)
	for _, tc := range []struct{ toDeg, widthDeg float64 }{{30, 7.3487}, {60, 12.9935}} {
		level := func(deg float64) float64 {
			u := math.Sin(deg*math.Pi/180) - math.Sin(tc.toDeg*math.Pi/180)
			return kernel(16, math.Pi*u)
		}
		edge := func(sign float64) float64 {
			low, high := 0.0, 8.0
			for range 60 {
				if mid := (low + high) / 2; level(tc.toDeg+sign*mid) > math.Sqrt(0.5) {
					low = mid
				} else {
					high = mid
				}
			}
			return low
		}
		lower, upper := edge(-1), edge(1)
		if got := lower + upper; math.Abs(got-tc.widthDeg) > 1e-4 {
			t.Errorf("beam to %v degrees is %.4f degrees wide, want %.4f", tc.toDeg, got, tc.widthDeg)
		}
		// The array itself has half its power there.
		to, aside := make([]complex128, 16), make([]complex128, 16)
		a.Steering(to, Direction{AzimuthDeg: tc.toDeg}, 1)
		a.Steering(aside, Direction{AzimuthDeg: tc.toDeg + upper}, 1)
		if got := square(correlation(to, aside)); math.Abs(got-0.5) > 1e-9 {
			t.Errorf("power at the edge of the beam to %v degrees is %v of its peak", tc.toDeg, got)
		}
	}
}

// Array gain 10 log10 N: what the matched beam of unit power brings over one
// antenna, and the directivity, over the sphere, of isotropic antennas half a
// wavelength apart on a line (their power adds up: sinc of whole turns is 0).
// Derived.
func TestArrayGain(t *testing.T) {
	for n := 1; n <= 64; n *= 2 {
		a := halfWave(n)
		h := make([]complex128, n)
		a.Steering(h, Direction{AzimuthDeg: 25}, 1)
		want := 10 * math.Log10(float64(n))
		if got := 10 * math.Log10(energy(h)); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d antennas: gain %.5f dB, want %.5f", n, got, want)
		}
		// The beam to broadside depends on the angle from the line alone, so the
		// mean over the sphere is that over the sine of the azimuth.
		const steps = 4000
		var mean float64
		for i := range steps {
			s := -1 + (2*float64(i)+1)/steps
			mean += square(factor(a, math.Asin(s)*180/math.Pi)) / steps
		}
		if got := -10 * math.Log10(mean); math.Abs(got-want) > 0.01 {
			t.Errorf("%d antennas: directivity %.4f dB, want %.4f", n, got, want)
		}
	}
}

// A column of n elements: its gain along the tilt is 10 log10 n over the
// element's, half its power is lost at half the beamwidth, and the power over the
// sphere is that of one element, half a wavelength apart. Derived.
func TestStack(t *testing.T) {
	const n = 8
	column := Stack(Isotropic, n, 0.5, 6)
	if got, want := column(Direction{AzimuthDeg: 50, ElevationDeg: -6}), 10*math.Log10(n); math.Abs(got-want) > 1e-12 {
		t.Errorf("along the tilt %v dBi, want %v", got, want)
	}
	level := Stack(nil, n, 0.5, 0)
	const halfDeg = 12.802526 / 2 // of 8 antennas, as in TestBeamTable
	if got, want := level(Direction{ElevationDeg: halfDeg}), 10*math.Log10(n/2.0); math.Abs(got-want) > 1e-5 {
		t.Errorf("at half the beamwidth %v dBi, want %v", got, want)
	}
	if got := level(Direction{ElevationDeg: math.Asin(2.0/n) * 180 / math.Pi}); got > -100 {
		t.Errorf("in the first null %v dBi", got)
	}
	const steps = 20000
	var mean float64
	for i := range steps {
		s := -1 + (2*float64(i)+1)/steps
		mean += math.Pow(10, column(Direction{ElevationDeg: math.Asin(s) * 180 / math.Pi})/10) / steps
	}
	if math.Abs(10*math.Log10(mean)) > 0.01 {
		t.Errorf("the column radiates %v of what it is fed", mean)
	}
	// A column is the array of its elements with equal weights.
	a := &Array{PositionsM: Planar(n, 1, 0.5), Pattern: Sector65}
	d := Direction{AzimuthDeg: 20, ElevationDeg: -31}
	h := make([]complex128, n)
	a.Steering(h, d, 1)
	var field complex128
	for _, x := range h {
		field += x / complex(math.Sqrt(n), 0)
	}
	got := Stack(Sector65, n, 0.5, 0)(d)
	if want := 10 * math.Log10(square(real(field))+square(imag(field))); math.Abs(got-want) > 1e-9 {
		t.Errorf("%v dBi, want %v", got, want)
	}
}

// cos^2 of the angle between two linear polarisations (Malus).
func TestSlanted(t *testing.T) {
	for _, tc := range []struct{ slantDeg, wantDB float64 }{
		{0, 0}, {45, -3.0103}, {-45, -3.0103}, {60, -6.0206}, {180, 0},
	} {
		if got := Slanted(nil, tc.slantDeg)(Direction{}); math.Abs(got-tc.wantDB) > 5e-5 {
			t.Errorf("slant %v degrees: %.4f dB, want %.4f", tc.slantDeg, got, tc.wantDB)
		}
	}
	if got := Slanted(Sector65, 90)(Direction{}); got > -100 || math.IsNaN(got) {
		t.Errorf("crossed: %v dBi", got)
	}
}

// On a cylinder every antenna looks outwards, neighbours are the spacing apart
// and a turn by one column changes nothing but the order.
func TestCylindrical(t *testing.T) {
	const rows, columns, spacingM = 2, 12, 0.5
	a := Cylindrical(rows, columns, spacingM, Sector65)
	if len(a.PositionsM) != rows*columns {
		t.Fatalf("%d antennas", len(a.PositionsM))
	}
	for m, p := range a.PositionsM {
		next := m + 1
		if next%columns == 0 {
			next -= columns
		}
		if d := norm(sub(p, a.PositionsM[next])); math.Abs(d-spacingM) > 1e-12 {
			t.Errorf("antennas %d and %d are %v m apart", m, next, d)
		}
		if got := DirectionOf([3]float64{p[0], p[1], 0}).AzimuthDeg; math.Abs(wrapDeg(got-a.AzimuthsDeg[m])) > 1e-9 {
			t.Errorf("antenna %d at %v degrees looks to %v", m, got, a.AzimuthsDeg[m])
		}
	}
	if d := a.PositionsM[columns][2] - a.PositionsM[0][2]; math.Abs(d-spacingM) > 1e-12 {
		t.Errorf("rows %v m apart", d)
	}
	before, after := make([]complex128, rows*columns), make([]complex128, rows*columns)
	a.Steering(before, Direction{AzimuthDeg: 10, ElevationDeg: 5}, 1)
	a.Steering(after, Direction{AzimuthDeg: 10 + 360.0/columns, ElevationDeg: 5}, 1)
	for m := range before {
		r, c := m/columns, m%columns
		if d := before[m] - after[r*columns+(c+1)%columns]; math.Hypot(real(d), imag(d)) > 1e-12 {
			t.Fatalf("antenna %d: turned by one column it is %v, not %v", m, after[r*columns+(c+1)%columns], before[m])
		}
	}
	// The antenna that looks at the user has 8 dBi, the one that looks away 30 dB less.
	a.Steering(before, Direction{}, 1)
	if got := 20 * math.Log10(math.Hypot(real(before[0]), imag(before[0]))); math.Abs(got-8) > 1e-9 {
		t.Errorf("ahead %v dBi, want 8", got)
	}
	if got := 20 * math.Log10(math.Hypot(real(before[6]), imag(before[6]))); math.Abs(got+22) > 1e-9 {
		t.Errorf("behind %v dBi, want -22", got)
	}
	if got, want := a.meanPower(Direction{AzimuthDeg: 3}), energy(before)/(rows*columns); math.Abs(got/want-1) > 0.05 {
		t.Errorf("mean power %v at 3 degrees, %v at 0", got, want)
	}
	if p := Cylindrical(3, 1, 0.5, nil).PositionsM; p[0] != [3]float64{0, 0, -0.5} {
		t.Errorf("one column stands at %v", p[0])
	}
}
