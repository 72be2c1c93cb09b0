package channel

import (
	"math"
	"math/rand/v2"
)

// Pilots says how the channel of a user is measured: the user sends Length known
// symbols of PowerW, orthogonal to those of the others, and every antenna and
// subband of the array hears them with noise of NoiseW. The array takes the
// channel to it for the channel from it.
type Pilots struct {
	Length int
	PowerW float64
	NoiseW float64 // in one subband
}

// LSVariance returns the error variance of the least-squares estimate, in units
// of |h|^2, per antenna and subband: noise over the energy of the pilots, and
// contamination, the sum of the gains of users elsewhere who send the same
// pilots, each times its power over PowerW (Marzetta et al., Fundamentals of
// Massive MIMO, ch. 3, from memory).
func (p Pilots) LSVariance(contamination float64) float64 {
	return p.NoiseW/(float64(p.Length)*p.PowerW) + contamination
}

// MMSEVariance returns the error variance of the estimate of least mean square
// error, antenna by antenna, of a channel of mean square gain whose
// least-squares estimate has the variance ls: gain ls / (gain + ls).
func MMSEVariance(gain, ls float64) float64 {
	if ls == 0 {
		return 0
	}
	return gain * ls / (gain + ls)
}

// Estimate sets dst to the estimate of least mean square error of h, drawn anew:
// h and an error of variance ls, scaled by gain / (gain + ls). Its own error is
// not correlated with it and has MMSEVariance(gain, ls). dst may be h.
func Estimate(rng *rand.Rand, dst, h []complex128, gain, ls float64) {
	factor := complex(1-MMSEVariance(1, ls/gain), 0)
	sigma := math.Sqrt(ls / 2)
	for m, x := range h {
		dst[m] = factor * (x + complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
	}
}

// Ageing returns the correlation of the channel of a user at speedMps with
// itself delayS later, where scatterers are all round: J0(2 pi f_D delay),
// f_D = v f/c (Clarke 1968; Jakes 1974). It falls below 0 and rises again.
func Ageing(speedMps, carrierHz, delayS float64) float64 {
	return math.J0(2 * math.Pi * speedMps / WavelengthM(carrierHz) * delayS)
}

// AgedVariance returns the error variance of rho times an estimate, used for the
// channel of correlation rho to the one it was made of: gain - rho^2 (gain -
// variance), gain the mean square of the channel and variance the error of an
// estimate that is not correlated with its error (Truong and Heath 2013, from
// memory).
func AgedVariance(gain, variance, rho float64) float64 {
	return gain - rho*rho*(gain-variance)
}
