package optim

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"
)

// Symbols of the floor's files; users are those of positive rate, sorted by
// falling price where a prefix is meant:
//
//	R_k   rate of user k in nats per use, mean over the subbands
//	h_kf  noise-normalised channel of user k on subband f (a column)
//	p_kf  uplink power in W     m_k  price in W per nat and use
//	S     a set of users; S_i the first i of an order
//	f(S)  (1/F) sum_f log det(I + sum_{k in S} p_kf h_kf h_kf^H)
//	Q     h_j^H (I + sum_{k in S} p_k h_k h_k^H)^-1 h_l, K x K, one a subband:
//	      the gradient of f(S) in p_jf is Q_jj/F, its Hessian -|Q_jl|^2/F
//	u_k   power of user k alone on the air, the unit of p_kf
//	c_k   u_k / sum u_k: what a unit of p_kf costs; costs sum to one

// FloorProblem asks what physics permits: the least radiated power with which
// any transmit scheme at all, linear or not, with any grouping of users in time,
// carries the rates over the channel, taken as exact.
type FloorProblem struct {
	// Channels holds the noise-normalised channel of every subband, K x M. The
	// noise is that of the subband, noise_k / F where it is spread evenly: with
	// the noise of the whole band the bound would be F times too high, and no
	// bound at all.
	Channels []Channel
	// Grams holds the Gram matrices of Channels where the caller has them; nil
	// means that they are computed. Solve reads nothing else of the channel, so
	// that Channels may then be left out.
	Grams []Gram
	// Rate holds the K rates in nats per use, means over the subbands, >= 0.
	Rate []float64
}

// Certificate proves a lower bound on radiated power: with Prices m (W per nat
// and use, K of them) and PowersW p (W, [user][subband]), all >= 0, and
// m_(1) >= m_(2) >= ... the prices in falling order, no scheme radiates less than
//
//	(m.R - V(p) + grad V(p).p) / max_kf dV/dp_kf,
//	V(p) = sum_i (m_(i) - m_(i+1)) f(S_i),  m_(K+1) = 0.
//
// See Floor for why. VerifyFloor re-computes it.
type Certificate struct {
	Prices  []float64
	PowersW []float64
}

// Floor finds the least radiated power that physics permits, with a certificate
// of it. The zero value is ready to use.
//
// The bound. A broadcast channel carries the rates R with mean power P if and
// only if the uplink (multiple-access) channel of the same vectors does with
// powers of sum P (Vishwanath, Jindal, Goldsmith, IEEE Trans. IT 49(10), 2003),
// and what it carries so is all that any scheme can (Weingarten, Steinberg,
// Shamai, IEEE Trans. IT 52(9), 2006; both cited from memory). Sharing time
// between schemes adds nothing, as the set of (R, p) that the uplink carries is
// convex. So the floor is
//
//	min sum_kf p_kf   s.t.  f(S) >= sum_{k in S} R_k for each set S of users.
//
// Let prices m >= 0 be given. Weigh the rows of the sets S_i with m_(i) -
// m_(i+1) >= 0: for powers q that satisfy them, V(q) >= sum_i (m_(i) - m_(i+1))
// R(S_i) = m.R. V is concave, so for any p >= 0
//
//	m.R <= V(q) <= V(p) + grad V(p).(q - p)
//	            <= V(p) - grad V(p).p + max_kf dV/dp_kf * sum_kf q_kf,
//
// and dividing by the maximum bounds sum q below: the certificate. At the
// optimum it is tight: m are the multipliers and p the powers.
//
// Method. Of the 2^K - 1 rows, the prefixes of one order and whatever sets were
// found violated are kept. The first order is one of successive decoding, whose
// powers and prices are closed forms. A primal-dual interior-point method
// (Mehrotra, SIAM J. Optim. 2(4), 1992) solves for the rows kept. Users sorted by
// price fall into blocks of one price; in each the base of least norm (Wolfe, Math.
// Programming 11, 1976; Fujishige, Submodular Functions and Optimization; all from
// memory) either names a violated set, which joins the rows, or the orders of
// decoding that share the time: a point that the uplink carries, and so an upper
// bound on the floor.
//
// Float64 has too few digits where a user's gain is cut by the others' interference
// by more than some 90 dB: rates of 6 nats for 4 users on one antenna, 8 on two. The
// status is IllConditioned then, and the bound stands.
//
// Complexity: O(F K^3) for each set found and step; 0 to 10 steps are common, tens
// in line of sight and in clusters of 16 users. A solve with a used workspace and
// result of the same size allocates nothing.
type Floor struct {
	// Tolerance is the gap between UpperBoundW and LowerBoundW, over LowerBoundW,
	// at which the solve ends. 0 means 1e-4.
	Tolerance float64
	// MaxSteps bounds the interior-point steps. 0 means 200.
	MaxSteps int
	// Stop, where not nil, is asked as often as the context, and ends the solve with
	// TimeLimit.
	Stop func() bool
}

const (
	defaultFloorTolerance = 1e-4
	defaultFloorSteps     = 200
	looseTarget           = 0.3 // gap at which the first sets are looked for
)

// FloorResult is what Floor found. Slices are overwritten by the next solve.
type FloorResult struct {
	Status Status
	Steps  int // interior-point steps

	// LowerBoundW is proved by Certificate, whatever the status; 0 when nothing
	// is proved. It is what the certificate comes to less an allowance for
	// rounding, 7e-15 K times the largest factor by which a user's channel gain is
	// cut by the others' interference (more where rates are of many nats).
	LowerBoundW float64
	Certificate Certificate
	// UpperBoundW is the power of the best point found that carries the rates;
	// +Inf when there is none. The floor lies between the two.
	UpperBoundW float64
}

func (r *FloorResult) reset(users, bands int) {
	*r = FloorResult{
		UpperBoundW: math.Inf(1),
		Certificate: Certificate{grow(r.Certificate.Prices, users), grow(r.Certificate.PowersW, users*bands)},
	}
	clear(r.Certificate.Prices)
	clear(r.Certificate.PowersW)
}

// Solve solves p into r and returns r.Status: Solved when the gap is within the
// tolerance; StepLimit, TimeLimit or Cancelled when it was cut short and
// IllConditioned when float64 gave out, in each case with the best certificate
// so far; Unservable when a user with a rate has a zero channel; BadInput.
// start, which may be nil, is a certificate to start from, such as that of the
// last slot or the prices and uplink powers of a plan. The context is asked once
// a step. Its deadline decides only when to stop.
func (fl *Floor) Solve(ctx context.Context, p *FloorProblem, start *Certificate, ws *FloorWorkspace, r *FloorResult) Status {
	bands := max(len(p.Channels), len(p.Grams))
	r.reset(len(p.Rate), bands)
	if !p.valid(start) {
		r.Status = BadInput
		return r.Status
	}
	if r.Status = ws.load(p); r.Status != NotRun {
		if r.Status == Solved {
			r.UpperBoundW = 0
		}
		return r.Status
	}
	r.Status = fl.descend(ctx, start, ws, r)
	ws.store(r)
	return r.Status
}

// descend runs steps until the gap is closed or something gives out.
func (fl *Floor) descend(ctx context.Context, start *Certificate, ws *FloorWorkspace, r *FloorResult) Status {
	tolerance := orDefault(fl.Tolerance, defaultFloorTolerance)
	maxSteps := int(orDefault(float64(fl.MaxSteps), defaultFloorSteps))
	ws.begin(start)
	target := looseTarget
	for ws.upper-ws.lower > tolerance*ws.lower {
		if r.Steps == maxSteps {
			return StepLimit
		}
		if s := fl.stopped(ctx); s != NotRun {
			return s
		}
		r.Steps++
		if !ws.step() {
			return IllConditioned
		}
		ws.evaluate()
		ws.certify()
		gap := ws.gap()
		if !(gap <= target) {
			continue
		}
		violation := ws.separate(func() bool { return fl.stopped(ctx) != NotRun }, target)
		if violation > 0 {
			target = math.Min(looseTarget, violation/4)
		} else if gap < tolerance/4 && ws.rounding > tolerance/4 {
			return IllConditioned // no step can close the gap
		} else {
			target /= 10
		}
		target = math.Max(target, tolerance/100)
	}
	return Solved
}

// stopped returns NotRun while Stop and ctx allow to go on. The deadline is read off the
// clock: its timer may be late on a busy core.
func (fl *Floor) stopped(ctx context.Context) Status {
	if fl.Stop != nil && fl.Stop() {
		return TimeLimit
	}
	if deadline, ok := ctx.Deadline(); ok && !time.Now().Before(deadline) {
		return TimeLimit
	}
	switch ctx.Err() {
	case nil:
		return NotRun
	case context.DeadlineExceeded:
		return TimeLimit
	}
	return Cancelled
}

// valid reports whether lengths agree and numbers are finite.
func (p *FloorProblem) valid(start *Certificate) bool {
	k, bands := len(p.Rate), max(len(p.Channels), len(p.Grams))
	if bands == 0 || p.Channels != nil && len(p.Channels) != bands || p.Grams != nil && len(p.Grams) != bands {
		return false
	}
	for _, h := range p.Channels {
		if h.Users != k || h.Antennas < 0 || len(h.Data) != k*h.Antennas || !allFinite(h.Data) {
			return false
		}
	}
	for i := range p.Grams {
		g := &p.Grams[i]
		if g.Users != k || !g.valid() || !allFinite(g.Data) {
			return false
		}
		for j := range k {
			if g.Norm2(j) < 0 {
				return false
			}
		}
	}
	if !allFiniteNonNegative(p.Rate) {
		return false
	}
	return start == nil || len(start.Prices) == k && len(start.PowersW) == k*bands &&
		allFiniteNonNegative(start.Prices) && allFiniteNonNegative(start.PowersW)
}

func allFinite(data []complex128) bool {
	for _, z := range data {
		if s := real(z) - real(z) + imag(z) - imag(z); s != 0 {
			return false
		}
	}
	return true
}

func allFiniteNonNegative(v []float64) bool {
	for _, x := range v {
		if !finiteNonNegative(x) {
			return false
		}
	}
	return true
}

// FloorWorkspace is the scratch of Floor. The zero value is ready to use;
// it grows to the largest problem seen. It must not be shared between
// goroutines.
type FloorWorkspace struct {
	n, bands int
	users    []int        // the problem's number of each active user
	grams    []Gram       // where the caller gave none
	gram     []complex128 // [band][n][n], scaled by the roots of the units
	rate     []float64
	unit     []float64 // u_k, W
	cost     []float64 // c_k
	total    float64   // sum of units, W
	split    []float64 // [band][user] rate of user alone, water-filled

	// The interior point; powers in units, prices in totals per nat.
	p, z   []float64 // [band][user]; z is what p_kf costs beyond what it earns
	dp, dz []float64
	rows   []floorRow
	chains []floorChain

	grad  []float64    // [band][user] of sum_S lambda_S f(S)
	w     []float64    // [band] n x n, minus its Hessian; then a Cholesky factor
	q     []complex128 // n x n, lower triangle
	v     []complex128 // n
	solve []float64    // [band][row][user]
	schur []float64
	right []float64 // [row]
	aim   []float64 // [row] what lambda * slack is to become
	aimP  []float64 // [band][user] what p * z is to become

	price        []float64 // of the rows' multipliers
	order        []int     // users by falling price
	slope, grown []float64
	rounding     float64 // relative error of bounds at the present powers
	keepPrice    []float64
	keepP        []float64

	// The best so far.
	lower, upper float64 // in totals
	bestPrice    []float64
	bestP        []float64

	separation
}

// load takes over the users of positive rate. It returns NotRun when there is
// something to solve, else the status of the problem.
func (ws *FloorWorkspace) load(p *FloorProblem) Status {
	ws.users = ws.users[:0]
	for k, r := range p.Rate {
		if r > 0 {
			ws.users = append(ws.users, k)
		}
	}
	n := len(ws.users)
	if n == 0 {
		return Solved
	}
	grams := p.Grams
	if grams == nil {
		ws.grams = grow(ws.grams, len(p.Channels))
		for f := range p.Channels {
			ws.grams[f].Compute(p.Channels[f])
		}
		grams = ws.grams
	}
	ws.resize(n, len(grams))
	return ws.scale(p, grams)
}

func (ws *FloorWorkspace) resize(n, bands int) {
	ws.n, ws.bands = n, bands
	for _, v := range []*[]float64{&ws.rate, &ws.unit, &ws.cost, &ws.price, &ws.slope, &ws.grown, &ws.bestPrice} {
		*v = grow(*v, n)
	}
	for _, v := range []*[]float64{&ws.split, &ws.p, &ws.z, &ws.dp, &ws.dz, &ws.grad, &ws.aimP, &ws.bestP} {
		*v = grow(*v, bands*n)
	}
	ws.gram = grow(ws.gram, bands*n*n)
	ws.w = grow(ws.w, bands*n*n)
	ws.q = grow(ws.q, n*n)
	ws.v = grow(ws.v, n)
	ws.order = grow(ws.order, n)
	ws.rows = ws.rows[:0]
	ws.chains = ws.chains[:0]
}

// scale chooses the units: each user's power alone on the air. It scales the Gram
// matrices by them.
func (ws *FloorWorkspace) scale(p *FloorProblem, grams []Gram) Status {
	n := ws.n
	ws.total = 0
	gains := ws.aimP[:ws.bands]
	for a, k := range ws.users {
		for f := range grams {
			gains[f] = grams[f].Norm2(k)
		}
		if slices.Max(gains) == 0 {
			return Unservable
		}
		ws.rate[a] = p.Rate[k]
		ws.alone(a, gains)
		if !(math.Min(ws.unit[a], ws.rate[a]) > 0x1p-960) {
			return IllConditioned // too few bits below
		}
		ws.total += ws.unit[a]
	}
	if math.IsInf(ws.total, 1) {
		return IllConditioned
	}
	for a, k := range ws.users {
		ws.cost[a] = ws.unit[a] / ws.total
		ws.price[a] /= ws.total
		if !positive(ws.cost[a]) || !positive(ws.price[a]) {
			return IllConditioned
		}
		for f := range grams {
			row := ws.gram[(f*n+a)*n : (f*n+a+1)*n]
			for b, j := range ws.users {
				row[b] = scaled(scaled(grams[f].At(k, j), math.Sqrt(ws.unit[a])), math.Sqrt(ws.unit[b]))
			}
			if !allFinite(row) {
				return IllConditioned
			}
		}
	}
	return NotRun
}

// alone fills in the power, price and split of the rate over the subbands that user
// a would have alone on the air: water-filling.
func (ws *FloorWorkspace) alone(a int, gains []float64) {
	rate := float64(ws.bands) * ws.rate[a]
	level := waterLevel(gains, rate)
	ws.price[a] = level * float64(ws.bands)
	power, sum := 0.0, 0.0
	for f, g := range gains {
		fill := math.Max(level*g, 1)
		ws.split[f*ws.n+a] = math.Log(fill)
		sum += ws.split[f*ws.n+a]
		if g > 0 {
			power += (fill - 1) / g
		}
	}
	// Rates may be too small for the level to show them.
	ws.unit[a] = math.Max(power, ws.rate[a]/slices.Max(gains))
	for f := range gains {
		if sum > 0 {
			ws.split[f*ws.n+a] *= rate / sum
		} else {
			ws.split[f*ws.n+a] = ws.rate[a]
		}
	}
}

// waterLevel returns the level l of sum_f log max(1, l g_f) = rate. O(F^2).
func waterLevel(gains []float64, rate float64) float64 {
	// From above: a level that leaves subbands out, or counts some above the water
	// with a negative rate, is too high.
	level := math.Exp(rate) / slices.Max(gains)
	for {
		logs, count := 0.0, 0
		for _, g := range gains {
			if g*level > 1 || math.IsInf(level, 1) && g > 0 {
				logs += math.Log(g)
				count++
			}
		}
		if count == 0 {
			return level
		}
		next := math.Exp((rate - logs) / float64(count))
		if !(next < level) {
			return level
		}
		level = next
	}
}

// begin sets the first interior point and bounds: from start, or from
// successive decoding.
func (ws *FloorWorkspace) begin(start *Certificate) {
	ws.lower, ws.upper = 0, math.Inf(1)
	ws.single()
	ws.arrange()
	ws.value()
	if start != nil {
		ws.take(start)
		ws.value()
	}
	ws.addChain(ws.order)
	for i, k := range ws.order {
		row := ws.addRow(i + 1)
		drop := ws.price[k]
		if i+1 < ws.n {
			drop -= ws.price[ws.order[i+1]]
		}
		row.lambda = math.Max(drop, startInside*row.weight)
	}
	for i, p := range ws.p {
		ws.p[i] = math.Max(p, startPower)
	}
	ws.evaluate()
	ws.certify()
	for i := range ws.rows {
		row := &ws.rows[i]
		row.slack = math.Max(row.value-row.need, startInside*row.scale())
	}
	for i, g := range ws.grad {
		c := ws.cost[i%ws.n]
		ws.z[i] = math.Max(c-g, startInside*c)
	}
}

const (
	startInside = 0.05 // least slack, over min(1, need), and share of costs, to start from
	startPower  = 1e-3 // least power, in units, to start from
	maxOrders   = 10   // orders of decoding tried at the start
)

// single proves the power of the dearest user alone on the air.
func (ws *FloorWorkspace) single() {
	n := ws.n
	most := 0
	for k, c := range ws.cost {
		if c > ws.cost[most] {
			most = k
		}
	}
	clear(ws.bestPrice)
	clear(ws.bestP)
	ws.bestPrice[most] = ws.price[most]
	gain, power, top := 0.0, 0.0, 0.0
	for f := range ws.bands {
		g := real(ws.gram[(f*n+most)*n+most])
		if g == 0 {
			continue
		}
		p := math.Expm1(ws.split[f*n+most]) / g
		ws.bestP[f*n+most] = p
		slope := ws.price[most] * g / (1 + p*g) / float64(ws.bands)
		gain += math.Log1p(p*g) / float64(ws.bands)
		power += slope * p
		top = math.Max(top, slope/ws.cost[most])
	}
	bound := (ws.price[most]*(ws.rate[most]-gain) + power) / top * (1 - ws.roundingOf(1))
	if bound > 0 && !math.IsInf(bound, 1) {
		ws.lower = bound
		return
	}
	clear(ws.bestP)
}

// take starts from the prices and powers of a certificate.
func (ws *FloorWorkspace) take(start *Certificate) {
	for a, k := range ws.users {
		if v := start.Prices[k] / ws.total; v > 0 && !math.IsInf(v, 1) {
			ws.price[a] = v
		}
		for f := range ws.bands {
			if v := start.PowersW[k*ws.bands+f] / ws.unit[a]; v > 0 && !math.IsInf(v, 1) {
				ws.p[f*ws.n+a] = v
			}
		}
	}
}

// sort sorts ws.order by falling price.
func (ws *FloorWorkspace) sort() {
	for i := range ws.order {
		ws.order[i] = i
	}
	slices.SortFunc(ws.order, func(a, b int) int {
		return cmp.Or(cmp.Compare(ws.price[b], ws.price[a]), a-b)
	})
}

// arrange looks for an order of decoding of little power: where the prices of
// one do not fall along it, the order of its prices is tried next, for as long as
// power falls. It leaves the powers and prices of the best. Where the prices fall
// along the order, they prove it optimal. O(F K^3/2) for each.
func (ws *FloorWorkspace) arrange() {
	ws.sort()
	for i := range ws.p {
		ws.p[i] = 1
	}
	ws.keep()
	for range maxOrders {
		power := ws.decode()
		if !(power < ws.upper) {
			break
		}
		ws.upper = power
		ws.keep()
		ws.sort()
	}
	copy(ws.p, ws.keepP)
	for k, m := range ws.keepPrice {
		ws.price[k] = math.Max(m, 0)
	}
}

// keep remembers powers and prices.
func (ws *FloorWorkspace) keep() {
	ws.keepPrice = append(ws.keepPrice[:0], ws.price...)
	ws.keepP = append(ws.keepP[:0], ws.p...)
}

// decode sets the powers of successive decoding in ws.order at the rates of
// ws.split, which carry the rates exactly, and the prices that make the powers
// stationary; these need not fall along the order, nor be positive. It returns
// the power.
func (ws *FloorWorkspace) decode() float64 {
	n := ws.n
	power, loss := 0.0, 1.0
	ws.norms = grow(ws.norms, n*n) // [prefix][place]: sum_f p_kf df(S)/dp_kf
	clear(ws.norms)
	clear(ws.price)
	share := 1 / float64(ws.bands)
	for f := range ws.bands {
		ws.pick(f, ws.order)
		for i, k := range ws.order {
			p := 0.0
			if r := ws.split[f*n+k]; r > 0 {
				q := real(ws.q[i*n+i])
				p = math.Expm1(r) / q
				loss = math.Max(loss, real(ws.gram[(f*n+k)*n+k])/q)
			}
			power += p * ws.cost[k]
			if !finiteNonNegative(p) {
				p, power = 1, math.Inf(1)
			}
			ws.p[f*n+k] = p
			ws.price[k] += p * ws.cost[k]
			ws.pivot(i, n, p)
			for a, j := range ws.order[:i+1] {
				ws.norms[i*n+a] += ws.p[f*n+j] * real(ws.q[a*n+a]) * share
			}
		}
	}
	ws.weights = grow(ws.weights, n) // multipliers of the prefixes
	for a := n - 1; a >= 0; a-- {
		k := ws.order[a]
		for i := a + 1; i < n; i++ {
			ws.price[k] -= ws.weights[i] * ws.norms[i*n+a]
		}
		ws.weights[a] = ws.price[k] / ws.norms[a*n+a]
		ws.price[k] = ws.weights[a]
		if a+1 < n {
			ws.price[k] += ws.price[ws.order[a+1]]
		}
	}
	return power * (1 + ws.roundingOf(loss))
}

// store writes the best certificate in the caller's units and numbers.
func (ws *FloorWorkspace) store(r *FloorResult) {
	r.LowerBoundW = ws.lower * ws.total
	r.UpperBoundW = ws.upper * ws.total
	for a, k := range ws.users {
		r.Certificate.Prices[k] = ws.bestPrice[a] * ws.total
		for f := range ws.bands {
			r.Certificate.PowersW[k*ws.bands+f] = ws.bestP[f*ws.n+a] * ws.unit[a]
		}
	}
}

// pick copies subband f's Gram matrix of the users named into ws.q.
func (ws *FloorWorkspace) pick(f int, users []int) {
	m := len(users)
	for a, k := range users {
		from := ws.gram[(f*ws.n+k)*ws.n : (f*ws.n+k+1)*ws.n]
		to := ws.q[a*m : a*m+a+1]
		for b := range to {
			to[b] = from[users[b]]
		}
	}
}

// pivot lets user i of m, with power p, join the set that ws.q is taken over:
// Q <- Q - Q e_i p e_i^T Q / (1 + p Q_ii). It returns p Q_ii, the user's SINR when
// decoded with those before as interference: the determinant grows by 1 + p Q_ii.
// O(m^2/2) complex multiply-adds.
func (ws *FloorWorkspace) pivot(i, m int, p float64) float64 {
	q, v := ws.q, ws.v[:m]
	for l := range i {
		v[l] = conj(q[i*m+l])
	}
	for j := i; j < m; j++ {
		v[j] = q[j*m+i]
	}
	sinr := p * real(v[i])
	inv := 1 / (1 + sinr)
	by := p * inv
	for j, vj := range v {
		x := scaled(vj, by)
		xr, xi := real(x), imag(x)
		out := q[j*m : j*m+j+1]
		for l, vl := range v[:j+1] {
			out[l] -= complex(xr*real(vl)+xi*imag(vl), xi*real(vl)-xr*imag(vl))
		}
	}
	// The row and column of i itself, free of cancellation.
	for l := range i {
		q[i*m+l] = scaled(conj(v[l]), inv)
	}
	for j := i; j < m; j++ {
		q[j*m+i] = scaled(v[j], inv)
	}
	return sinr
}

// certify values the certificate of the rows' multipliers and the present powers.
func (ws *FloorWorkspace) certify() {
	ws.prices()
	ws.value()
}

// value values the certificate of the present prices and powers, less what
// rounding may have added, and keeps it where it is the best so far. It leaves
// users sorted by price. O(F K^3/2).
func (ws *FloorWorkspace) value() {
	n := ws.n
	ws.sort()
	bound, top, loss := 0.0, 0.0, 1.0
	for k, m := range ws.price {
		bound += m * ws.rate[k]
	}
	share := 1 / float64(ws.bands)
	for f := range ws.bands {
		slope, grown := ws.slope, ws.grown
		clear(slope)
		ws.pick(f, ws.order)
		for i, k := range ws.order {
			sinr := ws.pivot(i, n, ws.p[f*n+k])
			grown[k] = 1 + sinr
			bound -= ws.price[k] * math.Log1p(sinr) * share
			drop := ws.price[k]
			if i+1 < n {
				drop -= ws.price[ws.order[i+1]]
			}
			for a, j := range ws.order[:i+1] {
				slope[j] += drop * share * real(ws.q[a*n+a])
			}
		}
		for i, k := range ws.order {
			bound += slope[k] * ws.p[f*n+k]
			top = math.Max(top, slope[k]/ws.cost[k])
			if g := real(ws.gram[(f*n+k)*n+k]); g > 0 {
				left := grown[k] * real(ws.q[i*n+i]) // at most g, more than 0
				if !(left > 0) {
					left = 0
				}
				loss = math.Max(loss, g/left)
			}
		}
	}
	ws.rounding = ws.roundingOf(loss)
	if bound *= math.Max(1-ws.rounding, 0) / top; bound > ws.lower && !math.IsInf(bound, 1) {
		ws.lower = bound
		copy(ws.bestPrice, ws.price)
		copy(ws.bestP, ws.p)
	}
}

// roundingOf bounds the relative error of a bound, given the largest factor
// G_kk/Q_kk by which a user's gain is cut by others: as many digits are lost. A
// rate on one subband, an exponent, loses as many as it has before the point.
// Against 400-bit arithmetic the error was at most half of this on channels of one
// or two antennas, and a tenth on others.
func (ws *FloorWorkspace) roundingOf(loss float64) float64 {
	return 32 * 0x1p-52 * (float64(ws.n)*loss + float64(ws.bands)*slices.Max(ws.rate))
}

// prices fills ws.price with the sums of the rows' multipliers.
func (ws *FloorWorkspace) prices() {
	clear(ws.price)
	for _, c := range ws.chains {
		// From the longest prefix down, each user gets what is above it.
		sum := 0.0
		at := c.last - 1
		for i := len(c.order) - 1; i >= 0; i-- {
			for at >= c.first && ws.rows[at].size == i+1 {
				sum += ws.rows[at].lambda
				at--
			}
			ws.price[c.order[i]] += sum
		}
	}
}
