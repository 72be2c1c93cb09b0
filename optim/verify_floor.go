package optim

import (
	"cmp"
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

var (
	errCertificate = errors.New("optim: malformed certificate or problem")
	errNoDigits    = errors.New("optim: powers or channels of the certificate too far from noise for float64")
)

// VerifyFloor re-computes the lower bound in W that c proves for p, from the raw
// channels and the formula of Certificate alone. It returns 0 for a certificate
// that is well formed and proves nothing, and an error where lengths disagree, a
// number is NaN, infinite or negative, or powers are so far above the noise (some
// 150 dB) that float64 has no digits left for it.
//
// It shares no code with Floor: users are added to the covariance by falling price,
// one Cholesky factorisation in real 2M x 2M form for each user and subband,
// O(F K (M^3 + K M^2)). Nothing cancels, so that the error is about 1e-15 times the
// largest received power over noise, and in practice less.
func VerifyFloor(p *FloorProblem, c Certificate) (lowerBoundW float64, err error) {
	users, bands := len(p.Rate), len(p.Channels)
	if bands == 0 || len(c.Prices) != users || len(c.PowersW) != users*bands {
		return 0, errCertificate
	}
	for _, v := range slices.Concat(p.Rate, c.Prices, c.PowersW) {
		if !(v >= 0) || math.IsInf(v, 1) {
			return 0, errCertificate
		}
	}
	// Prices count by their ratios alone: the largest is made 1.
	price := slices.Clone(c.Prices)
	if top := slices.Max(append(price, 0)); top > 0 {
		for k := range price {
			price[k] /= top
		}
	}
	order := make([]int, users)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(price[b], price[a]) })
	value, steepest := 0.0, 0.0
	for k, rate := range p.Rate {
		value += price[k] * rate
	}
	share := 1 / float64(bands)
	for f, h := range p.Channels {
		if h.Users != users || h.Antennas < 0 || len(h.Data) != users*h.Antennas {
			return 0, errCertificate
		}
		for _, z := range h.Data {
			if cmplx.IsNaN(z) || cmplx.IsInf(z) {
				return 0, errCertificate
			}
		}
		m := h.Antennas
		if m == 0 {
			continue
		}
		covariance := mat.NewSymDense(2*m, nil)
		for i := range 2 * m {
			covariance.SetSym(i, i, 1)
		}
		var l mat.Cholesky
		l.Factorize(covariance)
		slope := make([]float64, users)
		for i, k := range order {
			power, drop := c.PowersW[k*bands+f], price[k]
			value -= drop * share * math.Log1p(power*quadratic(&l, h.User(k)))
			x, y := embed(h.User(k))
			covariance.SymRankOne(covariance, power, x)
			covariance.SymRankOne(covariance, power, y)
			if !(mat.Max(covariance) < math.Inf(1)) || !l.Factorize(covariance) {
				return 0, errNoDigits
			}
			if i+1 < users {
				drop -= price[order[i+1]]
			}
			for _, j := range order[:i+1] {
				slope[j] += drop * share * quadratic(&l, h.User(j))
			}
		}
		for k, s := range slope {
			value += s * c.PowersW[k*bands+f]
			steepest = max(steepest, s)
		}
	}
	if math.IsNaN(value) || math.IsInf(value, 0) || math.IsInf(steepest, 1) {
		return 0, errNoDigits
	}
	if value <= leastCertified {
		return 0, nil
	}
	if bound := value / steepest; steepest > leastCertified && !math.IsInf(bound, 1) {
		return bound, nil
	}
	return 0, errNoDigits
}

// leastCertified is the least value and slope that count: below, underflow may
// have taken digits.
const leastCertified = 0x1p-1000

// embed returns the real forms of h and of i h.
func embed(h []complex128) (x, y *mat.VecDense) {
	m := len(h)
	x, y = mat.NewVecDense(2*m, nil), mat.NewVecDense(2*m, nil)
	for i, z := range h {
		x.SetVec(i, real(z))
		x.SetVec(m+i, imag(z))
		y.SetVec(i, -imag(z))
		y.SetVec(m+i, real(z))
	}
	return x, y
}

// quadratic returns h^H A^-1 h for the factor of A.
func quadratic(l *mat.Cholesky, h []complex128) float64 {
	x, _ := embed(h)
	var solved mat.VecDense
	_ = l.SolveVecTo(&solved, x) // complains of condition alone
	return mat.Dot(x, &solved)
}
