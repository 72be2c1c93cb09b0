package audit

import (
	"math"
	"testing"
)

// What earlier slots owe is not known to the audit, but no slot repays more than a
// user's own target: a plan that claims to have been asked for more is held against
// twice the target, and one without a backlog against the target.
func TestBacklogTargets(t *testing.T) {
	for _, tc := range []struct{ slots, claimed, want float64 }{
		{8, 1.5, 1.5}, {8, 2, 2}, {8, 2.5, 2}, {8, 3, 2}, {8, 1e9, 2}, {8, 0.5, 1}, {0, 1.5, 1},
	} {
		slot, plan := byHand()
		slot.Options.BacklogSlots = tc.slots
		for k := range plan.Users {
			plan.Users[k].TargetBps = tc.claimed * slot.Users[k].RateBps
		}
		r, err := Recompute(slot, plan)
		if err != nil {
			t.Fatal(err)
		}
		for k, u := range r.Users {
			if want := tc.want * slot.Users[k].RateBps; !(math.Abs(u.TargetBps-want) <= 1e-12*want) {
				t.Errorf("backlog of %g slots, %g times the target claimed: held against %g bit/s, want %g", tc.slots, tc.claimed, u.TargetBps, want)
			}
		}
	}
}
