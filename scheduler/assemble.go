package scheduler

import "math"

// fill makes the plan from groups and shares: weights, encoded as asked, and
// everything else computed from them.
func (p *Plan) fill(v *View, groups []onAir) {
	slot := v.slot
	p.Users = make([]UserRate, len(slot.Users))
	for k := range slot.Users {
		p.Users[k] = UserRate{ID: slot.Users[k].ID, TargetBps: slot.Users[k].RateBps}
	}
	p.AntennaPowerW = make([]float64, slot.Channel.Antennas)
	for i := range groups {
		p.Groups = append(p.Groups, v.assemble(p, &groups[i]))
	}
	p.Solves = v.solver.solves
}

// assemble forms one group's weights and adds what they do to the plan.
func (v *View) assemble(p *Plan, g *onAir) Group {
	out := Group{Share: g.share}
	if len(g.bands) < v.Subbands() {
		out.Subbands = g.bands
	}
	if math.IsInf(v.solver.planPower(g, g.share), 1) {
		return out
	}
	e := v.encode(g, append([]float64(nil), v.solver.rates...))
	if e == nil {
		return out
	}
	m, bands := v.Antennas(), len(g.bands)
	out.WeightScale = e.scale
	antenna := make([]float64, m)
	for i, k := range g.users {
		w := e.weights[i*bands*m : (i+1)*bands*m]
		a := Allocation{UserID: v.slot.Users[k].ID, BeamIndex: -1, PowerW: powerOf(w), SINR: e.sinr[i*bands : (i+1)*bands]}
		for t, z := range w {
			antenna[t%m] += real(z)*real(z) + imag(z)*imag(z)
		}
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
			a.Weights = w
		}
		out.RadiatedPowerW += a.PowerW
		out.Allocations = append(out.Allocations, a)
		p.Users[k].RateBps += a.RateBps
	}
	for i, q := range antenna {
		p.AntennaPowerW[i] = math.Max(p.AntennaPowerW[i], q)
	}
	p.RadiatedPowerW += g.share * out.RadiatedPowerW
	return out
}

// carried returns the rate that an SINR carries, in nats per use, and with a
// rate table the standard's row in use, -1 for none.
func (v *View) carried(sinr float64) (nats float64, row int) {
	if v.table == nil {
		return math.Log1p(sinr / v.gap()), -1
	}
	i := v.table.StepAt(sinr*(1+2*RateTolerance), v.gap())
	if i < 0 {
		return 0, -1
	}
	return v.table.Nats(i), v.table.Steps[i].Index
}
