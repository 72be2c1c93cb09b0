package eirp

import "math"

// coordinates returns off and turn of a direction, drawn into the region.
func (r *Region) coordinates(u [3]float64) (off, turn float64) {
	x, y := dot(u, r.side), dot(u, r.up)
	off = math.Atan2(math.Hypot(x, y), dot(u, r.axis))
	off = math.Max(r.offLo, math.Min(r.offHi, off))
	if r.turnHi > 0 {
		turn = math.Atan2(y, x)
	}
	return off, turn
}

// climbed climbs to a local maximum of the EIRP in a region: by Newton's method where
// it is concave and by its gradient elsewhere, in steps that are taken only when they
// lead higher. At the region's edge it goes along it.
func (b *Beams) climbed(r *Region, off, turn float64) Peak {
	f := b.field
	x := f.expand(b.weights, r, off, turn)
	best := x.eirp()
	scale := f.largestRadians()
	trust := 1 / scale
	for range climbs {
		if b.work.Stop != nil && b.work.Stop() {
			break
		}
		x = f.expand(b.weights, r, off, turn)
		step := r.step(x, trust)
		length := math.Hypot(step[0], step[1])
		if length*scale < climbTo {
			break
		}
		moved := false
		unit := x.unit
		var e [2][3]float64
		_, e[0], e[1] = r.frame(off, turn)
		for ; length*scale >= climbTo; length /= 4 {
			to := along(unit, e, step, length)
			o, t := r.coordinates(to)
			if v := f.expand(b.weights, r, o, t).eirp(); v > best {
				best, off, turn, moved = v, o, t, true
				trust = 2 * length
				break
			}
		}
		if !moved {
			break
		}
	}
	x = f.expand(b.weights, r, off, turn)
	return Peak{Direction: x.direction(), EIRPW: f.At(b.weights, x.direction()), unit: x.unit}
}

// largestRadians is the largest phase of an antenna about the array's middle, at
// least that of half a wavelength.
func (f *Field) largestRadians() float64 {
	most := math.Pi
	for _, p := range f.radians {
		most = math.Max(most, norm(p))
	}
	return most
}

// step returns the step along e1 and e2 to the maximum of the EIRP's expansion, no
// longer than trust.
func (r *Region) step(x *expansion, trust float64) (step [2]float64) {
	g, h := x.ascent()
	edge := x.off >= r.offHi && r.offHi < math.Pi && g[0] > 0 || x.off <= r.offLo && r.offLo > 0 && g[0] < 0
	switch det := h[0]*h[2] - h[1]*h[1]; {
	case r.turnHi == 0:
		if !edge {
			step[0] = ratioStep(g[0], h[0])
		}
	case edge:
		// The edge bends towards its axis: EIRP along it falls off by that much more.
		bend := 0.0
		if s, c := math.Sincos(x.off); s > 0 {
			bend = g[0] * c / s
		}
		step[1] = ratioStep(g[1], h[2]-bend)
	case h[0] < 0 && det > 0:
		step[0] = -(h[2]*g[0] - h[1]*g[1]) / det
		step[1] = -(h[0]*g[1] - h[1]*g[0]) / det
	default:
		step = g
		if l := math.Hypot(g[0], g[1]); l > 0 {
			step[0], step[1] = g[0]/l*trust, g[1]/l*trust
		}
	}
	if l := math.Hypot(step[0], step[1]); l > trust {
		step[0], step[1] = step[0]/l*trust, step[1]/l*trust
	}
	return step
}

// ratioStep returns the step to the maximum of g y + h y^2/2, without end where
// there is none.
func ratioStep(g, h float64) float64 {
	switch {
	case g == 0:
		return 0
	case h < 0:
		return -g / h
	}
	return math.Copysign(math.MaxFloat64, g)
}

// along returns the unit vector at a distance from u, in the direction of a step
// along e.
func along(u [3]float64, e [2][3]float64, step [2]float64, distance float64) [3]float64 {
	l := math.Hypot(step[0], step[1])
	sin, cos := math.Sincos(distance)
	for i := range u {
		u[i] = cos*u[i] + sin*(step[0]*e[0][i]+step[1]*e[1][i])/l
	}
	return u
}
