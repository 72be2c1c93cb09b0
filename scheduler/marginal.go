package scheduler

import "math"

// marginals are what a group of n users would take more or less with one user
// more or less in it, W while on the air, each to first order in what the user
// does to the others.
type marginals struct {
	n    int
	rise []float64 // [user][1 + place in the group]
}

// alone returns what the group would take more with user k in it; for the users
// in it what it would take less without them.
func (m *marginals) alone(k int) float64 { return m.rise[k*(m.n+1)] }

// instead returns what the group without the user in a place would take more with
// user k, who is not in it.
func (m *marginals) instead(k, place int) float64 { return m.rise[k*(m.n+1)+1+place] }

// marginals returns those of the group of the last solve, in a share of the slot
// on this one subband. O(K n^2).
//
// In the uplink a user outside needs the power l = g/q, q = h^H A^-1 h,
// A = I + H L H^H. As noise of covariance l h h^H it raises the others' power, to
// first order in l, by l sum_j |h^H w_j|^2 in all, w_j the downlink beams, which
// are the duals of the uplink's targets. But the receivers steer clear of it: A^-1
// changes by l/(1 + l q) A^-1 h h^H A^-1, less than to first order by 1 + l q =
// 1 + g. For a user inside l q = g/(1+g), and without it A^-1 changes by 1 + g more.
//
// The beams are w_j = sqrt(x_j l_j) A^-1 h_j, x_j the downlink scale of optim. So
// without user j q is more by (1+g_j) |h^H w_j|^2/x_j, and h^H w_i by
// (1+g_j) sqrt(l_j/x_j) h^H w_j h_j^H w_i.
func (b *bandSolver) marginals(share float64) *marginals {
	v := b.view
	all, r := &v.gram[b.band], &b.result
	n := len(b.users)
	m := &marginals{n, make([]float64, len(v.slot.Users)*(n+1))}
	root := make([]float64, n) // sqrt(l_j/x_j)
	for j := range n {
		g := b.sinr[j]
		root[j] = math.Sqrt(r.Lambda[j]/r.SlopeSINR[j]) / (1 + g)
	}
	inside := make([]int, len(v.slot.Users)) // place in the group and 1
	got := make([]complex128, (n+1)*n)       // [place]h^H w_j; last of a user outside
	for i, k := range b.users {
		inside[k] = i + 1
		b.received(got[i*n:(i+1)*n], k)
	}
	for _, k := range v.active {
		own := inside[k]
		at := n
		if own > 0 {
			at = own - 1
		}
		y := got[at*n : (at+1)*n]
		if own == 0 {
			b.received(y, k)
		}
		row := all.Data[k*all.Users:]
		others, q := 0.0, all.Norm2(k)
		for c, y := range y {
			if own != c+1 {
				others += abs2(y)
			}
			h := row[b.users[c]]
			q -= (real(y)*real(h) + imag(y)*imag(h)) * root[c]
		}
		q = math.Max(q, leastGain*all.Norm2(k))
		g := v.gap * math.Expm1(math.Min(v.rate[k]/share, maxNats))
		rise := m.rise[k*(n+1) : (k+1)*(n+1)]
		if own > 0 {
			rise[0] = r.Lambda[own-1] * (1 + others*(1+g))
			continue
		}
		rise[0] = g / q * (1 + others/(1+g))
		for j := range n {
			more := 1 + b.sinr[j]
			by := scale(y[j], more*root[j])
			others := 0.0
			for i, z := range got[j*n : (j+1)*n] {
				if i != j {
					others += abs2(y[i] + by*z)
				}
			}
			q := q + more*abs2(y[j])*root[j]*root[j]/r.Lambda[j]
			rise[1+j] = g / q * (1 + others/(1+g))
		}
	}
	return m
}

// received fills out with h_k^H w_j of the group's beams.
func (b *bandSolver) received(out []complex128, k int) {
	all, n := &b.view.gram[b.band], len(b.users)
	clear(out)
	row := all.Data[k*all.Users:]
	for i, j := range b.users {
		h := row[j]
		for c, w := range b.result.Beams.Coefficients[i*n : (i+1)*n] {
			out[c] += h * w
		}
	}
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func scale(z complex128, by float64) complex128 { return complex(real(z)*by, imag(z)*by) }

// leastGain is the part of a channel's gain that is taken to remain whatever the
// others do: there the first order says nothing.
const leastGain = 1e-6
