package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
)

// Every third slot the channel fades and the total limit lets only a part of the
// target through. With a backlog the mean rate is the target all the same, also
// when the session moves to another engine half way; without, it is not. Derived: a
// slot repays up to the target, and two good slots have room for what a bad one
// owes.
func TestBacklogMeanRates(t *testing.T) {
	for _, slots := range []float64{0, 8} {
		base := randomSlot(rand.New(rand.NewPCG(51, 52)), 3, 4, 1)
		free := schedule(context.Background(), base, &memory{})
		base.Limits.TotalPowerW = ptr(free.RadiatedPowerW * 6)
		base.Options.BacklogSlots = slots
		engine := NewEngine()
		mean := make([]float64, len(base.Users))
		owed := 0.0
		const n = 60
		for i := range n {
			slot := *base
			if i%3 == 1 {
				slot.Channel.Samples = nil
				for _, z := range base.Channel.Samples {
					slot.Channel.Samples = append(slot.Channel.Samples, z/6)
				}
			}
			if i == n/2 {
				state := engine.State()
				engine = NewEngine()
				if err := engine.Restore(state); err != nil {
					t.Fatal(err)
				}
			}
			plan := engine.Schedule(context.Background(), &slot)
			owed = 0
			for k, u := range plan.Users {
				mean[k] += u.RateBps / n
				owed = math.Max(owed, u.BacklogBps)
				if u.TargetBps < slot.Users[k].RateBps || u.TargetBps > 2*slot.Users[k].RateBps {
					t.Fatalf("target %g of %g asked", u.TargetBps, slot.Users[k].RateBps)
				}
			}
		}
		for k, u := range base.Users {
			ratio := mean[k] / u.RateBps
			if slots == 0 && (ratio > 0.95 || owed != 0) || slots > 0 && !(math.Abs(ratio-1) < 1e-3) {
				t.Errorf("backlog of %g slots: user %d has %g of its target in the mean, %g owed", slots, k, ratio, owed)
			}
		}
	}
}

// What is owed is bounded, and forgotten for a user who is gone.
func TestBacklogBounded(t *testing.T) {
	slot := randomSlot(rand.New(rand.NewPCG(53, 54)), 2, 2, 1)
	slot.Limits.TotalPowerW = ptr(0.0)
	slot.Options.BacklogSlots = 2.5
	engine := NewEngine()
	for range 5 {
		engine.Schedule(context.Background(), slot)
	}
	for k, u := range engine.Schedule(context.Background(), slot).Users {
		if asked := slot.Users[k].RateBps; u.BacklogBps != 2.5*asked || u.TargetBps != 2*asked {
			t.Errorf("%g owed and %g asked for %g a slot", u.BacklogBps, u.TargetBps, asked)
		}
	}
	gone := *slot
	gone.Users, gone.Channel.Samples = slot.Users[:1], slot.Channel.Samples[:2]
	engine.Schedule(context.Background(), &gone)
	if u := engine.Schedule(context.Background(), slot).Users[1]; u.TargetBps != slot.Users[1].RateBps {
		t.Errorf("%g asked for a user who was gone", u.TargetBps)
	}
}
