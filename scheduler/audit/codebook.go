package audit

import (
	"fmt"
	"math"

	"leastwatt/scheduler"
)

// codebook is the beams that a slot lets choose from, written out when asked for.
type codebook struct {
	antennas, beams      int
	own                  []complex128 // nil: a grid
	columns              int
	vertical, horizontal int    // beams of the grid along a column, along a row
	off                  []bool // antennas limited to 0 W
}

// newCodebook returns the codebook of a slot, by default the grid of a line with
// one beam for each antenna.
func newCodebook(slot *scheduler.Slot) (*codebook, error) {
	m := slot.Channel.Antennas
	c := &codebook{antennas: m, off: make([]bool, m)}
	for i, limit := range slot.Limits.AntennaPowerW {
		c.off[i] = limit == 0
	}
	asked := scheduler.Codebook{Oversampling: 1}
	if slot.Options.Codebook != nil {
		asked = *slot.Options.Codebook
	}
	if n := len(asked.Beams); n > 0 {
		if n%m != 0 || !finite(parts(asked.Beams)...) {
			return nil, fmt.Errorf("%w: options.codebook is not finite or not one value per antenna and beam", ErrMismatch)
		}
		c.own, c.beams = asked.Beams, n/m
		return c, nil
	}
	c.columns = m
	if asked.Columns != 0 {
		c.columns = asked.Columns
	}
	if asked.Oversampling < 1 || asked.Oversampling > scheduler.MaxBeams || c.columns < 1 || m%c.columns != 0 {
		return nil, fmt.Errorf("%w: options.codebook is no grid of %d antennas", ErrMismatch, m)
	}
	side := func(antennas int) int {
		if antennas == 1 {
			return 1
		}
		return antennas * asked.Oversampling
	}
	c.vertical, c.horizontal = side(m/c.columns), side(c.columns)
	c.beams = c.vertical * c.horizontal
	return c, nil
}

// beam returns beam b on the antennas in use, of any power.
func (c *codebook) beam(b int) []complex128 {
	u := make([]complex128, c.antennas)
	largest := 0.0
	for m := range u {
		switch {
		case c.off[m]:
			continue
		case c.own != nil:
			u[m] = c.own[b*c.antennas+m]
		default:
			turns := float64(m/c.columns*(b/c.horizontal))/float64(c.vertical) + float64(m%c.columns*(b%c.horizontal))/float64(c.horizontal)
			sin, cos := math.Sincos(2 * math.Pi * turns)
			u[m] = complex(cos, sin)
		}
		largest = max(largest, math.Abs(real(u[m])), math.Abs(imag(u[m])))
	}
	if largest == 0 {
		return u
	}
	for m, z := range u { // so that no square overflows
		u[m] = complex(real(z)/largest, imag(z)/largest)
	}
	return u
}

// off32 is how far, relative, weights may be off their beam: float32's rounding.
const off32 = 1.0 / (1 << 23)

// beams audits that the weights of a group's allocations are along the beams of
// the codebook that they name, as far as rounding goes, each a beam of its own.
func (a *auditor) beams(path string, group *scheduler.Group, subbands []int) {
	holder := map[int]int{}
	for i := range group.Allocations {
		al := &group.Allocations[i]
		path := fmt.Sprintf("%s.allocations[%d].beamIndex", path, i)
		b := al.BeamIndex
		if squares(al.Weights) == 0 {
			continue
		}
		if b < 0 || b >= a.book.beams {
			a.find(path, fmt.Sprintf("no beam of the codebook, which has %d", a.book.beams), float64(b), float64(a.book.beams-1))
			continue
		}
		if j, taken := holder[b]; taken {
			a.find(path, fmt.Sprintf("the beam of allocations[%d] too", j), float64(b), float64(b))
		}
		holder[b] = i
		m := a.book.antennas
		u := a.book.beam(b)
		for s, f := range subbands {
			w := al.Weights[s*m : (s+1)*m]
			if part := offBeam(u, w, group.WeightScale); part > 0 {
				a.find(path, fmt.Sprintf("part of the power on subband %d off the beam", f), 0, part)
			}
		}
	}
}

// offBeam returns the part of the power of w that is not along u, 0 where it is no
// more than rounding, to counts of a scale where that is not 0.
func offBeam(u, w []complex128, scale float64) float64 {
	power, norm := squares(w), squares(u)
	if power == 0 {
		return 0
	}
	var z complex128
	for m := range u {
		if norm > 0 {
			z += complex(real(u[m]), -imag(u[m])) * w[m] / complex(norm, 0)
		}
	}
	var off float64
	for m := range u {
		r := w[m] - z*u[m]
		off += real(r)*real(r) + imag(r)*imag(r)
	}
	rounding := math.Sqrt(power)*off32 + scale*math.Sqrt(float64(len(w))/2)
	if off <= rounding*rounding {
		return 0
	}
	return off / power
}

// parts returns the real and imaginary parts of z.
func parts(z []complex128) []float64 {
	out := make([]float64, 0, 2*len(z))
	for _, x := range z {
		out = append(out, real(x), imag(x))
	}
	return out
}
