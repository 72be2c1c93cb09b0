package scheduler

import (
	"fmt"
	"math"
	"strconv"

	"leastwatt/channel"
	"leastwatt/optim"
)

// Bounds are what one slot may take of an engine, whatever its budget. A slot that
// may need more is refused before anything is allocated for it: see Slot.Exceeds.
type Bounds struct {
	// Bytes bounds the memory, by an estimate of what is in use at a time.
	Bytes int64
	// Work bounds users^2 * subbands * antennas, with a codebook users * subbands *
	// beams * antennas beside it: the multiplications it takes to make a slot ready.
	Work int64
	// Directions bounds how many there are to tell apart in the far field, over the
	// sphere and in every protected direction.
	Directions int64
}

// DefaultBounds returns the bounds of NewEngine: a quarter of a gigabyte, what takes
// about a second to make ready, and a panel of 32 by 32 antennas half a wavelength
// apart.
func DefaultBounds() Bounds {
	return Bounds{Bytes: 256 << 20, Work: 1 << 30, Directions: 1 << 19}
}

// resolve returns b with defaults in place of zeros.
func (b Bounds) resolve() Bounds {
	d := DefaultBounds()
	for _, f := range []struct{ have, otherwise *int64 }{
		{&b.Bytes, &d.Bytes}, {&b.Work, &d.Work}, {&b.Directions, &d.Directions},
	} {
		if *f.have <= 0 {
			*f.have = *f.otherwise
		}
	}
	return b
}

// Exceeds reports in what a slot that Validate has passed may need more than the
// bounds allow; nil where it does not. Zeros take their defaults. O(antennas + users).
func (s *Slot) Exceeds(b Bounds) []Violation {
	b = b.resolve()
	var v violations
	size := s.size()
	if work := size.work(); work > float64(b.Work) {
		v.add("channel", size.text()+": "+count(work), fmt.Sprintf("a product of at most %d: a bound of this engine", b.Work))
	}
	if n := size.bytes(); n > float64(b.Bytes) {
		v.add("channel", size.text()+": "+count(n)+" bytes of memory",
			fmt.Sprintf("what takes at most %d bytes: a bound of this engine", b.Bytes))
	}
	s.exceedDirections(&v, float64(b.Directions))
	return v.result()
}

func count(x float64) string { return strconv.FormatFloat(x, 'f', 0, 64) }

// slotSize is what the need of a slot depends on. In float64: products may overflow.
type slotSize struct {
	users, subbands, antennas float64
	group                     float64 // users of the largest group there may be
	beams                     float64 // of the codebook in use
	limited                   bool
}

func (s *Slot) size() slotSize {
	size := slotSize{
		users: float64(len(s.Users)), subbands: float64(s.Channel.Subbands), antennas: float64(s.Channel.Antennas),
		group: float64(s.served()),
		beams: float64(s.beams()),
	}
	if most := s.Limits.MaxGroupSize; most > 0 {
		size.group = math.Min(size.group, float64(most))
	}
	l := &s.Limits
	size.limited = l.TotalPowerW != nil || len(l.AntennaPowerW) > 0 || l.EIRPW != nil || len(l.ProtectedDirections) > 0
	return size
}

func (z slotSize) text() string {
	text := fmt.Sprintf("%.0f users, %.0f subbands, %.0f antennas", z.users, z.subbands, z.antennas)
	if z.beams > 0 {
		text += fmt.Sprintf(", %.0f beams", z.beams)
	}
	return text
}

// work is the number of products that Gram matrices and gains of beams take.
func (z slotSize) work() float64 {
	return z.subbands * z.antennas * (z.users*z.users + z.users*z.beams)
}

const (
	complexBytes = 16
	// Of a slot under limits there are two views, with and without them, each with
	// channels and Gram matrices.
	views = 2
	// channelCopies are the samples, those of both views, those of a group solved
	// under limits, and weights, as computed and as encoded.
	channelCopies = 4 + views
	// limitedMatrices are those of complex numbers, users by users, that a solve
	// under limits has of every subband, ten of them and half of what antennas and
	// directions with a price add to two.
	limitedMatrices = 16
	// groupMatrices are those of a solve without limits, on one subband at a time.
	groupMatrices = 12
	// codebookCopies are the beams and their gains in both views, and what is made of
	// them for an assignment.
	codebookCopies = 2
	slotBytes      = 1 << 20 // for all that is small
)

// bytes estimates the memory in use at a time, from above.
func (z slotSize) bytes() float64 {
	matrices := views*z.users*z.users*z.subbands + groupMatrices*z.group*z.group
	if z.limited {
		matrices += limitedMatrices * z.group * z.group * z.subbands
	}
	channels := channelCopies * z.users * z.antennas * z.subbands
	codebook := codebookCopies * z.beams * (z.antennas + z.users*z.subbands)
	return slotBytes + complexBytes*(channels+matrices+codebook)
}

// exceedDirections reports the first part of the far field with which there are too
// many directions.
func (s *Slot) exceedDirections(v *violations, most float64) {
	if s.Array == nil || !(s.CarrierHz > 0) {
		return
	}
	e := extentOf(s.Array.PositionsM, channel.WavelengthM(s.CarrierHz))
	allowed := fmt.Sprintf("at most %.0f directions to tell apart in all, 50 for each square wavelength across: a bound of this engine", most)
	sum := e.directions(180)
	if !(sum <= most) {
		v.add("array.positionsM", fmt.Sprintf("antennas over %.4g by %.4g wavelengths: %.4g directions", e.along, e.across, sum), allowed)
		return
	}
	for i := range s.Limits.ProtectedDirections {
		if sum += e.directions(math.Min(s.Limits.ProtectedDirections[i].WidthDeg/2, 180)); !(sum <= most) {
			v.add(itemPath("limits.protectedDirections", i, ""), fmt.Sprintf("%.4g directions with those before", sum), allowed)
			return
		}
	}
}

// Directions told apart: EIRP is a sum of waves over the array's extent.
const (
	gridStep        = 0.25 // of a wavelength over the extent
	coarsestGridDeg = 10.0 // for the element's pattern
)

// extent is that of an array in wavelengths, along the axis where it is longest and
// across it.
type extent struct{ along, across float64 }

func extentOf(positionsM [][3]float64, wavelengthM float64) extent {
	var long [3]float64
	for axis := range long {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, p := range positionsM {
			lo, hi = math.Min(lo, p[axis]), math.Max(hi, p[axis])
		}
		long[axis] = (hi - lo) / wavelengthM
	}
	along := math.Max(long[0], math.Max(long[1], long[2]))
	all := math.Hypot(math.Hypot(long[0], long[1]), long[2])
	across := math.Sqrt(math.Max(0, all*all-along*along))
	return extent{along: along, across: across}
}

// directions estimates how many there are to tell apart in a cone.
func (e extent) directions(halfDeg float64) float64 {
	step := func(length float64) float64 { return math.Min(gridStep/length, coarsestGridDeg*math.Pi/180) }
	half := halfDeg * math.Pi / 180
	all := math.Hypot(e.along, e.across)
	turn := step(all)
	if halfDeg == 180 {
		turn = step(e.across)
	}
	rings := math.Ceil(half/step(all)) + 2
	return rings * (1 + 2*math.Pi/turn*(1-math.Cos(half))/half)
}

// beams returns the number of beams of the codebook in use, 0 for none.
func (s *Slot) beams() int {
	c := s.Options.Codebook
	switch {
	case s.Options.Beams != BeamsCodebook:
		return 0
	case c == nil:
		return s.Channel.Antennas
	case len(c.Beams) > 0:
		return len(c.Beams) / s.Channel.Antennas
	}
	return optim.DFTBeams(s.Channel.Antennas, c.Columns, c.Oversampling)
}
