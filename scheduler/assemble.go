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
	power, _ := v.solver.power(g, g.share)
	if math.IsInf(power, 1) {
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
		bits := 0.0
		for _, s := range a.SINR {
			bits += math.Log1p(s/v.gap()) / math.Ln2
		}
		a.RateBps = g.share * v.slot.BandwidthHz / float64(v.Subbands()) * bits
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
