package audit

import (
	"fmt"
	"slices"

	"leastwatt/scheduler"
)

// RecomputeOver is Recompute with the channel as it truly was, taken as exact. What
// the plan claims is still held against the slot's own channel, and so is the
// floor. Users and WorstRateRatio of the result are those over the true channel,
// where a row of the rate table carries its rate or nothing. A target met on the
// slot's channel and missed on the true one is a finding.
func RecomputeOver(slot *scheduler.Slot, plan *scheduler.Plan, truth *scheduler.Channel) (*Result, error) {
	result, err := Recompute(slot, plan)
	if err != nil {
		return nil, err
	}
	if truth.Antennas != slot.Channel.Antennas || truth.Subbands != slot.Channel.Subbands {
		return nil, fmt.Errorf("%w: the true channel has %d antennas and %d subbands, the slot's %d and %d", ErrMismatch,
			truth.Antennas, truth.Subbands, slot.Channel.Antennas, slot.Channel.Subbands)
	}
	over := *slot
	over.Channel = *truth
	over.Users = slices.Clone(slot.Users)
	for k := range over.Users {
		over.Users[k].CSIErrorVariance = 0
	}
	if err := checkSlot(&over); err != nil {
		return nil, fmt.Errorf("over the true channel: %w", err)
	}
	a := newAuditor(&over, plan)
	a.sent = true
	for g := range plan.Groups {
		a.group(g)
	}
	a.users()
	if !finiteResult(&a.result) {
		return nil, fmt.Errorf("%w: rates over the true channel overflow", ErrMismatch)
	}
	for k := range over.Users {
		estimated, real := &result.Users[k], &a.result.Users[k]
		if met(estimated) && !met(real) {
			result.find(fmt.Sprintf("users[%d].rateBps", k), "target met on the slot's channel, missed on the true one",
				estimated.RateBps, real.RateBps)
		}
	}
	result.Users, result.WorstRateRatio = a.result.Users, a.result.WorstRateRatio
	return result, nil
}

func met(u *scheduler.UserRate) bool {
	return u.RateBps >= u.TargetBps*(1-scheduler.RateTolerance)
}
