package scheduler

import "math"

// marginals returns, by user, what the group of the last solve would take more
// with that user in it; for the users in it what it would take less without them.
// They are on the air in a share of the slot, on this one subband. To first order
// in what the user does to the others. O(K n^2).
//
// In the uplink a user outside needs the power l = g/q, q = h^H A^-1 h,
// A = I + H L H^H. As noise of covariance l h h^H it raises the others' power, to
// first order in l, by l sum_j |h^H w_j|^2 in all, w_j the downlink beams, which
// are the duals of the uplink's targets. But the receivers steer clear of it: A^-1
// changes by l/(1 + l q) A^-1 h h^H A^-1, less than to first order by 1 + l q =
// 1 + g. For a user inside l q = g/(1+g), and without it A^-1 changes by 1 + g more.
func (b *bandSolver) marginals(share float64) []float64 {
	v := b.view
	all, r := &v.gram[b.band], &b.result
	n := len(b.users)
	out := make([]float64, len(v.slot.Users))
	root := make([]float64, n) // sqrt(l_j/x_j), x_j the downlink scale of optim
	for j := range n {
		g := b.sinr[j]
		root[j] = math.Sqrt(r.Lambda[j]/r.SlopeSINR[j]) / (1 + g)
	}
	inside := make([]int, len(out)) // place in the group and 1
	for i, k := range b.users {
		inside[k] = i + 1
	}
	got := make([]complex128, n) // h_k^H w_j
	for _, k := range v.active {
		clear(got)
		row := all.Data[k*all.Users:]
		for i, j := range b.users {
			h := row[j]
			for c, w := range r.Beams.Coefficients[i*n : (i+1)*n] {
				got[c] += h * w
			}
		}
		others, q := 0.0, all.Norm2(k)
		for c, y := range got {
			if inside[k] != c+1 {
				others += real(y)*real(y) + imag(y)*imag(y)
			}
			h := row[b.users[c]]
			q -= (real(y)*real(h) + imag(y)*imag(h)) * root[c]
		}
		g := v.gap * math.Expm1(math.Min(v.rate[k]/share, maxNats))
		if i := inside[k]; i > 0 {
			out[k] = r.Lambda[i-1] * (1 + others*(1+g))
		} else {
			out[k] = g / math.Max(q, leastGain*all.Norm2(k)) * (1 + others/(1+g))
		}
	}
	return out
}

// leastGain is the part of a channel's gain that is taken to remain whatever the
// others do: there the first order says nothing.
const leastGain = 1e-6
