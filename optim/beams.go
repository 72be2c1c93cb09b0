package optim

import (
	"math"
	"math/cmplx"
)

// Beams are K beams in the span of the group's channels: w_j = sum_i h_i C_ij, in
// the root of W, or of unit power where that is said. Optimal beams lie in it, as
// anything outside would cost power and reach nobody. They need no antennas until
// weights are formed.
type Beams struct {
	Users        int          // K
	Coefficients []complex128 // C, K x K, [i][j]: column j is beam j
	Poll         Poll         // while beams are formed
}

// Weights fills dst, K x M in the order [user][antenna], with the beams'
// weights over the channel h they were made for. It panics when dst is too short or
// h has other users. O(K^2 M).
func (b *Beams) Weights(dst []complex128, h Channel) {
	m := h.Antennas
	n := b.Users
	var c [64]complex128
	column := grow(c[:0], n)
	for j := range n {
		for i := range column {
			column[i] = b.Coefficients[i*n+j]
		}
		Combine(dst[j*m:(j+1)*m], h.Data, column)
	}
}

// Gains fills dst, K x K in the order [user][beam], with |h_k^H w_j|^2 =
// |(G C)_kj|^2 for the Gram matrix they were made for: powers over noise, or for beams
// of unit power gains in 1/W. It panics when dst is too short. O(K^3).
func (b *Beams) Gains(dst []float64, g *Gram) {
	n := b.Users
	for k := range n {
		for j := range n {
			var z complex128
			for i := range n {
				z += g.Data[k*n+i] * b.Coefficients[i*n+j]
			}
			dst[k*n+j] = abs2(z)
		}
	}
}

// normalize scales every beam to unit power. It reports false when a beam has
// none, or when its parts cancel so far that float64 no longer tells its power
// to cancelTolerance. O(K^3).
func (b *Beams) normalize(g *Gram) bool {
	n := b.Users
	for j := range n {
		power, parts := 0.0, 0.0
		for k := range n {
			ck := b.Coefficients[k*n+j]
			var z complex128
			for i := range n {
				z += g.Data[k*n+i] * b.Coefficients[i*n+j]
			}
			power += real(conj(ck) * z)
			parts += math.Sqrt(abs2(ck) * g.Norm2(k))
		}
		if !(power > 0) || math.IsInf(power, 1) || !(0x1p-52*parts*parts <= cancelTolerance*power) {
			return false
		}
		b.scaleBeam(j, 1/math.Sqrt(power))
	}
	return true
}

const cancelTolerance = 1e-7 // relative error of a beam's power

// SetPowers scales unit-power beams to the K powers given, in W, >= 0. O(K^2).
func (b *Beams) SetPowers(powerW []float64) {
	for j, p := range powerW {
		b.scaleBeam(j, math.Sqrt(p))
	}
}

func (b *Beams) scaleBeam(j int, by float64) {
	for i := range b.Users {
		b.Coefficients[i*b.Users+j] = scaled(b.Coefficients[i*b.Users+j], by)
	}
}

func (b *Beams) reset(users int) {
	b.Users = users
	b.Coefficients = grow(b.Coefficients, users*users)
	clear(b.Coefficients)
}

// Matched fills b with unit-power beams along each user's own channel,
// w_k = h_k / ||h_k||: most power to the user, whatever the others hear. It returns
// Solved, or BadInput for a zero channel. O(K^2).
func (b *Beams) Matched(g *Gram) Status {
	if !g.valid() {
		return BadInput
	}
	b.reset(g.Users)
	for k := range g.Users {
		n := g.Norm2(k)
		if !(n > 0) || math.IsInf(n, 1) {
			return BadInput
		}
		b.Coefficients[k*g.Users+k] = complex(1/math.Sqrt(n), 0)
	}
	return Solved
}

// ZeroForcing fills b with unit-power beams that are null at every other user:
// the normalised columns of H (H^H H)^-1. Statuses are those of Regularized;
// Unservable when the channels are linearly dependent. O(K^3).
func (b *Beams) ZeroForcing(g *Gram) Status { return b.Regularized(g, 0) }

// Regularized fills b with the normalised columns of H (H^H H + D)^-1, where
// D = alpha * diag(||h_k||^2) is relative to the channels' strength, so that
// users far apart in path loss are regularised alike. alpha = 0 is zero
// forcing; alpha to infinity is matched. It returns Unservable when alpha is 0
// and the channels are linearly dependent, IllConditioned when they are so nearly
// that the beams are lost in rounding, and BadInput for a zero channel, numbers
// that are not finite and a negative alpha. O(K^3).
func (b *Beams) Regularized(g *Gram, alpha float64) Status {
	if !g.valid() || !finiteNonNegative(alpha) || !allFinite(g.Data) {
		return BadInput
	}
	b.Poll.now()
	n := g.Users
	b.reset(n)
	// Scaled to unit diagonal: S (G_s + alpha I)^-1, G_s = S G S, S = diag(1/||h||).
	scale := make([]float64, n)
	for k := range n {
		scale[k] = 1 / math.Sqrt(g.Norm2(k))
		if !(scale[k] > 0) || math.IsInf(scale[k], 1) {
			return BadInput
		}
	}
	a := make([]complex128, n*n)
	for k := range n {
		for j := range k {
			a[k*n+j] = scaled(g.At(k, j), scale[k]*scale[j])
		}
		a[k*n+k] = complex(1+alpha, 0)
	}
	inv := make([]float64, n)
	if !choleskyHermitian(a, n, inv, b.Poll) {
		return Unservable
	}
	for _, v := range inv {
		if v*v*rankTolerance > 1 { // a pivot lost in rounding
			return Unservable
		}
	}
	invertHermitian(b.Coefficients, a, make([]complex128, n*n), n, inv, b.Poll)
	for k := range n {
		for j := range n {
			b.Coefficients[k*n+j] = scaled(b.Coefficients[k*n+j], scale[k])
		}
	}
	if !b.normalize(g) {
		return IllConditioned
	}
	for _, z := range b.Coefficients {
		if cmplx.IsNaN(z) {
			return IllConditioned
		}
	}
	return Solved
}

// BestRegularized fills b with the regularised beams of least total power for
// the targets, found over alpha to about 1 % of log alpha, and returns the
// regularisation used, 0 unless Solved. The optimum over alpha is that of a
// single number only: optimal beams need one number per user (Bjornson, Bengtsson,
// Ottersten, IEEE SP Magazine 31(4), 2014).
//
// sinr and errorVariance are as in FixedProblem. It returns Unservable when none
// of the regularisations tried, 80 dB below to 20 dB above the channels, meets the
// targets, which is no proof that others do not, and BadInput. O(K^3) for each of
// some 30 regularisations.
func (b *Beams) BestRegularized(g *Gram, sinr, errorVariance []float64) (alpha float64, status Status) {
	if b.Regularized(g, 1) == BadInput {
		return 0, BadInput
	}
	gains := make([]float64, g.Users*g.Users)
	var res PowerResult
	power := func(logAlpha float64) float64 {
		if b.Regularized(g, math.Exp(logAlpha)) != Solved {
			return math.Inf(1)
		}
		b.Gains(gains, g)
		p := FixedProblem{Users: g.Users, Gain: gains, SINR: sinr, ErrorVariance: errorVariance}
		if (Direct{}).Solve(&p, &res) != Solved {
			return math.Inf(1)
		}
		return res.PowerW
	}
	if power(0); res.Status == BadInput {
		return 0, BadInput
	}
	// Scan 1e-8 to 1e2 by half decades, then shrink around the best.
	step := math.Ln10 / 2
	best, least := 0.0, math.Inf(1)
	for i := -16; i <= 4; i++ {
		if p := power(float64(i) * step); p < least {
			best, least = float64(i)*step, p
		}
	}
	if math.IsInf(least, 1) {
		return 0, Unservable
	}
	for step /= 2; step > 0.01; step /= 2 {
		for _, at := range []float64{best - step, best + step} {
			if p := power(at); p < least {
				best, least = at, p
			}
		}
	}
	alpha = math.Exp(best)
	return alpha, b.Regularized(g, alpha)
}
