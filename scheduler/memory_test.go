package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A session's plan of a channel that has moved little takes far fewer solves than
// an engine's and no more than 1 % more power; the first plan is the engine's.
func TestSession(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 44))
	slot := clusterSlot(rng, 16, 16, 1)
	s := NewEngine()
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

// Where the channel is another one altogether the session's last partition is a
// start like any, and the plan near the engine's.
func TestSessionAfterJump(t *testing.T) {
	rng := rand.New(rand.NewPCG(49, 50))
	sum := 0.0
	const jumps = 8
	s := NewEngine()
	for range jumps {
		slot := clusterSlot(rng, 16, 16, 1)
		s.Schedule(context.Background(), slot)
		slot = clusterSlot(rng, 16, 16, 1)
		sum += dB(s.Schedule(context.Background(), slot).RadiatedPowerW / planned(slot, Options{}).RadiatedPowerW)
	}
	t.Logf("%.3f dB over the engine's", sum/jumps)
	if sum/jumps > 0.2 {
		t.Errorf("%g dB over the engine's on average", sum/jumps)
	}
}

// What an engine remembers makes another go on as it would; what it cannot have
// said is refused and leaves an engine as new.
func TestState(t *testing.T) {
	rng := rand.New(rand.NewPCG(47, 48))
	slot := clusterSlot(rng, 12, 12, 1)
	e, other := NewEngine(), NewEngine()
	if err := other.Restore(e.State()); err != nil {
		t.Errorf("state of a new engine: %v", err)
	}
	e.Schedule(context.Background(), slot)
	if err := other.Restore(e.State()); err != nil {
		t.Fatal(err)
	}
	slot = moved(slot, 0.1, rng)
	if want, got := e.Schedule(context.Background(), slot), other.Schedule(context.Background(), slot); !cmp.Equal(want, got) {
		t.Error(cmp.Diff(want, got))
	}
	cold := planned(slot, Options{})
	for _, bad := range []string{"{", "[]", `{"Share": [1]}`, `{"Groups": [["a"]], "Share": [0]}`, `{"Slots": -1}`, `{"More": 1}`,
		`{"Groups": [[]], "Share": [1]}`} {
		if err := other.Restore([]byte(bad)); err == nil {
			t.Errorf("%s: restored", bad)
		}
	}
	for name, bad := range map[string]string{
		"nested":   `{"Groups": ` + strings.Repeat("[", 4) + strings.Repeat("]", 4) + "}",
		"elements": `{"Groups": [[]` + strings.Repeat(",[]", stateElements) + "]}",
	} {
		if err := other.Restore([]byte(bad)); err == nil || !strings.Contains(err.Error(), "more than") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := checkNesting([]byte(`{"Groups": [["[[[[,\\\"[["]]}`)); err != nil {
		t.Errorf("brackets in a name: %v", err)
	}
	if plan := other.Schedule(context.Background(), slot); !cmp.Equal(plan, cold) {
		t.Errorf("not as new: %s", cmp.Diff(cold, plan))
	}
}

// Groups stay for gains below the hysteresis and change for gains above it.
func TestHysteresis(t *testing.T) {
	rng := rand.New(rand.NewPCG(45, 46))
	stayed, changed := 0, 0
	for range 10 {
		slot := sightSlot(rng, 8, 8, 1)
		held, free := NewEngine(), NewEngine()
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
