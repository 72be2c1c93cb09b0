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

// Rice sets dst to the channel of straight, that of a straight path, together with
// scattered, of the same mean power, k the ratio of their powers: sqrt(k/(1+k))
// of the one and sqrt(1/(1+k)) of the other. dst may be either.
func Rice(dst, straight, scattered []complex128, k float64) {
	share := complex(math.Sqrt(k/(1+k)), 0)
	rest := complex(math.Sqrt(1/(1+k)), 0)
	for m, h := range straight {
		dst[m] = share*h + rest*scattered[m]
	}
}

// NewRand returns the source of random numbers of seed. Streams of one seed are
// independent: give each user or each drop its own and results do not depend on
// the order of the work.
func NewRand(seed int64, stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(seed), stream))
}
