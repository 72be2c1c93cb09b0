package optim

import "math"

// floorRow is the row f(S) - slack = need of a set S, the prefix of a chain.
// All rows and powers follow one central path: lambda * slack = tau * weight and
// p_kf z_kf = tau c_k / F. The weights, the cost of the users named, make users
// far apart in power equally exact.
type floorRow struct {
	size   int // users of the chain's order that are in S
	key    uint64
	need   float64 // sum of R_k, nats
	weight float64 // sum of c_k
	value  float64 // f(S)
	slope  []float64

	slack, lambda   float64
	dSlack, dLambda float64
}

// scale is what a row's shortage is measured by: where rates are below a nat powers
// are about proportional to them, above they grow by as much a nat.
func (r *floorRow) scale() float64 { return math.Min(1, r.need) }

// floorChain is an order of users whose prefixes rows[first:last] are, by rising
// size; the order ends with the last.
type floorChain struct {
	order       []int
	first, last int
}

// addChain adds a chain of no rows yet over a copy of the users.
func (ws *FloorWorkspace) addChain(users []int) {
	ws.chains = extend(ws.chains)
	c := &ws.chains[len(ws.chains)-1]
	c.order = append(c.order[:0], users...)
	c.first, c.last = len(ws.rows), len(ws.rows)
}

// addRow adds the prefix of size users to the newest chain.
func (ws *FloorWorkspace) addRow(size int) *floorRow {
	c := &ws.chains[len(ws.chains)-1]
	c.last++
	ws.rows = extend(ws.rows)
	row := &ws.rows[len(ws.rows)-1]
	*row = floorRow{size: size, key: setKey(c.order[:size]), slope: grow(row.slope, ws.bands*ws.n)}
	for _, k := range c.order[:size] {
		row.need += ws.rate[k]
		row.weight += ws.cost[k]
	}
	return row
}

// extend lengthens s by one, reusing the element that was there.
func extend[T any](s []T) []T {
	if len(s) < cap(s) {
		return s[:len(s)+1]
	}
	var zero T
	return append(s, zero)
}

// setKey names a set of users whatever their order (the finaliser of
// splitmix64, summed).
func setKey(users []int) uint64 {
	sum := uint64(0)
	for _, k := range users {
		x := (uint64(k) + 1) * 0x9e3779b97f4a7c15
		x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
		x = (x ^ x>>27) * 0x94d049bb133111eb
		sum += x ^ x>>31
	}
	return sum
}

// evaluate fills the rows' values and slopes, and the gradient and Hessian of
// their weighted sum. O(F K^3/2) for each chain.
func (ws *FloorWorkspace) evaluate() {
	clear(ws.w)
	clear(ws.grad)
	for i := range ws.rows {
		ws.rows[i].value = 0
		clear(ws.rows[i].slope)
	}
	for c := range ws.chains {
		for f := range ws.bands {
			ws.evaluateChain(&ws.chains[c], f)
		}
	}
}

func (ws *FloorWorkspace) evaluateChain(c *floorChain, f int) {
	n, m := ws.n, len(c.order)
	share := 1 / float64(ws.bands)
	w := ws.w[f*n*n : (f+1)*n*n]
	grad := ws.grad[f*n : (f+1)*n]
	ws.pick(f, c.order)
	logDet := 0.0
	at := c.first
	for i, k := range c.order {
		logDet += math.Log1p(ws.pivot(i, m, ws.p[f*n+k]))
		row := &ws.rows[at]
		if row.size != i+1 {
			continue
		}
		at++
		row.value += logDet * share
		slope := row.slope[f*n : (f+1)*n]
		by := row.lambda * share
		for a, ka := range c.order[:i+1] {
			qa := ws.q[a*m : a*m+a+1]
			slope[ka] = real(qa[a]) * share
			grad[ka] += by * real(qa[a])
			for b, z := range qa {
				kb := c.order[b]
				w[max(ka, kb)*n+min(ka, kb)] += by * abs2(z)
			}
		}
	}
}

// gap returns how far the interior point is from the optimum over the rows kept:
// the larger of complementarity and residuals, in power over the power, and of what
// a row is short by, over its scale.
func (ws *FloorWorkspace) gap() float64 {
	sum, power, short := ws.residual(), 0.0, 0.0
	for i, p := range ws.p {
		power += p * ws.cost[i%ws.n]
		sum += p * ws.z[i]
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		sum += row.lambda * row.slack
		short = math.Max(short, (row.need-row.value)/row.scale())
	}
	return math.Max(sum/power, short)
}

// residual returns by how far the equations of the interior point fail, in power.
func (ws *FloorWorkspace) residual() float64 {
	sum := 0.0
	for i, p := range ws.p {
		sum += p * math.Abs(ws.cost[i%ws.n]-ws.grad[i]-ws.z[i])
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		sum += row.lambda * math.Abs(row.value-row.need-row.slack)
	}
	return sum
}

// Where complementarity falls far ahead of the residuals, which are curved, steps end
// at the bounds, and it comes back: a step shorter than shortStep is taken again,
// without the corrector, towards leastPath of the residuals at least. No source:
// without it, one solve in 400 of 6 nats a user ran in circles.
const (
	shortStep = 0.3
	leastPath = 0.1
)

// mostGrowth bounds the growth of a power in one step: far from the optimum the
// linearised rows promise more than they hold.
const mostGrowth = 30

// step takes one predictor-corrector step. It reports false when float64 gave
// out. Newton's equations, with W = minus the Hessian of sum lambda f + diag(z/p)
// and J the rows' slopes:
//
//	W dp - J^T dl           = -(c - grad - z) + (tau c/F)/p - z
//	J dp + diag(s/l) dl     = tau w/l - s - (f - need - s)
//
// W is one n x n block a subband; what couples them is solved for dl first.
// O(F (n^3/6 + rows n^2/2 + rows^2 n/2) + rows^3/6).
func (ws *FloorWorkspace) step() bool {
	if !ws.factor() {
		return false
	}
	complement, weight := 0.0, 1.0
	for i, p := range ws.p {
		complement += p * ws.z[i]
	}
	for i := range ws.rows {
		complement += ws.rows[i].lambda * ws.rows[i].slack
		weight += ws.rows[i].weight
	}
	ws.direction(0, false)
	primal, dual := ws.lengths()
	rest := 0.0
	for i, p := range ws.p {
		rest += (p + primal*ws.dp[i]) * (ws.z[i] + dual*ws.dz[i])
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		rest += (row.slack + primal*row.dSlack) * (row.lambda + dual*row.dLambda)
	}
	centre := math.Max(math.Pow(rest/complement, 3), 1e-3)
	ws.direction(centre*complement/weight, true)
	primal, dual = ws.lengths()
	if math.Min(primal, dual) < shortStep {
		ws.direction(math.Max(centre*complement, leastPath*ws.residual())/weight, false)
		primal, dual = ws.lengths()
	}
	for i, p := range ws.p {
		if primal*ws.dp[i] > mostGrowth*p {
			primal = mostGrowth * p / ws.dp[i]
		}
	}
	return ws.advance(math.Min(1, 0.99*primal), math.Min(1, 0.99*dual))
}

// factor factors W of every subband and the Schur complement
// J W^-1 J^T + diag(s/l).
func (ws *FloorWorkspace) factor() bool {
	n, m := ws.n, len(ws.rows)
	ws.schur = grow(ws.schur, m*m)
	ws.solve = grow(ws.solve, ws.bands*m*n)
	ws.right = grow(ws.right, m)
	ws.aim = grow(ws.aim, m)
	clear(ws.schur)
	for f := range ws.bands {
		w := ws.w[f*n*n : (f+1)*n*n]
		for k := range n {
			w[k*n+k] += ws.z[f*n+k] / ws.p[f*n+k]
		}
		if !choleskyReal(w, n) {
			return false
		}
		for i := range ws.rows {
			x := ws.half(f, i)
			copy(x, ws.rows[i].slope[f*n:(f+1)*n])
			choleskyForward(w, n, x)
			for j := range i + 1 {
				ws.schur[i*m+j] += dotReal(x, ws.half(f, j))
			}
		}
	}
	for i := range ws.rows {
		ws.schur[i*m+i] += ws.rows[i].slack / ws.rows[i].lambda
	}
	return choleskyReal(ws.schur, m)
}

// half returns L^-1 J_i of subband f and row i, W = L L^T.
func (ws *FloorWorkspace) half(f, i int) []float64 {
	at := (f*len(ws.rows) + i) * ws.n
	return ws.solve[at : at+ws.n]
}

// direction solves for the step to tau on the central path; a corrector takes
// the products of the step before into account.
func (ws *FloorWorkspace) direction(tau float64, corrector bool) {
	n, m := ws.n, len(ws.rows)
	share := tau / float64(ws.bands)
	for i, p := range ws.p {
		c := ws.cost[i%n]
		aim := share * c
		if corrector {
			aim -= ws.dp[i] * ws.dz[i]
		}
		ws.aimP[i] = aim
		ws.dp[i] = aim/p - (c - ws.grad[i])
	}
	for f := range ws.bands {
		choleskyForward(ws.w[f*n*n:(f+1)*n*n], n, ws.dp[f*n:(f+1)*n])
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		aim := tau * row.weight
		if corrector {
			aim -= row.dLambda * row.dSlack
		}
		ws.aim[i] = aim
		b := aim/row.lambda - (row.value - row.need)
		for f := range ws.bands {
			b -= dotReal(ws.half(f, i), ws.dp[f*n:(f+1)*n])
		}
		ws.right[i] = b
	}
	choleskySubstitute(ws.schur, m, ws.right)
	for f := range ws.bands {
		d := ws.dp[f*n : (f+1)*n]
		for i, l := range ws.right[:m] {
			for k, x := range ws.half(f, i) {
				d[k] += x * l
			}
		}
		choleskyBack(ws.w[f*n*n:(f+1)*n*n], n, d)
	}
	for i, p := range ws.p {
		ws.dz[i] = (ws.aimP[i]-ws.z[i]*ws.dp[i])/p - ws.z[i]
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		row.dLambda = ws.right[i]
		row.dSlack = (ws.aim[i]-row.slack*row.dLambda)/row.lambda - row.slack
	}
}

// lengths returns the longest primal and dual steps, at most 1, that keep every
// variable >= 0.
func (ws *FloorWorkspace) lengths() (primal, dual float64) {
	primal, dual = 1, 1
	for i, p := range ws.p {
		primal = stepWithin(primal, p, ws.dp[i])
		dual = stepWithin(dual, ws.z[i], ws.dz[i])
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		primal = stepWithin(primal, row.slack, row.dSlack)
		dual = stepWithin(dual, row.lambda, row.dLambda)
	}
	return primal, dual
}

func stepWithin(length, x, dx float64) float64 {
	if x+length*dx < 0 {
		return -x / dx
	}
	return length
}

// advance takes the step. It reports whether every variable is still positive
// and finite.
func (ws *FloorWorkspace) advance(primal, dual float64) bool {
	ok := true
	for i := range ws.p {
		ws.p[i] += primal * ws.dp[i]
		ws.z[i] += dual * ws.dz[i]
		ok = ok && positive(ws.p[i]) && positive(ws.z[i])
	}
	for i := range ws.rows {
		row := &ws.rows[i]
		row.slack += primal * row.dSlack
		row.lambda += dual * row.dLambda
		ok = ok && positive(row.slack) && positive(row.lambda)
	}
	return ok
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }
