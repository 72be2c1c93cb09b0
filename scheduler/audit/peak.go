package audit

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// The largest EIRP in a region is found by branch and bound: the region is cut into
// cells in polar coordinates (off the axis of a cone, turned about it: the edge of a
// cone is an edge of cells), each with an upper bound of its EIRP, and cells are halved
// until no bound is above what has been found or a limit, whichever is larger.
//
// With x the displacement from a cell's centre in its half widths, each coordinate from
// -1 to 1, F_b the field of beam b, P = sum over b of |F_b|^2 and g the element's gain,
// Taylor's theorem along straight lines in x gives
//
//	P(x) <= P + P'.x + x.P''x/2 + R,  R = 1/3 sum over b of (F0 T + 3 F1 F2),
//	F2 = |F_b''| + T,  F1 = |F_b'| + F2,  F0 = |F_b| + |F_b'| + F2/2
//
// with norms |.| the sums of magnitudes over coordinates at the centre and T a bound of the
// third derivative over the cell: that at the centre and one of the fourth, which for the
// phase psi of an antenna is
//
//	|(exp j psi)''''| <= |psi''''| + 4 |psi'||psi'''| + 3 |psi''|^2 + 6 |psi'|^2 |psi''| + |psi'|^4.
//
// The quadratic's maximum over the cell is found exactly. See element for g.

const (
	// searchTolerance is how far, relative, the largest EIRP of a region may be above
	// what is found.
	searchTolerance = 5e-7
	// mostSearchWork bounds one search, mostWork all of an audit, in products of two
	// complex numbers: about a second and ten.
	mostSearchWork = 1 << 30
	mostWork       = 1 << 33
	cellOverhead   = 200 // products that take the time of all else about a cell

	firstCells    = 4096 // at most
	firstPhaseRad = 1.5  // half a cell's change of phase at the array's rim, about
	elementRad    = 3    // counts as so much phase a rad where the element has a pattern
)

// cell is a part of a region: centre and half widths.
type cell struct {
	at, half point
	bound    float64
}

// search looks for the largest EIRP of a group's beams in a region.
type search struct {
	ctx    context.Context
	array  *aerial
	beams  [][]complex128
	region region
	limitW float64 // nothing is looked for below

	bestW  float64 // found
	upperW float64 // of cells given up
	work   int64   // left

	taylor      [10][]complex128 // of a cell's waves, and bounds of their fourth derivatives
	fourth      []float64
	sizes       [][]float64 // of the beams' weights
	flat        []float64   // of antennas, how far off the region's axis in rad
	far, across float64     // see aerial.extent
	patternRad  float64     // phase that counts for the element, a rad
	inPhaseW    float64     // EIRP with all antennas in phase: never more
	error       float64     // of computed fields, root of the sum of squares, at most
}

// found is what a search tells: EIRP in the region is at most boundW, and eirpW is
// reached or nothing is above the limit.
type found struct {
	eirpW  float64 // largest seen
	boundW float64
}

// proved tells whether nothing in the region is more than the tolerance above both
// what is found and the limit.
func (f *found) proved(limitW float64) bool {
	return f.boundW <= max(f.eirpW, limitW)*(1+searchTolerance)
}

// run searches within the work given and returns what is left of it.
func (s *search) run() found {
	if len(s.beams) == 0 {
		return found{}
	}
	s.prepare()
	most := s.inPhaseW
	cells := s.first()
	for i := range cells {
		if !s.afford() {
			return found{s.bestW, most}
		}
		s.examine(&cells[i])
	}
	// The most promising comes last and is taken first.
	slices.SortFunc(cells, func(a, b cell) int { return cmp.Compare(a.bound, b.bound) })
	for len(cells) > 0 {
		c := cells[len(cells)-1]
		cells = cells[:len(cells)-1]
		if c.bound <= s.levelW() {
			continue
		}
		if most <= s.levelW() {
			break
		}
		if !s.afford() {
			return found{s.bestW, most}
		}
		a, b := s.halve(c)
		s.examine(&a)
		s.examine(&b)
		if a.bound > b.bound {
			a, b = b, a
		}
		cells = s.keep(s.keep(cells, a), b)
	}
	return found{s.bestW, min(most, max(s.levelW(), s.upperW))}
}

// levelW is what a cell's bound must be above to matter.
func (s *search) levelW() float64 {
	return max(s.bestW, s.limitW) * (1 + searchTolerance)
}

// keep adds a cell to those to be looked at if it matters.
func (s *search) keep(cells []cell, c cell) []cell {
	if c.bound <= s.levelW() {
		return cells
	}
	return append(cells, c)
}

// afford tells whether there is work left for two cells.
func (s *search) afford() bool {
	s.work -= 2 * int64(len(s.taylor)*len(s.beams)*len(s.fourth)+cellOverhead)
	return s.work >= 0 && s.ctx.Err() == nil
}

// first cuts the region into rings of cells of about one size.
func (s *search) first() []cell {
	r := &s.region
	size := max(firstPhaseRad/max(2*math.Pi*s.far+s.patternRad, 1), 1.0/firstCells) // no array asks for less than there are cells
	for ; ; size *= 2 {
		rings := max(1, math.Ceil((r.hiRad-r.loRad)/(2*size)))
		if rings > firstCells {
			continue
		}
		var cells []cell
		half := (r.hiRad - r.loRad) / (2 * rings)
		for i := range int(rings) {
			off := r.loRad + (2*float64(i)+1)*half
			around := 1.0
			if r.turns {
				around = max(1, math.Ceil(math.Pi*sinMost(off, half)/size))
			}
			for j := range int(min(around, firstCells)) {
				c := cell{at: point{off: off}, half: point{off: half}}
				if r.turns {
					c.half.turn = math.Pi / around
					c.at.turn = (2*float64(j) + 1) * c.half.turn
				}
				cells = append(cells, c)
			}
			if len(cells) > firstCells {
				break
			}
		}
		if len(cells) <= firstCells {
			return cells
		}
	}
}

// sinMost returns the largest sine within half of an angle from 0 to pi.
func sinMost(angle, half float64) float64 {
	if math.Abs(angle-math.Pi/2) <= half {
		return 1
	}
	return max(math.Sin(max(0, angle-half)), math.Sin(min(math.Pi, angle+half)))
}

// halve cuts a cell across the side along which phases change most.
func (s *search) halve(c cell) (a, b cell) {
	a, b = c, c
	if c.half.off*(2*math.Pi*s.far+s.patternRad) >= c.half.turn*(2*math.Pi*s.across+s.patternRad)*sinMost(c.at.off, c.half.off) {
		a.half.off /= 2
		b.half.off = a.half.off
		a.at.off -= a.half.off
		b.at.off += b.half.off
		return a, b
	}
	a.half.turn /= 2
	b.half.turn = a.half.turn
	a.at.turn -= a.half.turn
	b.at.turn += b.half.turn
	return a, b
}

// examine finds the bound of a cell and looks whether its centre, or where the
// quadratic is largest, has more EIRP than was found.
func (s *search) examine(c *cell) {
	u, off, turn := s.region.at(c.at)
	sin, sinMax := math.Sin(c.at.off), sinMost(c.at.off, c.half.off)
	q, rest := s.power(u, off, turn, c, sin, sinMax)
	atMost, _ := q.most()
	powerSup := max(0, atMost+rest)
	g := s.array.element.over(u, off, turn, c, sin, sinMax)
	c.bound = g.floor * powerSup
	model := q
	if g.smooth {
		// (g + g'.x + curve)(P + P'.x + x.P''x/2 + R), third orders of x by magnitude.
		model = q.times(g.at, g.slope)
		steep := math.Abs(g.slope[0]) + math.Abs(g.slope[1])
		product, _ := model.most()
		product += steep*q.bend()/2 + (g.at+steep)*rest + g.curve*powerSup
		c.bound = max(c.bound, product)
	} else {
		c.bound = g.sup * powerSup
	}
	c.bound = min(c.bound, g.sup*powerSup)
	gain := s.array.element.gainAt(u)
	here := gain * q.at
	slack := g.sup * s.rounding(q.at)
	c.bound += slack
	s.bestW = max(s.bestW, here)
	if c.bound > s.levelW() {
		_, x := model.most()
		s.bestW = max(s.bestW, s.eirpW(point{c.at.off + x[0]*c.half.off, c.at.turn + x[1]*c.half.turn}))
	}
	if here+slack > s.levelW() { // rounding hides the rest, however small the cell
		s.upperW = max(s.upperW, c.bound)
		c.bound = 0
	}
}

// eirpW returns the EIRP along a point of the region.
func (s *search) eirpW(p point) float64 {
	u, _, _ := s.region.at(p)
	return s.array.eirp(s.beams, u)
}

// rounding bounds the error of a power computed as the sum of |F|^2.
func (s *search) rounding(power float64) float64 {
	return 2*math.Sqrt(power)*s.error + s.error*s.error
}

// prepare sets up what run needs.
func (s *search) prepare() {
	m := len(s.array.positions)
	for i := range s.taylor {
		s.taylor[i] = make([]complex128, m)
	}
	s.fourth = make([]float64, m)
	s.far, s.across = s.array.extent(s.region.axis)
	const unit = 1.0 / (1 << 52)
	for _, x := range s.array.positions {
		s.flat = append(s.flat, 2*math.Pi*s.region.axis.cross(x).norm())
	}
	for _, w := range s.beams {
		all, sizes := 0.0, make([]float64, len(w))
		for m, z := range w {
			sizes[m] = abs(z)
			all += sizes[m]
		}
		s.sizes = append(s.sizes, sizes)
		s.inPhaseW += s.array.element.gain * all * all
		s.error = math.Hypot(s.error, all*unit*(4+2*math.Pi*s.far))
	}
	if s.array.element.sector {
		s.patternRad = elementRad
	}
}

// power returns the quadratic of P over a cell, and the bound R of what is left out.
func (s *search) power(u, off, turn vector, c *cell, sin, sinMax float64) (q quadratic, rest float64) {
	cos := math.Cos(c.at.off)
	out := turn.cross(s.region.axis)
	a, b := c.half.off, c.half.turn
	for m, x := range s.array.positions {
		x = vector{}.plus(2*math.Pi, x)
		along, by, across := x.dot(u), a*x.dot(off), b*x.dot(turn)
		outer := b * b * x.dot(out)
		// Derivatives of the phase, by off and turn.
		po, pt := by, sin*across
		poo, pot, ptt := -a*a*along, a*cos*across, -sin*outer
		pooo, poot, pott, pttt := -a*a*by, -a*a*sin*across, -a*cos*outer, -b*b*sin*across
		im, re := math.Sincos(along)
		e := complex(re, im)
		t := &s.taylor
		t[0][m] = e
		t[1][m] = e * complex(0, po)
		t[2][m] = e * complex(0, pt)
		t[3][m] = e * complex(-po*po, poo)
		t[4][m] = e * complex(-po*pt, pot)
		t[5][m] = e * complex(-pt*pt, ptt)
		t[6][m] = e * complex(-3*po*poo, pooo-po*po*po)
		t[7][m] = e * complex(-3*(2*po*pot+pt*poo), 3*(poot-po*po*pt))
		t[8][m] = e * complex(-3*(po*ptt+2*pt*pot), 3*(pott-po*pt*pt))
		t[9][m] = e * complex(-3*pt*ptt, pttt-pt*pt*pt)
		// And bounds over the cell, by the lengths of x and of what is off the axis.
		far, flat := 2*math.Pi*s.array.radii[m], s.flat[m]
		d1 := a*far + b*sinMax*flat
		d2 := a*a*far + 2*a*b*flat + b*b*sinMax*flat
		d3 := a*a*a*far + 3*a*a*b*sinMax*flat + 3*a*b*b*flat + b*b*b*sinMax*flat
		d4 := a*a*a*a*far + 4*a*a*a*b*flat + 6*a*a*b*b*sinMax*flat + 4*a*b*b*b*flat + b*b*b*b*sinMax*flat
		s.fourth[m] = d4 + 4*d1*d3 + 3*d2*d2 + 6*d1*d1*d2 + d1*d1*d1*d1
	}
	for b := range s.beams {
		f, f3 := s.field(b)
		q.add(&f)
		f2 := abs(f[3]) + 2*abs(f[4]) + abs(f[5]) + f3
		f1 := abs(f[1]) + abs(f[2])
		f0 := abs(f[0]) + f1 + f2/2
		f1 += f2
		rest += (f0*f3 + 3*f1*f2) / 3
	}
	return q, rest
}

func abs(z complex128) float64 { return math.Hypot(real(z), imag(z)) }

// field returns the Taylor coefficients of a beam's field, F, F_off, F_turn,
// F_off,off, F_off,turn, F_turn,turn, and the bound of its third derivative.
func (s *search) field(b int) (f [6]complex128, third float64) {
	for m, size := range s.sizes[b] {
		third += size * s.fourth[m]
	}
	for i, t := range s.taylor {
		z := product(s.beams[b], t)
		if i < len(f) {
			f[i] = z
		} else {
			third += abs(z)
		}
	}
	return f, third
}

// product returns the sum of w t.
func product(w, t []complex128) complex128 {
	var rr, ii, ri, ir float64
	t = t[:len(w)]
	for m, z := range w {
		rr += real(z) * real(t[m])
		ii += imag(z) * imag(t[m])
		ri += real(z) * imag(t[m])
		ir += imag(z) * real(t[m])
	}
	return complex(rr-ii, ri+ir)
}
