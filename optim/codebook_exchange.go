package optim

import "math"

// An exchange changes the rows of one or two users in F and u. With
// N = (s I - F)^-1, a new row k that falls short by r_k = u'_k + F'_k q - s q_k
// changes q by N y, where y is zero but for the changed rows and
//
//	D y = r,  D_ki = (s e_k - F'_k) N e_i,
//
// over those rows (Woodbury's identity), so that the change of power is w'N y.
// The targets can still be met if and only if D N^-1, over those rows, is an
// M-matrix.

// exchange gives beam b to user k, and beam c to user j, the one that had b;
// j < 0 where b was free.
type exchange struct{ k, b, j, c int }

// exchangeMargin is the relative fall in power for which beams are exchanged.
const exchangeMargin = 1e-9

// improve exchanges beams of the assignment z, all distinct, while the power
// falls or, where the targets cannot be met within the cap, the miss. It reports
// whether they can be met in the end, and leaves the uplink powers in q.
//
// The best exchange is taken each time. Only those are tried where some user
// takes a beam on which it would need less than q_k: by any other, all powers
// would rise.
func (ws *CodebookWorkspace) improve(z []int) bool {
	last := math.Inf(1)
	for {
		ws.poll.now()
		s := 1.0
		served := ws.uplink(z, s)
		if !served {
			s = ws.miss(z)
		}
		now := s * ws.costW() // as in relax; rounding may stop its fall
		if !(now < last) || !ws.exchange(z, s) {
			ws.uplink(z, s)
			return served
		}
		last = now
	}
}

// exchange makes the best exchange at s. It reports false when there is none.
// O(n^3 + n^2 l) and O(1) for each exchange tried.
func (ws *CodebookWorkspace) exchange(z []int, s float64) bool {
	power := ws.costW() // at the miss, the cap
	ws.receive()
	ws.respond(z, s)
	best := ws.bestExchange(z)
	if best.k < 0 {
		return false
	}
	back := ws.swap(z, best)
	if ws.uplink(z, s) && ws.costW() < power*(1-exchangeMargin) {
		return true
	}
	ws.swap(z, back)
	return false
}

// swap makes an exchange and returns the one that takes it back.
func (ws *CodebookWorkspace) swap(z []int, x exchange) exchange {
	back := exchange{x.k, z[x.k], x.j, -1}
	z[x.k] = x.b
	if x.j >= 0 {
		back.c, z[x.j] = z[x.j], x.c
	}
	return back
}

// respond prepares the changes of z at s: inverse holds N by columns, heard[i][b]
// is sum_j c_jb N_ji, and gain[i] is w'N e_i. O(n^3 + n^2 l).
func (ws *CodebookWorkspace) respond(z []int, s float64) {
	n, l := ws.n, ws.l
	ws.s = s
	ws.coupling(z, 0)
	ws.eliminateShifted(s)
	ws.inverse, ws.heard, ws.gain = grow(ws.inverse, n*n), grow(ws.heard, n*l), grow(ws.gain, n)
	for i := range n {
		ws.poll.step(n)
		column := ws.inverse[i*n : (i+1)*n]
		clear(column)
		column[i] = 1
		substitute(ws.m, n, column)
		errors := 0.0
		for j, v := range column {
			errors += ws.g[j] * ws.e[j] * v
		}
		heard := ws.heard[i*l : (i+1)*l]
		for b := range heard {
			heard[b] = errors
		}
		for j, v := range column {
			kernels.Daxpy(l, ws.g[j]*v, ws.a[j*l:(j+1)*l], 1, heard, 1)
		}
		ws.gain[i] = dotReal(ws.w, column)
	}
}

// short returns r_k for beam b of user k.
func (ws *CodebookWorkspace) short(k, b int) float64 {
	return ws.t[k*ws.l+b]/ws.own(k, b) - ws.s*ws.q[k]
}

// d returns D_ki for beam b of user k.
func (ws *CodebookWorkspace) d(k, b, i int) float64 {
	n := ws.inverse[i*ws.n+k]
	return ws.s*n - (ws.heard[i*ws.l+b]-ws.received(k, b)*n)/ws.own(k, b)
}

// rise returns by how much the power rises when user k moves to beam b. It reports
// false when the targets can no longer be met.
func (ws *CodebookWorkspace) rise(k, b int) (float64, bool) {
	d := ws.d(k, b, k)
	return ws.gain[k] * ws.short(k, b) / d, d > 0
}

// riseOfTwo is rise where user k moves to beam b and user j to beam c.
func (ws *CodebookWorkspace) riseOfTwo(k, b, j, c int) (float64, bool) {
	n := ws.n
	kk, kj, jk, jj := ws.d(k, b, k), ws.d(k, b, j), ws.d(j, c, k), ws.d(j, c, j)
	det := kk*jj - kj*jk
	feasible := det > 0 && kk*ws.inverse[j*n+j]-kj*ws.inverse[k*n+j] > 0
	rk, rj := ws.short(k, b), ws.short(j, c)
	return (ws.gain[k]*(rk*jj-kj*rj) + ws.gain[j]*(kk*rj-rk*jk)) / det, feasible
}

// bestExchange returns the exchange of the largest fall, k < 0 where none falls.
func (ws *CodebookWorkspace) bestExchange(z []int) exchange {
	n, l := ws.n, ws.l
	ws.holder = grow(ws.holder, l)
	for b := range ws.holder {
		ws.holder[b] = -1
	}
	for k, b := range z {
		ws.holder[b] = k
	}
	best, least := exchange{k: -1}, 0.0
	try := func(x exchange, rise float64, ok bool) {
		if ok && rise < least {
			best, least = x, rise
		}
	}
	for k := range n {
		most := ws.s * ws.q[k] * (1 - choiceMargin)
		for b, ban := range ws.ban[k*l : (k+1)*l] {
			if ban != 0 || b == z[k] || ws.t[k*l+b] >= most*ws.own(k, b) {
				continue
			}
			j := ws.holder[b]
			if j < 0 {
				rise, ok := ws.rise(k, b)
				try(exchange{k, b, -1, -1}, rise, ok)
				continue
			}
			for c, ban := range ws.ban[j*l : (j+1)*l] {
				if ban == 0 && (ws.holder[c] < 0 || c == z[k]) {
					rise, ok := ws.riseOfTwo(k, b, j, c)
					try(exchange{k, b, j, c}, rise, ok)
				}
			}
		}
	}
	return best
}
