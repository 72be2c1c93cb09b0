package audit

import (
	"math"

	"leastwatt/scheduler"
)

const (
	// mostPowerW is the power of a group above which a plan is not taken seriously.
	mostPowerW = 1e15
	// mostRounding is the relative error of a SINR up to which rates can be told: that
	// of the contract's tolerance of rates.
	mostRounding = scheduler.RateTolerance
)

// sinr returns the SINR of user k, served by allocation i of group, on subband f,
// which is the s-th in use, and a bound on its relative rounding error: the field of a
// beam that is all but cancelled at a user is known no better than to the rounding of
// what cancels.
func (a *auditor) sinr(group *scheduler.Group, k, i, s, f int) (sinr, rounding float64) {
	c, u := &a.slot.Channel, &a.slot.Users[k]
	from := (k*c.Subbands + f) * c.Antennas
	h := c.Samples[from : from+c.Antennas]
	other := noiseW(u, f, c.Subbands)
	var own, ownError, otherError float64
	for j := range group.Allocations {
		w := group.Allocations[j].Weights[s*c.Antennas : (s+1)*c.Antennas]
		gain, unsure := received(h, w)
		if j == i {
			own, ownError = gain, unsure
		} else {
			other += gain
			otherError += unsure
		}
		other += u.CSIErrorVariance * squares(w)
	}
	rounding = otherError / other
	if own > 0 {
		rounding += ownError / own
	}
	return own / other, rounding
}

// received returns |h^H w|^2 and a bound on its rounding error. Errors of products add
// up like their own magnitudes, each good to a unit in the last place, and those of sums
// of M terms as the root of M does (Higham and Mary, "A new approach to probabilistic
// rounding error analysis", SIAM J. Sci. Comput. 41(5), 2019, from memory).
func received(h, w []complex128) (power, unsure float64) {
	const unit = 1.0 / (1 << 53)
	var re, im, all float64
	for m := range h {
		re += real(h[m])*real(w[m]) + imag(h[m])*imag(w[m])
		im += real(h[m])*imag(w[m]) - imag(h[m])*real(w[m])
		all += math.Hypot(real(h[m]), imag(h[m])) * math.Hypot(real(w[m]), imag(w[m]))
	}
	off := unit * math.Sqrt(float64(len(h))) * all
	power = re*re + im*im
	return power, 2*math.Sqrt(power)*off + off*off
}

// carries audits that a SINR is more than rounding.
func (a *auditor) carries(path string, sinr, rounding float64) {
	if sinr > 0 && !(rounding <= mostRounding) {
		a.over(path, "rests on cancellation that double precision does not carry: relative error of the SINR", mostRounding, rounding)
	}
}
