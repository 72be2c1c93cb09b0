package scheduler

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"
)

// ticking returns a clock whose time is the number of times it has been looked at,
// in us, with a hard end after some.
func ticking(looks int) (c *clock, count *int) {
	count = new(int)
	c = newClock(context.Background(), func() time.Time {
		*count++
		return time.UnixMicro(int64(*count))
	})
	c.end, c.asideAt = time.UnixMicro(int64(looks)), time.UnixMicro(int64(looks/asidePart))
	return c, count
}

// The hard end ends everything, whatever is asked for and wherever it comes: nothing
// looks at the clock again, and what is sent then is whole: a plan within the limits,
// or nothing on the air.
func TestHardEnd(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	silent, whole := 0, 0
	for range 60 {
		slot := anySlot(rng, slotKind{users: 6, antennas: 16, subbands: 3, eirp: true})
		for _, looks := range []int{1, 10, 30, 100, 300, 1000} {
			c, count := ticking(looks)
			plan := scheduleBy(c, slot, &memory{})
			c.release()
			if *count > looks+1 { // one may be of how long a plan aside took
				t.Errorf("%s: %d looks at the clock, the end is at %d", describe(slot), *count, looks)
			}
			checkWhole(t, slot, plan)
			switch {
			case *count < looks: // done in time
			case len(plan.Groups) == 0:
				silent++
			default:
				whole++
			}
		}
	}
	t.Logf("%d with nothing on the air, %d plans made aside", silent, whole)
	if silent < 20 || whole < 20 {
		t.Errorf("%d with nothing on the air, %d plans made aside: the draw tests little", silent, whole)
	}
}

// checkWhole holds that a plan says of itself what is in it and keeps to the limits
// that can be added up from it.
func checkWhole(t *testing.T, slot *Slot, plan *Plan) {
	t.Helper()
	met := true
	for k := range plan.Users {
		met = met && plan.Users[k].met()
	}
	if len(plan.Users) != len(slot.Users) || (plan.Status == StatusMet) != met || !met && plan.Status != StatusShort {
		t.Errorf("%s: %v with rates met %v", describe(slot), plan.Status, met)
	}
	if len(plan.Groups) == 0 && !met && slot.Limits.TotalPowerW == nil && slot.Limits.AntennaPowerW == nil && slot.Limits.EIRPW == nil &&
		len(slot.Limits.ProtectedDirections) == 0 && !plan.StoppedEarly {
		t.Errorf("%s: nothing on the air, and not stopped early", describe(slot))
	}
	if slot.Options.Floor && (plan.FloorPowerW == nil || !(*plan.FloorPowerW <= plan.RadiatedPowerW*(1+1e-9))) {
		t.Errorf("%s: floor %v over %g W", describe(slot), plan.FloorPowerW, plan.RadiatedPowerW)
	}
	for m, w := range plan.AntennaPowerW {
		if !finite(w) || slot.Limits.AntennaPowerW != nil && !(w <= slot.Limits.AntennaPowerW[m]) {
			t.Errorf("%s: antenna %d at %g W", describe(slot), m, w)
		}
	}
	for i := range plan.Groups {
		w := plan.Groups[i].RadiatedPowerW
		if !finite(w) || slot.Limits.TotalPowerW != nil && !(w <= *slot.Limits.TotalPowerW) {
			t.Errorf("%s: group %d at %g W", describe(slot), i, w)
		}
	}
}

// Making a slot ready ends too: with one look at the clock for every user and subband
// and row of a Gram matrix.
func TestHardEndOfPreparation(t *testing.T) {
	slot := sizedSlot(64, 16, 8)
	c, count := ticking(100)
	plan := scheduleBy(c, slot, &memory{})
	if *count > 100 || len(plan.Groups) != 0 || plan.Status != StatusShort || !plan.StoppedEarly {
		t.Errorf("%d looks, %v with %d groups, stopped early %v", *count, plan.Status, len(plan.Groups), plan.StoppedEarly)
	}
}

// A slot that is done in time is the same with a deadline and without.
func TestDeadlineChangesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 44))
	for range 20 {
		slot := anySlot(rng, slotKind{users: 4, antennas: 8, subbands: 2})
		c, _ := ticking(1 << 40)
		got, want := scheduleBy(c, slot, &memory{}), schedule(t.Context(), slot, &memory{})
		if got.RadiatedPowerW != want.RadiatedPowerW || got.Solves != want.Solves || got.StoppedEarly {
			t.Errorf("%s: %g W after %d solves, without a deadline %g W after %d", describe(slot), got.RadiatedPowerW, got.Solves, want.RadiatedPowerW, want.Solves)
		}
	}
}

// With no more time than to make a slot ready and one crude plan, every user is on the
// air.
func TestCrudePlan(t *testing.T) {
	slot := sizedSlot(16, 1, 64)
	c, count := ticking(1 << 40)
	c.asideAt = time.UnixMicro(1 << 40)
	v := newViewOn(c, slot, slot.Options.Resolve())
	f := &fallback{clock: c, slot: slot}
	f.prepare(v)
	c, _ = ticking(*count + 2)
	plan := scheduleBy(c, slot, &memory{})
	checkWhole(t, slot, plan)
	if !plan.StoppedEarly || len(plan.Users) != 16 {
		t.Fatalf("stopped early %v with %d users", plan.StoppedEarly, len(plan.Users))
	}
	for _, u := range plan.Users {
		if !(u.RateBps > 0) {
			t.Errorf("user %s has nothing", u.ID)
		}
	}
}
