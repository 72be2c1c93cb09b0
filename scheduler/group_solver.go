package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

// maxNats is the largest rate in nats per use worth solving for.
const maxNats = optim.LargestRateNats

// splitTolerance is the relative power at which a split over subbands ends.
const splitTolerance = 1e-8

const (
	narrowing = 0.8 // of limits, from one split to the next
	mostWider = 1e9 // how far above limits the first split may be
)

// groupSolver finds the power of a group at a share of the slot, with the beams
// and powers that the options name. It keeps, of every user, the penalty (its
// uplink power over the interference-free one) and the split of its rate over
// subbands, to start from.
type groupSolver struct {
	view       *View
	penalty    []float64 // [subband][user]
	fraction   []float64 // [user][subband] of the mean rate; < 0 not known
	band       bandSolver
	split      optim.SplitResult
	mean       []float64 // [user] rates over the group's subbands while on the air
	rates      []float64 // [user][band]
	slopes     []float64 // [user][band]
	costs      []float64 // [user][band], see stepUp
	bySum      []float64 // [user] slopes over the mean rates
	rate       []float64 // [user] of one subband
	slope      []float64 // [user] of one subband
	start      []float64
	better     map[string][]float64 // splits found by exchanges, see splitKey
	exchanging bool                 // splits are sought by exchanges
	limited    limitedSolver
	choice     beamChoice
	solves     int64

	tolerance float64 // of solves for optimal beams without limits; 0: the optimiser's own
}

func (s *groupSolver) init(v *View) {
	k, f := len(v.slot.Users), v.Subbands()
	s.view = v
	s.penalty = make([]float64, k*f)
	s.fraction = make([]float64, k*f)
	for i := range s.fraction {
		s.fraction[i] = -1
	}
	s.better = make(map[string][]float64)
	s.choice.init(k, v.clock)
	s.band.poll, s.limited.solver.Poll = v.clock.poll(), v.clock.poll()
}

// power returns the power of the group in W while on the air for the share
// given, and the slope of share * power over the share; +Inf and 0 when the
// targets cannot be met.
//
// With r_k the rate in nats per use while on the air, the slope is
// P - sum_k dP/dr_k r_k.
func (s *groupSolver) power(g *onAir, share float64) (powerW, shareSlopeW float64) {
	if len(g.users) == 0 {
		return 0, 0
	}
	if !s.setMean(g, share) || !s.chooseBeams(g, s.mean) {
		return math.Inf(1), 0
	}
	if len(g.bands) == 1 {
		s.rates = append(s.rates[:0], s.mean...)
		s.bySum = slices.Grow(s.bySum[:0], len(g.users))[:len(g.users)]
		powerW = s.powerAt(g, s.rates, s.bySum)
	} else {
		powerW = s.splitRates(g)
		if math.IsInf(powerW, 1) && s.view.book != nil && s.view.peak != nil {
			powerW = s.otherBeams(g)
		}
	}
	if math.IsInf(powerW, 1) {
		return powerW, 0
	}
	shareSlopeW = powerW
	for i, r := range s.mean {
		shareSlopeW -= s.bySum[i] * r
	}
	return powerW, shareSlopeW
}

// remember returns a function that brings back what solves start from now.
func (s *groupSolver) remember() (recall func()) {
	penalty, fraction := slices.Clone(s.penalty), slices.Clone(s.fraction)
	return func() {
		copy(s.penalty, penalty)
		copy(s.fraction, fraction)
	}
}

// fractions returns the parts of users' rates on all subbands in their last solves,
// [user][subband]; nil where there is one.
func (s *groupSolver) fractions(users []int) []float64 {
	n := s.view.Subbands()
	if n == 1 {
		return nil
	}
	out := make([]float64, 0, len(users)*n)
	for _, k := range users {
		out = append(out, s.fraction[k*n:(k+1)*n]...)
	}
	return out
}

// setFractions has the next solve of users start from fractions, nil for none.
func (s *groupSolver) setFractions(users []int, fractions []float64) {
	if fractions == nil {
		return
	}
	n := s.view.Subbands()
	for i, k := range users {
		copy(s.fraction[k*n:(k+1)*n], fractions[i*n:])
	}
}

// solved is what a group takes at some share, kept because on the edge of what it
// can bear another start of the same solve may fail.
type solved struct {
	mean     []float64 // [user] rates asked, see groupSolver
	headroom float64
	peak     *peakLimits
	version  int       // of directions
	rates    []float64 // [user][band]
	beam     []int     // [user of the group] of a codebook
	powerW   float64
}

// answers reports whether what was solved is what key asks for.
func (k *solved) answers(key *solved) bool {
	return len(k.rates) > 0 && slices.Equal(k.mean, key.mean) && k.headroom == key.headroom &&
		k.peak == key.peak && k.version == key.version
}

// planPower returns the power of the group as a plan would have it, on the
// steps of the rate table where there is one, and leaves its rates in s.rates.
func (s *groupSolver) planPower(g *onAir, share float64) float64 {
	if !s.setMean(g, share) {
		return math.Inf(1)
	}
	key := solved{mean: s.mean, headroom: s.limited.headroom, peak: s.view.peak, version: g.found.version}
	if g.solved.answers(&key) {
		k := &g.solved
		s.rates = append(s.rates[:0], k.rates...)
		for i, b := range k.beam {
			s.choice.beam[g.users[i]] = b
		}
		return k.powerW
	}
	powerW, _ := s.power(g, share)
	if s.view.table != nil && !math.IsInf(powerW, 1) {
		powerW = s.steppedPower(g)
	}
	if !math.IsInf(powerW, 1) {
		key.mean, key.rates, key.powerW = slices.Clone(s.mean), slices.Clone(s.rates), powerW
		if s.view.book != nil {
			for _, k := range g.users {
				key.beam = append(key.beam, s.choice.beam[k])
			}
		}
		g.solved = key
	}
	return powerW
}

// setMean sets the mean rates over the group's subbands while on the air. It
// reports false when one is out of range.
func (s *groupSolver) setMean(g *onAir, share float64) bool {
	s.mean = s.mean[:0]
	wider := float64(s.view.Subbands()) / float64(len(g.bands))
	for i := range g.users {
		r := s.view.target(g, i) * wider / share
		if g.rates != nil {
			r = g.rates[i]
		}
		if !(r <= maxNats) {
			return false
		}
		s.mean = append(s.mean, r)
	}
	return true
}

// splitRates splits the mean rates over the group's subbands for least power.
func (s *groupSolver) splitRates(g *onAir) float64 {
	ok := s.splitFrom(g, s.startSplit(g), s.powerAt)
	if !ok && s.view.peak != nil {
		ok = s.approachLimits(g)
	}
	if !ok {
		return math.Inf(1)
	}
	s.rates = append(s.rates[:0], s.split.Rate...)
	s.bySum = append(s.bySum[:0], s.split.SlopeRate...)
	if g.elsewhere() {
		g.split = slices.Clone(s.rates)
	}
	for i, k := range g.users {
		for b, f := range g.bands {
			s.fraction[k*s.view.Subbands()+f] = s.rates[i*len(g.bands)+b] / s.mean[i]
		}
	}
	return s.split.PowerW
}

// splitFrom splits the mean rates for least power, from a start where there is
// one, and then without.
func (s *groupSolver) splitFrom(g *onAir, start []float64, power func(g *onAir, rates, slopes []float64) float64) bool {
	p := optim.SplitProblem{
		Users: len(g.users), Subbands: len(g.bands), Rate: s.mean, Closed: s.closed(g), Start: start,
		Power: func(rate, slope []float64) float64 { return power(g, rate, slope) },
	}
	split := optim.RateSplit{Tolerance: splitTolerance, Stop: s.view.Stopped, Exchange: s.exchanging}
	if split.Solve(&p, &s.split) == optim.Solved {
		return true
	}
	p.Start = nil
	return start != nil && split.Solve(&p, &s.split) == optim.Solved
}

// closed marks the subbands on which users of a group have no channel,
// [user][band]; nil means none.
func (s *groupSolver) closed(g *onAir) []bool {
	var out []bool
	for i, k := range g.users {
		for b, f := range g.bands {
			if s.view.ownGain(k, f) > 0 {
				continue
			}
			if out == nil {
				out = make([]bool, len(g.users)*len(g.bands))
			}
			out[i*len(g.bands)+b] = true
		}
	}
	return out
}

// approachLimits splits the mean rates where limits rule out the even split: from
// the split without limits, and where that exceeds them by way of wider limits,
// each split a start for the next.
func (s *groupSolver) approachLimits(g *onAir) bool {
	if s.view.peak.silent() || !s.splitFrom(g, s.startSplit(g), s.freePower) {
		return false
	}
	w, _ := s.freeWeights(g, s.split.Rate, (*bandSolver).solved)
	if w == nil {
		return false
	}
	kept := s.limited.headroom
	defer func() { s.limited.headroom = kept }()
	wider := math.Max(s.view.peak.excess(w), g.found.excess(w))
	if !(wider < mostWider) {
		return false
	}
	for ; !s.view.Stopped(); wider *= narrowing {
		s.limited.headroom = math.Min(1-wider, kept)
		if !s.splitFrom(g, slices.Clone(s.split.Rate), s.powerAt) {
			return false
		}
		if s.limited.headroom == kept {
			return true
		}
	}
	return false
}

// startSplit returns the last split of the group's users, scaled to the rates
// at hand, or the one that exchanges found for the group, or nil when none is known. Where users are in several groups it is
// that of this one, whose ratios count.
func (s *groupSolver) startSplit(g *onAir) []float64 {
	if len(g.split) == len(g.users)*len(g.bands) && g.elsewhere() {
		return g.split
	}
	if better := s.betterSplit(g); better != nil {
		return better
	}
	s.start = s.start[:0]
	for i, k := range g.users {
		sum := 0.0
		for _, f := range g.bands {
			x := s.fraction[k*s.view.Subbands()+f]
			if x < 0 {
				return nil
			}
			sum += x
			s.start = append(s.start, x)
		}
		if sum == 0 {
			return nil
		}
		row := s.start[i*len(g.bands):]
		for b := range g.bands {
			row[b] *= s.mean[i] * float64(len(g.bands)) / sum
		}
	}
	return s.start
}

// powerAt returns the power of the group for the rates given, [user][band] in
// nats per use, and fills slopes with its derivatives.
func (s *groupSolver) powerAt(g *onAir, rates, slopes []float64) float64 {
	if s.view.peak != nil {
		return s.limitedPower(g, rates, slopes)
	}
	return s.freePower(g, rates, slopes)
}

// freePower is powerAt without limits.
func (s *groupSolver) freePower(g *onAir, rates, slopes []float64) float64 {
	n := len(g.bands)
	s.slope = slices.Grow(s.slope[:0], len(g.users))[:len(g.users)]
	total := 0.0
	for c := range g.bands {
		total += s.solveBand(g, rates, c)
		if math.IsInf(total, 1) {
			return total
		}
		for i, v := range s.slope {
			slopes[i*n+c] = v
		}
	}
	return total
}

// solveBand returns the power of the group on its subband c for the rates given,
// [user][band], and fills s.slope with its derivatives.
func (s *groupSolver) solveBand(g *onAir, rates []float64, c int) float64 {
	s.solves++
	s.view.clock.check()
	f := g.bands[c]
	s.rate = slices.Grow(s.rate[:0], len(g.users))[:len(g.users)]
	for i := range s.rate {
		s.rate[i] = rates[i*len(g.bands)+c]
	}
	b := &s.band
	b.set(s.view, g.users, f, s.rate)
	b.optimal.Tolerance = s.tolerance
	powerW, bySINR, status := b.solve(s.penalty[f*len(s.view.slot.Users):])
	if status != optim.Solved {
		return math.Inf(1)
	}
	gap := s.view.gap
	clear(s.slope)
	for a, i := range b.places {
		s.slope[i] = bySINR[a] * (gap + b.sinr[a])
	}
	return powerW
}

// weights returns the beam weights of the group on its subbands for the rates
// given, [user][band][antenna], powers found the way the options name, and the
// SINR targets, [user][band]. It returns nil when the targets cannot be met.
func (s *groupSolver) weights(g *onAir, rates []float64) (w []complex128, sinr []float64) {
	if s.view.peak != nil && s.view.options.Beams == BeamsOptimal {
		return s.limitedWeights(g, rates)
	}
	return s.freeWeights(g, rates, (*bandSolver).weights)
}

// freeWeights is weights without limits, taken from the solve of each subband.
func (s *groupSolver) freeWeights(g *onAir, rates []float64, of func(*bandSolver) []complex128) (w []complex128, sinr []float64) {
	m, bands := s.view.Antennas(), len(g.bands)
	w = make([]complex128, len(g.users)*bands*m)
	sinr = make([]float64, len(g.users)*bands)
	s.slope = slices.Grow(s.slope[:0], len(g.users))[:len(g.users)]
	for c := range g.bands {
		if math.IsInf(s.solveBand(g, rates, c), 1) {
			return nil, nil
		}
		part := of(&s.band)
		if part == nil {
			return nil, nil
		}
		for a, i := range s.band.places {
			copy(w[(i*bands+c)*m:(i*bands+c+1)*m], part[a*m:(a+1)*m])
			sinr[i*bands+c] = s.band.sinr[a]
		}
	}
	return w, sinr
}
