package campaign

import (
	"context"
	"errors"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leastwatt/scheduler"
)

// set returns a set of slots by name.
func set(t testing.TB, name string) *Set {
	t.Helper()
	sets := Sets()
	i := slices.IndexFunc(sets, func(s Set) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("no set %q", name)
	}
	return &sets[i]
}

// do runs to its end.
func do(t testing.TB, r *Run, slots iter.Seq2[*scheduler.Slot, error]) *Result {
	t.Helper()
	result, err := r.Do(t.Context(), slots)
	if err != nil {
		t.Fatal(err)
	}
	return result
}

// of yields slots.
func of(slots ...*scheduler.Slot) iter.Seq2[*scheduler.Slot, error] {
	return func(yield func(*scheduler.Slot, error) bool) {
		for _, s := range slots {
			if !yield(s, nil) {
				return
			}
		}
	}
}

// slotsOf gathers slots.
func slotsOf(t testing.TB, slots iter.Seq2[*scheduler.Slot, error]) []*scheduler.Slot {
	t.Helper()
	var out []*scheduler.Slot
	for s, err := range slots {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

var fewStrategies = []scheduler.Strategy{
	{Grouping: "together"}, {Grouping: "alone"}, {Grouping: "random"}, {Grouping: "semi-orthogonal"},
	{Grouping: "semi-orthogonal", Beams: scheduler.BeamsZeroForcing}, {Grouping: "random", Beams: scheduler.BeamsMatched, Power: scheduler.PowerIterative},
}

// What a run finds does not depend on the number of workers, to the last bit, but
// for the times.
func TestWorkers(t *testing.T) {
	for _, name := range []string{"rayleigh-6x4", "clusters-10x16"} {
		s := set(t, name)
		var results [2]*Result
		for i, workers := range []int{1, 8} {
			r := Run{Strategies: fewStrategies, Workers: workers, Floor: true}
			results[i] = do(t, &r, s.Slots(7, 10))
		}
		if diff := cmp.Diff(results[0], results[1], cmpopts.IgnoreFields(Trial{}, "Compute")); diff != "" {
			t.Errorf("%s: 1 and 8 workers:\n%s", name, diff)
		}
		if n := len(results[0].Slots); n != 10 {
			t.Errorf("%s: %d slots of 10", name, n)
		}
	}
}

// A trial is what the engine does on the slot under the strategy: the same powers
// and floors as of its plans.
func TestTrialsAgainstPlans(t *testing.T) {
	slots := slotsOf(t, set(t, "line-of-sight-10x8").Slots(3, 4))
	r := Run{Strategies: fewStrategies, Floor: true}
	result := do(t, &r, of(slots...))
	for n, slot := range slots {
		got := &result.Slots[n]
		if got.Users != 10 || got.Antennas != 8 || got.FloorPowerW == nil {
			t.Fatalf("slot %d: %+v", n, got)
		}
		best := math.Inf(1)
		for i, s := range result.Strategies {
			alone := *slot
			alone.Options = scheduler.Options{Grouping: s.Grouping, Beams: s.Beams, Power: s.Power, Seed: slot.Options.Seed, Floor: true}
			plan := scheduler.NewEngine().Schedule(context.Background(), &alone)
			trial := &got.Trials[i]
			if trial.Status != plan.Status || trial.Grouping != plan.Strategy.Grouping || trial.Groups != len(plan.Groups) || trial.Solves != plan.Solves {
				t.Errorf("slot %d, %v: %+v, the plan is of status %v, %v, %d groups, %d solves", n, s, trial, plan.Status, plan.Strategy, len(plan.Groups), plan.Solves)
			}
			// The audit agrees with plans to 1e-9 (audit.Tolerance). The floor is that of
			// another plan: rates differ by 2e-6 (scheduler.RateTolerance, twice), and no
			// power rises faster than 100 times its rate here.
			if !near(trial.RadiatedPowerW, plan.RadiatedPowerW, 1e-9) || !near(*got.FloorPowerW, *plan.FloorPowerW, 2e-4) {
				t.Errorf("slot %d, %v: %g W over %g W, the plan says %g over %g", n, s, trial.RadiatedPowerW, *got.FloorPowerW, plan.RadiatedPowerW, *plan.FloorPowerW)
			}
			best = math.Min(best, trial.RadiatedPowerW)
			if dB, ok := got.OverFloorDB(i); !ok || dB < 0 || !near(dB, 10*math.Log10(trial.RadiatedPowerW / *got.FloorPowerW), 1e-12) {
				t.Errorf("slot %d, %v: %g dB over the floor", n, s, dB)
			}
		}
		for i := range got.Trials {
			if dB, ok := got.OverBestDB(i); !ok || dB < 0 || !near(math.Pow(10, dB/10)*best, got.Trials[i].RadiatedPowerW, 1e-12) {
				t.Errorf("slot %d, %v: %g dB over the best", n, result.Strategies[i], dB)
			}
		}
	}
}

func near(got, want, tolerance float64) bool {
	return math.Abs(got-want) <= tolerance*math.Abs(want)
}

// groupings of which only the first is right.
func init() {
	for name, f := range map[string]brokenGrouping{
		"test-right":   func(users []int) [][]int { return [][]int{users} },
		"test-missing": func(users []int) [][]int { return [][]int{users[1:]} },
		"test-range":   func(users []int) [][]int { return [][]int{users, {1000}} },
		"test-below":   func(users []int) [][]int { return [][]int{{-1}, users} },
		"test-panic":   func([]int) [][]int { panic("lost its way") },
		"test-none":    func([]int) [][]int { return nil },
	} {
		scheduler.RegisterGrouping(name, "for this test", f)
	}
}

type brokenGrouping func(users []int) [][]int

func (f brokenGrouping) Group(v *scheduler.View) [][]int { return f(slices.Clone(v.Active())) }

// A broken strategy is told as failed, with a reason, and spoils nothing of
// others.
func TestBrokenStrategies(t *testing.T) {
	names := []string{"test-right", "test-missing", "test-range", "test-below", "test-panic", "test-none"}
	want := []string{"", `user 0 ("u1") is in no group`, "groups[1].users[0]: 1000", "groups[0].users[0]: -1", "panic: lost its way", `is in no group`}
	r := Run{Floor: true}
	for _, name := range names {
		r.Strategies = append(r.Strategies, scheduler.Strategy{Grouping: name})
	}
	r.Strategies = append(r.Strategies, scheduler.Strategy{Grouping: "together"})
	result := do(t, &r, set(t, "rayleigh-4x8").Slots(1, 5))
	sums := result.Summaries()
	for i := range names {
		s := &sums[i]
		failed := 5
		if want[i] == "" {
			failed = 0
		}
		if s.Failed != failed || s.Met != 5-failed || !strings.Contains(s.Reason, want[i]) {
			t.Errorf("%s: %d failed, %d met, %q", names[i], s.Failed, s.Met, s.Reason)
		}
		if (s.RadiatedPowerW == nil) != (failed > 0) || (s.OverFloorDb == nil) != (failed > 0) {
			t.Errorf("%s: power %v, over the floor %v", names[i], s.RadiatedPowerW, s.OverFloorDb)
		}
	}
	right, together := sums[0], sums[len(sums)-1]
	if *right.RadiatedPowerW != *together.RadiatedPowerW || right.OverBestDb.Worst != 0 {
		t.Errorf("the right one takes %g W, together %g W", *right.RadiatedPowerW, *together.RadiatedPowerW)
	}
}

// A slot whose targets cannot be met falls short: no strategy has failed.
func TestShortIsNoFailure(t *testing.T) {
	slots := slotsOf(t, set(t, "rayleigh-4x8").Slots(1, 4))
	for i, slot := range slots {
		w := 1e-4
		switch i {
		case 0: // too little power
			slot.Limits.TotalPowerW = &w
		case 1: // a channel too uncertain for any power
			slot.Users[1].CSIErrorVariance = 1
		case 2: // more than a table carries
			slot.Options.RateTable = "mcs-64qam"
			for k := range slot.Users {
				slot.Users[k].RateBps = 5 * slot.BandwidthHz
			}
			slot.Limits.MaxGroupSize = 1
		case 3: // no power for anybody
			w = 0
			slot.Limits.TotalPowerW = &w
		}
	}
	r := Run{Strategies: []scheduler.Strategy{{Grouping: "semi-orthogonal"}, {Grouping: "alone"}}, Floor: true}
	result := do(t, &r, of(slots...))
	for n := range result.Slots {
		for i, trial := range result.Slots[n].Trials {
			if trial.Status != scheduler.StatusShort || trial.Disagreements > 0 || trial.Reason != "" {
				t.Errorf("slot %d, %v: %v, %q", n, result.Strategies[i], trial.Status, trial.Reason)
			}
			if _, ok := result.Slots[n].OverBestDB(i); ok || result.Slots[n].FloorPowerW != nil {
				t.Errorf("slot %d, %v: a distance of a plan that falls short", n, result.Strategies[i])
			}
		}
	}
}

// Slots with groups of their own: the caller's grouping takes them, others group
// for themselves. The groups of alone, from outside, are alone.
func TestCallersGroups(t *testing.T) {
	slots := slotsOf(t, set(t, "rayleigh-6x4").Slots(1, 3))
	for _, slot := range slots[:2] {
		for k := range slot.Users {
			slot.Groups = append(slot.Groups, scheduler.FixedGroup{UserIDs: []string{slot.Users[k].ID}})
		}
	}
	r := Run{Strategies: []scheduler.Strategy{{Grouping: CallersGroups}, {Grouping: "alone"}, {Grouping: "together"}}}
	result := do(t, &r, of(slots...))
	for n, slot := range result.Slots {
		callers, alone, together := slot.Trials[0], slot.Trials[1], slot.Trials[2]
		if n == 2 {
			if callers.Status != scheduler.StatusRejected || callers.Reason == "" || alone.Status != scheduler.StatusMet {
				t.Errorf("a slot without groups: %+v", callers)
			}
			continue
		}
		if callers.Status != scheduler.StatusMet || callers.RadiatedPowerW != alone.RadiatedPowerW || callers.Grouping != CallersGroups {
			t.Errorf("slot %d: %+v, alone %+v", n, callers, alone)
		}
		if together.RadiatedPowerW == alone.RadiatedPowerW || together.Groups != 1 {
			t.Errorf("slot %d: together takes the caller's groups", n)
		}
	}
	if s := result.Summaries()[0]; s.OtherGrouping != 0 || s.Rejected != 1 || s.Met != 2 {
		t.Errorf("%+v", s)
	}
}

// What is bad for one strategy is rejected there and tried elsewhere.
func TestRejected(t *testing.T) {
	r := Run{Strategies: []scheduler.Strategy{{Grouping: "nobody's"}, {Grouping: "together"}}, Floor: true}
	result := do(t, &r, set(t, "rayleigh-4x8").Slots(1, 1))
	bad, good := result.Slots[0].Trials[0], result.Slots[0].Trials[1]
	if bad.Status != scheduler.StatusRejected || !strings.HasPrefix(bad.Reason, "options.grouping: ") || good.Status != scheduler.StatusMet {
		t.Errorf("%+v, %+v", bad, good)
	}
}

// When the context ends, what is done is kept whole; slots are left as they were.
func TestEnd(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := 0
	s := set(t, "rayleigh-4x8")
	r := Run{Strategies: fewStrategies, Workers: 4, Floor: true, Each: func(*Slot) error {
		if done++; done == 10 {
			cancel()
		}
		return nil
	}}
	result, err := r.Do(ctx, s.Slots(1, 1e6))
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	if n := len(result.Slots); n != 10 {
		t.Errorf("%d slots are done", n)
	}
	for _, slot := range result.Slots {
		if len(slot.Trials) != len(fewStrategies) {
			t.Errorf("slot %d has %d trials", slot.Number, len(slot.Trials))
		}
	}
	again := Run{Strategies: fewStrategies, Workers: 1, Floor: true}
	want := do(t, &again, s.Slots(1, result.Slots[len(result.Slots)-1].Number+1))
	for _, slot := range result.Slots {
		if diff := cmp.Diff(want.Slots[slot.Number], slot, cmpopts.IgnoreFields(Trial{}, "Compute")); diff != "" {
			t.Errorf("slot %d differs from that of a whole run:\n%s", slot.Number, diff)
		}
	}
}

// Where slots end in an error, what is done is kept.
func TestSlotsEndInError(t *testing.T) {
	broken := errors.New("broken line")
	r := Run{Strategies: fewStrategies[:1]}
	result, err := r.Do(t.Context(), func(yield func(*scheduler.Slot, error) bool) {
		for slot := range set(t, "rayleigh-4x8").Slots(1, 3) {
			if !yield(slot, nil) {
				return
			}
		}
		yield(nil, broken)
	})
	if err != broken || len(result.Slots) != 3 {
		t.Errorf("%v, %d slots", err, len(result.Slots))
	}
}

func TestSlotsAreNotChanged(t *testing.T) {
	slots := slotsOf(t, set(t, "rayleigh-6x4").Slots(1, 2))
	slots[0].Groups = []scheduler.FixedGroup{{UserIDs: []string{"u1", "u2", "u3"}}, {UserIDs: []string{"u4", "u5", "u6"}}}
	before := slotsOf(t, set(t, "rayleigh-6x4").Slots(1, 2))
	before[0].Groups = slices.Clone(slots[0].Groups)
	r := Run{Strategies: append(fewStrategies, scheduler.Strategy{Grouping: CallersGroups}), Floor: true}
	do(t, &r, of(slots...))
	if diff := cmp.Diff(before, slots); diff != "" {
		t.Error(diff)
	}
}

// Numbers by hand: powers of 1, 10 and 4 W over floors of 0.5, 1 and 2 W are 3.01,
// 10 and 3.01 dB over; against 1, 2 and 4 W of the other strategy they are 0, 6.99
// and 0 dB over the best.
func TestSummariesByHand(t *testing.T) {
	floors := []float64{0.5, 1, 2}
	r := &Result{Strategies: []scheduler.Strategy{{Grouping: "a"}, {Grouping: "b"}}}
	for n, w := range []float64{1, 10, 4} {
		met := Trial{Status: scheduler.StatusMet, RadiatedPowerW: w, WorstRateRatio: 1, Grouping: "a", Groups: n + 1, Compute: time.Duration(n+1) * time.Millisecond}
		other := Trial{Status: scheduler.StatusMet, RadiatedPowerW: []float64{1, 2, 4}[n], WorstRateRatio: 1, Grouping: "b", Groups: 2, Compute: time.Millisecond}
		r.Slots = append(r.Slots, Slot{Number: n, FloorPowerW: &floors[n], Trials: []Trial{met, other}})
	}
	// A plan that the audit disagrees with, one that falls short and one made by
	// another grouping.
	r.Slots = append(r.Slots, Slot{Number: 3, FloorPowerW: &floors[0], Trials: []Trial{
		{Status: scheduler.StatusMet, RadiatedPowerW: 1e-9, WorstRateRatio: 1, Grouping: "a", Disagreements: 2, Reason: "wrong", Compute: 9 * time.Millisecond},
		{Status: scheduler.StatusMet, RadiatedPowerW: 1, WorstRateRatio: 1, Grouping: "c", Groups: 4, Compute: time.Millisecond},
	}}, Slot{Number: 4, Trials: []Trial{
		{Status: scheduler.StatusShort, RadiatedPowerW: 100, WorstRateRatio: 0.25, Grouping: "a", Compute: 4 * time.Millisecond},
		{Status: scheduler.StatusFailed, Reason: "fell over"},
	}})
	number := func(x float64) *float64 { return &x }
	micros := func(x int64) *int64 { return &x }
	want := []Summary{{
		Grouping: "a", Slots: 5, Met: 4, Short: 1, AuditDisagrees: 1, Reason: "wrong",
		WorstRateRatio: number(0.25), RadiatedPowerW: number(5), RadiatedPowerDbm: number(36.9897),
		OverFloorDb: &Spread{(3.0103 + 10 + 3.0103) / 3, 10}, OverBestDb: &Spread{6.9897 / 3, 6.9897},
		GroupsPerSlot: number(2), ComputeP50Micros: micros(3000), ComputeP99Micros: micros(9000),
	}, {
		Grouping: "b", Slots: 5, Met: 4, Failed: 1, OtherGrouping: 1, Reason: "fell over",
		WorstRateRatio: number(1), RadiatedPowerW: number(2), RadiatedPowerDbm: number(33.0103),
		OverFloorDb: &Spread{3.0103, 3.0103}, OverBestDb: &Spread{0, 0},
		GroupsPerSlot: number(2.5), ComputeP50Micros: micros(1000), ComputeP99Micros: micros(1000),
	}}
	if diff := cmp.Diff(want, r.Summaries(), cmpopts.EquateApprox(0, 1e-4)); diff != "" {
		t.Error(diff)
	}
}

func TestSummariesOfNothing(t *testing.T) {
	r := &Result{Strategies: fewStrategies[:1]}
	want := []Summary{{Grouping: "together"}}
	if diff := cmp.Diff(want, r.Summaries()); diff != "" {
		t.Error(diff)
	}
}

func TestQuantile(t *testing.T) {
	times := []time.Duration{5, 1, 4, 2, 3}
	for _, tc := range []struct {
		q    float64
		want time.Duration
	}{{0, 1}, {0.5, 3}, {0.6, 3}, {0.61, 4}, {0.99, 5}, {1, 5}} {
		if got := Quantile(times, tc.q); got != tc.want {
			t.Errorf("quantile %v = %v, want %v", tc.q, got, tc.want)
		}
	}
}

func TestApplies(t *testing.T) {
	for _, tc := range []struct {
		strategy scheduler.Strategy
		ok       bool
	}{
		{scheduler.Strategy{}, true},
		{scheduler.Strategy{Grouping: CallersGroups}, true},
		{scheduler.Strategy{Beams: scheduler.BeamsMatched}, true},
		{scheduler.Strategy{Beams: scheduler.BeamsMatched, Power: scheduler.PowerJoint}, false},
		{scheduler.Strategy{Power: scheduler.PowerLP}, false},
		{scheduler.Strategy{Grouping: "nobody's"}, false},
	} {
		if bad := Applies(tc.strategy); (len(bad) == 0) != tc.ok {
			t.Errorf("%+v: %v", tc.strategy, bad)
		}
	}
}
