package optim

import (
	"cmp"
	"math"
	"slices"
)

// Limits are caps in W on the power of one group while on the air. They hold on the
// sum over its subbands. The zero value caps nothing.
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

// FixedRows fills gain, N x K in the order [row][beam], and capW, N, for the
// caps of l on K unit-power beams w, [beam][antenna]: the rows of a FixedProblem.
// Antennas that have a cap come first, in their order, then Rows. O(N K M).
func (l *Limits) FixedRows(gain, capW []float64, w []complex128, antennas int) ([]float64, []float64) {
	gain, capW = gain[:0], capW[:0]
	for m, c := range l.AntennaW {
		if math.IsInf(c, 1) {
			continue
		}
		capW = append(capW, c)
		for at := m; at < len(w); at += antennas {
			gain = append(gain, abs2(w[at]))
		}
	}
	for i, c := range l.RowW {
		capW = append(capW, c)
		row := l.Rows[i*antennas : (i+1)*antennas]
		for at := 0; at < len(w); at += antennas {
			gain = append(gain, abs2(dot(row, w[at:at+antennas])))
		}
	}
	return gain, capW
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

// Duals are the multipliers of a limited problem. Anybody can re-compute what they
// prove: where Lambda_k h_k^H (Q + sum_j Lambda_j h_j h_j^H)^-1 h_k <= g_k/(1+g_k) on
// every subband, sum Lambda/z - q.c is no more than the least power within caps c
// (weak duality, derived).
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
// bind; the rows over their caps join them, of directions much alike the worst.
// Every D(q) is a lower bound on the power, and a D(q) above what the caps can
// radiate proves that no beams will do.
//
// The beams of the last prices are scaled, at last, so that every cap holds
// exactly on the weights returned; SINRs fall by no more than Tolerance. Where
// rounding stops the ascent earlier, which it does for nulls as deep as the
// arithmetic allows, SINRs fall by no more than 1e-7, or they hold and the power
// is up to 0.1 % above the least: LowerBoundW tells.
//
// Complexity: one solve of Optimal with a good start per step, O(N K M) to check
// all rows two or three times, O(a^3) for a binding rows. 3 to 6 steps where few
// limits bind, 10 and more near what the caps can bear. A solve with a used
// workspace and result allocates nothing.
type Limited struct {
	// Tolerance is the largest excess over a cap, relative, before the final
	// scaling. 0 means 1e-9.
	Tolerance float64
	// MaxSolves bounds the inner solves. 0 means 300.
	MaxSolves int
	// MaxPenaltyDB ends the solve with AboveLimits when the least power is proved
	// to exceed the interference-free power sum g_k / ||h_k||^2 by more: limits on
	// directions alone bound no power, and what cannot be met within them is told
	// from what is costly only there. 0 means
	// LargestPenaltyDB.
	MaxPenaltyDB float64
	// Poll is called from every step of a band's solves, and for each band.
	Poll Poll
}

// LimitedResult is what Limited found. Slices are overwritten by the next solve.
type LimitedResult struct {
	Status Status
	Solves int // inner solves

	// PowerW is sum ||w_k||^2 of the weights, 0 unless Solved.
	PowerW float64
	// LowerBoundW is proved to be no more than the least power within the limits,
	// whatever the status: the largest D met, lowered for rounding. 0 when nothing
	// is proved.
	LowerBoundW float64
	// Excess is, with AboveLimits, a factor that all caps together would have to
	// grow by, at least: proved by the Duals. It is 0 where neither a total cap nor
	// caps on all antennas bound the power.
	Excess float64

	// AntennaW, M, and RowW, N, are the powers of the antennas and of the rows, no
	// more than their caps; 0 unless Solved.
	AntennaW []float64
	RowW     []float64

	// Duals are those of the optimum when Solved; those of the proof with
	// AboveLimits. They make a start for the next slot.
	Duals Duals

	UserW []float64 // [subband][user] ||w_k||^2
	// SlopeSINR, dP/dg_k, and SlopeRate, dP/dr_k with r_k = log(1+g_k) in nats, are
	// the slopes of the least power within the limits, [subband][user]; by the
	// envelope theorem those of D at the prices found.
	SlopeSINR []float64
	SlopeRate []float64

	// Violated is as in Result, for the subband ViolatedBand.
	Violated     []int
	ViolatedBand int

	// Weights are the beams, powers included, [user][subband][antenna].
	Weights []complex128
}

const (
	defaultLimitTolerance = 1e-9
	defaultMaxSolves      = 300
	looseTolerance        = 1e-7  // where rounding stops progress
	maxDrawIn             = 1e-3  // of caps, where it does so earlier
	drawnInGap            = 1e-3  // lack of complementarity then
	deepestCap            = 1e-14 // of the power: less is lost in rounding
	proofMargin           = 1e-9  // of phi, over what the caps can radiate
	scaleMargin           = 1e-13 // left to other orders of summation
	responseError         = 1e-15 // of a^H w over |a| |w| sqrt M
	checkBelow            = 0.05  // largest excess at which all rows are checked
	alikeRows             = 0.5   // |a_i^H a_j|^2 from which only the worse is added
	sameRows              = 0.999 // |a_i^H a_j|^2 from which rows are the same
	largestStart          = 1e10  // price of a unit row that is worth starting from
	idleSlack             = 0.1   // relative slack at which an unpriced row is dropped
	firstReach            = 10    // of a step, see step
	maxReach              = 1000
	armijo                = 1e-4  // part of the slope that a step must gain
	maxTrials             = 30    // of one step
	maxRefused            = 3     // trials of a step that rounding spoils
	roundedGain           = 1e-10 // relative gain of D that rounding may hide
)

// LimitedWorkspace is the scratch of Limited. The zero value is ready to use; it
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
	model   boxModel
	reach   float64 // of a step, see step

	tolerance    float64 // relative excess over a cap at which prices are good
	gapTolerance float64 // relative lack of complementarity at which they are
	fall         float64 // largest relative fall of the weights' power at the end
	drawnIn      float64 // relative: capW is so much below the caps
	over         []int
	powerW       float64 // of the weights formed
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
//   - Solved;
//   - Unservable when no power meets the targets even without limits;
//   - AboveLimits when D is above the total cap or the sum of the antennas' caps,
//     which proves that no beams meet the targets within the limits, or above what
//     MaxPenaltyDB allows;
//   - IllConditioned when float64 loses the digits asked;
//   - StepLimit or BadInput.
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
	if ws.freeAbove(r) {
		return AboveLimits
	}
	ws.tolerance = orDefault(l.Tolerance, defaultLimitTolerance)
	ws.gapTolerance, ws.fall = ws.tolerance, 2*ws.tolerance
	below := checkBelow
	for {
		if !ws.derive(&ws.now) {
			return IllConditioned
		}
		excess, gap := ws.off()
		done := excess <= ws.tolerance && gap <= ws.gapTolerance
		if !ws.checked && (done || excess <= below) {
			if status := ws.check(r); status != Solved {
				return status
			}
			if ws.exchange() {
				below = checkBelow
				continue
			}
			below = 0
		}
		if done {
			if excess = ws.overCaps(p); excess <= ws.fall {
				ws.finish(p, r)
				return Solved
			}
		} else if status := ws.step(r); status == Solved {
			continue
		} else if status != IllConditioned {
			return status
		}
		if !ws.relax(excess, gap) {
			return IllConditioned
		}
		if status := ws.eval(&ws.now, r); status != Solved {
			return status
		}
	}
}

// freeAbove reports whether the interference-free power alone is above the caps,
// where that goes unseen in D, which loses its digits from SINRs of 80 dB on.
func (ws *LimitedWorkspace) freeAbove(r *LimitedResult) bool {
	lower := ws.freeW * (1 - proofMargin)
	if !(lower > ws.boundW) {
		return false
	}
	r.LowerBoundW = lower
	r.Excess = lower / ws.boundW
	k := len(r.Duals.Lambda) / len(ws.bands)
	for f := range ws.bands {
		b := &ws.bands[f]
		for i, user := range b.users {
			r.Duals.Lambda[f*k+user] = b.sinr[i] / b.gram.Norm2(i)
		}
	}
	return true
}

// relax makes do with what rounding leaves: at first with looser tolerances,
// then with caps drawn in by more than rows are over them. It reports false when
// rows are too far over.
func (ws *LimitedWorkspace) relax(excess, gap float64) bool {
	switch {
	case ws.tolerance < looseTolerance && excess <= looseTolerance && gap <= looseTolerance:
		ws.tolerance, ws.gapTolerance, ws.fall = looseTolerance, looseTolerance, 2*looseTolerance
	case ws.drawnIn == 0 && excess <= maxDrawIn/2:
		ws.drawnIn = 2 * math.Max(excess, looseTolerance)
		ws.tolerance, ws.gapTolerance, ws.fall = ws.drawnIn/2, drawnInGap, 2*looseTolerance
		for i := range ws.set.capW {
			ws.set.capW[i] *= 1 - ws.drawnIn
		}
	default:
		return false
	}
	ws.reach = firstReach
	return true
}

// load takes the problem's users and limits, and the rows that have a price at
// the start.
func (ws *LimitedWorkspace) load(p *LimitedProblem, l *Limited, r *LimitedResult) Status {
	m := p.Bands[0].Channel.Antennas
	ws.set.load(&p.Limits, m)
	ws.bands = ws.bands[:cap(ws.bands)] // their scratch is kept
	for len(ws.bands) < len(p.Bands) {
		ws.bands = append(ws.bands, pricedBand{})
	}
	ws.bands = ws.bands[:len(p.Bands)]
	ws.freeW = 0
	for f := range ws.bands {
		b := &ws.bands[f]
		l.Poll.now()
		if k := b.load(&ws.set, &p.Bands[f], l.MaxPenaltyDB, l.Poll); k >= 0 {
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
	ws.costlyW = ws.freeW * math.Pow(10, orDefault(l.MaxPenaltyDB, LargestPenaltyDB)/10)
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
	ws.reach, ws.drawnIn = firstReach, 0
	ws.activate()
	return Solved
}

// activateStart appends the rows from first on that have a sensible price to
// start from.
func (ws *LimitedWorkspace) activateStart(q, price []float64, first int) []float64 {
	for i, v := range price {
		if v *= ws.set.scale(first + i); v > 0 && v < largestStart && finite(ws.set.capW[first+i]) {
			ws.rows = append(ws.rows, first+i)
			q = append(q, v)
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
	if !finite(pt.value) {
		return IllConditioned
	}
	// What the two ways to phi differ by tells of rounding.
	lower -= math.Abs(value-lower) + 1e-12*value
	cost /= 1 - ws.drawnIn
	r.LowerBoundW = math.Max(r.LowerBoundW, lower-cost)
	if lower*(1-proofMargin)-cost > math.Min(ws.boundW, ws.costlyW) {
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
		ws.bands[f].optimal.Poll.now()
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
		ws.bands[f].optimal.Poll.now()
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
	for i, c := range ws.set.capW {
		if c < deepestCap*ws.powerW && ws.rowW[i] > c {
			return IllConditioned
		}
	}
	ws.checked = true
	return Solved
}

// exchange makes rows over their caps active, and idle ones inactive. It
// reports whether there are new ones. Of rows much alike, such as neighbouring
// directions, only the one furthest over its cap is taken, and none that is the
// same as an active one still over its cap.
func (ws *LimitedWorkspace) exchange() bool {
	ws.over = ws.over[:0]
	for i, p := range ws.rowW {
		if p > ws.set.capW[i]*(1+ws.tolerance) {
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
			alike = alike || ws.set.alike(i, j) > alikeRows
		}
		for at, j := range ws.rows {
			alike = alike || ws.now.grad[at] > ws.tolerance*ws.set.capW[j] && ws.set.alike(i, j) > sameRows
		}
		if !alike {
			ws.over[taken] = i
			taken++
		}
	}
	if taken == 0 {
		return false
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
// Every price may move by a factor 1 + reach of price + 1/s, s = a^H Q^-1 a
// without its own price; the model of D is maximised within. The power of a row
// falls like 1/(price + 1/s)^2, so that its inverse root is nearly linear: the
// first trial is Newton's step for (row power)^-1/2 = cap^-1/2. Where D does not
// rise enough, Newton's step for D follows, with a shorter reach as need be.
func (ws *LimitedWorkspace) step(r *LimitedResult) Status {
	now, trial := &ws.now, &ws.trial
	steepened := true
	refused := 0
	for range maxTrials {
		slope := ws.direction(steepened)
		if !(slope > 0) && steepened {
			steepened = false
			slope = ws.direction(false)
		}
		if !(slope > 0) || refused > maxRefused {
			return IllConditioned
		}
		for j, q := range now.q {
			trial.q[j] = q + ws.model.y[j]
		}
		status := ws.eval(trial, r)
		if status == StepLimit || status == AboveLimits {
			return status
		}
		if status == Solved {
			if trial.value >= now.value+armijo*slope {
				ws.reach = math.Min(2*ws.reach, maxReach)
				return ws.accept()
			}
			// The values may agree to rounding; slopes tell more.
			if !ws.derive(trial) {
				return IllConditioned
			}
			end := 0.0
			for j, g := range trial.grad {
				end += g * ws.model.y[j]
			}
			rounded := math.Abs(now.value) * roundedGain
			if trial.value >= now.value-rounded && (end >= 0 || slope <= rounded && -end <= 0.9*slope) {
				return ws.accept()
			}
			if slope <= rounded {
				refused++
			}
		} else {
			refused++
		}
		if steepened {
			steepened = false
		} else {
			ws.reach /= 4
		}
	}
	return IllConditioned
}

func (ws *LimitedWorkspace) accept() Status {
	ws.now, ws.trial = ws.trial, ws.now
	ws.checked = false
	return Solved
}

// direction leaves in model.y the step within reach to where the model of D is
// largest and returns the slope of D along it.
func (ws *LimitedWorkspace) direction(steepened bool) (slope float64) {
	now, m := &ws.now, &ws.model
	a := len(ws.rows)
	m.resize(a)
	for i, q := range now.q {
		g := now.grad[i]
		c := ws.set.capW[ws.rows[i]]
		over := math.Max(1, 1+g/c)
		if steepened && g > -c {
			g = 2 * (g + c) * (math.Sqrt((g+c)/c) - 1)
		}
		m.linear[i] = g
		m.y[i] = 0
		s := 0.0
		for f := range ws.bands {
			s += ws.bands[f].own(i) / float64(len(ws.bands))
		}
		scale := 1 / s // the price itself and 1/s without it
		m.low[i] = math.Max(-q, -scale*(1-1/(1+ws.reach)))
		m.high[i] = scale * ws.reach * math.Sqrt(over)
		m.at[i] = free
		if q == 0 && now.grad[i] <= 0 {
			m.at[i] = atLow
		}
	}
	m.solve(now.curv)
	for i, g := range now.grad {
		slope += g * m.y[i]
	}
	return slope
}

// overCaps returns the largest relative excess of the weights formed over a cap,
// in any order of the sums: rows of little power of strong beams lose digits.
func (ws *LimitedWorkspace) overCaps(p *LimitedProblem) float64 {
	over := 0.0
	m := ws.set.antennas
	lost := responseError * math.Sqrt(float64(m)*ws.powerW)
	for i, c := range ws.set.capW {
		v := ws.rowW[i]
		if i >= m {
			root := math.Sqrt(v) + lost
			v = root * root
		}
		over = math.Max(over, v/c*(1-ws.drawnIn))
	}
	if p.Limits.TotalW > 0 {
		over = math.Max(over, ws.powerW/p.Limits.TotalW)
	}
	return over - 1
}

// finish scales the weights formed within every cap and fills r.
func (ws *LimitedWorkspace) finish(p *LimitedProblem, r *LimitedResult) {
	scale := math.Min(1, (1-scaleMargin)/(1+ws.overCaps(p)))
	if scale < 1 {
		kernels.Zdscal(len(r.Weights), math.Sqrt(scale), r.Weights, 1)
	}
	r.PowerW = ws.powerW * scale
	r.LowerBoundW = math.Min(r.LowerBoundW, r.PowerW) // SINRs fell with the scale
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

// boxModel minimises y^T K y / 2 - linear.y over low <= y <= high for a positive
// semidefinite K: the active-set method of Stark and Parker for bounded variables
// (Computational Statistics 10, 1995, from memory), started from y and a guess of
// the free entries.
type boxModel struct {
	linear, low, high, y []float64
	at                   []bound
	place                []int
	factor, s            []float64
}

// bound says where an entry is held.
type bound int8

const (
	free bound = iota
	atLow
	atHigh
)

func (p *boxModel) resize(n int) {
	for _, s := range []*[]float64{&p.linear, &p.low, &p.high, &p.y, &p.s} {
		*s = grow(*s, n)
	}
	p.at = grow(p.at, n)
	p.place = grow(p.place, n)
	p.factor = grow(p.factor, n*n)
}

// solve moves y to the minimum.
func (p *boxModel) solve(k []float64) {
	n := len(p.y)
	for range 10*n + 10 { // a few per entry; rounding could make it cycle
		if p.towards(k, p.unconstrained(k)) {
			continue
		}
		// Free the held entry that promises most.
		best, most := -1, 0.0
		for i, at := range p.at {
			if at == free {
				continue
			}
			g := p.linear[i] - dotReal(k[i*n:(i+1)*n], p.y)
			if at == atHigh {
				g = -g
			}
			if d := math.Sqrt(k[i*n+i]); g > most*d && g > 1e-12*math.Abs(p.linear[i]) {
				best, most = i, g/d
			}
		}
		if best < 0 {
			return
		}
		p.at[best] = free
	}
}

// towards moves the entries named towards s, as far as all stay within their
// bounds, and holds those that would leave them. It reports whether any would.
func (p *boxModel) towards(k []float64, open []int) bool {
	part, blocked := 1.0, false
	room := func(i, j int) float64 { // part of the way to s_i that y_j can go
		d := p.s[i] - p.y[j]
		switch {
		case d < 0 && p.s[i] <= p.low[j]:
			return (p.low[j] - p.y[j]) / d
		case d > 0 && p.s[i] >= p.high[j]:
			return (p.high[j] - p.y[j]) / d
		}
		return math.Inf(1)
	}
	for i, j := range open {
		if r := room(i, j); r <= 1 {
			blocked = true
			part = math.Min(part, r)
		}
	}
	for i, j := range open {
		switch r, d := room(i, j), p.s[i]-p.y[j]; {
		case r > part*(1+1e-12):
			p.y[j] += part * d
		case d < 0:
			p.y[j], p.at[j] = p.low[j], atLow
		default:
			p.y[j], p.at[j] = p.high[j], atHigh
		}
	}
	return blocked
}

// unconstrained fills s with the minimum over the free entries, whose numbers
// it returns. K is lifted by a trace of its diagonal, so that rows alike do no
// harm.
func (p *boxModel) unconstrained(k []float64) []int {
	n := len(p.y)
	open := p.place[:0]
	for i, at := range p.at {
		if at == free {
			open = append(open, i)
		}
	}
	m := len(open)
	for lift := 1e-13; lift < 1; lift *= 100 {
		for i, a := range open {
			p.s[i] = p.linear[a]
			for b, at := range p.at {
				if at != free {
					p.s[i] -= k[a*n+b] * p.y[b]
				}
			}
			for j, b := range open[:i+1] {
				p.factor[i*m+j] = k[a*n+b]
			}
			p.factor[i*m+i] += lift*k[a*n+a] + math.SmallestNonzeroFloat64
		}
		if choleskyReal(p.factor, m) {
			choleskySubstitute(p.factor, m, p.s[:m])
			return open
		}
	}
	for i, a := range open { // not a number: stay
		p.s[i] = p.y[a]
	}
	return open
}
