package channel

import (
	"math"
	"math/cmplx"
)

// SpeedOfLightMps is the speed of light in m/s (exact, SI).
const SpeedOfLightMps = 299792458

// WavelengthM returns the wavelength in m at carrierHz.
func WavelengthM(carrierHz float64) float64 { return SpeedOfLightMps / carrierHz }

// Direction is seen from an array that looks along +x: azimuth turns from +x to
// +y, elevation from the xy plane to +z, both in degrees.
type Direction struct {
	AzimuthDeg   float64
	ElevationDeg float64
}

// Unit returns the unit vector along d.
func (d Direction) Unit() [3]float64 {
	sinA, cosA := math.Sincos(d.AzimuthDeg * math.Pi / 180)
	sinE, cosE := math.Sincos(d.ElevationDeg * math.Pi / 180)
	return [3]float64{cosE * cosA, cosE * sinA, sinE}
}

// DirectionOf returns the direction of v, which need not have unit length. The
// zero vector gives the direction of +x.
func DirectionOf(v [3]float64) Direction {
	return Direction{
		AzimuthDeg:   math.Atan2(v[1], v[0]) * 180 / math.Pi,
		ElevationDeg: math.Atan2(v[2], math.Hypot(v[0], v[1])) * 180 / math.Pi,
	}
}

// Linear returns the positions in m of n antennas along y, spacingM apart,
// centred on the origin.
func Linear(n int, spacingM float64) [][3]float64 { return Planar(1, n, spacingM) }

// Planar returns the positions in m of rows x columns antennas in the yz plane,
// spacingM apart both ways, centred on the origin: antenna row*columns+column,
// columns along y, rows along z from below.
func Planar(rows, columns int, spacingM float64) [][3]float64 {
	positions := make([][3]float64, 0, rows*columns)
	for r := range rows {
		z := (float64(r) - float64(rows-1)/2) * spacingM
		for c := range columns {
			y := (float64(c) - float64(columns-1)/2) * spacingM
			positions = append(positions, [3]float64{0, y, z})
		}
	}
	return positions
}

// Cylindrical returns an array of rows x columns antennas on an upright cylinder
// around the origin, each looking straight outwards: antenna row*columns+column,
// rows spacingM apart along z from below, columns spacingM apart on the straight
// line from one to the next, column 0 towards +x and the others in turn from +x
// to +y.
func Cylindrical(rows, columns int, spacingM float64, pattern Pattern) Array {
	var radiusM float64
	if columns > 1 {
		radiusM = spacingM / (2 * math.Sin(math.Pi/float64(columns)))
	}
	a := Array{Pattern: pattern}
	for r := range rows {
		z := (float64(r) - float64(rows-1)/2) * spacingM
		for c := range columns {
			azimuthDeg := 360 * float64(c) / float64(columns)
			u := Direction{AzimuthDeg: azimuthDeg}.Unit()
			a.PositionsM = append(a.PositionsM, [3]float64{radiusM * u[0], radiusM * u[1], z})
			a.AzimuthsDeg = append(a.AzimuthsDeg, azimuthDeg)
		}
	}
	return a
}

// Array is a set of equal antennas.
type Array struct {
	PositionsM  [][3]float64 // x, y, z of each antenna
	AzimuthsDeg []float64    // to where each antenna looks, from +x to +y; nil means +x for all
	Pattern     Pattern      // of one antenna that looks along +x; nil means Isotropic
}

// Steering sets dst, one sample per antenna, to the channel of a plane wave that
// leaves along d with unit gain at the origin:
//
//	h_m = a(d) exp(-j 2 pi p_m . u(d) / lambda),
//
// a the amplitude of the element pattern, u the unit vector along d. It is the
// conjugate of the physical gain, so that the beam w ~ h points along d and
// h^H w is the far field of any w in direction d.
func (a *Array) Steering(dst []complex128, d Direction, wavelengthM float64) {
	clear(dst)
	a.addWave(dst, 1, d, wavelengthM)
}

// addWave adds the channel of a plane wave along d, of gain g, to dst.
func (a *Array) addWave(dst []complex128, g complex128, d Direction, wavelengthM float64) {
	if a.AzimuthsDeg == nil {
		g *= complex(a.amplitude(d), 0)
	}
	u := d.Unit()
	for m, p := range a.PositionsM {
		turns := dot(p, u) / wavelengthM
		wave := g * cmplx.Rect(1, -2*math.Pi*turns)
		if a.AzimuthsDeg != nil {
			wave *= complex(a.amplitude(d.turned(-a.AzimuthsDeg[m])), 0)
		}
		dst[m] += wave
	}
}

// amplitude returns the square root of the element's power gain along d.
func (a *Array) amplitude(d Direction) float64 {
	if a.Pattern == nil {
		return 1
	}
	return math.Pow(10, a.Pattern(d)/20)
}

// meanPower returns the mean over the antennas of their power gain along d.
func (a *Array) meanPower(d Direction) float64 {
	if a.AzimuthsDeg == nil {
		return square(a.amplitude(d))
	}
	var sum float64
	for _, azimuthDeg := range a.AzimuthsDeg {
		sum += square(a.amplitude(d.turned(-azimuthDeg)))
	}
	return sum / float64(len(a.AzimuthsDeg))
}

// turned returns d turned by azimuthDeg from +x to +y.
func (d Direction) turned(azimuthDeg float64) Direction {
	d.AzimuthDeg = wrapDeg(d.AzimuthDeg + azimuthDeg)
	return d
}

// Pose is where an array stands in the world and how it looks. The zero value
// looks along +x from the origin.
type Pose struct {
	PositionM   [3]float64
	AzimuthDeg  float64 // turned from +x to +y
	DowntiltDeg float64 // then tilted towards -z
}

// Local returns the vector in m from the array to pointM in the array's own
// axes.
func (p Pose) Local(pointM [3]float64) [3]float64 {
	d := sub(pointM, p.PositionM)
	sinA, cosA := math.Sincos(p.AzimuthDeg * math.Pi / 180)
	x, y := cosA*d[0]+sinA*d[1], cosA*d[1]-sinA*d[0]
	sinT, cosT := math.Sincos(p.DowntiltDeg * math.Pi / 180)
	return [3]float64{cosT*x - sinT*d[2], y, sinT*x + cosT*d[2]}
}

func sub(a, b [3]float64) [3]float64 {
	return [3]float64{a[0] - b[0], a[1] - b[1], a[2] - b[2]}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func norm(a [3]float64) float64 { return math.Sqrt(dot(a, a)) }
