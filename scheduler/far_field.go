package scheduler

import (
	"math"
	"sort"

	"leastwatt/channel"
)

// farField is what the array of a slot does at a distance.
type farField struct {
	array       channel.Array
	wavelengthM float64
	gain        float64 // boresight gain of one antenna, amplitude
	stepDeg     float64 // between directions of the grid
}

// patterns of one antenna, in dB under its boresight gain.
var patterns = map[string]channel.Pattern{
	"":               nil,
	PatternIsotropic: nil,
	PatternSector65:  func(d channel.Direction) float64 { return channel.Sector65(d) - channel.Sector65(channel.Direction{}) },
}

const (
	coarsestGridDeg = 10.0
	finestGridDeg   = 0.5
	refinedPeaks    = 12   // of the grid, the best local maxima are refined
	refineToDeg     = 1e-4 // EIRP is flat at its peak: good to 1e-8 and better
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
	// EIRP over direction varies no faster than exp(j 2 pi D sin / lambda), D the
	// largest extent of the array: two points per lobe and more.
	extent := 0.0
	for axis := range 3 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, p := range positions {
			lo, hi = math.Min(lo, p[axis]), math.Max(hi, p[axis])
		}
		extent = math.Max(extent, hi-lo)
	}
	f.stepDeg = coarsestGridDeg
	if extent > 0 {
		step := 0.4 * f.wavelengthM / extent * 180 / math.Pi
		f.stepDeg = math.Min(math.Max(step, finestGridDeg), coarsestGridDeg)
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
	m := len(row)
	f.row(row, d)
	sum := 0.0
	for at := 0; at < len(w); at += m {
		z := complex(0, 0)
		for i, a := range row {
			z += complex(real(a), -imag(a)) * w[at+i]
		}
		sum += real(z)*real(z) + imag(z)*imag(z)
	}
	return sum
}

// cone is a set of directions, in polar coordinates about its axis: the whole
// sphere is the cone of half-width 180 degrees.
type cone struct {
	axis, side, up [3]float64
	halfDeg        float64
}

func newCone(axis channel.Direction, widthDeg float64) cone {
	u := axis.Unit()
	// Any two unit vectors that stand upright on the axis and on each other.
	side := channel.Direction{AzimuthDeg: axis.AzimuthDeg + 90}.Unit()
	up := [3]float64{
		u[1]*side[2] - u[2]*side[1],
		u[2]*side[0] - u[0]*side[2],
		u[0]*side[1] - u[1]*side[0],
	}
	return cone{u, side, up, math.Min(widthDeg/2, 180)}
}

// everywhere is the whole sphere about the array's boresight.
func everywhere() cone { return newCone(channel.Direction{}, 360) }

// at returns the direction offDeg from the axis, turned by turnDeg about it.
func (c *cone) at(offDeg, turnDeg float64) channel.Direction {
	sin, cos := math.Sincos(offDeg * math.Pi / 180)
	st, ct := math.Sincos(turnDeg * math.Pi / 180)
	var v [3]float64
	for i := range v {
		v[i] = cos*c.axis[i] + sin*(ct*c.side[i]+st*c.up[i])
	}
	return channel.DirectionOf(v)
}

// peak is an EIRP and where it is.
type peak struct {
	direction channel.Direction
	eirpW     float64
	off, turn float64 // in the cone searched
}

// peaks returns the local maxima of the EIRP of beams over a cone, refined, the
// largest first. O(directions * beams * antennas).
func (f *farField) peaks(w []complex128, c cone) []peak {
	row := make([]complex128, len(f.array.PositionsM))
	rings := max(4, int(math.Ceil(c.halfDeg/f.stepDeg)))
	grid := make([][]float64, rings+1)
	for r := range grid {
		off := c.halfDeg * float64(r) / float64(rings)
		n := 1
		if r > 0 {
			n = max(6, int(math.Ceil(360*math.Sin(off*math.Pi/180)/f.stepDeg)))
		}
		grid[r] = make([]float64, n)
		for t := range grid[r] {
			grid[r][t] = f.eirp(w, row, c.at(off, 360*float64(t)/float64(n)))
		}
	}
	var found []peak
	for r, values := range grid {
		for t, v := range values {
			if v > 0 && isTop(grid, r, t) {
				off, turn := c.halfDeg*float64(r)/float64(rings), 360*float64(t)/float64(len(values))
				found = append(found, peak{c.at(off, turn), v, off, turn})
			}
		}
	}
	byEIRP := func(i, j int) bool { return found[i].eirpW > found[j].eirpW }
	sort.SliceStable(found, byEIRP)
	found = found[:min(len(found), refinedPeaks)]
	for i := range found {
		f.refine(w, row, &found[i], &c)
	}
	sort.SliceStable(found, byEIRP)
	return found
}

// isTop reports whether no neighbour of a grid point is larger.
func isTop(grid [][]float64, r, t int) bool {
	v := grid[r][t]
	n := len(grid[r])
	if v < grid[r][(t+1)%n] || v < grid[r][(t+n-1)%n] {
		return false
	}
	for _, next := range []int{r - 1, r + 1} {
		if next < 0 || next >= len(grid) {
			continue
		}
		m := len(grid[next])
		at := t * m / n
		for _, o := range []int{at + m - 1, at, at + 1} {
			if v < grid[next][o%m] {
				return false
			}
		}
	}
	return true
}

// refine climbs from a grid point to the local maximum within the cone by a
// compass search (Kolda, Lewis, Torczon, SIAM Review 45(3), 2003, from memory).
func (f *farField) refine(w, row []complex128, p *peak, c *cone) {
	for step := f.stepDeg / 2; step > refineToDeg; {
		moved := false
		wide := step / math.Max(math.Sin(p.off*math.Pi/180), 0.02)
		for _, by := range [][2]float64{{step, 0}, {-step, 0}, {0, wide}, {0, -wide}} {
			off, turn := math.Min(p.off+by[0], c.halfDeg), p.turn+by[1]
			if off < 0 {
				off, turn = -off, turn+180
			}
			d := c.at(off, turn)
			if v := f.eirp(w, row, d); v > p.eirpW {
				*p = peak{d, v, off, turn}
				moved = true
			}
		}
		if !moved {
			step /= 2
		}
	}
}

// peakEIRP returns the largest EIRP of beams in any direction, in W.
func (f *farField) peakEIRP(w []complex128) float64 {
	if p := f.peaks(w, everywhere()); len(p) > 0 {
		return p[0].eirpW
	}
	return 0
}
