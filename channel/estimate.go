package channel

import (
	"fmt"
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

// FromLeastSquares sets dst to the estimate of least mean square error that follows
// from a least-squares estimate y of one user's channel, antenna by antenna: y times
// gain / (gain + ls), where ls is the variance of the noise in y and gain the mean
// square of the channel itself, both per antenna and subband, in units of |h|^2; see
// MeanSquare for a gain that is not known. It returns the variance of the error that is
// left, MMSEVariance(gain, ls). This is the kind of estimate that a slot takes: its
// error is not correlated with it, that of y is. dst may be y.
func FromLeastSquares(dst, y []complex128, gain, ls float64) (variance float64, err error) {
	switch {
	case len(dst) != len(y):
		return 0, fmt.Errorf("channel: dst has %d samples, y %d: allowed: the same number", len(dst), len(y))
	case !(gain > 0) || math.IsInf(gain, 1):
		return 0, fmt.Errorf("channel: gain %g, allowed: finite, > 0", gain)
	case !(ls >= 0) || math.IsInf(ls, 1):
		return 0, fmt.Errorf("channel: ls %g, allowed: finite, >= 0", ls)
	}
	factor := complex(1/(1+ls/gain), 0)
	for m, x := range y {
		dst[m] = factor * x
	}
	return min(gain, ls) / (1 + min(gain, ls)/max(gain, ls)), nil
}

// MeanSquare returns the mean square of the channel of a user whose least-squares
// estimate y, over any antennas, subbands and slots, has noise of variance ls: the
// mean of |y|^2 less ls, not below 0. The relative error of it is about
// (1 + ls/gain) / sqrt(n) for n samples that fade independently.
func MeanSquare(y []complex128, ls float64) float64 {
	sum := 0.0
	for _, x := range y {
		sum += real(x)*real(x) + imag(x)*imag(x)
	}
	return max(0, sum/float64(len(y))-ls)
}

// Split sets dst to what is known of a channel h when the part e of its mean square,
// 0 <= e < 1, is error: sqrt(1-e) h. It returns the variance of the error per sample,
// e times the mean square of h, so that estimate and error have the power of h between
// them. DrawTruth draws channels that the estimate may be of. dst may be h.
func Split(dst, h []complex128, e float64) (variance float64) {
	variance = e * MeanSquare(h, 0)
	known := complex(math.Sqrt(1-e), 0)
	for m, x := range h {
		dst[m] = known * x
	}
	return variance
}

// DrawTruth sets dst to a channel that an estimate of least mean square error may be
// of: the estimate and an error of the variance, drawn anew for every sample. dst may
// be the estimate.
func DrawTruth(rng *rand.Rand, dst, estimate []complex128, variance float64) {
	sigma := math.Sqrt(variance / 2)
	for m, x := range estimate {
		dst[m] = x + complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64())
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
