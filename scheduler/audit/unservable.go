package audit

import (
	"fmt"
	"math"

	"leastwatt/scheduler"
)

// unservable audits the users of whom the plan says that no power meets their target,
// and that it says so of those whose target is beyond doubt out of reach.
func (a *auditor) unservable() {
	seen := make(map[string]bool)
	for i, id := range a.plan.UnservableUserIDs {
		path := fmt.Sprintf("unservableUserIds[%d]", i)
		k, known := a.userOf[id]
		switch {
		case !known || seen[id]:
			a.find(path, fmt.Sprintf("%q is unknown or there twice", id), 0, 0)
			continue
		case a.plan.Status == scheduler.StatusMet:
			a.find(path, fmt.Sprintf("%q has its target met", id), 0, 0)
			continue
		}
		seen[id] = true
		u := &a.result.Users[k]
		if met(u) {
			a.find(path, fmt.Sprintf("%q has its target met", id), 0, 0)
		} else if powerW := a.inTurnW(k); powerW <= mostAloneW {
			a.find(path, fmt.Sprintf("%q needs no more than %.6g W, everyone in turn", id, powerW), 0, 0)
		}
	}
	if a.plan.Status != scheduler.StatusShort || a.plan.StoppedEarly {
		return
	}
	for k, u := range a.result.Users {
		if most := a.mostBps(k); !seen[u.ID] && u.TargetBps*(1-scheduler.RateTolerance) > most {
			a.over("unservableUserIds", fmt.Sprintf("%q is not there, whose target is beyond what any power gives alone", u.ID), most, u.TargetBps)
		}
	}
}

// mostBps returns a rate that no power brings to user k: with the error of its channel
// e, SINR is below |h|^2/e.
func (a *auditor) mostBps(k int) float64 {
	bands := a.slot.Channel.Subbands
	gap := math.Pow(10, a.slot.Options.SINRGapDB/10)
	bits := 0.0
	for f := range bands {
		if gain := a.gain(k, f); gain > 0 {
			bits += math.Log1p(gain/(a.slot.Users[k].CSIErrorVariance*gap)) / math.Ln2
		}
	}
	return a.slot.BandwidthHz / float64(bands) * bits
}

// mostAloneW is what a user alone needs at most to count as servable for certain.
const mostAloneW = 1e6

// inTurnW returns the largest power that user k, or another whom some power serves
// alone, needs where all users with a target take turns of one length; +Inf where they
// may not.
func (a *auditor) inTurnW(k int) float64 {
	turns := 0
	for _, u := range a.result.Users {
		if u.TargetBps > 0 {
			turns++
		}
	}
	if most := a.slot.Limits.MaxGroups; most > 0 && most < turns || a.slot.Options.ShareStep*float64(turns) > 1 {
		return math.Inf(1)
	}
	powerW := 0.0
	for j, u := range a.result.Users {
		if u.TargetBps > 0 && (j == k || a.aloneW(j, u.TargetBps) <= mostAloneW) {
			powerW = math.Max(powerW, a.aloneW(j, u.TargetBps*float64(turns)))
		}
	}
	return powerW
}

// aloneW returns a power in W that meets the target of user k alone in the slot by its
// matched beam, the same rate on every subband; +Inf where it finds none: with groups,
// beams or rates that are not free it does not look.
func (a *auditor) aloneW(k int, bps float64) float64 {
	slot := a.slot
	o := &slot.Options
	if len(slot.Groups) > 0 || o.Beams == scheduler.BeamsCodebook || o.RateTable != "" {
		return math.Inf(1)
	}
	gap := math.Pow(10, o.SINRGapDB/10)
	sinr := gap * math.Expm1(bps/slot.BandwidthHz*math.Ln2)
	u := &slot.Users[k]
	sum := 0.0
	for f := range slot.Channel.Subbands {
		// w along h, noise N and error e: SINR = |h|^2 P / (N + e P).
		left := a.gain(k, f) - sinr*u.CSIErrorVariance
		if !(left > 0) {
			return math.Inf(1)
		}
		sum += sinr * noiseW(u, f, slot.Channel.Subbands) / left
	}
	return sum
}

// gain returns |h|^2 of user k on subband f from the antennas that are not limited to
// 0 W.
func (a *auditor) gain(k, f int) (sum float64) {
	c := &a.slot.Channel
	for m, z := range c.At(k, f) {
		if limits := a.slot.Limits.AntennaPowerW; len(limits) == 0 || limits[m] > 0 {
			sum += real(z)*real(z) + imag(z)*imag(z)
		}
	}
	return sum
}
