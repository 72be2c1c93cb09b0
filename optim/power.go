package optim

import "math"

// FixedProblem asks for the least powers of fixed unit-power beams, one per
// user: minimise sum p_k subject to SINR_k >= g_k, where
//
//	SINR_k = p_k a_kk / (1 + sum_{j != k} p_j a_kj + e_k sum_j p_j).
type FixedProblem struct {
	Users int
	// Gain holds a_kj = |h_k^H u_j|^2 of the noise-normalised channel, K x K in
	// the order [user][beam].
	Gain []float64
	// SINR holds the K targets, linear, >= 0.
	SINR []float64
	// ErrorVariance holds e_k as in Problem; nil means an exact channel.
	ErrorVariance []float64
}

// PowerResult is what a power solve found. Slices have one entry per user.
type PowerResult struct {
	Status Status
	Steps  int
	PowerW float64   // sum of UserW; 0 unless Solved
	UserW  []float64 // p_k; the componentwise least powers
	// SlopeSINR holds dP/dg_k. Only Direct fills it; otherwise it is zero.
	SlopeSINR []float64
	// LowerBoundW is proved to be no more than the least power of these beams.
	LowerBoundW float64
}

// PowerControl finds the least powers of fixed beams. All implementations agree
// to about 1e-8/(1 - spectral radius).
type PowerControl interface {
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
	for _, s := range [][]float64{p.Gain, p.SINR, p.ErrorVariance} {
		for _, v := range s {
			if !finiteNonNegative(v) {
				return false
			}
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
	*r = PowerResult{UserW: grow(r.UserW, n), SlopeSINR: grow(r.SlopeSINR, n)}
	clear(r.UserW)
	clear(r.SlopeSINR)
}

// coupling returns F and u of p >= F p + u (Foschini, Miljanic 1993), and false
// where estimation errors alone already exceed what a user's own signal can
// carry: g_k e_k >= a_kk.
func (p *FixedProblem) coupling() (f, u []float64, ok bool) {
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
			return nil, nil, false
		}
		for j := range n {
			if j != k {
				f[k*n+j] = g * (p.Gain[k*n+j] + e) / own
			}
		}
		u[k] = g / own
	}
	return f, u, true
}

// Direct solves (I - F) p = u by elimination: the closed form. It is feasible
// if and only if every pivot is positive (I - F is an M-matrix), that is, the
// spectral radius of F is below one. O(K^3/3).
type Direct struct{}

// Solve solves p into r and returns r.Status.
func (Direct) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(p.Users)
	r.Status = solveDirect(p, r)
	return r.Status
}

func solveDirect(p *FixedProblem, r *PowerResult) Status {
	if !p.valid() {
		return BadInput
	}
	f, u, ok := p.coupling()
	if !ok {
		return Unservable
	}
	n := p.Users
	for i := range f {
		f[i] = -f[i]
	}
	for k := range n {
		f[k*n+k] = 1
	}
	if !eliminate(f, n) {
		return Unservable
	}
	substitute(f, n, u)
	if status := r.accept(u); status != Solved {
		return status
	}
	// With y = (I-F)^-T 1, dP/dg_k = y_k (dF p + du)_k = y_k a_kk p_k / (own_k g_k).
	y := u
	for k := range y {
		y[k] = 1
	}
	substituteTransposed(f, n, y)
	for k, g := range p.SINR {
		if g > 0 {
			own := p.Gain[k*n+k]
			if p.ErrorVariance != nil {
				own -= g * p.ErrorVariance[k]
			}
			r.SlopeSINR[k] = y[k] * p.Gain[k*n+k] * r.UserW[k] / (own * g)
		}
	}
	return Solved
}

// accept takes finished powers into r.
func (r *PowerResult) accept(powerW []float64) Status {
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
	r.PowerW = sum
	r.LowerBoundW = sum
	return Solved
}

// Iterative is distributed power control, p <- F p + u (Foschini, Miljanic,
// IEEE Trans. VT 42(4), 1993; Yates, IEEE JSAC 13(7), 1995). From p = 0 the
// powers rise to the least solution, so that every iterate is a proved lower
// bound; an iterate from which the powers would fall everywhere proves that the
// targets can be met. O(K^2) per step, linear with factor the spectral radius.
type Iterative struct {
	// Tolerance is the relative accuracy of the powers asked. 0 means 1e-10.
	Tolerance float64
	// MaxSteps bounds the steps. 0 means 100000.
	MaxSteps int
}

// Solve solves p into r and returns r.Status. It returns Unservable when a
// vector y >= 0 with F y >= y was met, which proves a spectral radius of one
// or more.
func (it Iterative) Solve(p *FixedProblem, r *PowerResult) Status {
	r.reset(p.Users)
	r.Status = it.solve(p, r)
	return r.Status
}

func (it Iterative) solve(p *FixedProblem, r *PowerResult) Status {
	if !p.valid() {
		return BadInput
	}
	f, u, ok := p.coupling()
	if !ok {
		return Unservable
	}
	n := p.Users
	tolerance := orDefault(it.Tolerance, 1e-10)
	maxSteps := int(orDefault(float64(it.MaxSteps), 100000))
	now := make([]float64, n)
	next := make([]float64, n)
	step := make([]float64, n) // next - now, >= 0; step_{i+1} = F step_i
	copy(step, u)
	for r.Steps < maxSteps {
		r.Steps++
		sum := 0.0
		for k := range n {
			next[k] = now[k] + step[k]
			sum += next[k]
		}
		now, next = next, now
		if math.IsInf(sum, 1) {
			return Unservable
		}
		r.LowerBoundW = sum
		// What is left is sum_i F^i step'. With c = max (F step)_k / step_k over
		// users with a step, c < 1 bounds it by step' / (1 - c); and
		// F step >= step everywhere proves a spectral radius >= 1.
		up, down := 0.0, math.Inf(1)
		for k := range n {
			next[k] = dotReal(f[k*n:k*n+n], step)
			if step[k] > 0 {
				up = math.Max(up, next[k]/step[k])
				down = math.Min(down, next[k]/step[k])
			} else if next[k] > 0 {
				up = math.Inf(1)
			}
		}
		step, next = next, step
		if down >= 1 && down < math.Inf(1) {
			return Unservable
		}
		if up < 1 && done(now, step, up, tolerance) {
			for k := range n {
				now[k] += step[k] / (1 - up) // the bound, so that every target is met
			}
			return r.accept(now)
		}
	}
	return StepLimit
}

// done reports whether step/(1-up), which bounds what is left, is within the
// tolerance for every user.
func done(now, step []float64, up, tolerance float64) bool {
	for k, s := range step {
		if s > tolerance*(1-up)*now[k] {
			return false
		}
	}
	return true
}
