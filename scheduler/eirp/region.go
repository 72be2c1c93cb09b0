package eirp

import (
	"math"

	"leastwatt/channel"
)

// Region is a set of directions in polar coordinates about an axis: off is the angle
// from the axis and turn the angle about it, in radians. A cone is the region off <=
// half its width, and its edge a coordinate line, so that cells end there.
type Region struct {
	axis, side, up [3]float64
	offLo, offHi   float64
	turnHi         float64 // turn runs from 0 to it; 0: nothing varies with turn
}

// Sphere returns the region of all directions, about the axis along which the
// array is longest.
func (f *Field) Sphere() Region {
	axis := f.lineAxis
	r := about(axis)
	r.offHi, r.turnHi = math.Pi, 2*math.Pi
	return f.folded(r)
}

// Cone returns the region of directions within widthDeg/2 of an axis.
func (f *Field) Cone(axis channel.Direction, widthDeg float64) Region {
	half := math.Min(widthDeg/2, 180) * math.Pi / 180
	if half >= math.Pi {
		return f.Sphere()
	}
	r := about(axis.Unit())
	r.offHi, r.turnHi = half, 2*math.Pi
	return f.folded(r)
}

// folded returns a region of one dimension in place of r where nothing varies about
// the line of the antennas.
func (f *Field) folded(r Region) Region {
	if !f.isLine || f.element != Isotropic {
		return r
	}
	between := math.Acos(math.Max(-1, math.Min(1, dot(r.axis, f.lineAxis))))
	line := about(f.lineAxis)
	line.offLo = math.Max(0, between-r.offHi)
	line.offHi = math.Min(math.Pi, between+r.offHi)
	return line
}

// about returns a region without extent about an axis.
func about(axis [3]float64) Region {
	axis = scaled(axis, 1/norm(axis))
	// The coordinate axis least along it makes the cross product largest.
	least := 0
	for i := range axis {
		if math.Abs(axis[i]) < math.Abs(axis[least]) {
			least = i
		}
	}
	var e [3]float64
	e[least] = 1
	side := cross(axis, e)
	side = scaled(side, 1/norm(side))
	return Region{axis: axis, side: side, up: cross(axis, side)}
}

// frame returns the unit vector at off, turn and those along which off and turn grow.
func (r *Region) frame(off, turn float64) (u, alongOff, alongTurn [3]float64) {
	so, co := math.Sincos(off)
	st, ct := math.Sincos(turn)
	for i := range u {
		out := ct*r.side[i] + st*r.up[i]
		u[i] = co*r.axis[i] + so*out
		alongOff[i] = co*out - so*r.axis[i]
		alongTurn[i] = ct*r.up[i] - st*r.side[i]
	}
	return u, alongOff, alongTurn
}
