package optim

import (
	"cmp"
	"math"
	"slices"
)

// Limits are caps on the power of one group while on the air. They hold on the
// sum over its subbands.
type Limits struct {
	// TotalW caps the radiated power sum_k ||w_k||^2; 0 or +Inf means no cap.
	TotalW float64
	// AntennaW caps the power of each of the M antennas, sum_k |w_mk|^2; nil
	// means no caps, +Inf none for that antenna. A cap of 0 is bad input: take
	// the antenna out of the channel instead.
	AntennaW []float64
	// Rows, N x M in the order [row][antenna], caps sum_k |a_i^H w_k|^2 at
	// RowW[i] > 0, in W, for row a_i. For a cap on EIRP a row is the root of the
	// element gain times the steering vector of a direction, phased like the
	// channel of a user there.
	Rows []complex128
	RowW []float64
}

// Band is one group on one subband.
type Band struct {
	Channel Channel // noise-normalised
	// SINR holds the K targets, linear, >= 0. A user of target 0 gets no power.
	SINR []float64
	// ErrorVariance holds e_k as in Problem; nil means an exact channel.
	ErrorVariance []float64
}

// LimitedProblem is one group under limits, on F subbands.
type LimitedProblem struct {
	// Bands, one a subband, have the same users and the same antennas.
	Bands  []Band
	Limits Limits
	// Start is where to start from, such as the last slot's result; the zero
	// value starts from no limits. It never changes the answer beyond the
	// tolerance.
	Start Duals
}

// Duals are the multipliers of a limited problem.
type Duals struct {
	// Lambda holds the uplink powers, [subband][user], for the channel
	// Q^-1/2 H with Q = I + z sum_i q_i a_i a_i^H over the limits' rows, prices
	// q_i and z = 1 - sum_k Lambda_k e_k.
	Lambda []float64
	// AntennaPrice and RowPrice are the prices q of the antennas' and the rows'
	// caps, W per W: a cap larger by dc lowers the least power by q dc. Only
	// caps that bind have a price.
	AntennaPrice []float64
	RowPrice     []float64
}

// Limited finds the beams and powers of least total power under limits: the
// minimum of sum ||w_k||^2 subject to SINR_k >= g_k, to per-antenna caps and to
// caps on |a^H w|^2 such as those on EIRP. The zero value is ready to use.
//
// Method: Lagrangian duality (Yu, Lan, IEEE Trans. SP 55(6), 2007, for
// per-antenna caps). For prices q >= 0 on the caps c the dual function
// D(q) = phi(q) - q.c, where phi is the least power when the power of row i
// costs q_i more, is concave, its gradient is row power minus cap, and phi is
// the problem of Optimal for another Gram matrix. It is maximised by Newton's
// method with the exact Hessian (derived in priced.go) over the few rows that
// bind; the steps solve the model's maximum over q >= 0. Every D(q) is a lower
// bound on the power, and a D(q) above what the caps can radiate proves that no
// beams will do.
//
// The beams of the last prices are scaled, at last, so that every cap holds
// exactly on the weights returned; SINRs fall by no more than Tolerance.
//
// Complexity: one solve of Optimal with a good start per step, O(N K M) to check
// all rows once or twice. 3 to 8 steps where few limits bind, more near what the
// caps can bear. A solve with a used workspace and result allocates nothing.
type Limited struct {
	// Tolerance is the largest excess over a cap, relative, before the final
	// scaling. 0 means 1e-9.
	Tolerance float64
	// MaxSolves bounds the inner solves. 0 means 300.
	MaxSolves int
	// MaxPenaltyDB ends the solve with IllConditioned when the power exceeds the
	// interference-free power without limits by more. 0 means 50 dB.
	MaxPenaltyDB float64
}

// LimitedResult is what a solve found. Slices are overwritten by the next solve.
type LimitedResult struct {
	Status Status
	Solves int // inner solves

	// PowerW is sum ||w_k||^2 of the weights, 0 unless Solved.
	PowerW float64
	// LowerBoundW is proved to be no more than the least power, whatever the
	// status: D at the Duals, lowered for rounding.
	LowerBoundW float64
	// Excess is, with AboveLimits, a factor that all caps together would have to
	// grow by, at least: proved by the Duals. 0 otherwise.
	Excess float64

	// AntennaW and RowW are the powers of the antennas and of the rows; no more
	// than their caps when Solved. With AboveLimits they are those of the last
	// beams that met the targets, zero when there were none.
	AntennaW []float64
	RowW     []float64

	Duals Duals

	UserW     []float64 // [subband][user] ||w_k||^2
	SlopeSINR []float64 // [subband][user] dP/dg_k with the limits held
	SlopeRate []float64 // [subband][user] dP/dr_k, r_k = log(1+g_k) in nats

	// Violated is as in Result, for the subband ViolatedBand.
	Violated     []int
	ViolatedBand int

	// Weights are the beams, powers included, [user][subband][antenna].
	Weights []complex128
}

const (
	defaultLimitTolerance = 1e-9
	defaultMaxSolves      = 300
	looseTolerance        = 1e-8 // where rounding stops progress
	proofMargin           = 1e-9 // of a bound over what the caps can radiate
	scaleMargin           = 1e-13
	checkBelow            = 0.05 // largest excess at which all rows are checked
	alikeRows             = 0.5  // |a_i^H a_j|^2 from which only the worse is added
	idleSlack             = 0.1  // relative slack at which an unpriced row is dropped
	maxGrowth             = 10   // of 1 + price in one step
	armijo                = 1e-4
	maxLineSteps          = 30
	maxRefused            = 3     // trials of a step too ill-conditioned to solve
	roundedGain           = 1e-10 // relative gain of D that rounding may hide
)

// LimitedWorkspace is the scratch of solves. The zero value is ready to use; it
// grows to the largest group seen. It must not be shared between goroutines.
type LimitedWorkspace struct {
	set     rowSet
	bands   []pricedBand
	boundW  float64 // what the caps can radiate
	freeW   float64 // interference-free power without limits
	costlyW float64 // freeW and the largest penalty
	left    int     // inner solves left
	start   Duals

	rows    []int // active, rising
	now     point
	trial   point
	rowW    []float64 // of all rows of unit norm, for the weights formed
	checked bool      // rowW is that of the prices now
	model   nonNegative
	target  []float64
	over    []int
	powerW  float64 // of the weights formed
}

// point is a set of prices with what was found there.
type point struct {
	q     []float64 // prices of the active rows
	value float64   // D
	grad  []float64 // row power - cap
	curv  []float64 // -Hessian of D, a x a
}

func (p *point) resize(a int) {
	p.q = grow(p.q, a)
	p.grad = grow(p.grad, a)
	p.curv = grow(p.curv, a*a)
}

// Solve solves p into r and returns r.Status:
// Solved;
// Unservable when no power meets the targets even without limits;
// AboveLimits when it is proved that no beams meet the targets within the
// limits: D is above the total cap or above the sum of the antennas' caps;
// IllConditioned when the power is so large that float64 loses the digits, which
// is how groups end that cannot meet limits which bound no power;
// StepLimit or BadInput.
func (l *Limited) Solve(p *LimitedProblem, ws *LimitedWorkspace, r *LimitedResult) Status {
	if !p.valid() {
		*r = LimitedResult{Status: BadInput}
		return BadInput
	}
	ws.start.copyFrom(&p.Start) // before r, which may hold it, is cleared
	r.reset(p)
	ws.left = int(orDefault(float64(l.MaxSolves), defaultMaxSolves))
	allowed := ws.left
	r.Status = l.solve(p, ws, r)
	r.Solves = allowed - ws.left
	return r.Status
}

func (d *Duals) copyFrom(from *Duals) {
	d.Lambda = append(d.Lambda[:0], from.Lambda...)
	d.AntennaPrice = append(d.AntennaPrice[:0], from.AntennaPrice...)
	d.RowPrice = append(d.RowPrice[:0], from.RowPrice...)
}

func (r *LimitedResult) reset(p *LimitedProblem) {
	h := &p.Bands[0].Channel
	f, k, m, n := len(p.Bands), h.Users, h.Antennas, len(p.Limits.RowW)
	old := *r
	*r = LimitedResult{Violated: old.Violated[:0]}
	zeros := func(s []float64, n int) []float64 {
		s = grow(s, n)
		clear(s)
		return s
	}
	r.AntennaW = zeros(old.AntennaW, m)
	r.RowW = zeros(old.RowW, n)
	r.Duals.Lambda = zeros(old.Duals.Lambda, f*k)
	r.Duals.AntennaPrice = zeros(old.Duals.AntennaPrice, m)
	r.Duals.RowPrice = zeros(old.Duals.RowPrice, n)
	r.UserW = zeros(old.UserW, f*k)
	r.SlopeSINR = zeros(old.SlopeSINR, f*k)
	r.SlopeRate = zeros(old.SlopeRate, f*k)
	r.Weights = grow(old.Weights, k*f*m)
	clear(r.Weights)
}

// valid reports whether p's lengths agree and its numbers are in range.
func (p *LimitedProblem) valid() bool {
	if len(p.Bands) == 0 {
		return false
	}
	k, m := p.Bands[0].Channel.Users, p.Bands[0].Channel.Antennas
	for i := range p.Bands {
		if b := &p.Bands[i]; b.Channel.Users != k || b.Channel.Antennas != m || !b.valid() {
			return false
		}
	}
	lengths := func(s []float64, n int) bool { return len(s) == 0 || len(s) == n }
	s := &p.Start
	return p.Limits.valid(m) && lengths(s.Lambda, len(p.Bands)*k) && lengths(s.AntennaPrice, m) &&
		lengths(s.RowPrice, len(p.Limits.RowW))
}

func (b *Band) valid() bool {
	k, m := b.Channel.Users, b.Channel.Antennas
	if k < 0 || m < 1 || len(b.Channel.Data) != k*m || len(b.SINR) != k ||
		b.ErrorVariance != nil && len(b.ErrorVariance) != k {
		return false
	}
	for _, s := range [][]float64{b.SINR, b.ErrorVariance} {
		for _, v := range s {
			if !finiteNonNegative(v) {
				return false
			}
		}
	}
	return finite(norm2(b.Channel.Data))
}

func (l *Limits) valid(antennas int) bool {
	if !(l.TotalW >= 0) || l.AntennaW != nil && len(l.AntennaW) != antennas || len(l.Rows) != len(l.RowW)*antennas {
		return false
	}
	for _, c := range l.AntennaW {
		if !(c > 0) {
			return false
		}
	}
	for i, c := range l.RowW {
		size := norm2(l.Rows[i*antennas : (i+1)*antennas])
		if !(c > 0) || !finite(size) || size > 0 && c/size == 0 {
			return false
		}
	}
	return true
}

func finite(v float64) bool { return v-v == 0 }

func (l *Limited) solve(p *LimitedProblem, ws *LimitedWorkspace, r *LimitedResult) Status {
	if status := ws.load(p, l, r); status != Solved {
		return status
	}
	if status := ws.eval(&ws.now, r); status != Solved {
		return status
	}
	tolerance := orDefault(l.Tolerance, defaultLimitTolerance)
	below := checkBelow
	for {
		if !ws.derive(&ws.now) {
			return IllConditioned
		}
		excess, gap := ws.off()
		done := excess <= tolerance && gap <= tolerance
		if !ws.checked && (done || excess <= below) {
			if status := ws.check(r); status != Solved {
				return status
			}
			if ws.exchange(tolerance) {
				below = checkBelow
				continue
			}
			below = 0
		}
		if done {
			ws.finish(p, r)
			return Solved
		}
		switch status := ws.step(r); {
		case status == Solved:
		case status != IllConditioned:
			return status
		case excess > looseTolerance || gap > looseTolerance || tolerance == looseTolerance:
			return IllConditioned
		default: // rounding stops progress, and this is good enough
			tolerance = looseTolerance
			if status := ws.eval(&ws.now, r); status != Solved {
				return status
			}
		}
	}
}

// load takes the problem's users and limits, and the rows that have a price at
// the start.
func (ws *LimitedWorkspace) load(p *LimitedProblem, l *Limited, r *LimitedResult) Status {
	m := p.Bands[0].Channel.Antennas
	ws.set.load(&p.Limits, m)
	for len(ws.bands) < len(p.Bands) {
		ws.bands = append(ws.bands, pricedBand{})
	}
	ws.bands = ws.bands[:len(p.Bands)]
	ws.freeW = 0
	for f := range ws.bands {
		b := &ws.bands[f]
		if k := b.load(&ws.set, &p.Bands[f], l.MaxPenaltyDB); k >= 0 {
			r.Violated, r.ViolatedBand = append(r.Violated, k), f
			return Unservable
		}
		ws.freeW += b.freeW()
		if k := len(p.Bands[f].SINR); len(ws.start.Lambda) > 0 {
			for i, user := range b.users {
				b.start[i] = ws.start.Lambda[f*k+user]
			}
		}
	}
	ws.costlyW = ws.freeW * math.Pow(10, orDefault(l.MaxPenaltyDB, defaultMaxPenaltyDB)/10)
	ws.boundW = math.Inf(1)
	if p.Limits.TotalW > 0 {
		ws.boundW = p.Limits.TotalW
	}
	if p.Limits.AntennaW != nil {
		sum := 0.0
		for _, c := range p.Limits.AntennaW {
			sum += c
		}
		ws.boundW = math.Min(ws.boundW, sum)
	}
	ws.rows = ws.rows[:0]
	ws.now.q = ws.now.q[:0]
	ws.now.q = ws.activateStart(ws.now.q, ws.start.AntennaPrice, 0)
	ws.now.q = ws.activateStart(ws.now.q, ws.start.RowPrice, m)
	ws.rowW = grow(ws.rowW, len(ws.set.capW))
	ws.checked = false
	ws.activate()
	return Solved
}

// activateStart appends the rows from first on that have a price to start from.
func (ws *LimitedWorkspace) activateStart(q, price []float64, first int) []float64 {
	for i, v := range price {
		if v > 0 && finite(v) && finite(ws.set.capW[first+i]) {
			ws.rows = append(ws.rows, first+i)
			q = append(q, v*ws.set.scale(first+i))
		}
	}
	return q
}

// activate makes the rows those of the bands. The last solves stand: rows that
// come or go have no price.
func (ws *LimitedWorkspace) activate() {
	for f := range ws.bands {
		ws.bands[f].activate(ws.rows, ws.now.q)
	}
	ws.now.resize(len(ws.rows))
	ws.trial.resize(len(ws.rows))
}

// eval finds D at the prices of pt. It returns AboveLimits where D is more than
// the limits or the penalty allow.
func (ws *LimitedWorkspace) eval(pt *point, r *LimitedResult) Status {
	if ws.left == 0 {
		return StepLimit
	}
	ws.left--
	value, lower, cost := 0.0, 0.0, 0.0
	for f := range ws.bands {
		b := &ws.bands[f]
		v, low, status := b.eval(pt.q)
		if status != Solved {
			for _, i := range b.result.Violated {
				r.Violated, r.ViolatedBand = append(r.Violated, b.users[i]), f
			}
			return status
		}
		value += v
		lower += low
	}
	for j, row := range ws.rows {
		cost += pt.q[j] * ws.set.capW[row]
	}
	pt.value = value - cost
	r.LowerBoundW = math.Max(r.LowerBoundW, lower-cost)
	if lower-cost > math.Min(ws.boundW, ws.costlyW)*(1+proofMargin) {
		// Caps s c bound the power by s boundW: phi - s q.c <= s boundW.
		r.Excess = lower / (cost + ws.boundW)
		ws.duals(pt, r)
		return AboveLimits
	}
	return Solved
}

// duals fills r.Duals with the prices of pt and the uplink powers there.
func (ws *LimitedWorkspace) duals(pt *point, r *LimitedResult) {
	m := ws.set.antennas
	for j, row := range ws.rows {
		if v := pt.q[j] / ws.set.scale(row); row < m {
			r.Duals.AntennaPrice[row] = v
		} else {
			r.Duals.RowPrice[row-m] = v
		}
	}
	k := len(r.Duals.Lambda) / len(ws.bands)
	for f := range ws.bands {
		b := &ws.bands[f]
		for i, user := range b.users {
			r.Duals.Lambda[f*k+user] = b.l[i]
		}
	}
}

// derive fills gradient and curvature at the prices last evaluated, those of pt.
func (ws *LimitedWorkspace) derive(pt *point) bool {
	clear(pt.grad)
	clear(pt.curv)
	for f := range ws.bands {
		if !ws.bands[f].derive(pt.q, pt.grad, pt.curv) {
			return false
		}
	}
	for i := range pt.curv {
		pt.curv[i] = -pt.curv[i]
	}
	for j, row := range ws.rows {
		pt.grad[j] -= ws.set.capW[row]
	}
	return true
}

// off returns the largest relative excess of an active row over its cap, and
// how far prices and slack are from complementary, relative to D.
func (ws *LimitedWorkspace) off() (excess, gap float64) {
	for j, row := range ws.rows {
		g := ws.now.grad[j]
		excess = math.Max(excess, g/ws.set.capW[row])
		gap += ws.now.q[j] * math.Abs(g)
	}
	return excess, gap / math.Max(math.Abs(ws.now.value), math.SmallestNonzeroFloat64)
}

// check forms the weights at the prices now and the powers of all rows.
func (ws *LimitedWorkspace) check(r *LimitedResult) Status {
	m, bands := ws.set.antennas, len(ws.bands)
	ws.powerW = 0
	for f := range ws.bands {
		p, status := ws.bands[f].form(r.Weights[f*m:], bands*m)
		if status != Solved {
			return status
		}
		ws.powerW += p
	}
	clear(ws.rowW)
	for at := 0; at < len(r.Weights); at += m {
		ws.set.addPowers(ws.rowW, r.Weights[at:at+m])
	}
	ws.checked = true
	return Solved
}

// exchange makes rows over their caps active, and idle ones inactive. It
// reports whether there are new ones. Of rows much alike, such as neighbouring
// directions, only the one furthest over its cap is taken.
func (ws *LimitedWorkspace) exchange(tolerance float64) bool {
	ws.over = ws.over[:0]
	for i, p := range ws.rowW {
		if p > ws.set.capW[i]*(1+tolerance) {
			if _, found := slices.BinarySearch(ws.rows, i); !found {
				ws.over = append(ws.over, i)
			}
		}
	}
	if len(ws.over) == 0 {
		return false
	}
	slices.SortFunc(ws.over, func(i, j int) int {
		pi, pj := ws.rowW[i]/ws.set.capW[i], ws.rowW[j]/ws.set.capW[j]
		return cmp.Or(cmp.Compare(pj, pi), i-j)
	})
	taken := 0
	for _, i := range ws.over {
		alike := false
		for _, j := range ws.over[:taken] {
			alike = alike || abs2(ws.set.product(max(i, j), min(i, j))) > alikeRows
		}
		if !alike {
			ws.over[taken] = i
			taken++
		}
	}
	// Keep what is priced or about to be.
	kept := 0
	for j, row := range ws.rows {
		if ws.now.q[j] > 0 || ws.now.grad[j] > -idleSlack*ws.set.capW[row] {
			ws.rows[kept], ws.now.q[kept] = row, ws.now.q[j]
			kept++
		}
	}
	ws.rows, ws.now.q = ws.rows[:kept], ws.now.q[:kept]
	for _, i := range ws.over[:taken] {
		at, _ := slices.BinarySearch(ws.rows, i)
		ws.rows = slices.Insert(ws.rows, at, i)
		ws.now.q = slices.Insert(ws.now.q, at, 0)
	}
	ws.activate()
	return true
}

// step moves to better prices. It returns IllConditioned where rounding leaves
// none.
//
// The power of a row falls like 1/(1+q)^2 with its own price, so that its
// inverse root is nearly linear: the first trial is Newton's step for
// (row power)^-1/2 = cap^-1/2. Where D does not rise enough, Newton's step for D
// follows, shortened as need be.
func (ws *LimitedWorkspace) step(r *LimitedResult) Status {
	now, trial := &ws.now, &ws.trial
	steepened := true
	slope := ws.direction(true)
	if !(slope > 0) {
		steepened = false
		slope = ws.direction(false)
	}
	scale := ws.longest()
	refused := 0
	for range maxLineSteps {
		if !(slope > 0) || refused > maxRefused {
			return IllConditioned
		}
		for j, q := range now.q {
			trial.q[j] = q + scale*(ws.target[j]-q)
		}
		shorter := 0.5
		status := ws.eval(trial, r)
		if status == StepLimit || status == AboveLimits {
			return status
		}
		if status == Solved {
			if trial.value >= now.value+armijo*scale*slope {
				return ws.accept()
			}
			// The values may agree to rounding; slopes tell more.
			if !ws.derive(trial) {
				return IllConditioned
			}
			end := 0.0
			for j, g := range trial.grad {
				end += g * (ws.target[j] - now.q[j])
			}
			if rounded := math.Abs(now.value) * roundedGain; trial.value >= now.value-rounded &&
				(end >= 0 || scale*slope <= rounded && -end <= 0.9*slope) {
				return ws.accept()
			}
			shorter = math.Max(0.1, slope/(slope-end))
		} else {
			refused++
		}
		if steepened {
			steepened = false
			slope = ws.direction(false)
			scale = ws.longest()
		} else {
			scale *= shorter
		}
	}
	return IllConditioned
}

func (ws *LimitedWorkspace) accept() Status {
	ws.now, ws.trial = ws.trial, ws.now
	ws.checked = false
	return Solved
}

// direction fills target with the prices at which the model of D is largest and
// returns the slope of D towards them.
func (ws *LimitedWorkspace) direction(steepened bool) (slope float64) {
	now := &ws.now
	a := len(ws.rows)
	ws.target = grow(ws.target, a)
	ws.model.resize(a)
	for i := range a {
		g := now.grad[i]
		if c := ws.set.capW[ws.rows[i]]; steepened && g > -c {
			g = 2 * (g + c) * (math.Sqrt((g+c)/c) - 1)
		}
		ws.model.linear[i] = g + dotReal(now.curv[i*a:(i+1)*a], now.q)
		ws.model.free[i] = now.q[i] > 0 || g > 0
		ws.target[i] = now.q[i]
	}
	ws.model.solve(now.curv, ws.target)
	for i, g := range now.grad {
		slope += g * (ws.target[i] - now.q[i])
	}
	return slope
}

// longest returns the part of the step to target that raises no price by more
// than maxGrowth times one plus itself.
func (ws *LimitedWorkspace) longest() float64 {
	scale := 1.0
	for j, q := range ws.now.q {
		if d, most := ws.target[j]-q, maxGrowth*(1+q); d*scale > most {
			scale = most / d
		}
	}
	return scale
}

// finish scales the weights formed within every cap and fills r.
func (ws *LimitedWorkspace) finish(p *LimitedProblem, r *LimitedResult) {
	scale := 1.0
	fit := func(power, limit float64) {
		if power > limit*(1-scaleMargin) {
			scale = math.Min(scale, limit/power*(1-scaleMargin))
		}
	}
	for i, c := range ws.set.capW {
		fit(ws.rowW[i], c)
	}
	if p.Limits.TotalW > 0 {
		fit(ws.powerW, p.Limits.TotalW)
	}
	if scale < 1 {
		kernels.Zdscal(len(r.Weights), math.Sqrt(scale), r.Weights, 1)
	}
	r.PowerW = ws.powerW * scale
	m := ws.set.antennas
	for i, v := range ws.rowW {
		if i < m {
			r.AntennaW[i] = v * scale
		} else {
			r.RowW[i-m] = v * scale * ws.set.scale(i)
		}
	}
	ws.duals(&ws.now, r)
	k := p.Bands[0].Channel.Users
	for f := range ws.bands {
		b := &ws.bands[f]
		n := len(b.users)
		for i, user := range b.users {
			at := f*k + user
			g, x := b.sinr[i], b.x[i]/(1-b.errs)
			r.UserW[at] = b.x[i] * b.norms[i] * scale
			r.SlopeSINR[at] = x / ((1 + g) * (1 + g))
			r.SlopeRate[at] = x * real(b.ws.b[i*n+i])
		}
	}
}

// nonNegative minimises y^T K y / 2 - linear.y over y >= 0 for a positive
// semidefinite K: the active-set method of Lawson and Hanson (Solving Least
// Squares Problems, 1974, ch. 23; chapter from memory), started from a guess of
// the free entries.
type nonNegative struct {
	linear []float64
	free   []bool
	place  []int
	factor []float64
	s      []float64
}

func (p *nonNegative) resize(n int) {
	p.linear = grow(p.linear, n)
	p.free = grow(p.free, n)
	p.place = grow(p.place, n)
	p.factor = grow(p.factor, n*n)
	p.s = grow(p.s, n)
}

// solve moves y >= 0, positive only where free, to the minimum.
func (p *nonNegative) solve(k, y []float64) {
	n := len(y)
	for range 3*n + 10 {
		// Towards the minimum over the free entries, fixing those that reach 0.
		for {
			free := p.unconstrained(k, n)
			part, first := 1.0, -1
			for i, j := range free {
				if p.s[i] > 0 {
					continue
				}
				reach := 0.0 // of the way until y_j is 0; not a number counts as none
				if y[j] > 0 && p.s[i] <= 0 {
					reach = y[j] / (y[j] - p.s[i])
				}
				if first < 0 || reach < part {
					part, first = reach, j
				}
			}
			for i, j := range free {
				if part > 0 {
					y[j] += part * (p.s[i] - y[j])
				}
			}
			if first < 0 {
				break
			}
			y[first], p.free[first] = 0, false // at least one: the loop ends
		}
		// Free the fixed entry that promises most.
		best, most := -1, 0.0
		for i := range n {
			if p.free[i] {
				continue
			}
			g := p.linear[i] - dotReal(k[i*n:(i+1)*n], y)
			if d := k[i*n+i]; g > most*math.Sqrt(d) && g > 1e-12*math.Abs(p.linear[i]) {
				best, most = i, g/math.Sqrt(d)
			}
		}
		if best < 0 {
			return
		}
		p.free[best] = true
	}
}

// unconstrained fills s with the minimum over the free entries, whose numbers
// it returns. K is lifted by a trace of its diagonal, so that rows alike do no
// harm.
func (p *nonNegative) unconstrained(k []float64, n int) []int {
	free := p.place[:0]
	for i, f := range p.free {
		if f {
			free = append(free, i)
		}
	}
	m := len(free)
	for lift := 1e-13; lift < 1; lift *= 100 {
		for i, a := range free {
			for j, b := range free[:i+1] {
				p.factor[i*m+j] = k[a*n+b]
			}
			p.factor[i*m+i] += lift*k[a*n+a] + math.SmallestNonzeroFloat64
			p.s[i] = p.linear[a]
		}
		if choleskyReal(p.factor, m) {
			choleskySubstitute(p.factor, m, p.s[:m])
			return free
		}
	}
	clear(p.s[:m]) // not a number
	return free
}
