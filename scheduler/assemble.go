package scheduler

import (
	"math"

	"leastwatt/optim"
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
	for _, g := range groups {
		p.Groups = append(p.Groups, v.assemble(p, g))
	}
	p.Solves = v.solver.solves
}

// assemble forms one group's weights and adds what they do to the plan.
func (v *View) assemble(p *Plan, g onAir) Group {
	out := Group{Share: g.share}
	e := v.encode(g)
	if e == nil {
		return out
	}
	m := v.Antennas()
	f := v.Subbands()
	out.WeightScale = e.scale
	power := make([]float64, m)
	for i, k := range g.users {
		a := Allocation{UserID: v.slot.Users[k].ID, BeamIndex: -1, SINR: make([]float64, f)}
		w := e.weights[i*f*m : (i+1)*f*m]
		for t, z := range w {
			q := real(z)*real(z) + imag(z)*imag(z)
			a.PowerW += q
			power[t%m] += q
		}
		bits := 0.0
		for b := range f {
			a.SINR[b] = e.sinr[b*len(g.users)+i]
			bits += math.Log2(1 + a.SINR[b]/v.gap())
		}
		a.RateBps = g.share * v.slot.BandwidthHz / float64(f) * bits
		if v.options.Weights != WeightsNone {
			a.Weights = w
		}
		out.RadiatedPowerW += a.PowerW
		out.Allocations = append(out.Allocations, a)
		p.Users[k].RateBps += a.RateBps
	}
	for i, q := range power {
		p.AntennaPowerW[i] = math.Max(p.AntennaPowerW[i], q)
	}
	p.RadiatedPowerW += g.share * out.RadiatedPowerW
	return out
}

// encoded is a group's weights as the caller will see them.
type encoded struct {
	weights []complex128 // [user][subband][antenna]
	scale   float64      // of int16 counts
	sinr    []float64    // [subband][user]
}

// encodeTries bounds the rounds of encode: each at least doubles the margin.
const encodeTries = 30

// encode returns the group's weights, rounded to the format asked, with the
// power added that rounding costs: the rounded beams are measured, and powers
// are found anew for them until every rate is met to half the tolerance.
func (v *View) encode(g onAir) *encoded {
	s := &v.solver
	w := s.weights(g.users, g.share)
	if w == nil {
		return nil
	}
	n := len(g.users)
	target := append([]float64(nil), s.sinr...)
	h := s.channelOf(g.users)
	gains := make([]float64, n*n)
	var direct optim.PowerResult
	raised := make([]float64, n)
	margin := 0.0
	var best *encoded
	worst := math.Inf(-1)
	for range encodeTries {
		e := &encoded{}
		e.weights, e.scale = roundWeights(v.options.Weights, w)
		e.sinr = measure(gains, h, e.weights, s.errorVariance())
		lack := v.rateLack(e.sinr, target)
		if best == nil || lack < worst {
			best, worst = e, lack
		}
		if lack <= RateTolerance/2 {
			return e
		}
		// Powers for the beams as rounded, with a margin for the next rounding.
		margin = math.Max(2*margin, lack)
		for i := range raised {
			raised[i] = target[i] * (1 + margin)
		}
		fixed := optim.FixedProblem{Users: n, Gain: gains, SINR: raised, ErrorVariance: s.errorVariance()}
		beamPower := scaleGains(gains, e.weights, n)
		if (optim.Direct{}).Solve(&fixed, &direct) != optim.Solved {
			break
		}
		m := len(w) / n
		for j := range n {
			by := complex(math.Sqrt(direct.UserW[j]/beamPower[j]), 0)
			for t := range m {
				w[j*m+t] *= by
			}
		}
	}
	return best
}

// rateLack returns the largest relative shortfall of a rate, given SINRs and
// their targets.
func (v *View) rateLack(sinr, target []float64) float64 {
	lack := math.Inf(-1)
	for i, t := range target {
		lack = math.Max(lack, 1-math.Log1p(sinr[i]/v.gap())/math.Log1p(t/v.gap()))
	}
	return lack
}

// measure fills gains, K x K, with |h_k^H w_j|^2 and returns the SINRs.
func measure(gains []float64, h optim.Channel, w []complex128, errVar []float64) []float64 {
	n, m := h.Users, h.Antennas
	sinr := make([]float64, n)
	total := 0.0
	for _, z := range w {
		total += real(z)*real(z) + imag(z)*imag(z)
	}
	for k := range n {
		noise := 1.0
		if errVar != nil {
			noise += errVar[k] * total
		}
		hk := h.User(k)
		for j := range n {
			z := optim.Received(hk, w[j*m:(j+1)*m])
			gains[k*n+j] = real(z)*real(z) + imag(z)*imag(z)
			if j != k {
				noise += gains[k*n+j]
			}
		}
		sinr[k] = gains[k*n+k] / noise
	}
	return sinr
}

// scaleGains divides gains by the power of each beam and returns those powers.
func scaleGains(gains []float64, w []complex128, n int) []float64 {
	m := len(w) / n
	power := make([]float64, n)
	for j := range n {
		for _, z := range w[j*m : (j+1)*m] {
			power[j] += real(z)*real(z) + imag(z)*imag(z)
		}
		for k := range n {
			gains[k*n+j] /= power[j]
		}
	}
	return power
}

// maxCount is the largest int16 count used, the same on both sides of zero.
const maxCount = 32767

// roundWeights returns w as its encoding will carry it, and the scale of int16
// counts.
func roundWeights(format WeightFormat, w []complex128) ([]complex128, float64) {
	out := make([]complex128, len(w))
	switch format {
	case WeightsF32:
		for i, z := range w {
			out[i] = complex(float64(float32(real(z))), float64(float32(imag(z))))
		}
	case WeightsI16:
		largest := 0.0
		for _, z := range w {
			largest = math.Max(largest, math.Max(math.Abs(real(z)), math.Abs(imag(z))))
		}
		scale := largest / maxCount
		if scale == 0 {
			return out, 0
		}
		for i, z := range w {
			out[i] = complex(math.Round(real(z)/scale)*scale, math.Round(imag(z)/scale)*scale)
		}
		return out, scale
	default:
		copy(out, w)
	}
	return out, 0
}
