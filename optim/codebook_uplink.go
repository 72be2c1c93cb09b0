package optim

import (
	"context"
	"math"
	"slices"
)

// Symbols of the codebook files. Users are those of a target above 0. Gains and
// error variance of a user are divided by its largest gain, and its uplink power
// by what it would need alone, so that nothing but the weights depends on path
// loss:
//
//	a_kb  gain of beam b at user k; the largest over b is 1
//	g_k   SINR target         e_k  error variance, divided alike
//	o_kb  a_kb - g_k e_k, what beam b carries of user k above its errors
//	c_kb  g_k (a_kb + e_k)
//	w_k   g_k / largest gain, W: user k's power alone on its best beam
//	z_k   beam of user k
//	q_k   uplink power of user k over w_k
//	T_kb  1 + sum_{j != k} c_jb q_j, what beam b receives on the uplink of noise,
//	      errors and users other than k
//	s     miss: the factor by which noise and interference are divided
//	C     cap on sum_k w_k q_k, W
//
// The multipliers of the least-power program of beams z are, times SINR targets,
// uplink powers: they solve
//
//	s o_k,z(k) q_k = T_k,z(k),
//
// at s = 1, and sum w_k q_k is the least downlink power (duality of linear
// programs). On beam b user k would need T_kb/(s o_kb). Where no user needs less
// than q_k on any beam, q is the least over all assignments, shared beams
// included.

// Why a user may not have a beam.
const (
	noSignal  = 1 << iota // o_kb <= 0
	beyondCap             // the user alone would exceed C, or rounding hides it
	branched              // by a decision of branch and bound
)

// CodebookWorkspace is the scratch of CodebookSearch and ExactCodebook. The zero value is ready to use;
// it grows to the largest problem seen. It must not be shared between
// goroutines.
type CodebookWorkspace struct {
	n, l    int
	active  []int     // users of positive target, in the problem's numbers
	a       []float64 // [user][beam]
	g, e, w []float64
	ban     []uint8 // [user][beam]
	free    float64 // sum of the powers of users alone on their best beams
	cap     float64
	steps   int

	m    []float64 // n x n
	u    []float64 // 1/o_k,z(k)
	q, x []float64
	t    []float64 // T_kb, [user][beam]
	sum  []float64 // l

	poll Poll
	ctx  context.Context // of programs; nil: none

	// Of exchanges, see respond.
	s              float64
	inverse, heard []float64 // [column][user], [column][beam]
	gain           []float64
	holder         []int // user of each beam, or -1
}

const (
	// maxTarget is the largest SINR target worth solving for: beyond, noise and
	// errors are lost in the rounding of a user's own signal.
	maxTarget = 1e12
	// leastOwn is the least o_kb that counts, 400 dB below a user's best beam, so
	// that nothing leaves the range of float64.
	leastOwn = 1e-40
)

// load copies the users of positive target.
func (ws *CodebookWorkspace) load(p *CodebookProblem, penaltyDB float64) Status {
	ws.steps = 0
	ws.active = ws.active[:0]
	for k, g := range p.SINR {
		if g > 0 {
			ws.active = append(ws.active, k)
		}
	}
	n, l := len(ws.active), p.Beams
	ws.n, ws.l = n, l
	if l < n {
		return Unservable
	}
	ws.a, ws.ban = grow(ws.a, n*l), grow(ws.ban, n*l)
	ws.m, ws.t, ws.sum = grow(ws.m, n*n), grow(ws.t, n*l), grow(ws.sum, l)
	for _, v := range []*[]float64{&ws.g, &ws.e, &ws.w, &ws.u, &ws.q, &ws.x} {
		*v = grow(*v, n)
	}
	status := Solved
	ws.free = 0
	for i, k := range ws.active {
		if !ws.loadUser(p, i, k) {
			return Unservable
		}
		ws.free += ws.aloneW(i)
		if ws.g[i] > maxTarget || ws.w[i] == 0 {
			status = IllConditioned
		}
	}
	ws.cap = ws.free * math.Pow(10, penaltyDB/10)
	if math.IsInf(ws.cap, 1) {
		return IllConditioned
	}
	for i := range n {
		for b := range l {
			if own := ws.own(i, b); own > 0 && (own < leastOwn || own*ws.cap < ws.w[i]) {
				ws.ban[i*l+b] = beyondCap
			}
		}
	}
	return status
}

// loadUser copies user k to place i. It reports whether some beam carries more
// than the user's errors.
func (ws *CodebookWorkspace) loadUser(p *CodebookProblem, i, k int) bool {
	gain := p.Gain[k*p.Beams : (k+1)*p.Beams]
	largest := 0.0
	for _, v := range gain {
		largest = math.Max(largest, v)
	}
	if largest == 0 {
		return false
	}
	ws.g[i], ws.e[i], ws.w[i] = p.SINR[k], 0, p.SINR[k]/largest
	if p.ErrorVariance != nil {
		ws.e[i] = p.ErrorVariance[k] / largest
	}
	served := false
	for b, v := range gain {
		ws.a[i*ws.l+b] = v / largest
		ok := ws.own(i, b) > 0
		ws.ban[i*ws.l+b] = 0
		if !ok {
			ws.ban[i*ws.l+b] = noSignal
		}
		served = served || ok
	}
	return served
}

// aloneW returns the power of user k alone on its best beam.
func (ws *CodebookWorkspace) aloneW(k int) float64 { return ws.w[k] / (1 - ws.g[k]*ws.e[k]) }

// own returns o_kb.
func (ws *CodebookWorkspace) own(k, b int) float64 { return ws.a[k*ws.l+b] - ws.g[k]*ws.e[k] }

// received returns c_kb, what beam b receives of user k per unit of q_k.
func (ws *CodebookWorkspace) received(k, b int) float64 { return ws.g[k] * (ws.a[k*ws.l+b] + ws.e[k]) }

// coupling sets u_k = 1/o_k,z(k) and m = F + v u w', where F_kj = u_k c_j,z(k)
// for j != k and F_kk = 0.
func (ws *CodebookWorkspace) coupling(z []int, v float64) {
	n := ws.n
	for k, b := range z {
		u := 1 / ws.own(k, b)
		row := ws.m[k*n : (k+1)*n]
		for j := range row {
			row[j] = u * (ws.received(j, b) + v*ws.w[j])
		}
		row[k] = u * v * ws.w[k]
		ws.u[k] = u
	}
}

// eliminateShifted overwrites m with the factors of s I - m. It reports whether
// every pivot was positive.
func (ws *CodebookWorkspace) eliminateShifted(s float64) bool {
	ws.steps++
	m := ws.m[:ws.n*ws.n]
	for i := range m {
		m[i] = -m[i]
	}
	for k := range ws.n {
		m[k*ws.n+k] += s
	}
	return eliminate(m, ws.n)
}

// uplink sets q to the uplink powers of z at s. It reports false where there
// are none or they cost more than the cap. O(n^3/3).
func (ws *CodebookWorkspace) uplink(z []int, s float64) bool {
	ws.coupling(z, 0)
	if !ws.eliminateShifted(s) {
		return false
	}
	copy(ws.q, ws.u)
	substitute(ws.m, ws.n, ws.q)
	return ws.costW() <= ws.cap // false for NaN
}

// miss returns the s at which the uplink powers of z cost the cap, and sets q to
// them: root and vector of Perron of the positive matrix F + u w'/C. The targets
// can be met within the cap if and only if s <= 1.
//
// Method: x <- (s I - M)^-1 x with s = max_k (M x)_k/x_k, which falls to the
// root quadratically (Noda, Numerische Mathematik 17, 1971, from memory).
func (ws *CodebookWorkspace) miss(z []int) float64 {
	n, x := ws.n, ws.x
	for k := range x {
		x[k] = 1
	}
	s := math.Inf(1)
	for {
		ws.coupling(z, 1/ws.cap)
		next := 0.0
		for k := range n {
			next = math.Max(next, dotReal(ws.m[k*n:(k+1)*n], x)/x[k])
		}
		if !(next < s*(1-1e-12)) {
			break
		}
		s = next
		copy(ws.q, x)
		if !ws.eliminateShifted(s) {
			break // s is the root to working precision
		}
		substitute(ws.m, n, x)
		scaleBy(x, 1/slices.Max(x))
	}
	scaleBy(ws.q, ws.cap/ws.costW())
	return s
}

// receive sets t to T for the uplink powers q. It sums the others of each user
// apart, since T less the user's own part would lose digits at high targets.
// O(n l).
func (ws *CodebookWorkspace) receive() {
	n, l := ws.n, ws.l
	sum := ws.sum
	pass := func(k int) {
		row := ws.t[k*l : (k+1)*l]
		kernels.Daxpy(l, 1, sum, 1, row, 1)
		kernels.Daxpy(l, ws.g[k]*ws.q[k], ws.a[k*l:(k+1)*l], 1, sum, 1)
		if v := ws.g[k] * ws.e[k] * ws.q[k]; v > 0 {
			for b := range sum {
				sum[b] += v
			}
		}
	}
	clear(ws.t[:n*l])
	for b := range sum {
		sum[b] = 1
	}
	for k := range n {
		pass(k)
	}
	clear(sum)
	for k := n - 1; k >= 0; k-- {
		pass(k)
	}
}

// choiceMargin is the relative fall of its power for which a user changes its
// beam; smaller ones are rounding.
const choiceMargin = 1e-11

// choose gives each user the beam of least need, shared or not. It reports
// whether one changed.
func (ws *CodebookWorkspace) choose(z []int) bool {
	changed := false
	for k := range z {
		t := ws.t[k*ws.l : (k+1)*ws.l]
		least := t[z[k]] / ws.own(k, z[k]) * (1 - choiceMargin)
		for b, ban := range ws.ban[k*ws.l : (k+1)*ws.l] {
			if own := ws.own(k, b); ban == 0 && t[b] < least*own {
				least, z[k], changed = t[b]/own, b, true
			}
		}
	}
	return changed
}

// relax improves z, shared beams allowed, until it is the best there is, and
// leaves its uplink powers in q. It reports false where even the best exceeds
// the cap; proved then says that no power at all would do.
//
// Method: policy iteration. The powers of all users fall from step to step, or
// the miss does while it is above 1; 2 to 5 steps. It ends where rounding stops
// the fall too.
func (ws *CodebookWorkspace) relax(z []int) (served, proved bool) {
	last := math.Inf(1)
	for {
		ws.poll.now()
		s := 1.0
		served = ws.uplink(z, s)
		if !served {
			s = ws.miss(z)
		}
		now := s * ws.costW()
		ws.receive()
		if now >= last || !ws.choose(z) {
			return served, !served && ws.hopeless()
		}
		last = now
	}
}

// hopeless reports whether the uplink powers q prove that no assignment meets
// the targets at any power: without noise too, every beam leaves every user short
// at q (Collatz, Wielandt: the spectral radius of any F is then at least 1).
func (ws *CodebookWorkspace) hopeless() bool {
	for k, q := range ws.q {
		for b, ban := range ws.ban[k*ws.l : (k+1)*ws.l] {
			if ban&(noSignal|branched) == 0 && !(ws.own(k, b)*q <= ws.t[k*ws.l+b]-1) {
				return false
			}
		}
	}
	return true
}

// costW returns the downlink power, sum w_k q_k.
func (ws *CodebookWorkspace) costW() float64 { return dotReal(ws.w, ws.q) }

func scaleBy(v []float64, by float64) {
	for i := range v {
		v[i] *= by
	}
}
