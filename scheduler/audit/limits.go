package audit

import (
	"fmt"
	"math"
	"slices"

	"leastwatt/scheduler"
)

// limits audits the limits on power. They hold exactly, up to the rounding of the
// sums here.
func (a *auditor) limits() {
	const rounding = 1e-12
	if total := a.slot.Limits.TotalPowerW; total != nil && !(a.largest <= *total*(1+rounding)) {
		a.over("groups", "power of a group above limits.totalPowerW", *total, a.largest)
	}
	if !(a.largest <= mostPowerW) {
		a.over("groups", "power of a group in W beyond reason", mostPowerW, a.largest)
	}
	for m, limit := range a.slot.Limits.AntennaPowerW {
		if p := a.result.AntennaPowerW[m]; !(p <= limit*(1+rounding)) {
			a.over(fmt.Sprintf("antennaPowerW[%d]", m), "above limits.antennaPowerW", limit, p)
		}
	}
}

// share audits that a group's share is one that a frame can carry.
func (a *auditor) share(path string, share float64) {
	if !(share > 0 && share <= 1) {
		a.over(path, "not in (0, 1]", 1, share)
		return
	}
	if step := a.slot.Options.ShareStep; step > 0 {
		if whole := math.Round(share/step) * step; !(whole > 0 && math.Abs(share-whole) <= Tolerance) {
			a.over(path, fmt.Sprintf("no multiple of options.shareStep %g, the nearest of which is", step), max(whole, step), share)
		}
	}
}

// allowed tells whether group is one of those fixed by the caller, if there are any:
// users without a rate may be left out.
func (a *auditor) allowed(group *scheduler.Group, subbands []int) bool {
	matches := func(fixed scheduler.FixedGroup) bool {
		for i := range group.Allocations {
			if !slices.Contains(fixed.UserIDs, group.Allocations[i].UserID) {
				return false
			}
		}
		want := inUse(&scheduler.Group{Subbands: fixed.Subbands}, a.slot.Channel.Subbands)
		return slices.Equal(slices.Sorted(slices.Values(subbands)), slices.Sorted(slices.Values(want))) &&
			(fixed.Share == nil || math.Abs(group.Share-*fixed.Share) <= Tolerance)
	}
	return len(a.slot.Groups) == 0 || slices.ContainsFunc(a.slot.Groups, matches)
}
