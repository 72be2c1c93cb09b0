package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A session's plan of a channel that has moved little takes far fewer solves than
// an engine's and no more than 1 % more power; the first plan is the engine's.
func TestSession(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 44))
	slot := clusterSlot(rng, 16, 16, 1)
	s := NewSession()
	if first, cold := s.Schedule(context.Background(), slot), planned(slot, Options{}); !cmp.Equal(first, cold) {
		t.Errorf("first slot of a session: %s", cmp.Diff(cold, first))
	}
	for i := range 4 {
		slot = moved(slot, 0.01, rng)
		if i == 2 { // one leaves, one comes
			slot.Users[3].RateBps = 0
			slot.Users[4].ID = "new"
		}
		warm, cold := s.Schedule(context.Background(), slot), planned(slot, Options{})
		if warm.Status != StatusMet || warm.RadiatedPowerW > 1.01*cold.RadiatedPowerW {
			t.Errorf("slot %d: %v, %g W, cold %g W", i, warm.Status, warm.RadiatedPowerW, cold.RadiatedPowerW)
		}
		if 2*warm.Solves > cold.Solves {
			t.Errorf("slot %d: %d solves, cold %d", i, warm.Solves, cold.Solves)
		}
		served := 0
		for _, users := range groupsOf(warm) {
			served += len(users)
		}
		if want := 16 - i/2; i < 3 && served != want {
			t.Errorf("slot %d: %d users served, want %d", i, served, want)
		}
	}
}

// Groups stay for gains below the hysteresis and change for gains above it.
func TestHysteresis(t *testing.T) {
	rng := rand.New(rand.NewPCG(45, 46))
	stayed, changed := 0, 0
	for range 10 {
		slot := sightSlot(rng, 8, 8, 1)
		held, free := NewSession(), NewSession()
		before := groupsOf(held.Schedule(context.Background(), slot))
		free.Schedule(context.Background(), slot)
		slot = moved(slot, 0.3, rng)
		best := free.Schedule(context.Background(), slot)
		slot.Options.HysteresisDB = 0.5
		plan := held.Schedule(context.Background(), slot)
		if plan.Status != StatusMet {
			t.Fatal(plan.Status)
		}
		same := cmp.Equal(groupsOf(plan), before)
		gain := dB(plan.RadiatedPowerW / best.RadiatedPowerW)
		if gain > 0.5+1e-3 {
			t.Errorf("%g dB above what a search finds", gain)
		}
		if same && !cmp.Equal(groupsOf(best), before) {
			stayed++
		}
		if !same {
			changed++
			kept := newView(slot, Options{}.Resolve())
			p := kept.partitionOf(timeless(before))
			kept.divide(p)
			if g := dB(p.powerW / plan.RadiatedPowerW); !math.IsInf(g, 1) && g < 0.5-1e-3 {
				t.Errorf("groups changed for %g dB", g)
			}
		}
	}
	t.Logf("%d stayed, %d changed", stayed, changed)
	if stayed == 0 || changed == 0 {
		t.Errorf("%d stayed, %d changed", stayed, changed)
	}
}
