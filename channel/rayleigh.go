package channel

import (
	"math"
	"math/rand/v2"
)

// Rayleigh fills dst with independent circular complex Gaussian samples of mean
// square power.
func Rayleigh(rng *rand.Rand, dst []complex128, power float64) {
	scale := math.Sqrt(power / 2)
	for i := range dst {
		dst[i] = complex(scale*rng.NormFloat64(), scale*rng.NormFloat64())
	}
}

// Rice adds to straight, the channel of a straight path, independent circular
// complex Gaussian samples of 1/k of its mean power, and scales the sum so that
// its mean power is that of straight. It sets dst, as long as straight.
func Rice(rng *rand.Rand, dst, straight []complex128, k float64) {
	var power float64
	for _, h := range straight {
		power += square(real(h)) + square(imag(h))
	}
	power /= float64(len(straight))
	Rayleigh(rng, dst, power/(1+k))
	share := complex(math.Sqrt(k/(1+k)), 0)
	for m, h := range straight {
		dst[m] += share * h
	}
}

// NewRand returns the source of random numbers of seed. Streams of one seed are
// independent: give each user or each drop its own and results do not depend on
// the order of the work.
func NewRand(seed int64, stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(seed), stream))
}
