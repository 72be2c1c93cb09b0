package scheduler

import (
	"fmt"
	"strconv"

	"leastwatt/optim"
)

const (
	// MaxBeams is the largest number of beams of a codebook.
	MaxBeams = 1 << 14
	// MaxBeamGains bounds users * subbands * beams, where beams are chosen from a
	// codebook.
	MaxBeamGains = 1 << 24
)

// checkCodebook checks what of a codebook needs no slot.
func (o *Options) checkCodebook(v *violations) {
	c := o.Codebook
	if c == nil {
		return
	}
	if len(c.Beams) == 0 && c.Oversampling < 1 {
		v.add("options.codebook.oversampling", strconv.Itoa(c.Oversampling), ">= 1 where values is empty")
	}
	if c.Columns < 0 {
		v.add("options.codebook.columns", strconv.Itoa(c.Columns), ">= 0")
	}
	for i, z := range c.Beams {
		if !finite(real(z)) || !finite(imag(z)) {
			v.add(itemPath("options.codebook.values", 2*i, ""), fmt.Sprint(z), "finite numbers")
		}
	}
}

// checkCodebook checks a codebook against the antennas of the slot. What
// Options.checkCodebook finds is not reported again.
func (s *Slot) checkCodebook(v *violations) {
	c, m := s.Options.Codebook, s.Channel.Antennas
	if c == nil && s.Options.Beams == BeamsCodebook {
		c = &Codebook{Oversampling: 1} // as Resolve
	}
	if c == nil || m < 1 {
		return
	}
	beams := 0
	switch {
	case len(c.Beams) > 0:
		beams = s.checkBeams(v, c.Beams)
	case c.Oversampling < 1 || c.Columns < 0:
	case c.Columns > 0 && m%c.Columns != 0:
		v.add("options.codebook.columns", strconv.Itoa(c.Columns), fmt.Sprintf("0, or a divisor of the %d antennas", m))
	default:
		beams = optim.DFTBeams(m, c.Columns, c.Oversampling)
		if beams == 0 || beams > MaxBeams {
			v.add("options.codebook.oversampling", strconv.Itoa(c.Oversampling), fmt.Sprintf("a grid of at most %d beams", MaxBeams))
			return
		}
	}
	if n, most := s.served(), s.Limits.MaxGroups; s.Options.Beams == BeamsCodebook && most > 0 && beams > 0 && (n-1)/beams+1 > most {
		v.add("limits.maxGroups", strconv.Itoa(most),
			fmt.Sprintf("at least %d: %d users with a rate, a beam of a codebook of %d for each of a group", (n-1)/beams+1, n, beams))
	}
	// In float64: the product may overflow.
	if gains := float64(len(s.Users)) * float64(s.Channel.Subbands) * float64(beams); gains > MaxBeamGains {
		v.add("options.codebook", fmt.Sprintf("%d users * %d subbands * %d beams", len(s.Users), s.Channel.Subbands, beams),
			fmt.Sprintf("a product of at most %d", MaxBeamGains))
	}
}

// checkBeams checks the caller's own beams and returns how many there are, 0
// where that is not known.
func (s *Slot) checkBeams(v *violations, beams []complex128) int {
	m := s.Channel.Antennas
	if len(beams)%m != 0 {
		v.add("options.codebook.values", fmt.Sprintf("%d numbers", 2*len(beams)),
			fmt.Sprintf("a multiple of 2 * antennas = %d", 2*m))
		return 0
	}
	n := len(beams) / m
	if n > MaxBeams {
		v.add("options.codebook.values", fmt.Sprintf("%d beams", n), fmt.Sprintf("at most %d", MaxBeams))
		return 0
	}
	for b := range n {
		silent := true
		for _, z := range beams[b*m : (b+1)*m] {
			silent = silent && z == 0
		}
		if silent {
			v.add(itemPath("options.codebook.values", 2*b*m, ""), fmt.Sprintf("0 in every number of beam %d", b),
				"a beam with a number other than 0")
		}
	}
	return n
}
