package audit

import "math"

// element is one antenna of an array: isotropic, or the sector of TR 38.901 table
// 7.3-1. Each cut of that falls as 12 (angle/65 deg)^2 dB, both together by at most
// 30 dB: its gain is the larger of a bell exp(-bell (azimuth^2 + elevation^2)) and a
// floor 30 dB down, both times the gain on boresight.
type element struct {
	gain   float64 // on boresight
	sector bool
}

const (
	sectorFloor = 1e-3
	// steepest is the elevation up to which the bell is taken for smooth: azimuth turns
	// ever faster towards the poles.
	steepestRad = 80 * math.Pi / 180
)

// sectorBell is 12 dB at 65 degrees, in nepers of power a rad^2.
var sectorBell = 1.2 * math.Ln10 / math.Pow(65*math.Pi/180, 2)

// angles returns azimuth and elevation of a unit vector.
func angles(u vector) (azimuth, elevation float64) {
	return math.Atan2(u[1], u[0]), math.Atan2(u[2], math.Hypot(u[0], u[1]))
}

func (e *element) bell(azimuth, elevation float64) float64 {
	return e.gain * math.Exp(-sectorBell*(azimuth*azimuth+elevation*elevation))
}

// gainAt returns the gain along u.
func (e *element) gainAt(u vector) float64 {
	if !e.sector {
		return e.gain
	}
	return max(e.bell(angles(u)), e.gain*sectorFloor)
}

// gains bounds the gain over a cell: it is at most sup, and no more than the larger of
// floor and, where smooth, at + slope.x + curve for a point x half widths of the cell
// off its centre, -1 <= x <= 1.
type gains struct {
	sup    float64
	floor  float64
	smooth bool
	at     float64
	slope  [2]float64
	curve  float64
}

// over bounds the gain over a cell whose centre has the unit vector u and moves along
// off and turn, of half widths off and turn in rad, no point of it farther than sinOff
// from the axis of its coordinates (its sine).
func (e *element) over(u, off, turn vector, c *cell, sinOff, sinMax float64) gains {
	if !e.sector {
		return gains{sup: e.gain, floor: e.gain}
	}
	g := gains{floor: e.gain * sectorFloor}
	length := c.half.off + c.half.turn*sinMax // no point is farther from the centre
	azimuth, elevation := angles(u)
	highest := math.Abs(elevation) + length
	width := math.Pi // of azimuth, half
	if highest < math.Pi/2 {
		width = math.Asin(min(1, math.Sin(length)/math.Cos(elevation)))
	}
	g.sup = max(g.floor, e.bell(max(0, math.Abs(azimuth)-width), max(0, math.Abs(elevation)-length)))
	if g.sup == g.floor || highest > steepestRad || math.Abs(azimuth)+width >= math.Pi {
		return g
	}
	// Along a straight line in the cell's coordinates from its centre, t from 0 to 1,
	// with speed v <= length and acceleration at most bend besides, and T, C the tangent
	// and 1/cosine of the highest elevation: |azimuth'| <= C v, |azimuth''| <= C (bend + 2 T v^2),
	// |elevation'| <= v, |elevation''| <= bend + T v^2. For a bell exp(G),
	// (exp G)'' = (G'^2 + G'') exp G and -G'' <= ... is left out where it is negative.
	g.smooth = true
	g.at = e.bell(azimuth, elevation)
	east, north := vector{-math.Sin(azimuth), math.Cos(azimuth), 0}, vector{}
	north = u.cross(east)
	per := func(along vector) float64 {
		return -2 * sectorBell * (azimuth*along.dot(east)/math.Cos(elevation) + elevation*along.dot(north))
	}
	g.slope = [2]float64{g.at * per(off) * c.half.off, g.at * per(turn) * sinOff * c.half.turn}
	tangent, inverse := math.Tan(highest), 1/math.Cos(highest)
	bend := 2*c.half.off*c.half.turn + c.half.turn*c.half.turn*sinMax
	widest := math.Abs(azimuth) + width
	first := 2 * sectorBell * length * (widest*inverse + highest)
	second := 2 * sectorBell * (widest*inverse*(bend+2*tangent*length*length) + highest*(bend+tangent*length*length))
	g.curve = g.sup * (first*first + second) / 2
	return g
}
