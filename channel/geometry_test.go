package channel

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
)

// halfWave is an array of n isotropic antennas along y, half a wavelength of 1 m
// apart.
func halfWave(n int) *Array { return &Array{PositionsM: Linear(n, 0.5)} }

// correlation returns |a^H b| / (|a| |b|).
func correlation(a, b []complex128) float64 {
	return cmplx.Abs(inner(a, b)) / math.Sqrt(energy(a)*energy(b))
}

func inner(a, b []complex128) (sum complex128) {
	for m := range a {
		sum += cmplx.Conj(a[m]) * b[m]
	}
	return sum
}

func energy(a []complex128) float64 { return real(inner(a, a)) }

// factor returns the normalised array factor of a towards azimuthDeg, pointed
// to broadside.
func factor(a *Array, azimuthDeg float64) float64 {
	n := len(a.PositionsM)
	broadside, aside := make([]complex128, n), make([]complex128, n)
	a.Steering(broadside, Direction{}, 1)
	a.Steering(aside, Direction{AzimuthDeg: azimuthDeg}, 1)
	return correlation(broadside, aside)
}

// Correlation of two users in line of sight, at 0 and x degrees: the Dirichlet
// kernel |sin(N psi/2) / (N sin(psi/2))|, psi = pi sin(x). Formula: Balanis,
// Antenna Theory, ch. 6 (from memory); values computed from it.
func TestCorrelationLineOfSight(t *testing.T) {
	a := halfWave(16)
	for _, tc := range []struct{ deg, want float64 }{
		{1, 0.96836276}, {2, 0.87705894}, {3, 0.73641481}, {5, 0.37280744}, {10, 0.21808286},
	} {
		if got := factor(a, tc.deg); math.Abs(got-tc.want) > 5e-9 {
			t.Errorf("16 antennas, %v degrees: %.8f, want %.8f", tc.deg, got, tc.want)
		}
	}
}

// Beam of a broadside line half a wavelength apart. Values computed from the
// Dirichlet kernel; 0.886 lambda/(N d) is the textbook's limit (Van Trees,
// Optimum Array Processing, ch. 2, from memory).
func TestBeamTable(t *testing.T) {
	for _, tc := range []struct {
		n                                    int
		widthDeg, nullDeg, sidelobeDB, atDeg float64
	}{
		{4, 26.322952, 30.000000, -11.30334, 47.07784},
		{8, 12.802526, 14.477512, -12.79735, 21.06934},
		{16, 6.358726, 7.180756, -13.14683, 10.31278},
		{32, 3.174114, 3.583322, -13.23289, 5.13040},
		{64, 1.586403, 1.790785, -13.25432, 2.56200},
		{128, 0.793120, 0.895283, -13.25967, 1.28060},
	} {
		t.Run(fmt.Sprintf("antennas=%d", tc.n), func(t *testing.T) {
			a := halfWave(tc.n)
			if width := 2 * crossing(a, math.Sqrt(0.5), 0, tc.nullDeg); math.Abs(width-tc.widthDeg) > 1e-6 {
				t.Errorf("half-power width %.6f degrees, want %.6f", width, tc.widthDeg)
			}
			if null := factor(a, tc.nullDeg); null > 1e-6 {
				t.Errorf("|AF| at the first null = %g, want 0", null)
			}
			at := peak(a, tc.nullDeg, math.Asin(4/float64(tc.n)*0.999)*180/math.Pi)
			if math.Abs(at-tc.atDeg) > 2e-5 {
				t.Errorf("first sidelobe at %.5f degrees, want %.5f", at, tc.atDeg)
			}
			if got := 20 * math.Log10(factor(a, at)); math.Abs(got-tc.sidelobeDB) > 2e-5 {
				t.Errorf("first sidelobe %.5f dB, want %.5f", got, tc.sidelobeDB)
			}
		})
	}
}

// crossing returns where |AF| falls through level between lowDeg and highDeg.
func crossing(a *Array, level, lowDeg, highDeg float64) float64 {
	for range 60 {
		mid := (lowDeg + highDeg) / 2
		if factor(a, mid) > level {
			lowDeg = mid
		} else {
			highDeg = mid
		}
	}
	return lowDeg
}

// peak returns where |AF| is largest between lowDeg and highDeg, where it has
// one maximum.
func peak(a *Array, lowDeg, highDeg float64) float64 {
	for range 80 {
		third := (highDeg - lowDeg) / 3
		if factor(a, lowDeg+third) < factor(a, highDeg-third) {
			lowDeg += third
		} else {
			highDeg -= third
		}
	}
	return (lowDeg + highDeg) / 2
}

// The factor of a planar array is the product of those of its two lines
// (pattern multiplication, Balanis ch. 6, from memory), and N antennas gather N
// times the power.
func TestPlanarIsProductOfLines(t *testing.T) {
	rows, columns := 4, 8
	plane := &Array{PositionsM: Planar(rows, columns, 0.5)}
	d := Direction{AzimuthDeg: 17, ElevationDeg: -11}
	u := d.Unit()
	got := against(plane, d)
	want := kernel(columns, math.Pi*u[1]) * kernel(rows, math.Pi*u[2])
	if math.Abs(got-want) > 1e-12 {
		t.Errorf("|AF| = %.15f, want %.15f", got, want)
	}
	h := make([]complex128, rows*columns)
	plane.Steering(h, d, 1)
	if got := energy(h); math.Abs(got-float64(rows*columns)) > 1e-12 {
		t.Errorf("||h||^2 = %v, want %d", got, rows*columns)
	}
}

func against(a *Array, d Direction) float64 {
	n := len(a.PositionsM)
	broadside, aside := make([]complex128, n), make([]complex128, n)
	a.Steering(broadside, Direction{}, 1)
	a.Steering(aside, d, 1)
	return correlation(broadside, aside)
}

// kernel is the normalised Dirichlet kernel.
func kernel(n int, psi float64) float64 {
	return math.Abs(math.Sin(float64(n)*psi/2) / (float64(n) * math.Sin(psi/2)))
}

func TestPlanarOrder(t *testing.T) {
	p := Planar(2, 3, 1)
	want := [][3]float64{{0, -1, -0.5}, {0, 0, -0.5}, {0, 1, -0.5}, {0, -1, 0.5}, {0, 0, 0.5}, {0, 1, 0.5}}
	if fmt.Sprint(p) != fmt.Sprint(want) {
		t.Errorf("Planar(2, 3, 1) = %v, want %v", p, want)
	}
}

func TestDirectionRoundTrip(t *testing.T) {
	for _, d := range []Direction{{0, 0}, {90, 0}, {-120, 35}, {10, -80}, {0, 90}} {
		got := DirectionOf(d.Unit())
		if math.Abs(got.AzimuthDeg-d.AzimuthDeg) > 1e-9 && d.ElevationDeg != 90 || math.Abs(got.ElevationDeg-d.ElevationDeg) > 1e-9 {
			t.Errorf("DirectionOf(%v.Unit()) = %v", d, got)
		}
	}
}

// A panel 10 m up and tilted down by 45 degrees, turned to +y, looks at the point
// 10 m before its foot; a point to the world's -x is on its left (+y).
func TestPoseLocal(t *testing.T) {
	p := Pose{PositionM: [3]float64{1, 2, 10}, AzimuthDeg: 90, DowntiltDeg: 45}
	for _, tc := range []struct{ point, want [3]float64 }{
		{[3]float64{1, 12, 0}, [3]float64{10 * math.Sqrt2, 0, 0}},
		{[3]float64{-2, 2, 10}, [3]float64{0, 3, 0}},
		{[3]float64{1, 2, 11}, [3]float64{-math.Sqrt(0.5), 0, math.Sqrt(0.5)}},
	} {
		if got := p.Local(tc.point); norm(sub(got, tc.want)) > 1e-12 {
			t.Errorf("Local(%v) = %v, want %v", tc.point, got, tc.want)
		}
	}
}
