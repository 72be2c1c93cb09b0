package scheduler

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// planned schedules a slot with options.
func planned(slot *Slot, o Options) *Plan {
	s := *slot
	s.Options = o
	return NewEngine().Schedule(context.Background(), &s)
}

// groupsOf returns the users of each group by number, in order.
func groupsOf(plan *Plan) [][]int {
	number := map[string]int{}
	for k := range plan.Users {
		number[plan.Users[k].ID] = k
	}
	var out [][]int
	for g := range plan.Groups {
		var users []int
		for i := range plan.Groups[g].Allocations {
			users = append(users, number[plan.Groups[g].Allocations[i].UserID])
		}
		slices.Sort(users)
		out = append(out, users)
	}
	slices.SortFunc(out, func(a, b []int) int { return slices.Compare(a, b) })
	return out
}

// partitionsOf calls f with every partition of users.
func partitionsOf(users []int, f func([][]int)) {
	var place func(i int, groups [][]int)
	place = func(i int, groups [][]int) {
		if i == len(users) {
			f(groups)
			return
		}
		for g := range groups {
			next := slices.Clone(groups)
			next[g] = append(slices.Clone(groups[g]), users[i])
			place(i+1, next)
		}
		place(i+1, append(slices.Clone(groups), []int{users[i]}))
	}
	place(0, nil)
}

func dB(ratio float64) float64 { return 10 * math.Log10(ratio) }

// On several subbands, where a split of rates over them may end at one least or
// another, plans take the power that searches found.
func TestPlansAsSearched(t *testing.T) {
	for seed := range uint64(16) {
		k := 4 + int(seed%3)
		slot := randomWideSlot(rand.New(rand.NewPCG(seed, 36)), k, 2+int(seed%3), 2+int(seed%4), 1.5)
		v := newView(slot, Options{}.Resolve())
		s := v.searched(nil)
		best := v.bestOf(s.partition())
		if best.powerW > s.total*(1+1e-3) {
			t.Errorf("slot %d: groups divided take %g W, in the search %g W", seed, best.powerW, s.total)
		}
		if plan := planned(slot, Options{}); plan.RadiatedPowerW > best.powerW*(1+1e-6) {
			t.Errorf("slot %d: plan of %g W, search ended at %g W", seed, plan.RadiatedPowerW, best.powerW)
		}
		if seed%4 > 0 || k > 5 {
			continue
		}
		e := &exactSearch{view: v, users: v.active, least: math.Inf(1)}
		e.start()
		e.find()
		if plan := planned(slot, Options{Grouping: GroupingExact}); plan.RadiatedPowerW > e.least*(1+1e-6) {
			t.Errorf("slot %d: plan of %g W, exact ended at %g W", seed, plan.RadiatedPowerW, e.least)
		}
	}
}

// Exact agrees with a division of every partition there is, also where it is not
// told what least-power finds.
func TestExactAgainstAllPartitions(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	for i := range 12 {
		slot := draws[i%len(draws)](rng, 5, 2+i/2, 1.5)
		if i%4 == 3 {
			slot.Limits.MaxGroups = 2
		}
		if i%4 == 2 {
			slot.Limits.MaxGroupSize = 2
		}
		plan := planned(slot, Options{Grouping: GroupingExact})
		v := newView(slot, Options{}.Resolve())
		least := math.Inf(1)
		partitionsOf(v.active, func(groups [][]int) {
			if v.fits(groups) {
				p := v.partitionOf(timeless(groups))
				v.divide(p)
				least = math.Min(least, p.powerW)
			}
		})
		if math.Abs(plan.RadiatedPowerW/least-1) > 1e-6 {
			t.Errorf("slot %d: %g W, least of all partitions %g W", i, plan.RadiatedPowerW, least)
		}
		// The search by itself, knowing a price and no partition.
		e := &exactSearch{view: v, users: v.active, least: math.Inf(1)}
		e.start()
		e.best, e.least = nil, math.Inf(1)
		e.find()
		if math.Abs(e.least/least-1) > 1e-6 {
			t.Errorf("slot %d: search from nothing %g W, least of all partitions %g W", i, e.least, least)
		}
	}
}

// The values of exact's programme are below the cost of their groups, time at the
// price included, whatever the share.
func TestExactBounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(35, 36))
	for i := range 6 {
		slot := draws[i/2](rng, 5, 3+i, 1.5)
		if i == 5 {
			slot = randomWideSlot(rng, 3, 2, 3, 1.5)
		}
		v := newView(slot, Options{}.Resolve())
		e := &exactSearch{view: v, users: v.active, least: math.Inf(1)}
		e.start()
		e.bound()
		for m := 1; m < len(e.value); m++ {
			tight := math.Inf(1)
			for at := range 60 {
				s := math.Exp(-0.05 * (float64(at) + rng.Float64()))
				cost := s*v.GroupPower(e.members(m), s) + e.nu*s
				tight = math.Min(tight, cost)
				if e.value[m] > cost*(1+1e-9) {
					t.Errorf("slot %d: users %v cost %g in a share of %g, bound %g", i, e.members(m), cost, s, e.value[m])
				}
			}
			if tight < e.least && e.value[m] < 0.97*tight {
				t.Errorf("slot %d: users %v cost %g at least, bound %g", i, e.members(m), tight, e.value[m])
			}
		}
	}
}

// integerSlot is the channel of integer formulas gen(K, M) that optim's reference
// tests take, of unit noise and bandwidth 1.
func integerSlot(users, antennas int, bits ...float64) *Slot {
	s := &Slot{BandwidthHz: 1, Channel: Channel{Antennas: antennas, Subbands: 1}}
	for k := range users {
		s.Users = append(s.Users, User{ID: fmt.Sprint("u", k+1), RateBps: bits[k%len(bits)], NoiseW: 1})
		for m := range antennas {
			re := float64((7*(k+1)*(m+1)+3*k*k+5*m)%17-8) / 8
			im := float64((5*(k+1)*(m+2)+11*k+2*m*m)%19-9) / 9
			s.Channel.Samples = append(s.Channel.Samples, complex(re, im))
		}
	}
	return s
}

// All partitions of gen(4, 3) at 1 bit each, shares optimised; and the best of
// gen(4, 6) at 1, 1, 2 and 2 bit. Values of an independent computation in Python
// (fixed point of uplink-downlink duality, general search over shares).
func TestAllPartitionsOfFour(t *testing.T) {
	slot := integerSlot(4, 3, 1)
	want := map[string]float64{
		"[[0 1] [2 3]]":     3.106343278385,
		"[[0 1] [2] [3]]":   3.6561873560,
		"[[0] [1] [2] [3]]": 5.9564144566,
		"[[0 1 2 3]]":       7.5271486799,
		"[[0 2] [1] [3]]":   3.6646303320,
		"[[0 2] [1 3]]":     3.8744605456,
		"[[0 3] [1] [2]]":   4.2698165099,
		"[[0] [1] [2 3]]":   4.6753559164,
		"[[0 3] [1 2]]":     5.0208064185,
		"[[0 1 3] [2]]":     5.3019544541,
		"[[0 1 2] [3]]":     5.4893283416,
		"[[0] [1 3] [2]]":   5.8351701170,
		"[[0] [1 2 3]]":     6.3459933765,
		"[[0] [1 2] [3]]":   6.6469572140,
		"[[0 2 3] [1]]":     6.7694260798,
	}
	v := newView(slot, Options{}.Resolve())
	partitionsOf(v.active, func(groups [][]int) {
		p := v.partitionOf(timeless(groups))
		v.divide(p)
		name := fmt.Sprint(groups)
		if math.Abs(p.powerW/want[name]-1) > 1e-9 {
			t.Errorf("%s: %.10f W, want %.10f W", name, p.powerW, want[name])
		}
		delete(want, name)
	})
	if len(want) > 0 {
		t.Errorf("not tried: %v", want)
	}
	for _, grouping := range []string{GroupingExact, GroupingLeastPower} {
		plan := planned(slot, Options{Grouping: grouping})
		if math.Abs(plan.RadiatedPowerW/3.106343278385-1) > 1e-9 {
			t.Errorf("%s: %.12f W", grouping, plan.RadiatedPowerW)
		}
		if got := groupsOf(plan); !cmp.Equal(got, [][]int{{0, 1}, {2, 3}}) {
			t.Errorf("%s: groups %v", grouping, got)
		}
		for g := range plan.Groups {
			want := 0.459891283601
			if plan.Groups[g].Allocations[0].UserID > "u2" {
				want = 0.540108716399
			}
			if math.Abs(plan.Groups[g].Share-want) > 1e-5 {
				t.Errorf("%s: share %.9f, want %.9f", grouping, plan.Groups[g].Share, want)
			}
		}
		plan = planned(integerSlot(4, 6, 1, 1, 2, 2), Options{Grouping: grouping})
		if math.Abs(plan.RadiatedPowerW/2.231993432367-1) > 1e-9 || len(plan.Groups) != 1 {
			t.Errorf("%s: gen(4, 6): %.12f W in %d groups", grouping, plan.RadiatedPowerW, len(plan.Groups))
		}
	}
	v = newView(integerSlot(4, 6, 1, 1, 2, 2), Options{}.Resolve())
	for want, groups := range map[float64][][]int{
		2.7448267638: {{1}, {0, 2, 3}}, 12.7573290874: {{0}, {1}, {2}, {3}},
	} {
		p := v.partitionOf(timeless(groups))
		if v.divide(p); math.Abs(p.powerW/want-1) > 1e-9 {
			t.Errorf("gen(4, 6): %v: %.10f W, want %.10f W", groups, p.powerW, want)
		}
	}
}

// Shares of single users have a closed form by Lambert's W (derived: equal
// slopes g (1 + e^x (x - 1)) with x = R ln 2/s).
func TestSharesOfSingleUsers(t *testing.T) {
	s := &Slot{BandwidthHz: 1, Channel: Channel{Antennas: 1, Subbands: 1, Samples: []complex128{1, 0.5, 2}}}
	for k, bits := range []float64{1, 1, 2} {
		s.Users = append(s.Users, User{ID: fmt.Sprint(k), RateBps: bits, NoiseW: 1})
	}
	plan := planned(s, Options{Grouping: "alone"})
	if math.Abs(plan.RadiatedPowerW/15.4498422105-1) > 1e-10 {
		t.Errorf("%.10f W, want 15.4498422105 W", plan.RadiatedPowerW)
	}
	for g, want := range []float64{0.2550236, 0.3688618, 0.3761145} {
		if got := plan.Groups[g].Share; math.Abs(got-want) > 1e-6 {
			t.Errorf("share %.7f, want %.7f", got, want)
		}
	}
}

// Two users of equal norms and rates share the air where 1 - c, c the squared
// correlation, is above 2 (1 + g)/(2 + g)^2, g = 2^R - 1, and take turns below
// (derived from the closed form of two users and from half the slot each): a
// threshold on correlation alone must miss it.
func TestSharingRuleOfTwo(t *testing.T) {
	for _, bits := range []float64{0.5, 1, 2, 3} {
		g := math.Exp2(bits) - 1
		edge := 1 - 2*(1+g)/((2+g)*(2+g)) // of c
		for _, c := range []float64{edge - 0.01, edge + 0.01} {
			s := &Slot{BandwidthHz: 1, Channel: Channel{Antennas: 2, Subbands: 1}}
			s.Users = []User{{ID: "a", RateBps: bits, NoiseW: 1}, {ID: "b", RateBps: bits, NoiseW: 1}}
			s.Channel.Samples = []complex128{1, 0, complex(math.Sqrt(c), 0), complex(0, math.Sqrt(1-c))}
			want := 2
			if c < edge {
				want = 1
			}
			for _, grouping := range []string{GroupingLeastPower, GroupingExact} {
				if plan := planned(s, Options{Grouping: grouping}); len(plan.Groups) != want {
					t.Errorf("%s, %g bit, c = %.3f: %d groups, want %d", grouping, bits, c, len(plan.Groups), want)
				}
			}
		}
	}
}

// Whatever the slot and its limits, every grouping gives each user with a rate
// exactly one group, keeps to the limits on groups, meets the targets; and
// least-power takes no more than one group, every user alone or semi-orthogonal
// groups, and no less than exact.
func TestGroupingsHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		draw := draws[rapid.IntRange(0, len(draws)-1).Draw(t, "kind")]
		k := rapid.IntRange(1, 6).Draw(t, "users")
		slot := draw(rng, k, rapid.IntRange(1, 8).Draw(t, "antennas"), rapid.Float64Range(0.05, 1.5).Draw(t, "bits"))
		if idle := rapid.IntRange(0, 2*k).Draw(t, "idle"); idle < k && k > 1 {
			slot.Users[idle].RateBps = 0
			k--
		}
		size := rapid.IntRange(0, k).Draw(t, "group size")
		slot.Limits.MaxGroupSize = size
		fewest := 1
		if size > 0 {
			fewest = (k + size - 1) / size
		}
		if rapid.Bool().Draw(t, "limited") {
			slot.Limits.MaxGroups = rapid.IntRange(fewest, k).Draw(t, "groups")
		}
		power := map[string]float64{}
		for _, g := range Groupings() {
			plan := planned(slot, Options{Grouping: g.Name})
			if plan.Status == StatusRejected {
				t.Fatalf("%s: %v", g.Name, plan.Violations)
			}
			if plan.Status != StatusMet && (slot.Limits.MaxGroups == 0 || plan.Status != StatusShort) {
				t.Errorf("%s: %v", g.Name, plan.Status)
			}
			if plan.Status != StatusMet || plan.Strategy.Grouping != g.Name {
				continue
			}
			power[g.Name] = plan.RadiatedPowerW
			served := 0
			for _, users := range groupsOf(plan) {
				served += len(users)
				if size > 0 && len(users) > size {
					t.Errorf("%s: a group of %d, limit %d", g.Name, len(users), size)
				}
			}
			if most := slot.Limits.MaxGroups; most > 0 && len(plan.Groups) > most {
				t.Errorf("%s: %d groups, limit %d", g.Name, len(plan.Groups), most)
			}
			if served != k && g.Name != GroupingMixed {
				t.Errorf("%s: %d users served of %d", g.Name, served, k)
			}
		}
		for name, p := range power {
			if exact, ok := power[GroupingExact]; ok && name != GroupingMixed && p < exact*(1-1e-6) {
				t.Errorf("%s: %g W, exact %g W", name, p, exact)
			}
			if exact, ok := power[GroupingExact]; ok && name == GroupingMixed && p > exact*(1+1e-6) {
				t.Errorf("mixed %g W, exact %g W", p, exact)
			}
			if name == "together" || name == "alone" || name == "semi-orthogonal" {
				if least, ok := power[GroupingLeastPower]; !ok || least > p*(1+1e-6) {
					t.Errorf("least-power %g W, %s %g W", least, name, p)
				}
			}
		}
	})
}

// With a work limit the plan is the same bit for bit, says that it was stopped
// early, and costs no more with more work.
func TestWorkLimit(t *testing.T) {
	slot := clusterSlot(rand.New(rand.NewPCG(37, 38)), 16, 16, 1)
	full := planned(slot, Options{})
	if full.StoppedEarly {
		t.Error("stopped early without a limit")
	}
	last := math.Inf(1)
	for _, limit := range []int64{1, 30, 100, 300} {
		plan := planned(slot, Options{WorkLimit: limit})
		if !plan.StoppedEarly || plan.Status != StatusMet {
			t.Errorf("limit %d: %v, stopped early: %v", limit, plan.Status, plan.StoppedEarly)
		}
		if again := planned(slot, Options{WorkLimit: limit}); !cmp.Equal(plan, again) {
			t.Errorf("limit %d: plans differ: %s", limit, cmp.Diff(plan, again))
		}
		if plan.RadiatedPowerW > last*(1+1e-9) || plan.RadiatedPowerW < full.RadiatedPowerW*(1-1e-9) {
			t.Errorf("limit %d: %g W, %g W with less work, %g W without a limit", limit, plan.RadiatedPowerW, last, full.RadiatedPowerW)
		}
		last = plan.RadiatedPowerW
	}
}

// A path of users that each see only the next: three colours at a threshold
// below every correlation, two between them, one above all (by hand).
func TestColoring(t *testing.T) {
	s := &Slot{BandwidthHz: 1, Channel: Channel{Antennas: 3, Subbands: 1}}
	for k := range 3 {
		s.Users = append(s.Users, User{ID: fmt.Sprint(k), RateBps: 0.1, NoiseW: 1})
	}
	// Correlations 0.6 of 0 and 1, 0.48 of 1 and 2, 0 of 0 and 2.
	s.Channel.Samples = []complex128{1, 0, 0, 0.6, 0.8, 0, 0, 0.6, 0.8}
	for _, c := range []struct {
		threshold float64
		groups    [][]int
	}{
		{0.45, [][]int{{0, 2}, {1}}}, {0.5, [][]int{{0, 2}, {1}}}, {0.7, [][]int{{0, 1, 2}}},
	} {
		plan := planned(s, Options{Grouping: "coloring", CorrelationThreshold: c.threshold})
		if got := groupsOf(plan); !cmp.Equal(got, c.groups) {
			t.Errorf("threshold %g: %v, want %v", c.threshold, got, c.groups)
		}
	}
	s.Limits.MaxGroupSize = 1
	if plan := planned(s, Options{Grouping: "coloring"}); len(plan.Groups) != 3 {
		t.Errorf("groups of one user: %d", len(plan.Groups))
	}
}
