package channel

import "math"

// Pattern is the power gain of one antenna in dBi along a direction.
type Pattern func(Direction) float64

// Isotropic is the pattern of 0 dBi all round.
func Isotropic(Direction) float64 { return 0 }

// Sector65 is the antenna element of TR 38.901 table 7.3-1: 8 dBi, 65 degrees
// wide at half power both ways, 30 dB down at the sides and behind.
func Sector65(d Direction) float64 {
	const (
		gainDBi  = 8
		widthDeg = 65
		floorDB  = 30
	)
	vertical := math.Min(12*square(d.ElevationDeg/widthDeg), floorDB)
	horizontal := math.Min(12*square(wrapDeg(d.AzimuthDeg)/widthDeg), floorDB)
	return gainDBi - math.Min(vertical+horizontal, floorDB)
}

// Stack returns the pattern of a column of n elements of a pattern, spacing
// wavelengths apart along z and fed as one antenna: equal amplitudes, phased to
// point tiltDeg below the horizon. The power fed in is shared among the elements,
//
//	G(d) = G_e(d) |sum_i exp(j 2 pi i spacing (sin e + sin tilt))|^2 / n,
//
// e the elevation of d. The antenna's position is the middle of the column. The
// sign of the sum is left out: it is the same for all columns of an array and
// changes in nulls only.
func Stack(element Pattern, n int, spacing, tiltDeg float64) Pattern {
	if element == nil {
		element = Isotropic
	}
	sinTilt := math.Sin(tiltDeg * math.Pi / 180)
	return func(d Direction) float64 {
		turns := spacing * (math.Sin(d.ElevationDeg*math.Pi/180) + sinTilt)
		sum := dirichlet(n, 2*math.Pi*turns)
		return element(d) + 20*math.Log10(math.Abs(sum)) - 10*math.Log10(float64(n))
	}
}

// dirichlet returns sin(n x/2) / sin(x/2), which is n at x = 0.
func dirichlet(n int, x float64) float64 {
	half := math.Remainder(x, 2*math.Pi) / 2 // whole turns change the sign alone
	if math.Abs(half) < 1e-9 {
		return float64(n)
	}
	return math.Sin(float64(n)*half) / math.Sin(half)
}

// Slanted returns a pattern received with linear polarisations that differ by
// slantDeg: cos^2 of it in power, which is 3 dB less at 45 degrees and at 90
// degrees nothing but rounding. It is a gain of the straight wave; depolarisation
// on the way is not modelled.
func Slanted(element Pattern, slantDeg float64) Pattern {
	if element == nil {
		element = Isotropic
	}
	gainDB := 20 * math.Log10(math.Abs(math.Cos(slantDeg*math.Pi/180)))
	return func(d Direction) float64 { return element(d) + gainDB }
}

// wrapDeg returns a turned by whole turns into [-180, 180].
func wrapDeg(a float64) float64 { return math.Remainder(a, 360) }

func square(x float64) float64 { return x * x }
