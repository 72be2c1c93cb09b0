package scheduler_test

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"leastwatt/scheduler"
)

// answering is a grouping from outside that answers what it is told to, until then
// as few groups as may be.
type answering struct {
	told   bool
	groups [][]int
}

func (a *answering) Group(v *scheduler.View) [][]int {
	if !a.told {
		return [][]int{v.Active()}
	}
	return a.groups
}

// timedAnswering is one that decides on time too.
type timedAnswering struct {
	answering
	timed []scheduler.TimedGroup
}

func (a *timedAnswering) Timed(v *scheduler.View) []scheduler.TimedGroup {
	if a.told {
		return a.timed
	}
	var out []scheduler.TimedGroup
	for users := range slices.Chunk(v.Active(), v.MaxGroupSize()) {
		out = append(out, scheduler.TimedGroup{Users: users})
	}
	return out
}

var (
	outside      = &answering{}
	timedOutside = &timedAnswering{}
)

func init() {
	scheduler.RegisterGrouping("test-outside", "for this test", outside)
	scheduler.RegisterGrouping("test-timed-outside", "for this test", timedOutside)
}

// answered plans three users, of whom the last has no rate, on two subbands.
func answered(t *testing.T, grouping string, change func(*scheduler.Slot)) *scheduler.Plan {
	t.Helper()
	slot := echoSlot(rand.New(rand.NewPCG(81, 82)), 4, 2, 4, 1)
	slot.Users[3].RateBps = 0
	slot.Options.Grouping = grouping
	if change != nil {
		change(slot)
	}
	if bad := slot.Validate(); len(bad) > 0 {
		t.Fatal(bad)
	}
	return scheduler.NewEngine().Schedule(context.Background(), slot)
}

// failed checks that a plan names the grouping and the fault, and is no plan.
func failed(t *testing.T, i int, plan *scheduler.Plan, grouping, fault string) {
	t.Helper()
	if plan.Status != scheduler.StatusFailed || len(plan.Groups) > 0 || plan.RadiatedPowerW != 0 {
		t.Errorf("answer %d: %v, %d groups, %g W", i, plan.Status, len(plan.Groups), plan.RadiatedPowerW)
	}
	text := ""
	for _, v := range plan.Violations {
		text += v.Path + ": " + v.Value + ", allowed: " + v.Allowed + "\n"
	}
	if !strings.Contains(text, "grouping "+grouping+": ") || !strings.Contains(text, fault) {
		t.Errorf("answer %d: %q, want %q", i, text, fault)
	}
}

// An answer of a grouping that breaks its contract makes a plan of status FAILED
// with the reason, and nothing else: no user twice, nobody unknown, nobody missing.
func TestGroupingsAnswersChecked(t *testing.T) {
	defer func() { outside.told = false }()
	for i, c := range []struct {
		groups [][]int
		fault  string // empty: a good answer
	}{
		{[][]int{{0, 1}, {2}}, ""},
		{[][]int{{}, {2, 0, 1}, nil}, ""},
		{[][]int{{0, 0}, {1, 2}}, `groups[0].users[1]: user 0 ("u0") again`},
		{[][]int{{0, 1}, {1, 2}}, `user 1 ("u1") is in 2 groups`},
		{[][]int{{0, 1}, {2}, {0, 1}, {2}}, `user 0 ("u0") is in 2 groups`},
		{[][]int{{0, 1}}, `user 2 ("u2") is in no group`},
		{nil, `user 0 ("u0") is in no group`},
		{[][]int{{0, 1, 2, 3}}, "groups[0].users[3]: 3"}, // has no rate
		{[][]int{{0, 1, 2}, {4}}, "groups[1].users[0]: 4"},
		{[][]int{{0, -1, 1, 2}}, "groups[0].users[1]: -1"},
		{[][]int{{0, 1, math.MaxInt}, {2}}, "groups[0].users[2]: 9223372036854775807"},
	} {
		outside.told, outside.groups = true, c.groups
		for _, change := range []func(*scheduler.Slot){nil, func(s *scheduler.Slot) { s.Limits.MaxGroupSize = 2 }, func(s *scheduler.Slot) { s.Limits.MaxGroups = 1 }} {
			plan := answered(t, "test-outside", change)
			if c.fault != "" {
				failed(t, i, plan, "test-outside", c.fault)
			} else if plan.Status != scheduler.StatusMet {
				t.Errorf("answer %d: %v %v", i, plan.Status, plan.Violations)
			}
		}
	}
}

// The same of groupings that decide on time, subbands and rates.
func TestTimedAnswersChecked(t *testing.T) {
	defer func() { timedOutside.told = false }()
	type groups = []scheduler.TimedGroup
	nan, inf := math.NaN(), math.Inf(1)
	all := []int{0, 1, 2}
	limited := func(s *scheduler.Slot) { w := 1e9; s.Limits.TotalPowerW = &w }
	consumed := func(s *scheduler.Slot) { s.Options.Objective = scheduler.ObjectiveConsumed }
	stepped := func(s *scheduler.Slot) { s.Options.ShareStep = 0.25 }
	few := func(s *scheduler.Slot) { s.Limits.MaxGroups = 2 }
	small := func(s *scheduler.Slot) { s.Limits.MaxGroupSize = 2 }
	apart := groups{{Users: []int{0, 1}, Subbands: []int{0}}, {Users: []int{2}, Subbands: []int{1}}}
	quarters := groups{{Users: []int{0, 1}, Share: 0.75}, {Users: []int{2}, Share: 0.25}}
	many := []float64{9, 9}
	for i, c := range []struct {
		groups groups
		change func(*scheduler.Slot)
		fault  string
	}{
		{groups{{Users: all}}, nil, ""},
		{groups{{Users: all, Subbands: []int{}}, {Share: 1}}, nil, ""},
		{apart, nil, ""},
		{quarters, stepped, ""},
		{groups{{Users: []int{0, 1}, Share: 0.5}, {Users: []int{2}}}, nil, ""},
		{groups{{Users: []int{0, 1}, Share: 0.5, Rates: many}, {Users: []int{1, 2}, Share: 0.5, Rates: many}}, nil, ""},
		{groups{{Users: []int{0, 1, 0}}, {Users: []int{2}}}, nil, "groups[0].users[2]: user 0 (\"u0\") again"},
		{groups{{Users: all}, {Users: []int{7}}}, nil, "groups[1].users[0]: 7"},
		{groups{{Users: []int{0, 1}}}, nil, "user 2 (\"u2\") is in no group"},
		{groups{{Users: all, Share: 0.7}, {Users: all, Share: 0.3}}, nil, "is in 2 groups"},
		{groups{{Users: all, Share: 0.7, Rates: []float64{9, 9, 9}}, {Users: []int{0}, Share: 0.3}}, nil, "is in 2 groups"},
		{groups{{Users: all, Share: 0.5, Rates: []float64{9, 9, 1e-3}}}, nil, "rates of user 2"},
		{groups{{Users: all, Share: 0.5, Rates: []float64{9, 9}}}, nil, "groups[0].rates: 2 rates"},
		{groups{{Users: all, Share: 0.5, Rates: []float64{9, nan, 9}}}, nil, "groups[0].rates[1]: NaN"},
		{groups{{Users: all, Share: 0.5, Rates: []float64{9, inf, 9}}}, nil, "groups[0].rates[1]: +Inf"},
		{groups{{Users: all, Share: 0.5, Rates: []float64{9, -1, 9}}}, nil, "groups[0].rates[1]: -1"},
		{groups{{Users: all, Rates: []float64{9, 9, 9}}}, nil, "groups[0].share: 0"},
		{groups{{Users: []int{0, 1}, Share: 0.7}, {Users: []int{2}, Share: 0.7}}, nil, "shares with a sum of 1.4 on subband 0"},
		{groups{{Users: []int{0, 1}, Share: 0.7, Subbands: []int{1}}, {Users: []int{2}, Share: 0.7}}, nil, "shares with a sum of 1.4 on subband 1"},
		{groups{{Users: []int{0, 1}, Share: 1}, {Users: []int{2}}}, nil, "groups[1].share: 0"},
		{groups{{Users: all, Share: -0.1}}, nil, "groups[0].share: -0.1"},
		{groups{{Users: all, Share: nan}}, nil, "groups[0].share: NaN"},
		{groups{{Users: all, Share: inf}}, nil, "groups[0].share: +Inf"},
		{groups{{Users: all, Share: 1.5}}, nil, "groups[0].share: 1.5"},
		{groups{{Users: all, Share: 0.3}}, stepped, "groups[0].share: 0.3"},
		{groups{{Users: all, Subbands: []int{2}}}, nil, "groups[0].subbands[0]: 2"},
		{groups{{Users: all, Subbands: []int{-1}}}, nil, "groups[0].subbands[0]: -1"},
		{groups{{Users: all, Subbands: []int{1, 0}}}, nil, "groups[0].subbands[1]: 0"},
		{groups{{Users: all, Subbands: []int{0, 0}}}, nil, "groups[0].subbands[1]: 0"},
		{groups{{Users: []int{0}}, {Users: []int{1}}, {Users: []int{2}}}, few, "3 groups"},
		{groups{{Users: all}}, small, "groups[0].users: 3 users"},
		{apart, limited, "without a subband in common"},
		{apart, consumed, "without a subband in common"},
	} {
		timedOutside.told, timedOutside.timed = true, c.groups
		kept := slices.Clone(c.groups)
		plan := answered(t, "test-timed-outside", c.change)
		if c.fault != "" {
			failed(t, i, plan, "test-timed-outside", c.fault)
		} else if plan.Status != scheduler.StatusMet {
			t.Errorf("answer %d: %v %v", i, plan.Status, plan.Violations)
		}
		for g := range kept {
			if !slices.Equal(kept[g].Users, c.groups[g].Users) {
				t.Errorf("answer %d: changed to %v", i, c.groups)
			}
		}
	}
}

// What a session owes stays owed where a grouping fails.
func TestFailedSlotKeepsBacklog(t *testing.T) {
	slot := echoSlot(rand.New(rand.NewPCG(83, 84)), 2, 1, 2, 1)
	slot.Options.BacklogSlots = 10
	w := 1e-30
	slot.Limits.TotalPowerW = &w
	e := scheduler.NewEngine()
	e.Schedule(context.Background(), slot) // owes all
	want := e.State()
	slot.Options.Grouping = "test-outside"
	outside.told, outside.groups = true, [][]int{{0}}
	defer func() { outside.told = false }()
	if plan := e.Schedule(context.Background(), slot); plan.Status != scheduler.StatusFailed {
		t.Fatal(plan.Status)
	}
	if got := e.State(); string(got) != string(want) || !strings.Contains(string(want), `"u0"`) {
		t.Errorf("%s, want %s", got, want)
	}
}
