package optim

import "math"

// SplitProblem asks how a group's rates are best split across F subbands: the
// least P(r) over r_kf >= 0 with mean_f r_kf = r_k, where P is the group's power
// on all subbands together.
type SplitProblem struct {
	Users    int // K
	Subbands int // F >= 1
	// Rate holds r_k, the K targets in nats per use, means over the subbands.
	Rate []float64
	// Power returns the least power in W at the rates given, in nats per use of
	// their subband, and fills slope with its derivatives, > 0, both in the order
	// [user][subband]; +Inf where the rates cannot be met, as which a negative
	// number, NaN and a slope that is not positive and finite count too. A rate of
	// 0 has a slope that is not used. During the solve each user has a millionth of
	// its rate at least on every subband that is not closed to it: where that cannot
	// be served, neither can the group.
	Power func(rate, slope []float64) float64
	// Start is a split to start from, [user][subband], >= 0, in which ratios
	// count; nil, or one that cannot be served, starts from several.
	Start []float64
	// Closed marks the subbands on which a user can have no rate, such as those where
	// it has no channel, [user][subband]; nil means none.
	Closed []bool
}

// SplitResult is what RateSplit found. Slices are overwritten by the next solve.
type SplitResult struct {
	Status Status
	Steps  int       // calls of Power
	PowerW float64   // 0 unless Solved
	Rate   []float64 // [user][subband] nats per use of the subband
	// SlopeRate holds dP/dr_k for the K mean rates, W per nat and use: F times the
	// common marginal power.
	SlopeRate []float64
}

// RateSplit splits rates across subbands so that the marginal powers agree:
// dP/dr_kf is the same on every subband that carries rate of user k, and no
// smaller on the others (derived: the conditions of Karush, Kuhn and Tucker). The zero
// value is ready to use.
//
// Each step models P by exponentials with the slopes at hand,
// s_kf exp(delta_kf), exact for a single user, and takes the models' minimum:
// water-filling of each user over its subbands (Cover, Thomas, Elements of
// Information Theory, ch. 9, number from memory). A step that does not lower the
// power is halved. P is not always convex in the rates of several users, so
// that the marginal condition is necessary only: without a start the descent is
// run from an even split and from uneven ones, and the best is kept.
//
// With Exchange, other splits near to the best are tried: one in which a user's rate
// on one subband is on another, or two users' rates are swapped, those first that cost
// least by the models. It ends where 24 in a row save nothing.
//
// Complexity: one call of Power per step, about 10 steps per start or exchange.
type RateSplit struct {
	// Tolerance is the relative power that one more step would save at which
	// the descent ends. 0 means 1e-9.
	Tolerance float64
	// MaxSteps bounds the evaluations of one descent. 0 means 100.
	MaxSteps int
	// Exchange has splits tried that are no descent away: rates are moved to other
	// subbands, or swapped, as long as that saves power. With more users than
	// antennas who is on which subband is a choice of many, of which a descent finds
	// the nearest.
	Exchange bool
	// Stop, where not nil, is asked after every step: true ends the solve with the
	// best split so far, once there is one.
	Stop func() bool
}

// leastRate is the part of a user's rate that every subband keeps during the
// descent, so that slopes stay defined; it is taken off at the end.
const leastRate = 1e-6

// Solve solves p into r and returns r.Status: Solved; Unservable when no start
// could be served, which is no proof; or BadInput. It allocates; p.Power is called
// one at a time. MaxSteps bounds its calls for each of up to seven starts.
func (rs RateSplit) Solve(p *SplitProblem, r *SplitResult) Status {
	if !p.valid() {
		*r = SplitResult{Status: BadInput}
		return BadInput
	}
	k, f := p.Users, p.Subbands
	*r = SplitResult{Rate: grow(r.Rate, k*f), SlopeRate: grow(r.SlopeRate, k)}
	d := newDescent(rs, p)
	best := math.Inf(1)
	keep := func(power float64) {
		best = power
		copy(r.Rate, d.rate)
		for u := range k {
			r.SlopeRate[u] = float64(f) * d.level[u]
		}
	}
	try := func(start []float64) {
		if power := d.run(start, math.Inf(1)); power < best {
			keep(power)
		}
	}
	if p.Start != nil {
		try(p.Start)
	}
	if math.IsInf(best, 1) {
		for _, start := range p.starts() {
			try(start)
			if !math.IsInf(best, 1) && rs.stopped() {
				break
			}
		}
	}
	if rs.Exchange && !math.IsInf(best, 1) {
		e := exchanging{descent: d, at: r.Rate, power: best, keep: keep}
		e.run()
	}
	r.Steps = d.steps
	if math.IsInf(best, 1) {
		r.Status = Unservable
		clear(r.Rate)
		clear(r.SlopeRate)
		return r.Status
	}
	r.PowerW = best
	r.Status = Solved
	return r.Status
}

func (rs RateSplit) stopped() bool { return rs.Stop != nil && rs.Stop() }

// valid reports whether p's lengths agree and its numbers are finite.
func (p *SplitProblem) valid() bool {
	k, f := p.Users, p.Subbands
	return k >= 0 && f >= 1 && (k == 0 || f <= math.MaxInt/k) && p.Power != nil && len(p.Rate) == k && allFiniteNonNegative(p.Rate) &&
		(p.Closed == nil || len(p.Closed) == k*f) &&
		(p.Start == nil || len(p.Start) == k*f && allFiniteNonNegative(p.Start))
}

// closed reports whether entry i, [user][subband], is closed.
func (p *SplitProblem) closed(i int) bool { return p.Closed != nil && p.Closed[i] }

// starts returns splits to descend from: the even one, and splits in which users
// lean towards different subbands, lightly and so much that each has them nearly
// to itself.
func (p *SplitProblem) starts() [][]float64 {
	even := make([]float64, p.Users*p.Subbands)
	p.spread(even, func(int, int) float64 { return 1 })
	out := [][]float64{even}
	if p.Subbands == 1 || p.Users == 1 {
		return out
	}
	for _, lean := range []float64{4, 1e4} {
		for shift := range min(p.Subbands, 3) {
			s := make([]float64, len(even))
			p.spread(s, func(u, f int) float64 {
				if (u+shift)%p.Subbands == f%max(p.Users, 1) || (f+shift)%p.Users == u {
					return lean
				}
				return 1
			})
			out = append(out, s)
		}
	}
	return out
}

// spread fills s with weights of each user's rate.
func (p *SplitProblem) spread(s []float64, weight func(u, f int) float64) {
	for u := range p.Users {
		for f := range p.Subbands {
			s[u*p.Subbands+f] = weight(u, f)
		}
	}
}

// descent is the scratch of one solve.
type descent struct {
	settings RateSplit
	p        *SplitProblem
	rate     []float64 // [user][subband]
	slope    []float64 // [user][subband]
	level    []float64 // [user] common marginal power
	trial    []float64
	trialS   []float64
	steps    int
}

func newDescent(rs RateSplit, p *SplitProblem) *descent {
	n := p.Users * p.Subbands
	return &descent{
		settings: rs, p: p,
		rate: make([]float64, n), slope: make([]float64, n), level: make([]float64, p.Users),
		trial: make([]float64, n), trialS: make([]float64, n),
	}
}

// power evaluates a split and fills its slopes.
func (d *descent) power(rate, slope []float64) float64 {
	d.steps++
	clear(slope)
	total := d.p.Power(rate, slope)
	if !(total >= 0) {
		return math.Inf(1)
	}
	for i, v := range slope {
		if rate[i] > 0 && !(v > 0 && v <= math.MaxFloat64) {
			return math.Inf(1)
		}
	}
	return total
}

// splitHope times what a step saves to first order is what a descent is expected to
// save yet. With 8 one in 40 exchanges that save 1 % or more was given up, with 20
// none.
const splitHope = 20

// run descends from a start and leaves the split found in d.rate. It gives up where
// there is no hope to get below a power.
func (d *descent) run(start []float64, below float64) float64 {
	tolerance := orDefault(d.settings.Tolerance, 1e-9)
	maxSteps := d.steps + int(orDefault(float64(d.settings.MaxSteps), 100))
	copy(d.rate, start)
	if !d.lift() {
		return math.Inf(1)
	}
	total := d.power(d.rate, d.slope)
	if math.IsInf(total, 1) {
		return total
	}
	for d.steps < maxSteps {
		saved := d.waterFill()
		if saved <= tolerance*total || d.settings.stopped() || total-splitHope*saved > below {
			break
		}
		next := d.power(d.trial, d.trialS)
		for halved := 0; !(next < total) && halved < 30 && d.steps < maxSteps; halved++ {
			for i := range d.trial {
				d.trial[i] = (d.trial[i] + d.rate[i]) / 2
			}
			next = d.power(d.trial, d.trialS)
		}
		if !(next < total) {
			break
		}
		total = next
		d.rate, d.trial = d.trial, d.rate
		d.slope, d.trialS = d.trialS, d.slope
	}
	return d.settle(total)
}

// lift scales each user's rates to its target, at least leastRate of it on every
// open subband. It reports false for a user of a rate to whom all are closed.
func (d *descent) lift() bool {
	n := d.p.Subbands
	for u, r := range d.p.Rate {
		row := d.rate[u*n : (u+1)*n]
		top := 0.0
		for f := range row {
			if d.p.closed(u*n + f) {
				row[f] = 0
			}
			top = math.Max(top, row[f])
		}
		given := 0.0
		for f := range row {
			if top > 0 {
				row[f] /= top
			}
			given += row[f]
		}
		sum := 0.0
		for f := range row {
			if !d.p.closed(u*n + f) {
				row[f] = math.Max(row[f], leastRate*given)
				sum += row[f]
			}
		}
		if sum == 0 && r > 0 {
			return false
		}
		for f := range row {
			if sum > 0 {
				row[f] *= r * float64(n) / sum
			}
		}
	}
	return true
}

// waterFill fills trial with the minimum of the models and level with the
// marginal powers there. It returns the power that the step would save to first
// order.
func (d *descent) waterFill() float64 {
	n := d.p.Subbands
	saved := 0.0
	for u, r := range d.p.Rate {
		rate := d.rate[u*n : (u+1)*n]
		slope := d.slope[u*n : (u+1)*n]
		trial := d.trial[u*n : (u+1)*n]
		if r == 0 {
			clear(trial)
			continue
		}
		// trial_f = max(least, rate_f - log slope_f + log level): the level by
		// rising through the subbands that leave the least rate.
		least := leastRate * r
		level := math.Inf(-1)
		for range n + 1 {
			sum, count := 0.0, 0
			for f := range n {
				if d.p.closed(u*n + f) {
					continue
				}
				z := rate[f] - math.Log(slope[f])
				if math.IsInf(level, -1) || z+level > least {
					sum += z
					count++
				} else {
					sum += least
				}
			}
			next := (r*float64(n) - sum) / float64(max(count, 1))
			if next == level {
				break
			}
			level = next
		}
		for f := range n {
			if trial[f] = 0; d.p.closed(u*n + f) {
				continue
			}
			trial[f] = math.Max(least, rate[f]-math.Log(slope[f])+level)
			saved += slope[f] * (rate[f] - trial[f])
		}
		d.level[u] = math.Exp(level)
	}
	return saved
}

// settle takes the least rates off the subbands that carry nothing else.
func (d *descent) settle(total float64) float64 {
	n := d.p.Subbands
	copy(d.trial, d.rate)
	changed := false
	for u, r := range d.p.Rate {
		row := d.trial[u*n : (u+1)*n]
		off, most := 0.0, 0
		for f := range row {
			if row[f] > row[most] {
				most = f
			}
		}
		for f := range row {
			if f != most && row[f] > 0 && row[f] <= 2*leastRate*r {
				off += row[f]
				row[f] = 0
				changed = true
			}
		}
		row[most] += off
	}
	if !changed {
		return total
	}
	if next := d.power(d.trial, d.trialS); next <= total {
		d.rate, d.trial = d.trial, d.rate
		return next
	}
	return total
}
