package optim

import (
	"math"
	"math/cmplx"
)

// Codebook is a set of unit-power beams to choose from, L x M.
type Codebook struct {
	Beams    int          // L
	Antennas int          // M
	Data     []complex128 // L M entries, [beam][antenna]
}

// MaxCodebookEntries is the largest Beams * Antennas of a codebook, 256 MiB.
const MaxCodebookEntries = 1 << 24

// DFTCodebook returns the beams of a DFT grid for a line of antennas, or for a
// planar array of antennas/columns rows, antenna m in row m/columns and column
// m%columns. columns = 0 means a line. A side of n antennas, n > 1, has
// N = n * oversampling beams, a side of one antenna has one:
//
//	line   u_b[m] = exp(2 pi i m b/N) / sqrt(M)
//	plane  u_b[m] = exp(2 pi i (row(m) v/N_rows + column(m) w/N_columns)) / sqrt(M),
//	       b = v N_columns + w
//
// Beam b of a line of spacing d wavelengths is the matched beam of the channel
// h_m = exp(2 pi i m d sin(theta)) with d sin(theta) = b/N, less 1 from b = N/2
// on. With an oversampling of 1 the beams are orthonormal; midway between two
// of them a user of a long line loses 3.92 dB, with 2 it loses 0.91 dB:
// sinc^2(1/2), sinc^2(1/4).
//
// It returns BadInput when antennas or oversampling is below 1, columns is
// negative or does not divide antennas, or the grid has more than
// MaxCodebookEntries entries. O(Beams * Antennas).
func DFTCodebook(antennas, columns, oversampling int) (Codebook, Status) {
	vertical, horizontal := dftGrid(antennas, columns, oversampling)
	if vertical == 0 {
		return Codebook{}, BadInput
	}
	if columns == 0 {
		columns = antennas
	}
	c := Codebook{vertical * horizontal, antennas, make([]complex128, vertical*horizontal*antennas)}
	up, along := unitRoots(vertical), unitRoots(horizontal)
	amplitude := 1 / math.Sqrt(float64(antennas))
	for b := range c.Beams {
		v, w := b/horizontal, b%horizontal
		u := c.Beam(b)
		for m := range u {
			u[m] = scaled(up[m/columns*v%vertical]*along[m%columns*w%horizontal], amplitude)
		}
	}
	return c, Solved
}

// DFTBeams returns the number of beams of DFTCodebook, 0 where it returns
// BadInput. O(1).
func DFTBeams(antennas, columns, oversampling int) int {
	vertical, horizontal := dftGrid(antennas, columns, oversampling)
	return vertical * horizontal
}

// dftGrid returns the beams along the rows and columns of DFTCodebook, zeros for
// bad input.
func dftGrid(antennas, columns, oversampling int) (vertical, horizontal int) {
	if antennas < 1 || antennas > MaxCodebookEntries || oversampling < 1 || oversampling > MaxCodebookEntries ||
		columns < 0 || columns > 0 && antennas%columns != 0 {
		return 0, 0
	}
	if columns == 0 {
		columns = antennas
	}
	vertical, horizontal = gridSide(antennas/columns, oversampling), gridSide(columns, oversampling)
	// Each factor is at most 2^48, so that no product overflows before its test.
	if vertical > MaxCodebookEntries || horizontal > MaxCodebookEntries/vertical ||
		vertical*horizontal > MaxCodebookEntries/antennas {
		return 0, 0
	}
	return vertical, horizontal
}

func gridSide(antennas, oversampling int) int {
	if antennas == 1 {
		return 1
	}
	return antennas * oversampling
}

// unitRoots returns exp(2 pi i k/n) for k = 0, ..., n-1.
func unitRoots(n int) []complex128 {
	roots := make([]complex128, n)
	for k := range roots {
		roots[k] = cmplx.Rect(1, 2*math.Pi*float64(k)/float64(n))
	}
	return roots
}

// NewCodebook returns the beams given, [beam][antenna], scaled to unit power.
// It returns BadInput when antennas is below 1 or does not divide len(values),
// when there are more than MaxCodebookEntries values, when one is not finite or
// when a beam is zero. O(len(values)).
func NewCodebook(antennas int, values []complex128) (Codebook, Status) {
	if antennas < 1 || len(values)%antennas != 0 || len(values) > MaxCodebookEntries {
		return Codebook{}, BadInput
	}
	c := Codebook{len(values) / antennas, antennas, make([]complex128, len(values))}
	copy(c.Data, values)
	for b := range c.Beams {
		u := c.Beam(b)
		largest := 0.0
		for _, z := range u {
			largest = math.Max(largest, math.Max(math.Abs(real(z)), math.Abs(imag(z))))
		}
		if !(largest > 0) || math.IsInf(largest, 1) {
			return Codebook{}, BadInput
		}
		// By a power of two first, exactly, so that no square leaves float64.
		_, exponent := math.Frexp(largest)
		for m, z := range u {
			u[m] = complex(math.Ldexp(real(z), -exponent), math.Ldexp(imag(z), -exponent))
		}
		by := 1 / math.Sqrt(norm2(u))
		for m, z := range u {
			u[m] = scaled(z, by)
		}
	}
	return c, Solved
}

// Beam returns the M weights of beam b, which alias c.Data. O(1).
func (c *Codebook) Beam(b int) []complex128 {
	return c.Data[b*c.Antennas : (b+1)*c.Antennas : (b+1)*c.Antennas]
}

// Gains fills dst, K x L in the order [user][beam], with |h_k^H u_b|^2 in 1/W for
// the noise-normalised channel h of M antennas. It panics when dst is too short. O(K L
// M).
func (c *Codebook) Gains(dst []float64, h Channel) {
	for k := range h.Users {
		row := dst[k*c.Beams : (k+1)*c.Beams]
		for b := range row {
			row[b] = abs2(Received(h.User(k), c.Beam(b)))
		}
	}
}

// Weights fills dst, K x M in the order [user][antenna], with the weights of
// user k's beam beam[k] at powerW[k]; zeros where beam[k] is negative. It panics when
// dst is too short or there is no such beam. O(K M).
func (c *Codebook) Weights(dst []complex128, beam []int, powerW []float64) {
	m := c.Antennas
	clear(dst[:len(beam)*m])
	for k, b := range beam {
		if b >= 0 {
			kernels.Zaxpy(m, sqrtComplex(powerW[k]), c.Beam(b), 1, dst[k*m:(k+1)*m], 1)
		}
	}
}
