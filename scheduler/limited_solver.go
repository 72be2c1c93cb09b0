package scheduler

import (
	"math"
	"slices"

	"leastwatt/optim"
)

// limitedSolver is the scratch of solves under limits.
type limitedSolver struct {
	solver  optim.Limited
	ws      optim.LimitedWorkspace
	result  optim.LimitedResult
	problem optim.LimitedProblem
	// Limits are solved for so much lower, relative: what is kept for the rounding
	// of weights.
	headroom float64
	last     limitedKey
}

// limitedKey tells a solved problem from others of the same slot.
type limitedKey struct {
	users, bands []int
	rates        []float64
	version      int // of directions
	headroom     float64
	peak         *peakLimits
}

// limitedPower is powerAt under the slot's limits.
func (s *groupSolver) limitedPower(g *onAir, rates, slopes []float64) float64 {
	if s.view.options.Beams != BeamsOptimal {
		return s.fixedPower(g, rates, slopes)
	}
	if s.solveLimited(g, rates) != optim.Solved {
		return math.Inf(1)
	}
	n, k, gap := len(g.bands), len(g.users), s.view.gap
	r := &s.limited.result
	for c := range g.bands {
		for i := range g.users {
			slopes[i*n+c] = r.SlopeSINR[c*k+i] * (gap + s.limited.problem.Bands[c].SINR[i])
		}
	}
	return r.PowerW
}

// fixedPower is powerAt for fixed beams under limits: their least powers are
// least for each beam, so that limits are met by them or by none.
func (s *groupSolver) fixedPower(g *onAir, rates, slopes []float64) float64 {
	if s.view.peak.silent() {
		return math.Inf(1)
	}
	power := s.freePower(g, rates, slopes)
	if math.IsInf(power, 1) {
		return power
	}
	w, _ := s.freeWeights(g, rates, (*bandSolver).solved)
	if w == nil || math.Max(s.view.peak.excess(w), g.found.excess(w)) > 1-s.limited.headroom {
		return math.Inf(1)
	}
	return power
}

// solveLimited solves the group for the rates given, [user][band], under the
// slot's limits, those on EIRP in the directions found so far.
func (s *groupSolver) solveLimited(g *onAir, rates []float64) optim.Status {
	l := &s.limited
	p := &l.problem
	v := s.view
	n, gap := len(g.bands), v.gap
	v.clock.check()
	if l.isLast(g, rates, v.peak) {
		return optim.Solved
	}
	p.Bands = p.Bands[:0]
	for c, f := range g.bands {
		b := optim.Band{Channel: v.channelOf(g.users, f)}
		for i, k := range g.users {
			b.SINR = append(b.SINR, gap*math.Expm1(rates[i*n+c]))
			if v.errVar != nil {
				b.ErrorVariance = append(b.ErrorVariance, v.errVar[f][k])
			}
		}
		p.Bands = append(p.Bands, b)
	}
	if v.peak.silent() {
		return optim.AboveLimits
	}
	p.Limits = v.peak.group(&g.found, 1-l.headroom)
	p.Start = g.found.duals
	if n := len(g.found.rowW) - len(p.Start.RowPrice); len(p.Start.Lambda) > 0 && n > 0 {
		p.Start.RowPrice = append(slices.Clone(p.Start.RowPrice), make([]float64, n)...)
	}
	s.solves++
	status := l.solver.Solve(p, &l.ws, &l.result)
	if status == optim.IllConditioned && len(p.Start.Lambda) > 0 {
		p.Start = optim.Duals{}
		s.solves++
		status = l.solver.Solve(p, &l.ws, &l.result)
	}
	l.last = limitedKey{}
	if status == optim.Solved {
		g.found.duals = copyDuals(&l.result.Duals)
		l.last = limitedKey{slices.Clone(g.users), slices.Clone(g.bands), slices.Clone(rates), g.found.version, l.headroom, v.peak}
	}
	return status
}

// isLast reports whether the last solve was of the same problem, and solved it.
func (l *limitedSolver) isLast(g *onAir, rates []float64, peak *peakLimits) bool {
	k := &l.last
	return len(k.rates) > 0 && slices.Equal(k.rates, rates) && slices.Equal(k.users, g.users) && slices.Equal(k.bands, g.bands) &&
		k.version == g.found.version && k.headroom == l.headroom && k.peak == peak
}

func copyDuals(d *optim.Duals) optim.Duals {
	return optim.Duals{
		Lambda:       append([]float64(nil), d.Lambda...),
		AntennaPrice: append([]float64(nil), d.AntennaPrice...),
		RowPrice:     append([]float64(nil), d.RowPrice...),
	}
}

// limitedWeights is weights under limits.
func (s *groupSolver) limitedWeights(g *onAir, rates []float64) (w []complex128, sinr []float64) {
	if s.solveLimited(g, rates) != optim.Solved {
		return nil, nil
	}
	sinr = make([]float64, len(rates))
	n := len(g.bands)
	for c := range g.bands {
		for i, t := range s.limited.problem.Bands[c].SINR {
			sinr[i*n+c] = t
		}
	}
	return append([]complex128(nil), s.limited.result.Weights...), sinr
}
