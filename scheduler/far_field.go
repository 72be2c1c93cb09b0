package scheduler

import (
	"cmp"
	"math"
	"slices"

	"leastwatt/channel"
	"leastwatt/optim"
)

// farField is what the array of a slot does at a distance.
type farField struct {
	array       channel.Array
	wavelengthM float64
	gain        float64 // boresight gain of one antenna, amplitude
	sphere      *cone   // every direction, about the axis along which the array is longest
	stepDeg     float64 // between directions of a grid
	turnDeg     float64 // between those of the sphere, about its axis
}

// patterns of one antenna, in dB under its boresight gain.
var patterns = map[string]channel.Pattern{
	"":               nil,
	PatternIsotropic: nil,
	PatternSector65:  func(d channel.Direction) float64 { return channel.Sector65(d) - channel.Sector65(channel.Direction{}) },
}

// The EIRP of beams from an array of diameter D varies with direction as a sum of
// waves exp(j 2 pi x u), x <= D/lambda, and is nowhere negative: a distance d from a
// peak it is at least cos(2 pi D d/lambda) of it (M. Riesz's inequality for
// trigonometric polynomials, from memory). A grid of lambda/4D has a point within
// 0.18 lambda/D of a peak, and a finer one within its cells one within 0.045.
const (
	gridStep        = 0.25    // lambda/D
	gridLoss        = 0.4     // of a peak at the nearest point of the grid, at most
	cellSteps       = 4       // of the finer grid within a cell
	clearlyAbove    = 0.01    // of a limit: no need to follow such a peak to its top
	cellLoss        = 0.95    // of a peak at its nearest point
	besideSteps     = 0.4     // of a grid step: points of the finer grids of two cells, side by side or across
	coarsestGridDeg = 10.0    // for the element's pattern
	keptSamples     = 1 << 20 // of the rows of a grid, 16 MiB
	lineWidth       = 1e-9    // of a wavelength, up to which an array is a line
	refineTo        = 1e-5    // of a grid step: EIRP is flat at its peak, good to 1e-9
)

// newFarField returns the far field of some of a slot's antennas, nil where it
// has no geometry.
func newFarField(s *Slot, antennas []int) *farField {
	if s.Array == nil || s.CarrierHz == 0 {
		return nil
	}
	var positions [][3]float64
	for _, m := range antennas {
		positions = append(positions, s.Array.PositionsM[m])
	}
	f := &farField{
		array:       channel.Array{PositionsM: positions, Pattern: patterns[s.Array.ElementPattern]},
		wavelengthM: channel.WavelengthM(s.CarrierHz),
		gain:        math.Pow(10, s.Array.ElementGainDBi/20),
	}
	var extent [3]float64
	longest := 0
	for axis := range 3 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, p := range positions {
			lo, hi = math.Min(lo, p[axis]), math.Max(hi, p[axis])
		}
		if extent[axis] = hi - lo; extent[axis] > extent[longest] {
			longest = axis
		}
	}
	step := func(diameterM float64) float64 {
		return math.Min(gridStep*f.wavelengthM/diameterM*180/math.Pi, coarsestGridDeg)
	}
	f.stepDeg = step(math.Hypot(math.Hypot(extent[0], extent[1]), extent[2]))
	f.sphere = newCone([]channel.Direction{{}, {AzimuthDeg: 90}, {ElevationDeg: 90}}[longest], 360)
	extent[longest] = 0
	across := math.Hypot(math.Hypot(extent[0], extent[1]), extent[2])
	f.turnDeg = step(across)
	if across < lineWidth*f.wavelengthM && f.array.Pattern == nil {
		f.turnDeg = 360 // nothing varies about a line
	}
	return f
}

// row fills dst with the row a of which |a^H w|^2 is the EIRP of weights w along
// d, in W.
func (f *farField) row(dst []complex128, d channel.Direction) {
	f.array.Steering(dst, d, f.wavelengthM)
	for m := range dst {
		dst[m] *= complex(f.gain, 0)
	}
}

// eirp returns the EIRP of beams along d, in W: the sum over beams, [beam][antenna].
func (f *farField) eirp(w, row []complex128, d channel.Direction) float64 {
	f.row(row, d)
	return received(row, w)
}

// received returns the power sum |a^H w|^2 of beams, [beam][antenna], along a row
// a.
func received(row, w []complex128) float64 {
	sum := 0.0
	for at := 0; at < len(w); at += len(row) {
		z := optim.Received(row, w[at:at+len(row)])
		sum += real(z)*real(z) + imag(z)*imag(z)
	}
	return sum
}

// cone is a set of directions, in polar coordinates about its axis: the whole
// sphere is the cone of half-width 180 degrees.
type cone struct {
	axis, side, up [3]float64
	halfDeg        float64
	grid           []cell       // made when first searched
	rows           []complex128 // see farField.row, of the grid; nil: too many to keep
	kept           int          // samples of rows, those of finer grids included
}

func newCone(axis channel.Direction, widthDeg float64) *cone {
	u := axis.Unit()
	// Any two unit vectors that stand upright on the axis and on each other.
	side := channel.Direction{AzimuthDeg: axis.AzimuthDeg + 90}.Unit()
	up := [3]float64{
		u[1]*side[2] - u[2]*side[1],
		u[2]*side[0] - u[0]*side[2],
		u[0]*side[1] - u[1]*side[0],
	}
	return &cone{axis: u, side: side, up: up, halfDeg: math.Min(widthDeg/2, 180)}
}

// at returns the unit vector offDeg from the axis, turned by turnDeg about it.
func (c *cone) at(offDeg, turnDeg float64) (u [3]float64) {
	sin, cos := math.Sincos(offDeg * math.Pi / 180)
	st, ct := math.Sincos(turnDeg * math.Pi / 180)
	for i := range u {
		u[i] = cos*c.axis[i] + sin*(ct*c.side[i]+st*c.up[i])
	}
	return u
}

// peak is an EIRP and where it is.
type peak struct {
	direction channel.Direction
	unit      [3]float64 // the same
	eirpW     float64
	off, turn float64 // in the cone searched
}

// peaks returns the local maxima of the EIRP of beams over a cone that are above a
// limit, with 0 the largest, the largest first. O(directions * beams * antennas).
func (f *farField) peaks(w []complex128, c *cone, aboveW float64) []peak {
	row := make([]complex128, len(f.array.PositionsM))
	f.makeGrid(c)
	level := aboveW
	for i := range c.grid {
		g := &c.grid[i]
		if c.rows == nil {
			g.eirpW = f.eirp(w, row, g.direction)
		} else {
			g.eirpW = received(c.rows[i*len(row):(i+1)*len(row)], w)
		}
		if aboveW == 0 {
			level = math.Max(level, g.eirpW)
		}
	}
	if level == 0 {
		return nil // nothing is sent
	}
	var found []peak
	for i := range c.grid {
		if g := &c.grid[i]; g.eirpW >= gridLoss*level {
			found = append(found, f.bestIn(w, row, c, g))
			if aboveW == 0 {
				level = math.Max(level, found[len(found)-1].eirpW)
			}
		}
	}
	higher := func(a, b peak) int { return cmp.Compare(b.eirpW, a.eirpW) }
	slices.SortStableFunc(found, higher)
	// A point beside a better one of the next cell leads to the same peak. Beams that
	// keep within a limit in a cone have peaks there that lie closer than others do.
	apart := besideSteps * f.stepDeg * math.Pi / 180
	beside := func(p peak, better []peak) bool {
		return slices.ContainsFunc(better, func(q peak) bool { return p.distance(q) < apart })
	}
	var tops []peak
	for i, p := range found {
		if p.eirpW < cellLoss*level {
			break
		}
		if beside(p, found[:i]) {
			continue
		}
		if f.refine(w, row, &p, c, aboveW); p.eirpW > aboveW && !beside(p, tops) {
			tops = append(tops, p)
		}
	}
	slices.SortStableFunc(tops, higher)
	return tops
}

// cell is a point of a grid over a cone and what is nearer to it than to others.
type cell struct {
	peak
	offDeg, turnDeg float64 // its widths from and about the axis
	points          []peak  // of the finer grid, made when first searched
	rows            []complex128
}

// makeGrid makes the grid of a cone that has none yet.
func (f *farField) makeGrid(c *cone) {
	if len(c.grid) > 0 {
		return
	}
	turn := f.stepDeg
	if c == f.sphere {
		turn = f.turnDeg
	}
	rings := max(2, int(math.Ceil(c.halfDeg/f.stepDeg)))
	width := c.halfDeg / float64(rings)
	for r := range rings + 1 {
		off := width * float64(r)
		n := max(1, int(math.Ceil(360*math.Sin(off*math.Pi/180)/turn)))
		for t := range n {
			at := 360 * float64(t) / float64(n)
			c.grid = append(c.grid, cell{peak: c.point(off, at), offDeg: width, turnDeg: 360 / float64(n)})
		}
	}
	points := make([]peak, len(c.grid))
	for i := range c.grid {
		points[i] = c.grid[i].peak
	}
	c.rows = f.keepRows(c, points)
}

// bestIn returns the best point of a finer grid within a cell.
func (f *farField) bestIn(w, row []complex128, c *cone, g *cell) peak {
	if len(g.points) == 0 {
		f.makeFiner(c, g)
	}
	m := len(row)
	best := g.peak
	for i, p := range g.points {
		if g.rows == nil {
			p.eirpW = f.eirp(w, row, p.direction)
		} else {
			p.eirpW = received(g.rows[i*m:(i+1)*m], w)
		}
		if p.eirpW > best.eirpW {
			best = p
		}
	}
	return best
}

// makeFiner makes the finer grid of a cell.
func (f *farField) makeFiner(c *cone, g *cell) {
	for i := range cellSteps + 1 {
		off := g.off + g.offDeg*(float64(i)/cellSteps-0.5)
		if off < 0 || off > c.halfDeg {
			continue
		}
		for j := range cellSteps + 1 {
			g.points = append(g.points, c.point(off, g.turn+g.turnDeg*(float64(j)/cellSteps-0.5)))
		}
	}
	g.rows = f.keepRows(c, g.points)
}

// keepRows returns the rows of some points, nil where they would be too many to
// keep.
func (f *farField) keepRows(c *cone, points []peak) []complex128 {
	m := len(f.array.PositionsM)
	if c.kept += len(points) * m; c.kept > keptSamples {
		return nil
	}
	rows := make([]complex128, len(points)*m)
	for i := range points {
		f.row(rows[i*m:(i+1)*m], points[i].direction)
	}
	return rows
}

// point returns a point of the cone.
func (c *cone) point(off, turn float64) peak {
	u := c.at(off, turn)
	return peak{direction: channel.DirectionOf(u), unit: u, off: off, turn: turn}
}

// peakAt returns the EIRP of beams at a point of a cone.
func (f *farField) peakAt(w, row []complex128, c *cone, off, turn float64) peak {
	p := c.point(off, turn)
	p.eirpW = f.eirp(w, row, p.direction)
	return p
}

// distance returns that of the two directions on the unit sphere.
func (p peak) distance(q peak) float64 {
	x, y, z := p.unit[0]-q.unit[0], p.unit[1]-q.unit[1], p.unit[2]-q.unit[2]
	return math.Sqrt(x*x + y*y + z*z)
}

// refine climbs from a grid point to the local maximum within the cone by a
// compass search (Kolda, Lewis, Torczon, SIAM Review 45(3), 2003, from memory). It
// ends before where it is clearly above a limit, 0 for none.
func (f *farField) refine(w, row []complex128, p *peak, c *cone, aboveW float64) {
	for step := f.stepDeg / cellSteps / 2; step > f.stepDeg*refineTo; {
		if aboveW > 0 && p.eirpW > aboveW*(1+clearlyAbove) {
			return
		}
		moved := false
		wide := math.Min(step/math.Max(math.Sin(p.off*math.Pi/180), 1e-3), 90)
		for _, by := range [][2]float64{{step, 0}, {-step, 0}, {0, wide}, {0, -wide}} {
			off, turn := math.Min(p.off+by[0], c.halfDeg), p.turn+by[1]
			if off < 0 {
				off, turn = -off, turn+180
			}
			if q := f.peakAt(w, row, c, off, turn); q.eirpW > p.eirpW {
				*p, moved = q, true
			}
		}
		if !moved {
			step /= 2
		}
	}
}

// peakEIRP returns the largest EIRP of beams in any direction, in W.
func (f *farField) peakEIRP(w []complex128) float64 {
	if p := f.peaks(w, f.sphere, 0); len(p) > 0 {
		return p[0].eirpW
	}
	return 0
}
