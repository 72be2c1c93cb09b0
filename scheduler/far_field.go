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
	waves       waves
	lags        *lags // nil: too many, as of an irregular array, or not prepared yet
	prepared    bool
	sphere      *cone   // every direction, about the axis along which the array is longest
	stepDeg     float64 // between directions of a grid
	turnDeg     float64 // between those of the sphere, about its axis
	kept        int     // samples, see keeps
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
	keptSamples     = 1 << 21 // of the rows of all grids, 32 MiB
	pointSamples    = 7       // as large as a point
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
	f.waves = newWaves(positions, f.wavelengthM)
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
	f.waves.along(dst, d.Unit(), f.amplitude(d))
}

// amplitude returns the square root of the gain of one antenna along d.
func (f *farField) amplitude(d channel.Direction) float64 {
	if f.array.Pattern == nil {
		return f.gain
	}
	return f.gain * math.Pow(10, f.array.Pattern(d)/20)
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
	grid           []cell // by falling gain of one antenna; made when first searched
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
	f.prepare()
	f.makeGrid(c)
	s := f.newSurvey(w)
	level, n := f.fillGrid(s, c, aboveW)
	if level == 0 {
		return nil // nothing is sent
	}
	var found []peak
	for i := range n {
		if g := &c.grid[i]; g.eirpW >= gridLoss*level {
			found = append(found, f.bestIn(s, c, g))
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

// fillGrid finds the EIRP of beams at the points of a cone's grid up to number n:
// antennas are too weak along the others to come near the level, which is a limit
// or the largest EIRP found. However their phases fall, beams are no stronger than
// with all antennas in phase.
func (f *farField) fillGrid(s *survey, c *cone, aboveW float64) (level float64, n int) {
	inPhase := 0.0
	for beam := range slices.Chunk(s.w, len(f.array.PositionsM)) {
		sum := 0.0
		for _, x := range beam {
			sum += math.Hypot(real(x), imag(x))
		}
		inPhase += sum * sum
	}
	level = aboveW
	for i := range c.grid {
		g := &c.grid[i]
		if inPhase*g.amplitude*g.amplitude < gridLoss*level {
			return level, i
		}
		at := g.row
		if at == nil {
			if at = s.row; f.keeps(1) {
				g.row = make([]complex128, len(s.row))
				at = g.row
			}
			f.surveyRow(at, g.unit, g.amplitude)
		}
		g.eirpW = s.eirp(at)
		if aboveW == 0 {
			level = math.Max(level, g.eirpW)
		}
	}
	return level, len(c.grid)
}

// cell is a point of a grid over a cone and what is nearer to it than to others.
type cell struct {
	peak
	amplitude       float64      // see farField.amplitude
	offDeg, turnDeg float64      // its widths from and about the axis
	row             []complex128 // see farField.surveyRow; nil: not there, or too many to keep
	points          []peak       // of the finer grid; nil: not searched, or too many to keep
	rows            []complex128 // of them
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
			p := c.point(off, at)
			c.grid = append(c.grid, cell{peak: p, amplitude: f.amplitude(p.direction), offDeg: width, turnDeg: 360 / float64(n)})
		}
	}
	if f.array.Pattern == nil {
		return // all the same
	}
	order := make([]int, len(c.grid))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(c.grid[j].amplitude, c.grid[i].amplitude), cmp.Compare(i, j))
	})
	sorted := make([]cell, len(c.grid))
	for i, at := range order {
		sorted[i] = c.grid[at]
	}
	c.grid = sorted
}

// bestIn returns the best point of a finer grid within a cell.
func (f *farField) bestIn(s *survey, c *cone, g *cell) peak {
	points := g.points
	if len(points) == 0 {
		points = f.makeFiner(c, g)
	}
	wide := len(s.row)
	best := g.peak
	for i, p := range points {
		at := s.row
		if g.rows != nil {
			at = g.rows[i*wide : (i+1)*wide]
		} else {
			f.surveyRow(at, p.unit, f.amplitude(p.direction))
		}
		p.eirpW = s.eirp(at)
		if p.eirpW > best.eirpW {
			best = p
		}
	}
	return best
}

// makeFiner makes the finer grid of a cell and keeps it where there is room.
func (f *farField) makeFiner(c *cone, g *cell) []peak {
	var points []peak
	for i := range cellSteps + 1 {
		off := g.off + g.offDeg*(float64(i)/cellSteps-0.5)
		if off < 0 || off > c.halfDeg {
			continue
		}
		for j := range cellSteps + 1 {
			points = append(points, c.point(off, g.turn+g.turnDeg*(float64(j)/cellSteps-0.5)))
		}
	}
	if !f.keeps(len(points)) {
		return points
	}
	wide := f.surveyWidth()
	g.points, g.rows = points, make([]complex128, len(points)*wide)
	for i, p := range points {
		f.surveyRow(g.rows[i*wide:(i+1)*wide], p.unit, f.amplitude(p.direction))
	}
	return points
}

// keeps tells whether n more rows, with their points, are kept: over all cones
// there is a bound.
func (f *farField) keeps(n int) bool {
	n *= f.surveyWidth() + pointSamples
	if f.kept+n > keptSamples {
		return false
	}
	f.kept += n
	return true
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

// waves gives the phases of plane waves at antennas. Antennas of an array share
// coordinates: a panel of 8 x 8 has 16, each with one phase.
type waves struct {
	axes []waveAxis
}

// waveAxis is one axis along which antennas differ.
type waveAxis struct {
	axis  int
	turns []float64    // the distinct coordinates, in wavelengths
	at    []int        // [antenna] place in turns
	phase []complex128 // of the last wave
}

func newWaves(positionsM [][3]float64, wavelengthM float64) waves {
	var w waves
	for axis := range 3 {
		a := waveAxis{axis: axis}
		place := make(map[float64]int)
		for _, p := range positionsM {
			at, there := place[p[axis]]
			if !there {
				at = len(a.turns)
				place[p[axis]] = at
				a.turns = append(a.turns, p[axis]/wavelengthM)
			}
			a.at = append(a.at, at)
		}
		if len(a.turns) > 1 || a.turns[0] != 0 {
			a.phase = make([]complex128, len(a.turns))
			w.axes = append(w.axes, a)
		}
	}
	return w
}

// along sets dst to amplitude exp(-j 2 pi p.u/lambda), see channel.Array.Steering.
func (w *waves) along(dst []complex128, u [3]float64, amplitude float64) {
	for m := range dst {
		dst[m] = complex(amplitude, 0)
	}
	for i := range w.axes {
		a := &w.axes[i]
		for n, turns := range a.turns {
			sin, cos := math.Sincos(-2 * math.Pi * turns * u[a.axis])
			a.phase[n] = complex(cos, sin)
		}
		for m := range dst {
			dst[m] *= a.phase[a.at[m]]
		}
	}
}

// lags are the distinct differences of antennas' positions, of which each stands for
// its opposite too: a panel of 8 x 8 has 113, for 4096 pairs of antennas. With them
// the EIRP of beams is one sum, however many beams there are:
//
//	EIRP(u) = g(u) Re sum_d c_d exp(+j 2 pi d.u/lambda),
//	c_d     = 2 sum over pairs m, n with p_m - p_n = d, and beams, of w_m conj(w_n).
//
// Differences are those of positions to within lagTurns of a wavelength, and sums of
// large terms that cancel lose digits: lags survey, the peaks found are refined from
// the antennas themselves.
type lags struct {
	number int
	waves  waves
	of     []int32 // [m][n], n < m: the lag, and ^lag where it is the opposite
}

const (
	lagTurns = 1e-6
	mostLags = 4 // times the antennas
)

// newLags returns nil where there are too many for them to be of use.
func newLags(positionsM [][3]float64, wavelengthM float64) *lags {
	l := &lags{}
	distinct := [][3]float64{{}}
	place := map[[3]int64]int32{{}: 0}
	for m, p := range positionsM {
		for _, q := range positionsM[:m] {
			var key [3]int64
			var d [3]float64
			for i := range d {
				d[i] = p[i] - q[i]
				key[i] = int64(math.Round(d[i] / wavelengthM / lagTurns))
			}
			opposite := [3]int64{-key[0], -key[1], -key[2]}
			if at, there := place[key]; there {
				l.of = append(l.of, at)
				continue
			}
			if at, there := place[opposite]; there {
				l.of = append(l.of, ^at)
				continue
			}
			if len(distinct) > mostLags*len(positionsM) {
				return nil
			}
			place[key] = int32(len(distinct))
			l.of = append(l.of, place[key])
			distinct = append(distinct, d)
		}
	}
	l.number, l.waves = len(distinct), newWaves(distinct, wavelengthM)
	return l
}

// survey is what it takes to find the EIRP of beams along many directions.
type survey struct {
	w    []complex128 // [beam][antenna]
	lags []complex128 // c_d; nil: not used
	row  []complex128 // for one direction
}

// prepare finds the lags, which only surveys need. O(antennas^2) the first time.
func (f *farField) prepare() {
	if !f.prepared {
		f.lags, f.prepared = newLags(f.array.PositionsM, f.wavelengthM), true
	}
}

func (f *farField) newSurvey(w []complex128) *survey {
	s := &survey{w: w, row: make([]complex128, f.surveyWidth())}
	if f.lags == nil {
		return s
	}
	s.lags = make([]complex128, f.surveyWidth())
	for beam := range slices.Chunk(w, len(f.array.PositionsM)) {
		pair := 0
		for m, x := range beam {
			s.lags[0] += complex(real(x)*real(x)+imag(x)*imag(x), 0)
			for _, y := range beam[:m] {
				z := 2 * x * complex(real(y), -imag(y))
				if at := f.lags.of[pair]; at >= 0 {
					s.lags[at] += z
				} else {
					s.lags[^at] += complex(real(z), -imag(z))
				}
				pair++
			}
		}
	}
	return s
}

// surveyWidth is the length of rows of a survey.
func (f *farField) surveyWidth() int {
	if f.lags == nil {
		return len(f.array.PositionsM)
	}
	return f.lags.number
}

// surveyRow fills dst with the row with which a survey finds the EIRP along u.
func (f *farField) surveyRow(dst []complex128, u [3]float64, amplitude float64) {
	if f.lags == nil {
		f.waves.along(dst, u, amplitude)
		return
	}
	f.lags.waves.along(dst, u, amplitude*amplitude)
}

// eirp returns the EIRP along a row, in W.
func (s *survey) eirp(row []complex128) float64 {
	if s.lags == nil {
		return received(row, s.w)
	}
	return real(optim.Received(row, s.lags))
}
