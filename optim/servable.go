package optim

import (
	"math"
	"slices"
)

// rankPrefixes orders the active users by falling uplink SNR l_k G_kk, which does
// not depend on path gains, and fills ranks with the rank of the channels of
// each prefix. It reports whether all are independent.
// O(n^3/6) complex multiply-adds.
func (ws *Workspace) rankPrefixes(n int) bool {
	ws.order = grow(ws.order, n)
	ws.ranks = grow(ws.ranks, n)
	for i := range n {
		ws.order[i] = i
		ws.y[i] = ws.t[i] + math.Log(real(ws.g[i*n+i]))
	}
	slices.SortFunc(ws.order, func(i, j int) int {
		switch {
		case ws.y[i] > ws.y[j]:
			return -1
		case ws.y[i] < ws.y[j]:
			return 1
		}
		return i - j
	})
	// Cholesky of G in this order; a user whose channel lies in the span of
	// those before it has no pivot and adds no column.
	ws.pivot = grow(ws.pivot, n*n)
	l := ws.pivot
	rank := 0
	for a, i := range ws.order {
		row := l[a*n : a*n+n]
		col := 0
		for b := range a {
			if !ws.hasPivot(b) {
				continue
			}
			z := ws.g[i*n+ws.order[b]]
			for c := range col {
				z -= row[c] * conj(l[b*n+c])
			}
			row[col] = scaled(z, 1/real(l[b*n+col]))
			col++
		}
		norm := real(ws.g[i*n+i])
		left := norm - norm2(row[:col])
		if left > rankTolerance*norm {
			row[col] = sqrtComplex(left)
			rank++
		}
		ws.ranks[a] = rank
	}
	return rank == n
}

// hasPivot reports whether the user at place b of the order added to the rank.
func (ws *Workspace) hasPivot(b int) bool {
	if b == 0 {
		return ws.ranks[0] == 1
	}
	return ws.ranks[b] > ws.ranks[b-1]
}

// violatedPrefix returns the length of the shortest prefix S of the order with
// sum_{k in S} g_k/(1+g_k) >= rank(H_S), or 0. Such a subset proves that the
// targets cannot be met at any power: for uplink powers q the sum equals
// tr(A^-1 (A - I)) < rank(H_S) (Hunger, Joham, IEEE Trans. SP 58(7), 2010).
func (ws *Workspace) violatedPrefix(n int) int {
	sum := 0.0
	for a, i := range ws.order[:n] {
		g := ws.sinr[i]
		sum += g / (1 + g)
		if sum >= float64(ws.ranks[a]) {
			return a + 1
		}
	}
	return 0
}

// violated reports whether a prefix of the order is violated, and notes its
// users.
func (ws *Workspace) violated(n int, r *Result) bool {
	prefix := ws.violatedPrefix(n)
	for _, i := range ws.order[:prefix] {
		r.Violated = append(r.Violated, ws.active[i])
	}
	return prefix > 0
}

// costly tells a group that cannot be served from one whose power is beyond what
// float64 can tell.
func (ws *Workspace) costly(n int, r *Result) Status {
	if !ws.rankPrefixes(n) && ws.violated(n, r) {
		return Unservable
	}
	return IllConditioned
}
