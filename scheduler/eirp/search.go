package eirp

import (
	"cmp"
	"math"
	"slices"

	"leastwatt/channel"
)

// Peak is an EIRP and where it is.
type Peak struct {
	Direction channel.Direction
	EIRPW     float64

	unit [3]float64
}

// Beams are those of a group, to be searched for where they are strongest.
type Beams struct {
	field     *Field
	weights   []complex128 // [beam][antenna]
	weight    []float64    // [antenna] norm over beams
	amplitude float64      // of all antennas in phase
	rounding  float64      // of a field, at most
	work      Work
	perStop   int // cells
}

// Work bounds a search.
type Work struct {
	// Cells is the largest number of cells looked at; 0 means DefaultCells.
	Cells int
	// Stop is asked now and then whether the search is to end; nil: never.
	Stop func() bool
}

// DefaultCells is the default of Work.Cells: a panel of 16 x 16 under a limit in all
// directions takes a tenth.
const DefaultCells = 1 << 18

const (
	unit           = 0x1p-53
	weightsPerStop = 1 << 14 // looked at before time is asked for again
	climbs         = 40      // steps of a climb, at most
	climbTo        = 1e-8    // radians of phase at which a climb ends
	firstSpread    = 0.5     // of amplitudes in phase: largest of a first cell's expansion
	halfCandidate  = 0.5     // of a level: cells that are climbed from too, once one is above
	leastRadius    = 1e-9    // of a cell that is cut
	samePeak       = 1e-5    // radians of phase over the array within which peaks are one
	relativePeakUp = 1e-7    // by which a proved maximum is above the largest EIRP found
)

// Beams returns the beams of some weights, [beam][antenna], to search. It keeps w.
// Beams of one field share its scratch.
func (f *Field) Beams(w []complex128, work Work) *Beams {
	b := &Beams{field: f, weights: w, work: work, weight: make([]float64, len(f.radians))}
	b.perStop = 1 + weightsPerStop/(1+len(w))
	if work.Cells == 0 {
		b.work.Cells = DefaultCells
	}
	for at, z := range w {
		b.weight[at%len(f.radians)] += abs2(z)
	}
	reach := 0.0
	for m, p := range f.radians {
		b.weight[m] = math.Sqrt(b.weight[m])
		b.amplitude += b.weight[m]
		reach = math.Max(reach, norm(p))
	}
	// A phase is off by 4 units of its size, a sum over antennas by as many as those.
	b.rounding = b.amplitude * unit * (4*reach + float64(len(f.radians)) + 16)
	return b
}

// Most returns a bound on the largest EIRP in a region, in W, and the largest found:
// proved to be no more than the bound in every direction. The search ends as soon as
// the bound is no more than enough (0: none is) or within 1e-7 of what was found;
// where its work ends before, the bound is what has been proved till then.
func (b *Beams) Most(r Region, enoughW float64) (boundW float64, found Peak) {
	level := enoughW / b.field.boresight
	s := b.newSearch(&r, level)
	for s.next() {
		for _, p := range s.above() {
			if p.EIRPW > found.EIRPW {
				found = p
			}
		}
		if found.EIRPW > 0 {
			s.level = math.Max(level, found.EIRPW/b.field.boresight*(1+relativePeakUp))
		}
	}
	if proved := s.proved(); proved > level {
		return proved * b.field.boresight, found
	}
	return enoughW, found
}

// Above returns peaks of the EIRP in a region that are above a limit in W, the
// highest first: none only where there are none, which is proved then. Where work
// ends before that, or is stopped, proved is false.
func (b *Beams) Above(r Region, limitW float64) (peaks []Peak, proved bool) {
	s := b.newSearch(&r, limitW/b.field.boresight)
	for s.next() {
		if peaks = s.above(); len(peaks) > 0 {
			return peaks, false
		}
	}
	return nil, s.proved() <= s.level
}

// ClimbedFrom returns the peak that a climb from a direction leads to, no lower than
// EIRP is there. It stays in the region, to which the direction is drawn.
func (b *Beams) ClimbedFrom(r Region, d channel.Direction) Peak {
	off, turn := r.coordinates(d.Unit())
	return b.climbed(&r, off, turn)
}

// search cuts the cells of a region, all of one level after the other.
type search struct {
	b       *Beams
	region  *Region
	level   float64 // EIRP over boresight gain: cells bounded by it are done
	cells   []cell  // in doubt
	looked  []looked
	tried   middles // climbed from, the highest of each level
	left    int
	stopped bool
	most    float64 // of bounds of cells that could not be cut further
}

// looked is a cell in doubt with what was found at its middle.
type looked struct {
	cell
	eirp float64
	unit [3]float64
	wide float64 // its radius
}

func (b *Beams) newSearch(r *Region, level float64) *search {
	s := &search{b: b, region: r, level: level, left: b.work.Cells}
	all := b.amplitude * b.amplitude
	if all <= level {
		return s
	}
	s.cells = append(s.cells, cell{
		off: (r.offLo + r.offHi) / 2, halfOff: (r.offHi - r.offLo) / 2,
		turn: r.turnHi / 2, halfTurn: r.turnHi / 2, bound: all * 1.0000001,
	})
	return s
}

// next looks at all cells in doubt and cuts those that remain so. It reports false
// when there are none or work has ended.
func (s *search) next() bool {
	b := s.b
	s.looked = s.looked[:0]
	if s.stopped || len(s.cells) == 0 {
		return false
	}
	var cut []cell
	for i := range s.cells {
		c := s.cells[i]
		if c.bound <= s.level {
			continue
		}
		if s.left == 0 || s.left%b.perStop == 0 && b.work.Stop != nil && b.work.Stop() {
			s.stopped = true
			cut = append(cut, s.cells[i:]...)
			break
		}
		s.left--
		cut = s.look(cut, c)
	}
	s.cells = cut
	return true
}

// look looks at one cell and appends the two that it is cut into where it remains in
// doubt.
func (s *search) look(cut []cell, c cell) []cell {
	b := s.b
	r, ok := c.reach()
	if !ok {
		return s.halved(cut, c, c.halfOff > c.halfTurn)
	}
	x := b.field.expand(b.weights, s.region, c.off, c.turn)
	bound, spread := x.bound(r, b.weight, b.rounding)
	c.bound = math.Min(c.bound, bound)
	if c.bound <= s.level {
		return cut
	}
	s.looked = append(s.looked, looked{cell: c, eirp: x.eirp(), unit: x.unit, wide: r.radius})
	if r.radius < leastRadius {
		s.most = math.Max(s.most, c.bound)
		return cut
	}
	return s.halved(cut, c, spread[0] >= spread[1])
}

func (s *search) halved(cut []cell, c cell, byOff bool) []cell {
	low, high := c, c
	if byOff && c.halfOff > 0 || c.halfTurn == 0 {
		low.halfOff, high.halfOff = c.halfOff/2, c.halfOff/2
		low.off, high.off = c.off-low.halfOff, c.off+low.halfOff
	} else {
		low.halfTurn, high.halfTurn = c.halfTurn/2, c.halfTurn/2
		low.turn, high.turn = c.turn-low.halfTurn, c.turn+low.halfTurn
	}
	return append(cut, low, high)
}

// proved returns the bound on EIRP over boresight gain that the search has proved.
func (s *search) proved() float64 {
	most := math.Max(s.level, s.most)
	for i := range s.cells {
		most = math.Max(most, s.cells[i].bound)
	}
	return most
}

// above climbs from the cells just looked at whose middle is above the level, and
// where there are any from others that come near it; where there are none from the
// highest alone, as a peak at an edge has no middle of a cell near it. It returns the
// peaks above the level, the highest first.
func (s *search) above() []Peak {
	from := s.looked[:0:0]
	high := looked{eirp: halfCandidate * s.level}
	for _, l := range s.looked {
		if l.eirp > halfCandidate*s.level {
			from = append(from, l)
		}
		if l.eirp > high.eirp {
			high = l
		}
	}
	switch {
	case len(from) == 0:
		return nil
	case high.eirp <= s.level:
		if s.tried.isBeside(high) {
			return nil
		}
		from = append(from[:0], high)
	}
	slices.SortStableFunc(from, func(a, b looked) int { return cmp.Compare(b.eirp, a.eirp) })
	var starts middles
	for _, l := range from {
		if !starts.isBeside(l) {
			starts = append(starts, l)
		}
		if len(starts) == mostClimbs {
			break
		}
	}
	s.tried = append(s.tried, starts[0])
	var peaks []Peak
	for _, l := range starts {
		if s.b.work.Stop != nil && s.b.work.Stop() {
			break
		}
		p := s.b.climbed(s.region, l.off, l.turn)
		if p.EIRPW > s.level*s.b.field.boresight && !s.b.field.has(peaks, p) {
			peaks = append(peaks, p)
		}
	}
	slices.SortStableFunc(peaks, func(a, b Peak) int { return cmp.Compare(b.EIRPW, a.EIRPW) })
	return peaks
}

// middles are those of some cells.
type middles []looked

// isBeside reports whether the middle of a cell is next to one of others.
func (m middles) isBeside(l looked) bool {
	return slices.ContainsFunc(m, func(n looked) bool { return norm(sub(l.unit, n.unit)) < 2*math.Max(l.wide, n.wide) })
}

// mostClimbs is the most peaks sought at a time.
const mostClimbs = 64

// has reports whether a peak is among others.
func (f *Field) has(peaks []Peak, p Peak) bool {
	return slices.ContainsFunc(peaks, func(q Peak) bool {
		d := sub(p.unit, q.unit)
		for _, r := range f.radians {
			if math.Abs(dot(r, d)) > samePeak {
				return false
			}
		}
		return true
	})
}
