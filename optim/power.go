package optim

import (
	"math"
	"slices"
)

// FixedProblem asks for the least powers of fixed unit-power beams, one per
// user: minimise sum p_k subject to SINR_k >= g_k, where
//
//	SINR_k = p_k a_kk / (1 + sum_{j != k} p_j a_kj + e_k sum_j p_j).
//
// A user of positive target and a_kk = 0 is bad input.
type FixedProblem struct {
	Users int // K
	// Gain holds a_kj = |h_k^H u_j|^2 of the noise-normalised channel in 1/W, K x K in
	// the order [user][beam]: that of Beams.Gains.
	Gain []float64
	// SINR holds the K targets, linear, >= 0.
	SINR []float64
	// ErrorVariance holds e_k as in Problem; nil means an exact channel.
	ErrorVariance []float64
	// RowGain, N x K in the order [row][beam], and RowW cap
	// sum_k RowGain_ik p_k at RowW[i] >= 0, in W; see Limits.FixedRows. The least
	// powers are least for every user, so that they meet all caps or no powers do.
	RowGain []float64
	RowW    []float64
	// TotalW caps sum_k p_k; 0 or +Inf means no cap.
	TotalW float64
}

// PowerResult is what a PowerControl found. Slices have one entry per user or row;
// they are overwritten by the next solve.
type PowerResult struct {
	Status Status
	Steps  int       // of Iterative; simplex pivots of LinearProgram
	PowerW float64   // sum of UserW; 0 unless Solved
	UserW  []float64 // p_k; the least for every user, with AboveLimits too
	RowW   []float64 // power of each row at UserW; empty unless UserW is there
	// Exceeded holds, with AboveLimits, the rows over their caps at UserW.
	Exceeded []int
	// SlopeSINR holds dP/dg_k in W. Only Direct fills it; otherwise it is zero.
	SlopeSINR []float64
	// LowerBoundW is no more than the least power of these beams; short of Solved and
	// AboveLimits it is that of the last step of Iterative, or 0.
	LowerBoundW float64
}

// PowerControl finds the least powers of fixed beams. All implementations, Direct,
// Iterative and LinearProgram, agree to about 1e-8/(1 - spectral radius of F), F the
// coupling of Direct.
type PowerControl interface {
	// Solve solves p into r and returns r.Status: Solved; Unservable when no powers
	// meet the targets; AboveLimits when the least powers exceed a cap;
	// IllConditioned when float64 cannot tell; StepLimit; or BadInput.
	Solve(p *FixedProblem, r *PowerResult) Status
}

var (
	_ PowerControl = Direct{}
	_ PowerControl = Iterative{}
)

func (p *FixedProblem) valid() bool {
	n := p.Users
	if n < 0 || len(p.Gain) != n*n || len(p.SINR) != n || p.ErrorVariance != nil && len(p.ErrorVariance) != n {
		return false
	}
	if len(p.RowGain) != n*len(p.RowW) || !(p.TotalW >= 0) {
		return false
	}
	for _, s := range [][]float64{p.Gain, p.SINR, p.ErrorVariance, p.RowGain} {
		for _, v := range s {
			if !finiteNonNegative(v) {
				return false
			}
		}
	}
	for _, c := range p.RowW {
		if !(c >= 0) {
			return false
		}
	}
	for k := range n {
		if p.SINR[k] > 0 && p.Gain[k*n+k] == 0 {
			return false
		}
	}
	return true
}

func (r *PowerResult) reset(n int) {
	*r = PowerResult{
		UserW: grow(r.UserW, n), SlopeSINR: grow(r.SlopeSINR, n),
		RowW: r.RowW[:0], Exceeded: r.Exceeded[:0],
	}
	clear(r.UserW)
	clear(r.SlopeSINR)
}

// coupling returns F and u of p >= F p + u (Foschini, Miljanic 1993): Unservable
// where estimation errors alone already exceed what a user's own signal can carry,
// g_k e_k >= a_kk, and IllConditioned where an entry is beyond float64.
func (p *FixedProblem) coupling() (f, u []float64, status Status) {
	n := p.Users
	f = make([]float64, n*n)
	u = make([]float64, n)
	for k := range n {
		g := p.SINR[k]
		if g == 0 {
			continue
		}
		e := 0.0
		if p.ErrorVariance != nil {
			e = p.ErrorVariance[k]
		}
		own := p.Gain[k*n+k] - g*e
		if own <= 0 {
			return nil, nil, Unservable
		}
		for j := range n {
			if j != k {
				f[k*n+j] = g * (p.Gain[k*n+j] + e) / own
			}
		}
		u[k] = g / own
	}
	if !allFiniteNonNegative(f) || !allFiniteNonNegative(u) {
		return nil, nil, IllConditioned
	}
	return f, u, Solved
}

// Direct solves (I - F) p = u by elimination: the closed form, where
//
//	F_kj = g_k (a_kj + e_k) / (a_kk - g_k e_k), j != k,   F_kk = 0,
//	u_k  = g_k / (a_kk - g_k e_k).
//
// It is feasible if and only if every pivot is positive (I - F is an M-matrix), that
// is, the spectral radius of F is below one (Perron, Frobenius; from memory). O(K^3/3).
type Direct struct{}

// Solve solves p into r and returns r.Status: Solved, with slopes; Unservable;
// AboveLimits; IllConditioned on overflow; or BadInput. O(K^3/3 + N K) for N rows.
func (Direct) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(len(p.SINR))
	r.Status = solveDirect(p, r)
	return r.Status
}

func solveDirect(p *FixedProblem, r *PowerResult) Status {
	if !p.valid() {
		return BadInput
	}
	f, u, status := p.coupling()
	if status != Solved {
		return status
	}
	n := p.Users
	for i := range f {
		f[i] = -f[i]
	}
	for k := range n {
		f[k*n+k] = 1
	}
	if !eliminate(f, n) {
		for _, v := range f {
			if !finite(v) {
				return IllConditioned // an overflow proves nothing
			}
		}
		return Unservable
	}
	substitute(f, n, u)
	if status := r.accept(p, u); status != Solved {
		return status
	}
	// With y = (I-F)^-T 1, dP/dg_k = y_k (dF p + du)_k, which is y_k a_kk/own_k^2
	// times what user k receives of noise, errors and the others.
	y := u
	for k := range y {
		y[k] = 1
	}
	substituteTransposed(f, n, y)
	for k, g := range p.SINR {
		if g == 0 {
			continue
		}
		e := 0.0
		if p.ErrorVariance != nil {
			e = p.ErrorVariance[k]
		}
		noise := 1.0
		for j, w := range r.UserW {
			if j != k {
				noise += w * (p.Gain[k*n+j] + e)
			}
		}
		own := p.Gain[k*n+k] - g*e
		r.SlopeSINR[k] = y[k] * (p.Gain[k*n+k] / own) * (noise / own)
		if !finiteNonNegative(r.SlopeSINR[k]) { // not for targets close to the least float64
			r.reset(n)
			return IllConditioned
		}
	}
	return Solved
}

// accept takes finished powers into r: Solved, or AboveLimits where they exceed
// a cap.
func (r *PowerResult) accept(p *FixedProblem, powerW []float64) Status {
	sum := 0.0
	for _, v := range powerW {
		if !finiteNonNegative(v) {
			return IllConditioned
		}
		sum += v
	}
	if math.IsInf(sum, 1) {
		return IllConditioned
	}
	copy(r.UserW, powerW)
	r.LowerBoundW = sum
	for i, c := range p.RowW {
		v := dotReal(p.RowGain[i*p.Users:(i+1)*p.Users], powerW)
		if math.IsInf(v, 1) {
			r.reset(p.Users)
			return IllConditioned
		}
		r.RowW = append(r.RowW, v)
		if v > c {
			r.Exceeded = append(r.Exceeded, i)
		}
	}
	if len(r.Exceeded) > 0 || p.TotalW > 0 && sum > p.TotalW {
		return AboveLimits
	}
	r.PowerW = sum
	return Solved
}

// Iterative is distributed power control, p <- F p + u (Foschini, Miljanic,
// IEEE Trans. VT 42(4), 1993; Yates, IEEE JSAC 13(7), 1995; from memory), F and u as
// in Direct. From p = 0 the
// powers rise to the least solution, so that every iterate is a proved lower
// bound; a multiple of an iterate from which the powers would fall everywhere
// proves that the targets can be met, and bounds what is left. O(K^2) per step,
// linear with factor the spectral radius.
type Iterative struct {
	// Tolerance is the relative accuracy of the powers asked. 0 means 1e-10.
	Tolerance float64
	// MaxSteps bounds the steps. 0 means 100000.
	MaxSteps int
	// Poll is called every pollSteps steps.
	Poll Poll
}

// Solve solves p into r and returns r.Status: Solved; AboveLimits; Unservable when
// a vector y >= 0 with F y >= y was met, which proves a spectral radius of one or
// more; IllConditioned on overflow; StepLimit; or BadInput. O(K^2) per step.
func (it Iterative) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(len(p.SINR))
	r.Status = it.solve(p, r)
	return r.Status
}

const pollSteps = 16

func (it Iterative) solve(p *FixedProblem, r *PowerResult) Status {
	if !p.valid() {
		return BadInput
	}
	f, u, status := p.coupling()
	if status != Solved {
		return status
	}
	n := p.Users
	tolerance := orDefault(it.Tolerance, 1e-10)
	maxSteps := int(orDefault(float64(it.MaxSteps), 100000))
	now := make([]float64, n)
	step := slices.Clone(u) // next - now, >= 0; the next step is F step
	next := make([]float64, n)
	for r.Steps < maxSteps {
		if r.Steps++; r.Steps%pollSteps == 0 {
			it.Poll.now()
		}
		sum := 0.0
		for k := range n {
			sum += now[k] + step[k]
		}
		if !finite(sum) {
			if grows(f, now, step, u, next) {
				return Unservable
			}
			return IllConditioned
		}
		for k := range n {
			now[k] += step[k]
		}
		r.LowerBoundW = sum
		for k := range n {
			next[k] = dotReal(f[k*n:k*n+n], step)
		}
		step, next = next, step
		if left, ok := remainder(now, step, u); ok && left <= tolerance {
			for k := range n {
				now[k] *= 1 + left // so that every target is met
			}
			s := r.accept(p, now)
			r.LowerBoundW = sum
			return s
		}
		if r.Steps&(r.Steps-1) == 0 && grows(f, now, step, u, next) {
			return Unservable
		}
	}
	return StepLimit
}

// remainder bounds what is left of the powers, sum_i F^i step, by a multiple of
// now. It reports false when there is no bound yet.
//
// F now = now + step - u. With s = min (u_k - step_k)/now_k > 0 that is
// F now <= (1-s) now, and with step <= d now the rest is at most d/s now. s turns
// positive exactly when the spectral radius is below one, since now tends to the
// solution and step to zero.
func remainder(now, step, u []float64) (float64, bool) {
	s, d := math.Inf(1), 0.0
	for k, p := range now {
		if p > 0 {
			s = math.Min(s, (u[k]-step[k])/p)
			d = math.Max(d, step[k]/p)
		}
	}
	return d / s, s > 0
}

// grows reports whether y, the powers of the users whose steps have outgrown
// their first, has F y >= y: a proof that the spectral radius is at least one.
// y is overwritten.
func grows(f, now, step, u, y []float64) bool {
	n := len(now)
	any := false
	for k := range n {
		y[k] = 0
		if now[k] > 0 && step[k] >= u[k] {
			y[k] = now[k]
			any = true
		}
	}
	if !any {
		return false
	}
	for k := range n {
		if y[k] > 0 && dotReal(f[k*n:k*n+n], y) < y[k] {
			return false
		}
	}
	return true
}
