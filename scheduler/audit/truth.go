package audit

import (
	"context"
	"fmt"
	"slices"

	"leastwatt/scheduler"
)

// RecomputeOver is Run without a bound on time.
func RecomputeOver(slot *scheduler.Slot, plan *scheduler.Plan, truth *scheduler.Channel) (*Result, error) {
	return Run(context.Background(), slot, plan, truth)
}

// overTruth audits the plan once more with the channel as it truly was, taken as
// exact. What the plan claims is still held against the slot's own channel, and so is
// the floor. Users and WorstRateRatio of the result become those over the true channel,
// where a row of the rate table carries its rate or nothing. A target met on the
// slot's channel and missed on the true one is a finding.
func (a *auditor) overTruth(truth *scheduler.Channel) error {
	slot := a.slot
	if truth.Antennas != slot.Channel.Antennas || truth.Subbands != slot.Channel.Subbands {
		return fmt.Errorf("%w: the true channel has %d antennas and %d subbands, the slot's %d and %d", ErrMismatch,
			truth.Antennas, truth.Subbands, slot.Channel.Antennas, slot.Channel.Subbands)
	}
	over := *slot
	over.Channel = *truth
	over.Users = slices.Clone(slot.Users)
	for k := range over.Users {
		over.Users[k].CSIErrorVariance = 0
	}
	if err := checkSlot(&over); err != nil {
		return fmt.Errorf("over the true channel: %w", err)
	}
	b := newAuditor(a.ctx, &over, a.plan)
	b.sent = true
	b.groups()
	b.users()
	if !finiteResult(&b.result) {
		return fmt.Errorf("%w: rates over the true channel overflow", ErrMismatch)
	}
	for k := range over.Users {
		estimated, real := &a.result.Users[k], &b.result.Users[k]
		if met(estimated) && !met(real) {
			a.find(fmt.Sprintf("users[%d].rateBps", k), "target met on the slot's channel, missed on the true one",
				estimated.RateBps, real.RateBps)
		}
	}
	a.result.Users, a.result.WorstRateRatio = b.result.Users, b.result.WorstRateRatio
	return nil
}

func met(u *scheduler.UserRate) bool {
	return u.RateBps >= u.TargetBps*(1-scheduler.RateTolerance)
}
