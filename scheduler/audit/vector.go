package audit

import "math"

type vector [3]float64

func (a vector) dot(b vector) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func (a vector) cross(b vector) vector {
	return vector{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// plus returns a + t b.
func (a vector) plus(t float64, b vector) vector {
	return vector{a[0] + t*b[0], a[1] + t*b[1], a[2] + t*b[2]}
}

func (a vector) norm() float64 { return math.Hypot(math.Hypot(a[0], a[1]), a[2]) }

func (a vector) unit() vector { return vector{}.plus(1/a.norm(), a) }

// towards returns the unit vector of an azimuth from +x to +y and an elevation
// from there to +z.
func towards(azimuthDeg, elevationDeg float64) vector {
	a, e := azimuthDeg*math.Pi/180, elevationDeg*math.Pi/180
	return vector{math.Cos(e) * math.Cos(a), math.Cos(e) * math.Sin(a), math.Sin(e)}
}

// frame is three unit vectors that stand upright on each other.
type frame struct{ axis, side, up vector }

func newFrame(axis vector) frame {
	least := vector{1, 0, 0}
	if math.Abs(axis[0]) > 0.6 {
		least = vector{0, 1, 0}
	}
	side := axis.cross(least).unit()
	return frame{axis, side, axis.cross(side)}
}

// region is every direction from lo to hi off the axis of a frame, all about it. Where
// turns is false, EIRP does not depend on the turn about the axis and one is looked at.
type region struct {
	frame
	loRad, hiRad float64
	turns        bool
}

// point is a direction in a region's polar coordinates: off its axis, and turned about
// it from side to up.
type point struct{ off, turn float64 }

// at returns the unit vector of a point and those along which it moves with its
// coordinates; turned about the axis it moves by sin(off).
func (f *frame) at(p point) (u, off, turn vector) {
	so, co := math.Sincos(p.off)
	st, ct := math.Sincos(p.turn)
	out := vector{}.plus(ct, f.side).plus(st, f.up)
	u = vector{}.plus(co, f.axis).plus(so, out)
	off = vector{}.plus(-so, f.axis).plus(co, out)
	turn = vector{}.plus(-st, f.side).plus(ct, f.up)
	return u, off, turn
}
