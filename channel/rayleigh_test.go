package channel

import (
	"math"
	"slices"
	"testing"
)

// For h ~ CN(0, I_M): the mean of 1/||h||^2 is 1/(M-1), as ||h||^2 ~ Gamma(M,1);
// the squared correlation of two such vectors is Beta(1, M-1), with mean 1/M and
// tail (1-x)^(M-1), 0.0133635 at M = 16, x = 1/4 (derived).
func TestRayleighMoments(t *testing.T) {
	const antennas, draws = 16, 20000
	rng := NewRand(1, 0)
	a, b := make([]complex128, antennas), make([]complex128, antennas)
	var power, inverse, pair, tail sample
	for range draws {
		Rayleigh(rng, a, 1)
		Rayleigh(rng, b, 1)
		power.add(energy(a) / antennas)
		inverse.add(1 / energy(a))
		c := square(correlation(a, b))
		pair.add(c)
		tail.add(indicator(c > 0.25))
	}
	for _, tc := range []struct {
		name string
		s    sample
		want float64
	}{
		{"mean |h|^2", power, 1},
		{"mean 1/||h||^2", inverse, 1.0 / (antennas - 1)},
		{"mean squared correlation", pair, 1.0 / antennas},
		{"P(squared correlation > 1/4)", tail, 0.0133635},
	} {
		if mean, se := tc.s.mean(), tc.s.standardError(); math.Abs(mean-tc.want) > 3*se {
			t.Errorf("%s = %.6f, want %.6f within 3 x %.6f", tc.name, mean, tc.want, se)
		}
	}
}

// Circular: real and imaginary part carry equal power and are uncorrelated.
func TestRayleighCircular(t *testing.T) {
	const power = 3
	h := make([]complex128, 40000)
	Rayleigh(NewRand(2, 0), h, power)
	var re, im, cross sample
	for _, x := range h {
		re.add(real(x) * real(x))
		im.add(imag(x) * imag(x))
		cross.add(real(x) * imag(x))
	}
	for _, tc := range []struct {
		name string
		s    sample
		want float64
	}{{"re^2", re, power / 2.0}, {"im^2", im, power / 2.0}, {"re im", cross, 0}} {
		if mean, se := tc.s.mean(), tc.s.standardError(); math.Abs(mean-tc.want) > 3*se {
			t.Errorf("mean %s = %.5f, want %.5f within 3 x %.5f", tc.name, mean, tc.want, se)
		}
	}
}

func TestSeeds(t *testing.T) {
	draw := func(seed int64, stream uint64) []complex128 {
		h := make([]complex128, 8)
		Rayleigh(NewRand(seed, stream), h, 1)
		return h
	}
	if !slices.Equal(draw(7, 3), draw(7, 3)) {
		t.Error("the same seed and stream give different samples")
	}
	if slices.Equal(draw(7, 3), draw(8, 3)) || slices.Equal(draw(7, 3), draw(7, 4)) {
		t.Error("another seed or stream gives the same samples")
	}
}

// sample keeps a mean and its standard error.
type sample struct{ n, sum, sumSquares float64 }

func (s *sample) add(x float64) {
	s.n++
	s.sum += x
	s.sumSquares += x * x
}

func (s *sample) mean() float64 { return s.sum / s.n }

func (s *sample) standardError() float64 {
	return math.Sqrt((s.sumSquares/s.n - square(s.mean())) / s.n)
}

func indicator(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
