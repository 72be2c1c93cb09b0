package scheduler

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// What a group took under some limits is not what it takes under others: neither
// the power that was kept for it nor the last solve outlives a change of limits.
func TestSolvedUnderOtherLimits(t *testing.T) {
	for _, beams := range []string{BeamsOptimal, BeamsZeroForcing} {
		slot := randomSlot(rand.New(rand.NewPCG(91, 92)), 3, 4, 1)
		wide := 1e9
		slot.Limits.TotalPowerW = &wide
		v := newView(slot, Options{Beams: beams}.Resolve())
		g := &onAir{users: v.active, bands: v.allBands, share: 1}
		powerW := v.solver.planPower(g, 1)
		if !(powerW <= wide) {
			t.Fatalf("%s: %g W", beams, powerW)
		}
		narrow := *v.peak
		narrow.totalW = powerW / 2
		v.peak = &narrow
		if got := v.solver.planPower(g, 1); !math.IsInf(got, 1) {
			t.Errorf("%s: %g W under a limit of %g W", beams, got, narrow.totalW)
		}
		if w := v.groupWeights(g); w != nil {
			t.Errorf("%s: weights of %g W under a limit of %g W", beams, powerOf(w), narrow.totalW)
		}
	}
}

// A session counts slots, not how often one had to be planned: where the rounding of
// weights needs room under a limit, a slot is planned again.
func TestMemoryCountsSlots(t *testing.T) {
	rng := rand.New(rand.NewPCG(93, 94))
	again := 0
	for i := range 20 {
		slot := randomSlot(rng, 4, 4, 1)
		free := planned(slot, Options{})
		peakW := 0.0
		for _, g := range free.Groups {
			peakW = math.Max(peakW, g.RadiatedPowerW)
		}
		peakW *= 1 + 1e-7
		slot.Limits.TotalPowerW = &peakW
		slot.Options.Weights = WeightsI16
		if _, _, _, lack := (&fallback{clock: newClock(context.Background(), time.Now)}).scheduleWithin(slot, &memory{}, 0); lack > 0 {
			again++
		}
		e := NewEngine()
		for n := range 3 {
			if p := e.Schedule(context.Background(), slot); p.Status != StatusMet && p.Status != StatusShort {
				t.Fatal(p.Status)
			}
			if got := e.memory.Slots; got > n+1 {
				t.Errorf("slot %d: %d slots remembered after %d", i, got, n+1)
			}
		}
	}
	if again < 3 {
		t.Errorf("%d slots were planned again", again)
	}
}

// mixed takes groups only for less power than those it has, however little.
func TestMixedKeepsBetter(t *testing.T) {
	v := newView(randomWideSlot(rand.New(rand.NewPCG(95, 96)), 3, 2, 4, 1), Options{}.Resolve())
	groups := timeless([][]int{slices.Clone(v.active)})
	p := v.partitionOf(groups)
	v.divide(p)
	for _, c := range []struct {
		over  float64 // power of the groups over that of the best
		taken bool
	}{{1.5, false}, {1.009, false}, {1.0001, false}, {1.00001, false}, {0.9999, true}, {0.9, true}} {
		best := timeless([][]int{{0}, {1}, {2}})
		m := mixing{view: v, best: best, leastW: p.powerW / c.over}
		if taken := m.keep(groups) != nil; taken != c.taken || (len(m.best) == 1) != c.taken {
			t.Errorf("%g times the best's power: taken %v, %d groups", c.over, taken, len(m.best))
		}
	}
}

// With objective consumed a division asks whether to stop within its scan of shares
// too, and has a split all the same.
func TestIdleSplitStops(t *testing.T) {
	// Two groups whose costs are no convex functions of their shares.
	calls := 0
	cost := func(g int, s float64) (float64, float64) {
		calls++
		at := func(s float64) float64 {
			return s*math.Expm1(0.3/s) + 0.2*math.Tanh(40*(0.3+0.2*float64(g)-s))
		}
		const h = 1e-6
		return at(s), (at(s+h) - at(s-h)) / (2 * h)
	}
	remember := func() func() { return func() {} }
	split := func(stop func() bool) float64 {
		calls = 0
		_, power := splitIdleGlobally(cost, []float64{0.1, 0.1}, []float64{0.5, 0.5}, 1, []bool{false, false}, remember, stop)
		return power
	}
	least := split(func() bool { return false })
	full := calls
	if full < 60 {
		t.Fatalf("%d calls: nothing is scanned", full)
	}
	for _, most := range []int{0, 5, full / 4, full / 2, full * 3 / 4} {
		power := split(func() bool { return calls >= most })
		if math.IsInf(power, 1) || power < least*(1-1e-9) {
			t.Errorf("stopped after %d calls: %g W, to the end %g W", most, power, least)
		}
		if calls > most+2*shareGrid {
			t.Errorf("to stop after %d calls: %d", most, calls)
		}
	}
}
