package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

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
	c := b.crossings()
	for _, k := range v.active {
		row := all.Data[k*all.Users : (k+1)*all.Users]
		c.receive(row, b.users, r.Beams.Coefficients)
		own := slices.Index(b.users, k)
		others, q := 0.0, all.Norm2(k)
		for j, y := range c.y {
			c.power[j] = abs2(y)
			if j != own {
				others += c.power[j]
			}
			h := row[b.users[j]]
			q -= (real(y)*real(h) + imag(y)*imag(h)) * c.root[j]
		}
		q = math.Max(q, leastGain*all.Norm2(k))
		g := v.gap * math.Expm1(math.Min(v.rate[k]/share, maxNats))
		rise := m.rise[k*(n+1) : (k+1)*(n+1)]
		if own >= 0 {
			rise[0] = r.Lambda[own] * (1 + others*(1+g))
			continue
		}
		rise[0] = g / q * (1 + others/(1+g))
		optim.Combine(c.z, c.cross, c.y)
		for j, y := range c.y {
			// sum over i != j of |y_i + by_j y_j h_j^H w_i|^2
			z := c.z[j]
			without := others + c.power[j]*(c.by[j]*c.by[j]*c.received[j]-1) + 2*c.by[j]*(real(y)*real(z)+imag(y)*imag(z))
			rise[1+j] = g / (q + c.gain[j]*c.power[j]) * (1 + math.Max(without, 0)/(1+g))
		}
	}
	return m
}

// crossings are what the beams of a group of n users do to its users, and to one
// more at a time.
type crossings struct {
	root     []float64    // [place] sqrt(l_j/x_j)
	by       []float64    // [place] (1+g_j) sqrt(l_j/x_j)
	gain     []float64    // [place] (1+g_j)/x_j
	received []float64    // [place] sum over others i of |h_j^H w_i|^2
	cross    []complex128 // [i][j] conj(h_j^H w_i), 0 for i = j
	y        []complex128 // [place] h^H w_j of the one user
	power    []float64    // [place] |y_j|^2
	z        []complex128 // [place] sum over i of y_i cross_ij
	products []complex128
}

// crossings returns those of the last solve. O(n^3).
func (b *bandSolver) crossings() *crossings {
	all, r, n := &b.view.gram[b.band], &b.result, len(b.users)
	reals, complexes := make([]float64, 5*n), make([]complex128, n*n+3*n)
	c := &crossings{
		root: reals[:n], by: reals[n : 2*n], gain: reals[2*n : 3*n], received: reals[3*n : 4*n], power: reals[4*n:],
		y: complexes[:n], z: complexes[n : 2*n], products: complexes[2*n : 3*n], cross: complexes[3*n:],
	}
	for j, k := range b.users {
		more := 1 + b.sinr[j]
		x := r.SlopeSINR[j] * more * more
		c.root[j] = math.Sqrt(r.Lambda[j] / x)
		c.by[j] = more * c.root[j]
		c.gain[j] = more / x
		c.receive(all.Data[k*all.Users:(k+1)*all.Users], b.users, r.Beams.Coefficients)
		for i, y := range c.y {
			if i != j {
				c.cross[i*n+j] = complex(real(y), -imag(y))
				c.received[j] += abs2(y)
			}
		}
	}
	return c
}

// receive fills y with h^H w_j of the beams given, for a user whose products h^H h_i
// with all users are given.
func (c *crossings) receive(products []complex128, users []int, beams []complex128) {
	for i, k := range users {
		c.products[i] = products[k]
	}
	optim.Combine(c.y, beams, c.products)
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// leastGain is the part of a channel's gain that is taken to remain whatever the
// others do: there the first order says nothing.
const leastGain = 1e-6
