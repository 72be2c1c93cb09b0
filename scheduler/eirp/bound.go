package eirp

import "math"

// cell is a part of a region, given by its middle and half its widths.
type cell struct {
	off, turn         float64
	halfOff, halfTurn float64
	bound             float64 // of EIRP in it, in W, for a boresight gain of 1
}

// reach is how far a cell's points are from its middle u0: at a distance s of at most
// radius along the great circle that starts in the direction theta, with |s cos(theta)|
// at most half[0] and |s sin(theta)| at most half[1].
type reach struct {
	radius float64
	half   [2]float64
	bend   float64 // the part of half[0] that the cell's width in turn brings
}

// largestRadius is that of cells for which there is a bound.
const largestRadius = 0.7

// reach encloses the cell. A point u = (off, turn) of it has
//
//	u.e2 = sin(off) sin(dturn) = sin(s) sin(theta),
//	u.e1 = sin(doff) - sin(off) cos(off0) (1 - cos(dturn)) = sin(s) cos(theta),
//
// and s is no longer than the curve straight in off and turn.
func (c *cell) reach() (reach, bool) {
	sinMost := 1.0
	if lo, hi := c.off-c.halfOff, c.off+c.halfOff; hi < math.Pi/2 {
		sinMost = math.Sin(hi)
	} else if lo > math.Pi/2 {
		sinMost = math.Sin(lo)
	}
	var r reach
	r.radius = math.Hypot(c.halfOff, sinMost*c.halfTurn)
	if r.radius > largestRadius || c.halfTurn > math.Pi/2 {
		return r, false
	}
	stretch := 1.0
	if r.radius > 0 {
		stretch = r.radius / math.Sin(r.radius)
	}
	bend := 2 * sinMost * math.Abs(math.Cos(c.off)) * math.Pow(math.Sin(c.halfTurn/2), 2)
	r.half[0] = math.Min(r.radius, stretch*(math.Sin(c.halfOff)+bend))
	r.bend = math.Min(r.half[0], stretch*bend)
	r.half[1] = math.Min(r.radius, stretch*sinMost*math.Sin(c.halfTurn))
	return r, true
}

// leftOut bounds what the expansion to second order leaves out of the field, in the
// norm over beams, from the norms over beams of antennas' weights; and the parts of
// the phases' spread that the cell's widths in off and turn bring. With l = p_t s and h = p0 (cos s - 1) +
// p_t (sin s - s) the phase changes by l + h, and
//
//	|exp(j(l+h)) - (1 + j l - l^2/2 - j p0 s^2/2)| <= |l|^3/6 + |l h| + h^2/2 + |h + p0 s^2/2|.
func (x *expansion) leftOut(r reach, weight []float64) (sum float64, spread [2]float64) {
	s2 := r.radius * r.radius
	for m, v := range weight {
		l1, l2 := r.half[0]*math.Abs(x.p1[m]), r.half[1]*math.Abs(x.p2[m])
		p0 := math.Abs(x.p0[m])
		l := l1 + l2
		h := p0*s2/2 + l*s2/6
		sum += v * (l*l*l/6 + l*h + h*h/2 + l*s2/6 + p0*s2*s2/24)
		bent := r.bend * math.Abs(x.p1[m])
		spread[0] += v * (l1 - bent)
		spread[1] += v * (l2 + bent)
	}
	return sum, spread
}

// quadratic is c + g.y + y^T h y/2 + rest for |y_i| <= 1, the most that rest can be.
type quadratic struct {
	c    float64
	g    [2]float64
	h    [3]float64 // 11, 12, 22
	rest float64
}

// power returns a quadratic that bounds the power of the expansion's field over a
// cell.
func (x *expansion) powerOver(r reach) quadratic {
	a, b := r.half[0], r.half[1]
	first := a*x.norm[1] + b*x.norm[2]
	second := a*a*x.norm[3] + 2*a*b*x.norm[4] + b*b*x.norm[5]
	return quadratic{
		c:    x.power,
		g:    [2]float64{a * x.gradient[0], b * x.gradient[1]},
		h:    [3]float64{a * a * x.hessian[0], a * b * x.hessian[1], b * b * x.hessian[2]},
		rest: first*second + second*second/4, // of |f0 + f_1 + f_2/2|^2
	}
}

// times returns a quadratic that bounds q exp(k.y) for a q that is nowhere negative:
// exp(z) <= 1 + z + z^2/2 exp(|z|).
func (q quadratic) times(k [2]float64) quadratic {
	z := math.Abs(k[0]) + math.Abs(k[1])
	if z == 0 {
		return q
	}
	e := math.Exp(z)
	g := math.Abs(q.g[0]) + math.Abs(q.g[1])
	h := (math.Abs(q.h[0]) + 2*math.Abs(q.h[1]) + math.Abs(q.h[2])) / 2
	return quadratic{
		c: q.c,
		g: [2]float64{q.g[0] + q.c*k[0], q.g[1] + q.c*k[1]},
		h: [3]float64{
			q.h[0] + 2*k[0]*q.g[0] + q.c*e*k[0]*k[0],
			q.h[1] + k[0]*q.g[1] + k[1]*q.g[0] + q.c*e*k[0]*k[1],
			q.h[2] + 2*k[1]*q.g[1] + q.c*e*k[1]*k[1],
		},
		rest: q.rest*e + z*h + z*z/2*e*(g+h),
	}
}

// most returns a bound on the quadratic: the lesser of that of its parts and, where
// it is concave, its maximum over all y.
func (q quadratic) most() float64 {
	along := func(g, h float64) float64 {
		g = math.Abs(g)
		if h < 0 && g < -h {
			return -g * g / (2 * h)
		}
		return g + h/2
	}
	parts := along(q.g[0], q.h[0]) + along(q.g[1], q.h[2]) + math.Abs(q.h[1])
	if det := q.h[0]*q.h[2] - q.h[1]*q.h[1]; q.h[0] < 0 && det > 0 {
		// -g^T h^-1 g / 2
		free := -(q.h[2]*q.g[0]*q.g[0] - 2*q.h[1]*q.g[0]*q.g[1] + q.h[0]*q.g[1]*q.g[1]) / (2 * det)
		parts = math.Min(parts, free)
	}
	return math.Max(0, q.c+parts+q.rest)
}

// elementOver bounds the gain over a cell: log g <= log g0 + k.y + curved/2, without
// the floor. near is false where it is not smooth enough for that, as at the poles;
// then most alone bounds it.
func (l *elementLocal) elementOver(r reach) (k [2]float64, curved, most float64, near bool) {
	if l.constant {
		return k, 0, 1, true
	}
	elLeast := math.Max(0, math.Abs(l.el)-r.radius)
	elMost := math.Abs(l.el) + r.radius
	if elMost > poleward {
		return k, 0, math.Exp(-sectorFalloff * elLeast * elLeast), false
	}
	// Along a great circle with unit speed |el'| <= 1, |az'| <= 1/cos(el),
	// el'' = -tan(el) (cos(el) az')^2 and az'' = 2 tan(el) el' az', where
	// |el' cos(el) az'| <= 1/2. In the second derivative of -c (el^2 + az^2) the squares
	// of el' and az' only lower it.
	sin, cos := math.Sincos(elMost)
	azOff := r.radius / cos
	azMost := math.Abs(l.az) + azOff
	curved = 2 * sectorFalloff * r.radius * r.radius * (elMost*sin/cos + azMost*sin/(cos*cos))
	azLeast := math.Max(0, math.Abs(l.az)-azOff)
	k = [2]float64{l.slope[0] * r.half[0], l.slope[1] * r.half[1]}
	return k, curved, math.Exp(-sectorFalloff * (elLeast*elLeast + azLeast*azLeast)), true
}

// poleward is the elevation beyond which azimuths turn too fast, 80 degrees.
const poleward = 80 * math.Pi / 180

// bound returns a bound on the EIRP of beams in a cell about whose middle they are
// expanded, for a boresight gain of 1; and the parts in it of the cell's widths,
// by which it is cut. weight and rounding are those of the beams.
func (x *expansion) bound(r reach, weight []float64, rounding float64) (most float64, spread [2]float64) {
	rest, spread := x.leftOut(r, weight)
	rest += rounding
	q := x.powerOver(r)
	withRest := func(power, gain float64) float64 {
		amplitude := math.Sqrt(power) + math.Sqrt(gain)*rest
		return amplitude * amplitude
	}
	k, curved, gainMost, near := x.gain.elementOver(r)
	if x.gain.constant {
		return withRest(q.most(), 1), spread
	}
	spread[0] += math.Sqrt(x.power) * sectorFalloff * (r.half[0] - r.bend)
	spread[1] += math.Sqrt(x.power) * sectorFalloff * (r.half[1] + r.bend)
	plain := q.most()
	most = withRest(plain*gainMost, gainMost)
	if near {
		rise := x.gain.gain * math.Exp(curved/2)
		most = math.Min(most, withRest(q.times(k).most()*rise, gainMost))
	}
	return math.Max(most, withRest(plain*sectorFloor, sectorFloor)), spread
}
