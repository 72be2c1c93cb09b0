package scheduler

import (
	"math"

	"leastwatt/energy"
)

// fill makes the plan from groups and shares: weights, encoded as asked, and
// everything else computed from them.
func (p *Plan) fill(v *View, groups []onAir) {
	slot := v.slot
	p.Users = make([]UserRate, len(slot.Users))
	for k := range slot.Users {
		p.Users[k] = UserRate{ID: slot.Users[k].ID, TargetBps: slot.Users[k].RateBps}
	}
	p.AntennaPowerW = make([]float64, slot.Channel.Antennas)
	if slot.Array != nil && slot.CarrierHz > 0 {
		p.PeakEIRPW = new(float64)
	}
	var loads []energy.GroupLoad
	for i := range groups {
		if len(groups[i].users) == 0 {
			continue // they get all of their rates in other groups
		}
		g, antennaW := v.assemble(p, &groups[i])
		p.Groups = append(p.Groups, g)
		loads = append(loads, v.load(&g, antennaW))
	}
	p.consume(v, loads)
}

// assemble forms one group's weights and adds what they do to the plan. It returns
// the power of every antenna of the slot as well.
func (v *View) assemble(p *Plan, g *onAir) (out Group, antennaW []float64) {
	out.Share = g.share
	antennaW = make([]float64, v.slot.Channel.Antennas)
	if len(g.bands) < v.Subbands() {
		out.Subbands = g.bands
	}
	if math.IsInf(v.solver.planPower(g, g.share), 1) {
		return out, antennaW
	}
	e := v.encode(g, append([]float64(nil), v.solver.rates...))
	if e == nil {
		return out, antennaW
	}
	m, bands := v.Antennas(), len(g.bands)
	out.WeightScale = e.scale
	for i, q := range antennaPower(e.weights, m) {
		at := v.antennas[i]
		antennaW[at] = q
		p.AntennaPowerW[at] = math.Max(p.AntennaPowerW[at], q)
	}
	if p.PeakEIRPW != nil {
		p.notePeak(v.peakEIRP(e.weights))
	}
	for i, k := range g.users {
		w := e.weights[i*bands*m : (i+1)*bands*m]
		a := Allocation{UserID: v.slot.Users[k].ID, BeamIndex: v.beamIndex(k), PowerW: powerOf(w), SINR: e.sinr[i*bands : (i+1)*bands]}
		nats := 0.0
		for _, s := range a.SINR {
			n, row := v.carried(s)
			nats += n
			if v.table != nil {
				a.RateStep = append(a.RateStep, row)
			}
		}
		a.RateBps = g.share * v.slot.BandwidthHz / float64(v.Subbands()) * nats / math.Ln2
		if v.options.Weights != WeightsNone {
			a.Weights = v.everyAntenna(w)
		}
		out.RadiatedPowerW += a.PowerW
		out.Allocations = append(out.Allocations, a)
		p.Users[k].RateBps += a.RateBps
	}
	p.RadiatedPowerW += g.share * out.RadiatedPowerW
	return out, antennaW
}

// notePeak notes the largest EIRP of one more group, and that none is known where
// that of a group is not.
func (p *Plan) notePeak(eirpW float64, known bool) {
	if !known {
		p.PeakEIRPW, p.StoppedEarly = nil, true
		return
	}
	*p.PeakEIRPW = math.Max(*p.PeakEIRPW, eirpW)
}

// carried returns the rate that an SINR carries, in nats per use, and with a
// rate table the standard's row in use, -1 for none.
func (v *View) carried(sinr float64) (nats float64, row int) {
	if v.table == nil {
		return math.Log1p(sinr / v.gap), -1
	}
	i := v.table.StepAt(sinr*(1+2*RateTolerance), v.gap)
	if i < 0 {
		return 0, -1
	}
	return v.table.Nats(i), v.table.Steps[i].Index
}

// everyAntenna spreads weights, [band][antenna in use], over all antennas of the
// slot.
func (v *View) everyAntenna(w []complex128) []complex128 {
	n, m := v.slot.Channel.Antennas, len(v.antennas)
	if n == m {
		return w
	}
	out := make([]complex128, len(w)/m*n)
	for t, z := range w {
		out[t/m*n+v.antennas[t%m]] = z
	}
	return out
}
