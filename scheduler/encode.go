package scheduler

import (
	"math"

	"leastwatt/optim"
)

// encoded is a group's weights as the caller will see them.
type encoded struct {
	weights []complex128 // [user][band][antenna]
	scale   float64      // of int16 counts
	sinr    []float64    // [user][band]
}

// encodeTries bounds the rounds of encode: each at least doubles the margin.
const encodeTries = 30

// encode returns the group's weights for the rates given, [user][band] in nats
// per use, rounded to the format asked and inside the limits, with the power
// added that rounding costs. The rounded beams are measured; where a rate falls
// short by more than half the tolerance, powers are found anew for the rounded
// beams or, under limits, beams for limits drawn in and rates raised by a margin.
// It returns nil when the rates cannot be met.
func (v *View) encode(g *onAir, rates []float64) *encoded {
	w, target := v.solver.weights(g, rates)
	if w == nil {
		return nil
	}
	bands := make([]*bandGains, len(g.bands))
	for c, f := range g.bands {
		bands[c] = newBandGains(v, g.users, f, c, len(g.bands))
	}
	perRate := len(bands) // a user's bands make up its rate together
	if v.table != nil {
		perRate = 1 // every step must be carried
	}
	defer func(kept float64) { v.solver.limited.headroom = kept }(v.solver.limited.headroom)
	margin := 0.0
	var best *encoded
	least := math.Inf(1)
	for range encodeTries {
		e := v.roundWithin(w)
		if e == nil {
			return best
		}
		e.sinr = make([]float64, len(target))
		for _, b := range bands {
			b.measure(e)
		}
		lack := rateLack(e.sinr, target, perRate, v.gap)
		if lack < least {
			best, least = e, lack
		}
		if lack <= RateTolerance/2 || v.scaleTo != nil {
			return e
		}
		margin = math.Max(2*margin, lack) // for the next rounding
		if v.peak == nil {
			for _, b := range bands {
				if !b.repower(w, e.weights, target, margin) {
					return best
				}
			}
			continue
		}
		v.solver.limited.headroom = margin
		raised := make([]float64, len(rates))
		for i, r := range rates {
			raised[i] = r * (1 + margin)
		}
		if w, _ = v.solver.weights(g, raised); w == nil {
			return best
		}
	}
	return best
}

// roundWithin returns w rounded to the format asked, scaled down where it is above a
// limit, so that every limit holds on the weights as rounded, those on EIRP by proof.
// It returns nil where rounding leaves no such weights.
func (v *View) roundWithin(w []complex128) *encoded {
	slack := 0.0
	for range roundTries {
		e := &encoded{}
		e.weights, e.scale = roundWeights(v.options.Weights, w)
		limits := v.peak
		if v.crude {
			limits = v.scaleTo
		}
		over := limits.over(e.weights)
		if over <= 1 {
			return e
		}
		if !(over < math.Inf(1)) {
			return nil
		}
		// The proof needs room, and rounding may go up again.
		slack = math.Max(4*slack, leastSlack)
		by := 1 / math.Sqrt(over*(1+slack))
		for i, z := range w {
			w[i] = complex(real(z)*by, imag(z)*by)
		}
	}
	return nil
}

const (
	roundTries = 20
	leastSlack = 1e-7 // of a limit
)

// bandGains measures a group's weights on one of its subbands.
type bandGains struct {
	channel optim.Channel
	errVar  []float64
	column  int // of the bands of the group
	bands   int
	gains   []float64 // [user][beam]
}

func newBandGains(v *View, users []int, f, column, bands int) *bandGains {
	b := &bandGains{channel: v.channelOf(users, f), column: column, bands: bands, gains: make([]float64, len(users)*len(users))}
	if v.errVar != nil {
		for _, k := range users {
			b.errVar = append(b.errVar, v.errVar[f][k])
		}
	}
	return b
}

// beam returns the weights of user j on this subband.
func (b *bandGains) beam(w []complex128, j int) []complex128 {
	m := b.channel.Antennas
	at := (j*b.bands + b.column) * m
	return w[at : at+m]
}

// rateLack returns the largest relative shortfall of a user's rate, given SINRs
// and targets, [user][band].
func rateLack(sinr, target []float64, bands int, gap float64) float64 {
	lack := math.Inf(-1)
	for at := 0; at < len(target); at += bands {
		got, want := 0.0, 0.0
		for c := range bands {
			got += math.Log1p(sinr[at+c] / gap)
			want += math.Log1p(target[at+c] / gap)
		}
		if want > 0 {
			lack = math.Max(lack, 1-got/want)
		}
	}
	return lack
}

// measure fills gains and this subband's part of e.sinr.
func (b *bandGains) measure(e *encoded) {
	n := b.channel.Users
	total := 0.0
	for j := range n {
		total += powerOf(b.beam(e.weights, j))
	}
	for k := range n {
		noise := 1.0
		if b.errVar != nil {
			noise += b.errVar[k] * total
		}
		hk := b.channel.User(k)
		for j := range n {
			z := optim.Received(hk, b.beam(e.weights, j))
			b.gains[k*n+j] = real(z)*real(z) + imag(z)*imag(z)
			if j != k {
				noise += b.gains[k*n+j]
			}
		}
		e.sinr[k*b.bands+b.column] = b.gains[k*n+k] / noise
	}
}

// repower scales the unrounded weights w to the powers with which the rounded
// beams meet the targets, raised by the margin. It reports false when none do.
func (b *bandGains) repower(w, rounded []complex128, target []float64, margin float64) bool {
	n := b.channel.Users
	power := make([]float64, n)
	for j := range n {
		power[j] = powerOf(b.beam(rounded, j))
		for k := range n {
			if power[j] > 0 {
				b.gains[k*n+j] /= power[j]
			}
		}
	}
	raised := make([]float64, n)
	for k := range n {
		raised[k] = target[k*b.bands+b.column] * (1 + margin)
	}
	var direct optim.PowerResult
	p := optim.FixedProblem{Users: n, Gain: b.gains, SINR: raised, ErrorVariance: b.errVar}
	if (optim.Direct{}).Solve(&p, &direct) != optim.Solved {
		return false
	}
	for j := range n {
		if power[j] == 0 {
			continue
		}
		by := complex(math.Sqrt(direct.UserW[j]/power[j]), 0)
		beam := b.beam(w, j)
		for t := range beam {
			beam[t] *= by
		}
	}
	return true
}

// powerOf returns the sum of |w|^2.
func powerOf(w []complex128) float64 {
	p := 0.0
	for _, z := range w {
		p += real(z)*real(z) + imag(z)*imag(z)
	}
	return p
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
			out[i] = complex128(complex64(z))
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
