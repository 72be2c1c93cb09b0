package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

// beamBook is the codebook of a slot on the antennas in use: beams are cut to
// them and scaled to unit power again. Beams of which nothing is left are
// left out.
type beamBook struct {
	beams  optim.Codebook
	number []int       // of each beam in the slot's codebook
	gain   [][]float64 // [subband]: |h_k^H u_b|^2 of the noise-normalised channel, [user][beam]
	limits []float64   // part of each beam's power that limits on the group and on antennas count, [limit][beam]
}

// newBeamBook returns the codebook of a view with its gains, nil where the view
// takes other beams. O(F K L M) for L beams.
func newBeamBook(v *View) *beamBook {
	if v.options.Beams != BeamsCodebook {
		return nil
	}
	b := &beamBook{}
	b.cut(v.slot.codebook(v.options.Codebook), v.antennas)
	for f := range v.channel {
		gain := make([]float64, len(v.slot.Users)*b.beams.Beams)
		b.beams.Gains(gain, v.channel[f])
		b.gain = append(b.gain, gain)
	}
	b.count(v.peak)
	return b
}

// count sets what limits, nil for none, count of each beam's power.
func (b *beamBook) count(l *peakLimits) {
	b.limits = nil
	if l == nil {
		return
	}
	if !math.IsInf(l.totalW, 1) {
		b.limits = slices.Repeat([]float64{1}, b.beams.Beams)
	}
	for m := range l.antennaW {
		for i := range b.beams.Beams {
			b.limits = append(b.limits, abs2(b.beams.Beam(i)[m]))
		}
	}
}

// codebook returns the beams that options name, on all antennas of a slot.
func (s *Slot) codebook(c *Codebook) optim.Codebook {
	var all optim.Codebook
	if len(c.Beams) > 0 {
		all, _ = optim.NewCodebook(s.Channel.Antennas, c.Beams)
	} else {
		all, _ = optim.DFTCodebook(s.Channel.Antennas, c.Columns, c.Oversampling)
	}
	return all
}

// cut sets the beams to those of a codebook on some of its antennas.
func (b *beamBook) cut(all optim.Codebook, antennas []int) {
	if len(antennas) == all.Antennas {
		b.beams = all
		for i := range all.Beams {
			b.number = append(b.number, i)
		}
		return
	}
	var left []complex128
	for i := range all.Beams {
		u := all.Beam(i)
		any := false
		for _, m := range antennas {
			any = any || u[m] != 0
		}
		if !any {
			continue
		}
		b.number = append(b.number, i)
		for _, m := range antennas {
			left = append(left, u[m])
		}
	}
	b.beams, _ = optim.NewCodebook(len(antennas), left)
}

// beamChoice gives the users of a group beams of their own. It keeps the beam of
// every user, to start from.
type beamChoice struct {
	beam    []int // [user] of the last choice, -1: none
	start   []int // [user of the group]
	ws      optim.CodebookWorkspace
	result  optim.CodebookResult
	problem optim.CodebookProblem
	rows    []float64 // RowGain of the problem
	scale   float64   // of limits in it
	stop    func() bool
	clock   *clock
}

func (c *beamChoice) init(users int, until *clock) {
	c.clock = until
	c.beam, c.scale = make([]int, users), 1
	for k := range c.beam {
		c.beam[k] = -1
	}
}

// chooseTries bounds how often chooseBeams halves the rates: the highest the engine
// takes on, maxNats at a gap of 100 dB, are within reach of the search then.
const chooseTries = 8

// chooseBeams chooses a beam for each user of a group, for mean rates in nats per
// use over its subbands: one beam for all subbands, the choice of least power, within
// the limits, if every subband had the mean gains. Where that has none, a split of the rates over
// subbands may still serve the group, or the search has given up: beams are then
// chosen for half the rates, and so on. It reports false where no choice can serve
// the group or none was found. Without a codebook there is nothing to choose.
func (s *groupSolver) chooseBeams(g *onAir, mean []float64) bool {
	if s.view.book == nil {
		return true
	}
	c := &s.choice
	c.set(s.view, g)
	c.limit(s, g)
	for try := range chooseTries {
		s.solves++
		for i, r := range mean {
			c.problem.SINR[i] = s.view.gap * math.Expm1(math.Ldexp(r, -try))
		}
		status := c.solve()
		if status == optim.AboveLimits || status == optim.StepLimit && len(c.problem.RowW) > 0 {
			if len(g.bands) == 1 {
				return false
			}
			// A split may keep to limits that the mean gains do not.
			c.problem.RowGain, c.problem.RowW = nil, nil
			status = c.solve()
		}
		if status == optim.Solved {
			for i, k := range g.users {
				c.beam[k] = c.result.Beam[i]
			}
			return true
		}
		if status == optim.Unservable && len(g.bands) == 1 {
			return false
		}
	}
	return false
}

// otherLimits are the scales of limits by which beams are chosen on several subbands
// where those chosen break them: the split of rates takes more or less than the mean
// gains say.
var otherLimits = []float64{0.7, 1.4, 0.5, 2, 0.3, 4}

// otherBeams returns the power of a group within limits on several subbands where the
// beams chosen did not keep to them, +Inf where others do not either.
func (s *groupSolver) otherBeams(g *onAir) float64 {
	defer func() { s.choice.scale = 1 }()
	var last []int
	for _, s.choice.scale = range otherLimits {
		if s.view.Stopped() || !s.chooseBeams(g, s.mean) {
			break
		}
		var beam []int
		for _, k := range g.users {
			beam = append(beam, s.choice.beam[k])
		}
		if slices.Equal(beam, last) {
			continue
		}
		last = beam
		if power := s.splitRates(g); !math.IsInf(power, 1) {
			return power
		}
	}
	return math.Inf(1)
}

// limit puts the limits into the problem, as if each subband had an even part of
// them: those on antennas and on EIRP in the directions found.
func (c *beamChoice) limit(s *groupSolver, g *onAir) {
	v, p := s.view, &c.problem
	c.stop = v.Stopped
	p.RowGain, p.RowW = nil, nil
	if v.peak == nil {
		return
	}
	by := c.scale * (1 - s.limited.headroom) * (1 - 1e-12) / float64(len(g.bands))
	if !math.IsInf(v.peak.totalW, 1) {
		p.RowW = append(p.RowW, by*v.peak.totalW)
	}
	for _, w := range v.peak.antennaW {
		p.RowW = append(p.RowW, by*w)
	}
	c.rows = append(c.rows[:0], v.book.limits...)
	for i, w := range g.found.rowW {
		p.RowW = append(p.RowW, by*w)
		row := g.found.row(i)
		for b := range v.book.beams.Beams {
			c.rows = append(c.rows, abs2(optim.Received(row, v.book.beams.Beam(b))))
		}
	}
	p.RowGain = c.rows
}

// solve searches from the last choice, where there is one, without branch and
// bound: a search for shares asks many times for what hardly differs. Where that
// fails it starts from nothing.
func (c *beamChoice) solve() optim.Status {
	p := &c.problem
	if p.Start != nil {
		quick := optim.LimitedCodebook{MaxNodes: 1, Exact: p.Users*p.Beams <= optim.MaxExactPairs, Stop: c.stop, Poll: c.clock.poll(), Context: c.clock.context()}
		if status := quick.Solve(p, &c.ws, &c.result); status != optim.StepLimit && status != optim.AboveLimits {
			return status
		}
		p.Start = nil
	}
	full := optim.LimitedCodebook{Exact: true, Stop: c.stop, Poll: c.clock.poll(), Context: c.clock.context()}
	return full.Solve(p, &c.ws, &c.result)
}

// set makes ready the gains of a group, means over its subbands.
func (c *beamChoice) set(v *View, g *onAir) {
	l := v.book.beams.Beams
	by := 1 / float64(len(g.bands))
	p := &c.problem
	p.Users, p.Beams = len(g.users), l
	p.SINR = slices.Grow(p.SINR[:0], len(g.users))[:len(g.users)]
	p.Gain = slices.Grow(p.Gain[:0], len(g.users)*l)[:len(g.users)*l]
	c.start, p.ErrorVariance = c.start[:0], p.ErrorVariance[:0]
	clear(p.Gain)
	for i, k := range g.users {
		c.start = append(c.start, c.beam[k])
		variance := 0.0
		row := p.Gain[i*l : (i+1)*l]
		for _, f := range g.bands {
			for b, a := range v.book.gain[f][k*l : (k+1)*l] {
				row[b] += by * a
			}
			if v.errVar != nil {
				variance += by * v.errVar[f][k]
			}
		}
		if v.errVar != nil {
			p.ErrorVariance = append(p.ErrorVariance, variance)
		}
	}
	p.Start = nil
	if !slices.Contains(c.start, -1) {
		p.Start = c.start
	}
}

// bookGains sets the gains of the beams chosen. It returns Unservable where a
// user has none.
func (b *bandSolver) bookGains() optim.Status {
	v := b.view
	l := v.book.beams.Beams
	b.gains = b.gains[:0]
	for _, k := range b.users {
		for _, j := range b.users {
			beam := v.solver.choice.beam[j]
			if beam < 0 {
				return optim.Unservable
			}
			b.gains = append(b.gains, v.book.gain[b.band][k*l+beam])
		}
	}
	return optim.Solved
}

// bookWeights returns the weights of the beams chosen at the powers found.
func (b *bandSolver) bookWeights() []complex128 {
	v := b.view
	beam := make([]int, len(b.users))
	for i, k := range b.users {
		beam[i] = v.solver.choice.beam[k]
	}
	w := make([]complex128, len(b.users)*v.Antennas())
	v.book.beams.Weights(w, beam, b.fixed.UserW)
	return w
}

// ownGain returns the gain of user k's channel on subband f, along the beam
// chosen where there is a codebook.
func (v *View) ownGain(k, f int) float64 {
	if v.book == nil {
		return v.gram[f].Norm2(k)
	}
	b := v.solver.choice.beam[k]
	if b < 0 {
		return 0
	}
	return v.book.gain[f][k*v.book.beams.Beams+b]
}

// beamIndex returns the number of user k's beam in the slot's codebook, -1 for
// none.
func (v *View) beamIndex(k int) int {
	if v.book == nil || v.solver.choice.beam[k] < 0 {
		return -1
	}
	return v.book.number[v.solver.choice.beam[k]]
}
