package audit

import (
	"cmp"
	"math"
	"slices"

	"leastwatt/scheduler"
)

// The floor, with R_k the rate in nats per use that a floor may count on, m the
// prices of the certificate in falling order, p its powers and S_i the first i
// users in that order:
//
//	V     = sum over i of (m_i - m_i+1) (1/F) sum over f of log det A_i,f
//	A_i,f = I + sum over k in S_i of p_k,f h_k,f h_k,f^H / N_k,f
//	floor = (m.R - V + grad V.p) / max over k, f of dV/dp_k,f

// floorTolerance is how much less, relative, a floor may be than its certificate proves:
// what goes into the two is rounded apart.
const floorTolerance = 1e-6

// floor audits the floor: what the certificate proves for the channel of the
// antennas in use and for the rates re-computed here, at most the targets.
func (a *auditor) floor() {
	plan := a.plan
	if plan.FloorCertificate == nil {
		if plan.FloorPowerW != nil {
			a.find("floorPowerW", "no certificate proves it", *plan.FloorPowerW, 0)
		}
		return
	}
	provedW, fault := a.proved(plan.FloorCertificate)
	if fault != "" {
		a.find("floorCertificate", fault, 0, 0)
		return
	}
	a.result.FloorPowerW = &provedW
	if provedW > 0 && a.result.RadiatedPowerW > 0 {
		over := 10 * math.Log10(a.result.RadiatedPowerW/provedW)
		a.result.OverFloorDB = &over
	}
	if provedW > a.result.RadiatedPowerW*(1+Tolerance) {
		a.find("radiatedPowerW", "less than what the certificate proves is needed: the weights, the channel or this audit is wrong",
			a.result.RadiatedPowerW, provedW)
	}
	if plan.FloorPowerW == nil {
		return
	}
	switch claimed := *plan.FloorPowerW; {
	case !(claimed <= provedW*(1+Tolerance)):
		a.find("floorPowerW", "more than its certificate proves for this channel and the rates delivered", claimed, provedW)
	case !(claimed >= 0):
		a.find("floorPowerW", "negative", claimed, provedW)
	case !(claimed >= provedW*(1-floorTolerance)):
		a.find("floorPowerW", "less than its certificate proves", claimed, provedW)
	}
	if claimed := *plan.FloorPowerW; !(claimed <= a.result.RadiatedPowerW*(1+Tolerance)) {
		a.find("floorPowerW", "above the radiated power of the plan", claimed, a.result.RadiatedPowerW)
	}
}

// proved returns the bound in W that a certificate proves, or what is wrong with
// the certificate. It takes O(F K^2 M^2).
func (a *auditor) proved(c *scheduler.FloorCertificate) (boundW float64, fault string) {
	users, bands := len(a.slot.Users), a.slot.Channel.Subbands
	if len(c.Prices) != users || len(c.PowersW) != users*bands {
		return 0, "not one price per user and one power per user and subband"
	}
	for _, x := range slices.Concat(c.Prices, c.PowersW) {
		if !finite(x) || x < 0 {
			return 0, "a price or power is negative or not finite"
		}
	}
	byPrice := make([]int, users)
	for k := range byPrice {
		byPrice[k] = k
	}
	slices.SortFunc(byPrice, func(i, j int) int { return cmp.Compare(c.Prices[j], c.Prices[i]) })

	var value, steepest float64
	for k, u := range a.result.Users {
		bps := min(u.TargetBps, u.RateBps) * (1 - scheduler.RateTolerance)
		value += c.Prices[k] * math.Ln2 * bps / a.slot.BandwidthHz
	}
	for f := range bands {
		if a.ctx.Err() != nil {
			return 0, ""
		}
		h := a.overNoise(f)
		factor := newFactor(len(h[0]))
		slope := make([]float64, users) // dV/dp
		for i, k := range byPrice {
			p := c.PowersW[k*bands+f]
			value -= c.Prices[k] / float64(bands) * math.Log1p(p*factor.form(h[k]))
			factor.add(p, h[k])
			drop := c.Prices[k]
			if i+1 < users {
				drop -= c.Prices[byPrice[i+1]]
			}
			if drop == 0 {
				continue
			}
			for _, j := range byPrice[:i+1] {
				slope[j] += drop / float64(bands) * factor.form(h[j])
			}
		}
		for k, s := range slope {
			value += s * c.PowersW[k*bands+f]
			steepest = max(steepest, s)
		}
	}
	switch {
	case value <= 0 || steepest == 0:
		return 0, ""
	case !finite(value, steepest, value/steepest):
		return 0, "powers or prices overflow"
	}
	return value / steepest, ""
}

// overNoise returns each user's channel on subband f from the antennas that are
// not limited to 0 W, over the square root of the noise.
func (a *auditor) overNoise(f int) [][]complex128 {
	c := &a.slot.Channel
	out := make([][]complex128, len(a.slot.Users))
	for k := range out {
		by := complex(1/math.Sqrt(noiseW(&a.slot.Users[k], f, c.Subbands)), 0)
		for m := range c.Antennas {
			if limits := a.slot.Limits.AntennaPowerW; len(limits) > 0 && limits[m] == 0 {
				continue
			}
			out[k] = append(out[k], by*c.Samples[(k*c.Subbands+f)*c.Antennas+m])
		}
	}
	return out
}

// factor is the Cholesky factor L of A = L L^H, by columns: column j holds rows j
// and below, its first element real.
type factor [][]complex128

// newFactor returns the factor of the identity of n rows.
func newFactor(n int) factor {
	l := make(factor, n)
	for j := range l {
		l[j] = make([]complex128, n-j)
		l[j][0] = 1
	}
	return l
}

// add adds p x x^H to A, column by column by plane rotations: nothing cancels.
func (l factor) add(p float64, x []complex128) {
	rest := make([]complex128, len(x))
	for i, z := range x {
		rest[i] = complex(math.Sqrt(p), 0) * z
	}
	for _, column := range l {
		old, z := real(column[0]), rest[0]
		now := math.Hypot(old, math.Hypot(real(z), imag(z)))
		if now == 0 {
			rest = rest[1:]
			continue
		}
		c, s := complex(old/now, 0), z/complex(now, 0)
		for i, y := range column {
			column[i] = c*y + conj(s)*rest[i]
			rest[i] = c*rest[i] - s*y
		}
		column[0] = complex(now, 0)
		rest = rest[1:]
	}
}

// form returns x^H A^-1 x: the sum of |y|^2 of L y = x.
func (l factor) form(x []complex128) float64 {
	rest := slices.Clone(x)
	var sum float64
	for _, column := range l {
		y := rest[0] / column[0]
		sum += real(y)*real(y) + imag(y)*imag(y)
		for i, z := range column {
			rest[i] -= z * y
		}
		rest = rest[1:]
	}
	return sum
}

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }
