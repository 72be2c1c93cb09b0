package scheduler

import (
	"math"

	"leastwatt/channel"
	"leastwatt/optim"
)

// limitDuals is where the last solve of a group under limits ended.
type limitDuals = optim.Duals

// peakLimits are the limits on power of a slot, for the antennas in use. They
// hold in every group.
type peakLimits struct {
	totalW   float64   // +Inf: none
	antennaW []float64 // nil: none
	antenna  []int     // their numbers in the slot
	far      *farField
	cones    []coneLimit
	rows     []complex128 // of the directions found to matter so far, [row][antenna]
	rowW     []float64
}

// coneLimit is a limit on EIRP in a set of directions.
type coneLimit struct {
	cone  cone
	eirpW float64
	limit string // name and index in the contract
	index int
}

const (
	eirpTolerance = 1e-7 // relative excess at which a direction still counts as kept
	maxRows       = 400
	peakSlack     = 1e-9 // of the search for peaks
)

// newPeakLimits returns the limits of a slot, nil where there are none.
func newPeakLimits(s *Slot, antennas []int, far *farField) *peakLimits {
	l := &peakLimits{totalW: math.Inf(1), antenna: antennas, far: far}
	any := false
	if s.Limits.TotalPowerW != nil {
		l.totalW, any = *s.Limits.TotalPowerW, true
	}
	if len(s.Limits.AntennaPowerW) > 0 {
		any = true
		for _, m := range antennas {
			l.antennaW = append(l.antennaW, s.Limits.AntennaPowerW[m])
		}
	}
	if s.Limits.EIRPW != nil {
		any = true
		l.cones = append(l.cones, coneLimit{everywhere(), *s.Limits.EIRPW, "eirpW", 0})
	}
	for i, p := range s.Limits.ProtectedDirections {
		any = true
		c := newCone(channel.Direction{AzimuthDeg: p.AzimuthDeg, ElevationDeg: p.ElevationDeg}, p.WidthDeg)
		l.cones = append(l.cones, coneLimit{c, p.EIRPW, "protectedDirections", i})
	}
	if !any {
		return nil
	}
	return l
}

// group returns the limits for the optimiser.
func (l *peakLimits) group() optim.Limits {
	return optim.Limits{TotalW: l.totalW, AntennaW: l.antennaW, Rows: l.rows, RowW: l.rowW}
}

// silent reports whether nothing at all may be sent.
func (l *peakLimits) silent() bool {
	none := l.totalW == 0 || len(l.antenna) == 0
	for i := range l.cones {
		// No EIRP over a cone of any width leaves no weights but zero.
		none = none || l.cones[i].eirpW == 0
	}
	return none
}

// antennaPower adds up the power of each antenna over beams, [beam][antenna].
func antennaPower(w []complex128, antennas int) []float64 {
	out := make([]float64, antennas)
	for t, z := range w {
		out[t%antennas] += real(z)*real(z) + imag(z)*imag(z)
	}
	return out
}

// excess returns the largest power over its limit of beams, [beam][antenna],
// over all limits but those on EIRP in directions not found yet.
func (l *peakLimits) excess(w []complex128) float64 {
	m := len(l.antenna)
	worst := ratio(powerOf(w), l.totalW)
	if l.antennaW != nil {
		for i, p := range antennaPower(w, m) {
			worst = math.Max(worst, ratio(p, l.antennaW[i]))
		}
	}
	for i, limit := range l.rowW {
		row := l.rows[i*m : (i+1)*m]
		sum := 0.0
		for at := 0; at < len(w); at += m {
			z := optim.Received(row, w[at:at+m])
			sum += real(z)*real(z) + imag(z)*imag(z)
		}
		worst = math.Max(worst, ratio(sum, limit))
	}
	return worst
}

// over returns the largest power over its limit of beams, [beam][antenna], over
// all limits; 0 for no limits. It searches directions where EIRP is limited.
func (l *peakLimits) over(w []complex128) float64 {
	if l == nil {
		return 0
	}
	worst := l.excess(w)
	for i := range l.cones {
		if p := l.far.peaks(w, l.cones[i].cone); len(p) > 0 {
			// The search ends a little below the true maximum.
			worst = math.Max(worst, ratio(p[0].eirpW*(1+peakSlack), l.cones[i].eirpW))
		}
	}
	return worst
}

func ratio(power, limit float64) float64 {
	if power == 0 {
		return 0
	}
	return power / limit
}

// addPeaks adds the directions in which beams exceed a limit on EIRP.
func (l *peakLimits) addPeaks(w []complex128) {
	m := len(l.antenna)
	for i := range l.cones {
		c := &l.cones[i]
		for _, p := range l.far.peaks(w, c.cone) {
			over := ratio(p.eirpW, c.eirpW)
			if over <= 1+eirpTolerance || len(l.rowW) >= maxRows {
				continue
			}
			row := make([]complex128, m)
			l.far.row(row, p.direction)
			l.rows = append(l.rows, row...)
			l.rowW = append(l.rowW, c.eirpW)
		}
	}
}

// addDirections adds the directions in which the groups of a partition exceed a
// limit on EIRP. It reports whether there were any.
func (v *View) addDirections(p *partition) bool {
	if v.peak == nil || len(v.peak.cones) == 0 {
		return false
	}
	before := len(v.peak.rowW)
	for i := range p.groups {
		g := &p.groups[i]
		if math.IsInf(v.solver.planPower(g, g.share), 1) {
			continue
		}
		if w, _ := v.solver.weights(g, append([]float64(nil), v.solver.rates...)); w != nil {
			v.peak.addPeaks(w)
		}
	}
	return len(v.peak.rowW) > before
}

// needs are powers that a plan would take if no limit held.
type needs struct {
	totalW   float64
	antennaW []float64
	coneW    []float64
}

func (l *peakLimits) unlimited() *needs {
	return &needs{antennaW: make([]float64, len(l.antenna)), coneW: make([]float64, len(l.cones))}
}

// raise raises needs to what the beams of one group take.
func (l *peakLimits) raise(n *needs, w []complex128) {
	n.totalW = math.Max(n.totalW, powerOf(w))
	for i, p := range antennaPower(w, len(l.antenna)) {
		n.antennaW[i] = math.Max(n.antennaW[i], p)
	}
	for i := range l.cones {
		if p := l.far.peaks(w, l.cones[i].cone); len(p) > 0 {
			n.coneW[i] = math.Max(n.coneW[i], p[0].eirpW)
		}
	}
}

// exceeded returns the limits that are below the needs.
func (l *peakLimits) exceeded(n *needs) []BindingLimit {
	var out []BindingLimit
	if n.totalW > l.totalW {
		out = append(out, BindingLimit{Limit: "totalPowerW", NeededW: n.totalW})
	}
	if l.antennaW != nil {
		for i, p := range n.antennaW {
			if p > l.antennaW[i] {
				out = append(out, BindingLimit{Limit: "antennaPowerW", Index: l.antenna[i], NeededW: p})
			}
		}
	}
	for i, p := range n.coneW {
		if c := &l.cones[i]; p > c.eirpW {
			out = append(out, BindingLimit{Limit: c.limit, Index: c.index, NeededW: p})
		}
	}
	return out
}
