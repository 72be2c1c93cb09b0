package optim

import "math"

// Symbols of this file:
//
//	G    Gram matrix of the group, K x K
//	g_k  SINR target          e_k  error variance over noise
//	l_k  uplink power (dual)  t_k  log l_k    s_k  sqrt l_k
//	A    I + S G S, S = diag(s)
//	B    A^-1
//	N    diag(B_kk) - |B|^2, elementwise: Hessian in t
//	n_k  row sums of N: ||u_k||^2 for the beam u_k = H S B e_k
//	x_k  downlink scale: w_k = sqrt(x_k) u_k

// Problem is one group on one subband.
type Problem struct {
	// Gram is the K x K Gram matrix of the noise-normalised channel.
	Gram *Gram
	// SINR holds the K targets, linear, >= 0. A user of target 0 gets no power.
	SINR []float64
	// ErrorVariance holds e_k, the variance of the channel's error per antenna
	// over the noise power; nil means that the channel is exact.
	ErrorVariance []float64
	// Start holds K uplink powers in W to start from, such as Lambda of the last
	// slot; nil, entries below g_k / G_kk and entries that are no numbers start from
	// the group itself. It never changes the answer beyond the tolerance.
	Start []float64
}

// Optimal finds the beams and powers of least total power for one group: the
// minimum of sum ||w_k||^2 subject to SINR_k >= g_k. The zero value is ready to
// use.
//
// Method: by uplink-downlink duality (Wiesel, Eldar, Shamai, IEEE Trans. SP
// 54(1), 2006; Schubert, Boche, IEEE Trans. VT 53(1), 2004) the optimal beams
// are w_k ~ (I + H L H^H)^-1 h_k, and the optimality condition is
// B_kk = 1/(1+g_k). In t = log l it is the stationary point of the convex
// function log det(I + L G) - sum_k t_k g_k/(1+g_k), minimised here by Newton's
// method with damped steps, on log SINR_k = log g_k while that makes the function
// fall. Where rounding spoils a Newton step, a step of the
// fixed point l_k <- g_k (1 - l_k d_k)/d_k (Rashid-Farrokhi, Liu, Tassiulas,
// IEEE JSAC 16(8), 1998) takes its place.
//
// Estimation errors count as extra noise e_k * P; the beams stay the same and
// the power becomes P0 / (1 - sum_k l_k e_k).
//
// The beams meet every target with equality. Servable are exactly the groups with
// sum_{k in S} g_k/(1+g_k) < rank(H_S) for every set S of users (Hunger, Joham, IEEE
// Trans. SP 58(7), 2010); a set that breaks it is found among the prefixes of the
// users by falling l_k G_kk.
//
// Complexity: O(K^3) per step; 3 or 4 steps on well-spread channels, 6 to 12
// near the limit of what can be served. A solve with a used Workspace and
// Result of the same size allocates nothing.
//
// Papers are cited from memory; the gradient, the Hessian, the bound and the slopes
// are derived in this file.
type Optimal struct {
	// Tolerance is the largest step in log l at which the iteration ends; the
	// error of the power is its square. 0 means 1e-8.
	Tolerance float64
	// MaxSteps bounds the steps. 0 means 100.
	MaxSteps int
	// MaxPowerW ends the solve with AbovePowerCap as soon as the least power is
	// proved to exceed it. 0 means no cap.
	MaxPowerW float64
	// MaxPenaltyDB ends the solve with IllConditioned when the power, errors
	// included, exceeds the interference-free power sum g_k/G_kk by more. 0 means
	// LargestPenaltyDB.
	MaxPenaltyDB float64
	// Poll is called from every step on more than a few users.
	Poll Poll
}

const (
	defaultTolerance = 1e-8
	defaultMaxSteps  = 100
	maxLogStep       = 2     // largest step in log l
	leastLeft        = 0.2   // of a user's channel after interference, at the start
	rankCheckStep    = 6     // well-spread channels have converged before it
	rankTolerance    = 1e-12 // of a squared norm left after projection
	roundedStep      = 1e-6  // largest step in log l that rounding excuses
	smallTarget      = 1e-3  // SINR below which 1 - B_kk loses digits
)

// Result is what Optimal found. Powers are in W. Slices have one entry per user, 0
// for users of target 0 and all 0 unless Solved; they are overwritten by the next
// solve.
type Result struct {
	Status Status
	Steps  int // factorisations of A

	// PowerW is the power of the beams found, DualW that of the dual, sum l_k /
	// (1 - sum l_k e_k); equal at the optimum. Both are 0 unless Status is Solved.
	PowerW float64
	DualW  float64
	// LowerBoundW is proved to be no more than the least power, rounding included,
	// whatever the status (weak duality). 0 when nothing is proved.
	LowerBoundW float64
	// Residual is the largest |d log l_k| of the last step; the power is off by about
	// its square, relative.
	Residual float64

	Lambda    []float64 // uplink powers l_k, the duals, W
	UserW     []float64 // ||w_k||^2
	SlopeSINR []float64 // dP/dg_k, W
	SlopeRate []float64 // dP/dr_k, r_k = log(1+g_k), W per nat and use

	// Violated is the subset S of users that proves Unservable:
	// sum_S g_k/(1+g_k) >= rank(H_S). Empty when estimation errors are the cause.
	Violated []int

	// Beams are the optimal beams, powers included.
	Beams Beams
}

// Workspace is the scratch of Optimal. The zero value is ready to use; it grows
// to the largest group seen. It must not be shared between goroutines.
type Workspace struct {
	active  []int // users of positive target, in the problem's numbers
	g       []complex128
	a, b, x []complex128
	inv     []float64
	sinr    []float64
	errVar  []float64
	t, s    []float64
	tOld    []float64
	dt, d   []float64
	n       []float64
	nSum    []float64
	y, z    []float64
	order   []int
	pivot   []complex128
	ranks   []int
}

func (ws *Workspace) resize(k int) {
	ws.g = grow(ws.g, k*k)
	ws.a = grow(ws.a, k*k)
	ws.b = grow(ws.b, k*k)
	ws.x = grow(ws.x, k*k)
	ws.n = grow(ws.n, k*k)
	for _, v := range []*[]float64{&ws.inv, &ws.sinr, &ws.errVar, &ws.t, &ws.s, &ws.tOld, &ws.dt, &ws.d, &ws.nSum, &ws.y, &ws.z} {
		*v = grow(*v, k)
	}
}

func (r *Result) reset(k int) {
	*r = Result{
		Lambda:    grow(r.Lambda, k),
		UserW:     grow(r.UserW, k),
		SlopeSINR: grow(r.SlopeSINR, k),
		SlopeRate: grow(r.SlopeRate, k),
		Violated:  r.Violated[:0],
		Beams:     Beams{Users: k, Coefficients: grow(r.Beams.Coefficients, k*k)},
	}
	r.clear()
}

func (r *Result) clear() {
	for _, v := range [][]float64{r.Lambda, r.UserW, r.SlopeSINR, r.SlopeRate} {
		clear(v)
	}
	clear(r.Beams.Coefficients)
}

// Solve solves p into r and returns r.Status: Solved; Unservable with Violated, or
// where the errors eat the signal; AbovePowerCap when LowerBoundW exceeds MaxPowerW;
// IllConditioned beyond MaxPenaltyDB or where rounding spoils the last step;
// StepLimit; or BadInput for lengths that disagree, numbers that are NaN or infinite
// and negative targets and errors. O(K^3) per step.
func (o *Optimal) Solve(p *Problem, ws *Workspace, r *Result) Status {
	r.reset(len(p.SINR))
	r.Status = o.converge(p, ws, r)
	if n := len(ws.active); r.Status == Solved && n > 0 {
		if r.Status = ws.finish(n, r); r.Status != Solved {
			r.clear()
		}
	}
	return r.Status
}

// converge finds the t of the optimum, without powers and beams. Solved leaves
// the factors at t in ws and the last step, not yet taken, in dt.
func (o *Optimal) converge(p *Problem, ws *Workspace, r *Result) Status {
	if !p.valid() {
		return BadInput
	}
	if k := ws.load(p); k >= 0 {
		r.Violated = append(r.Violated, k)
		return Unservable
	}
	n := len(ws.active)
	if n == 0 {
		return Solved
	}
	tolerance := orDefault(o.Tolerance, defaultTolerance)
	maxSteps := int(orDefault(float64(o.MaxSteps), defaultMaxSteps))
	penalty := math.Pow(10, orDefault(o.MaxPenaltyDB, LargestPenaltyDB)/10)
	free := ws.start(p, penalty)
	value := math.Inf(1)
	fullRank, straight := false, true

	for r.Steps < maxSteps {
		r.Steps++
		o.Poll.step(n)
		if !ws.factor(n, o.Poll) {
			return IllConditioned
		}
		// The function decreases along Newton's direction; where a step was too
		// long, halve it.
		if v := ws.value(n); v <= value+1e-12*math.Abs(value)+1e-12 {
			value = v
		} else if ws.halve(n) {
			straight = false
			continue
		}
		invertHermitian(ws.b, ws.a, ws.x, n, ws.inv, o.Poll)
		sum, spread := ws.residual(n)
		if bound, ok := ws.lowerBound(n, sum, spread); !ok {
			return Unservable
		} else if bound > r.LowerBoundW {
			r.LowerBoundW = bound
		}
		if o.MaxPowerW > 0 && r.LowerBoundW > o.MaxPowerW {
			return AbovePowerCap
		}
		// Proved too costly; near rounding Newton's steps no longer shrink.
		if r.LowerBoundW > penalty*free {
			return ws.costly(n, r)
		}
		step := ws.direction(n, straight)
		r.Residual = step
		if step <= math.Max(tolerance, math.Min(1e-15*spread, roundedStep)) {
			if sum > penalty*free*(1-ws.errorLoad(n)) {
				return IllConditioned
			}
			return Solved
		}
		// Far out, tell a group that cannot be served from one that is costly.
		if r.Steps >= rankCheckStep && !fullRank {
			if fullRank = ws.rankPrefixes(n); !fullRank && ws.violated(n, r) {
				return Unservable
			}
		}
		if sum > penalty*free*math.Exp(2*maxLogStep) {
			return ws.costly(n, r)
		}
		ws.advance(n, step)
	}
	return StepLimit
}

// valid reports whether p's lengths agree and its numbers are finite.
func (p *Problem) valid() bool {
	k := len(p.SINR)
	if p.Gram == nil || p.Gram.Users != k || !p.Gram.valid() ||
		p.ErrorVariance != nil && len(p.ErrorVariance) != k || p.Start != nil && len(p.Start) != k {
		return false
	}
	for _, g := range p.SINR {
		if !finiteNonNegative(g) {
			return false
		}
	}
	for _, e := range p.ErrorVariance {
		if !finiteNonNegative(e) {
			return false
		}
	}
	for _, z := range p.Gram.Data {
		if s := real(z) + imag(z); s-s != 0 {
			return false
		}
	}
	for i := range k {
		if p.Gram.Norm2(i) < 0 {
			return false
		}
	}
	return true
}

// load copies the users of positive target. It returns the number of a user
// whose channel is zero, or -1.
func (ws *Workspace) load(p *Problem) int {
	ws.active = ws.active[:0]
	for k, g := range p.SINR {
		if g > 0 {
			if p.Gram.Norm2(k) == 0 {
				return k
			}
			ws.active = append(ws.active, k)
		}
	}
	n := len(ws.active)
	ws.resize(n)
	for a, k := range ws.active {
		ws.sinr[a] = p.SINR[k]
		ws.errVar[a] = 0
		if p.ErrorVariance != nil {
			ws.errVar[a] = p.ErrorVariance[k]
		}
		row := p.Gram.Data[k*p.Gram.Users:]
		for b, j := range ws.active {
			ws.g[a*n+b] = row[j]
		}
	}
	return -1
}

// start sets t and returns the interference-free power. Entries of p.Start
// beyond the largest penalty are not used.
//
// Users without a start begin at g_k / (G_kk (1 - sum_j g_j/(1+g_j) c_kj^2)),
// c_kj the correlation of two users: the large-system optimum (Tse, Hanly, IEEE
// Trans. IT 45(2), 1999) with every user's own correlations in the place of the
// mean 1/M. It saves a step on well-spread channels. O(K^2).
func (ws *Workspace) start(p *Problem, penalty float64) float64 {
	n := len(ws.active)
	free := 0.0
	for a, k := range ws.active {
		norm := real(ws.g[a*n+a])
		l := ws.sinr[a] / norm
		free += l
		if p.Start != nil && p.Start[k] > l && p.Start[k] < l*penalty {
			ws.t[a] = math.Log(p.Start[k])
			continue
		}
		left := 1.0
		for b, z := range ws.g[a*n : a*n+n] {
			if b != a {
				g := ws.sinr[b]
				left -= g / (1 + g) * (abs2(z) / norm / real(ws.g[b*n+b]))
			}
		}
		ws.t[a] = math.Log(l / math.Max(left, leastLeft))
	}
	return free
}

// factor forms A = I + S G S and its Cholesky factor in ws.a.
func (ws *Workspace) factor(n int, poll Poll) bool {
	for i := range n {
		ws.s[i] = math.Exp(ws.t[i] / 2)
	}
	for i := range n {
		si := ws.s[i]
		g := ws.g[i*n : i*n+i+1]
		a := ws.a[i*n : i*n+i+1]
		for j, z := range g {
			a[j] = scaled(z, si*ws.s[j])
		}
		a[i] += 1
	}
	return choleskyHermitian(ws.a, n, ws.inv, poll)
}

// value returns log det A - sum_k t_k g_k/(1+g_k).
func (ws *Workspace) value(n int) float64 {
	v := 0.0
	for i := range n {
		g := ws.sinr[i]
		v -= 2*math.Log(ws.inv[i]) + ws.t[i]*g/(1+g)
	}
	return v
}

// halve takes back half of the last step. It reports false for short steps:
// there Newton converges by itself, and the value's rounding would hold it up.
func (ws *Workspace) halve(n int) bool {
	moved := 0.0
	for i := range n {
		h := (ws.t[i] - ws.tOld[i]) / 2
		ws.t[i] = ws.tOld[i] + h
		moved = math.Max(moved, math.Abs(h))
	}
	return moved > 1e-2
}

// residual fills N (lower triangle and diagonal), its row sums and
// d_k = g_k/(1+g_k) - (1 - B_kk). It returns sum l_k and max l_k G_kk.
func (ws *Workspace) residual(n int) (sum, spread float64) {
	clear(ws.nSum)
	for i := range n {
		row := ws.b[i*n : i*n+i+1]
		out := ws.n[i*n : i*n+i+1]
		rowSum := 0.0
		for j, z := range row[:i] {
			v := abs2(z)
			out[j] = -v
			rowSum -= v
			ws.nSum[j] -= v
		}
		gain := ws.gain(i, n)
		out[i] = real(row[i]) * gain
		ws.nSum[i] += rowSum + out[i]
		if g := ws.sinr[i]; g > 1 {
			ws.d[i] = real(row[i]) - 1/(1+g) // which does not cancel where both are small
		} else {
			ws.d[i] = g/(1+g) - gain
		}
		l := ws.s[i] * ws.s[i]
		sum += l
		spread = math.Max(spread, l*real(ws.g[i*n+i]))
	}
	return sum, spread
}

// gain returns 1 - B_jj, for small targets as the sum (B (A - I))_jj, which does
// not cancel.
func (ws *Workspace) gain(j, n int) float64 {
	if ws.sinr[j] > smallTarget {
		return 1 - real(ws.b[j*n+j])
	}
	sum := 0.0
	for k := range n {
		b, g := ws.b[j*n+k], ws.g[k*n+j]
		sum += (real(b)*real(g) - imag(b)*imag(g)) * ws.s[k]
	}
	return sum * ws.s[j]
}

// lowerBound returns a proved lower bound on the least power, from any l, or
// false when it proves that none will do.
//
// Scaling l by c <= 1 keeps B_kk(c) convex and decreasing in c with slope -n_k
// at c = 1, so B_kk(c) >= B_kk + (1-c) n_k. The smallest 1-c that lifts every
// B_kk to 1/(1+g_k) makes c*l dual feasible, and P >= c sum l_k (1 + e_k P) by
// weak duality. B_kk is known to some 2^-53 K max l_k G_kk, spread: so much is
// taken off.
func (ws *Workspace) lowerBound(n int, sum, spread float64) (float64, bool) {
	down := 0.0
	rounding := 0x1p-53 * float64(n) * math.Max(spread, 1)
	for i := range n {
		off := rounding
		if ws.sinr[i] <= smallTarget {
			off *= ws.sinr[i] // of gain's sum
		}
		if d := ws.d[i] - off; d < 0 {
			if !(ws.nSum[i] > 0) {
				return 0, true
			}
			down = math.Max(down, -d/ws.nSum[i])
		}
	}
	errs := ws.errorLoad(n)
	c := 1 - down
	if c <= 0 {
		return 0, true
	}
	if c*errs >= 1 {
		return 0, false
	}
	return c * sum / (1 - c*errs), true
}

// direction fills dt with a step of Newton's method and returns its largest entry.
// Straight, it is the step for log(SINR_k/g_k) = 0, SINR_k = (1-B_kk)/B_kk, whose
// derivative over t_j is N_kj/(B_kk (1-B_kk)): nearly linear in t far out too, and
// quite so for a user alone. Otherwise it is the function's own, along which that
// falls; near the optimum they are one. Where N is not positive definite to working
// precision it is the fixed point's.
func (ws *Workspace) direction(n int, straight bool) float64 {
	definite := choleskyReal(ws.n, n)
	for i := range n {
		if definite && !straight {
			ws.dt[i] = ws.d[i]
			continue
		}
		b, gain := real(ws.b[i*n+i]), ws.gain(i, n)
		ws.dt[i] = math.Log(ws.sinr[i] * b / math.Max(gain, 1e-300))
		if definite {
			ws.dt[i] *= b * gain
		}
	}
	if definite {
		choleskySubstitute(ws.n, n, ws.dt[:n])
	}
	largest := 0.0
	for _, v := range ws.dt[:n] {
		if math.IsNaN(v) {
			return math.Inf(1)
		}
		largest = math.Max(largest, math.Abs(v))
	}
	return largest
}

// errorLoad returns sum_k l_k e_k, the part of the power that errors take.
func (ws *Workspace) errorLoad(n int) float64 {
	load := 0.0
	for i, e := range ws.errVar[:n] {
		load += ws.s[i] * ws.s[i] * e
	}
	return load
}

// advance takes the step in dt, damped to maxLogStep.
func (ws *Workspace) advance(n int, largest float64) {
	scale := 1.0
	if largest > maxLogStep {
		scale = maxLogStep / largest
	}
	for i := range n {
		ws.tOld[i] = ws.t[i]
		ws.t[i] += scale * ws.dt[i]
	}
}

// finish forms powers, beams and slopes from the factors at t and the last
// step dt.
//
// For the beams u_k = H S B e_k the gains are |h_j^H u_k|^2 =
// |delta_jk - B_jk|^2 / l_j, so that the powers which meet every target exactly
// solve x_j (1-B_jj)^2 - g_j sum_{k != j} |B_jk|^2 x_k = g_j l_j (1 + e_j P),
// P = sum_k n_k x_k.
func (ws *Workspace) finish(n int, r *Result) Status {
	dual, errs, anyErr := 0.0, 0.0, false
	for i, k := range ws.active {
		l := math.Exp(ws.t[i] + ws.dt[i])
		r.Lambda[k] = l
		dual += l
		errs += l * ws.errVar[i]
		anyErr = anyErr || ws.errVar[i] > 0
	}
	if errs >= 1 {
		return Unservable
	}
	m := ws.n
	for j := range n {
		g := ws.sinr[j]
		for k := range n {
			m[j*n+k] = -g * abs2(ws.b[j*n+k])
		}
		own := ws.gain(j, n)
		m[j*n+j] = own * own
		ws.y[j] = g * ws.s[j] * ws.s[j]
		ws.z[j] = ws.y[j] * ws.errVar[j]
	}
	if !eliminate(m, n) {
		return IllConditioned
	}
	substitute(m, n, ws.y)
	power := dotReal(ws.nSum[:n], ws.y)
	if anyErr {
		substitute(m, n, ws.z)
		rest := 1 - dotReal(ws.nSum[:n], ws.z)
		if !(rest > 0) {
			return IllConditioned
		}
		power /= rest
		for j := range n {
			ws.y[j] += power * ws.z[j]
		}
	}
	for j, k := range ws.active {
		x := ws.y[j]
		if !(x > 0) || math.IsInf(x, 1) {
			return IllConditioned
		}
		g := ws.sinr[j]
		r.UserW[k] = x * ws.nSum[j]
		if !(r.UserW[k] > 0) { // an underflow, or no Gram matrix
			return IllConditioned
		}
		r.SlopeSINR[k] = x / ((1 + g) * (1 + g)) / (1 - errs)
		r.SlopeRate[k] = x * real(ws.b[j*n+j]) / (1 - errs)
		root := math.Sqrt(x)
		for i, ki := range ws.active {
			r.Beams.Coefficients[ki*r.Beams.Users+k] = scaled(ws.b[i*n+j], ws.s[i]*root)
		}
	}
	r.PowerW = power
	r.DualW = dual / (1 - errs)
	return Solved
}

// eliminate overwrites the n x n matrix m with its LU factors, without
// pivoting: m is an M-matrix. It reports whether every pivot was positive,
// that is, whether the spectral radius of the coupling is below one. O(n^3/3).
func eliminate(m []float64, n int) bool {
	for j := range n {
		pivot := m[j*n+j]
		if !(pivot > 0) {
			return false
		}
		inv := 1 / pivot
		row := m[j*n+j+1 : j*n+n]
		for i := j + 1; i < n; i++ {
			f := m[i*n+j] * inv
			m[i*n+j] = f
			if f == 0 {
				continue
			}
			out := m[i*n+j+1 : i*n+n]
			out = out[:len(row)]
			for p, v := range row {
				out[p] -= f * v
			}
		}
	}
	return true
}

// substitute solves L U x = y in place for the factors of eliminate. O(n^2).
func substitute(m []float64, n int, y []float64) {
	for i := 1; i < n; i++ {
		y[i] -= dotReal(m[i*n:i*n+i], y)
	}
	for i := n - 1; i >= 0; i-- {
		y[i] = (y[i] - dotReal(m[i*n+i+1:i*n+n], y[i+1:])) / m[i*n+i]
	}
}

// substituteTransposed solves (L U)^T x = y in place. O(n^2).
func substituteTransposed(m []float64, n int, y []float64) {
	for i := range n {
		y[i] /= m[i*n+i]
		for j := i + 1; j < n; j++ {
			y[j] -= m[i*n+j] * y[i]
		}
	}
	for i := n - 1; i > 0; i-- {
		for j := range i {
			y[j] -= m[i*n+j] * y[i]
		}
	}
}

func orDefault(v, def float64) float64 {
	if v > 0 {
		return v
	}
	return def
}

func finiteNonNegative(v float64) bool { return v >= 0 && !math.IsInf(v, 1) }
