package scheduler_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"leastwatt/channel"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// bandSlot is a slot of 1 Hz and one antenna, with users of 1 W of noise over
// subbands of the gains given, [user][subband], and rates in nats per use.
func bandSlot(nats []float64, gains [][]float64) *scheduler.Slot {
	f := len(gains[0])
	s := &scheduler.Slot{
		BandwidthHz: 1, Channel: scheduler.Channel{Antennas: 1, Subbands: f},
		Options: scheduler.Options{Weights: scheduler.WeightsF64, Floor: true},
	}
	for k, row := range gains {
		s.Users = append(s.Users, scheduler.User{
			ID: fmt.Sprint(k), RateBps: nats[k] / math.Ln2, NoiseW: 1, SubbandNoiseW: slices.Repeat([]float64{1}, f),
		})
		for _, a := range row {
			s.Channel.Samples = append(s.Channel.Samples, complex(math.Sqrt(a), 0))
		}
	}
	return s
}

func fixed(share float64, bands []int, users ...int) scheduler.FixedGroup {
	g := scheduler.FixedGroup{Subbands: bands}
	if share > 0 {
		g.Share = &share
	}
	for _, k := range users {
		g.UserIDs = append(g.UserIDs, fmt.Sprint(k))
	}
	return g
}

// planOf schedules a slot whose targets can be met, and has it audited.
func planOf(t *testing.T, s *scheduler.Slot) *scheduler.Plan {
	t.Helper()
	plan := audited(t, s)
	if plan.Status != scheduler.StatusMet {
		t.Fatalf("%v, users %v", plan.Status, plan.Users)
	}
	return plan
}

func audited(t *testing.T, s *scheduler.Slot) *scheduler.Plan {
	t.Helper()
	plan := scheduler.NewEngine().Schedule(t.Context(), s)
	r, err := audit.Recompute(s, plan)
	if err != nil {
		t.Fatalf("%v: %v", err, plan.Violations)
	}
	for _, f := range r.Findings {
		t.Error(f)
	}
	if plan.FloorPowerW != nil && !(*plan.FloorPowerW <= plan.RadiatedPowerW*(1+1e-9)) {
		t.Errorf("%g W, below the floor of %g W", plan.RadiatedPowerW, *plan.FloorPowerW)
	}
	return plan
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

// waterFilling returns the least power for a mean of nats per use over channels of
// the gains given (Cover, Thomas, Elements of Information Theory, ch. 9, from memory).
func waterFilling(nats float64, gains ...float64) float64 {
	gains = slices.Clone(gains)
	slices.Sort(gains)
	total := nats * float64(len(gains))
	for n := len(gains); ; n-- {
		level := total
		for _, a := range gains[len(gains)-n:] {
			level -= math.Log(a)
		}
		if level /= float64(n); n > 1 && level+math.Log(gains[len(gains)-n]) < 0 {
			continue // the weakest takes no part
		}
		power := 0.0
		for _, a := range gains[len(gains)-n:] {
			power += math.Exp(level) - 1/a
		}
		return power
	}
}

// One user in groups each of a subband of its own fills them as water-filling does,
// as if it were one group of all.
func TestUserOnSubbandsOfSeveralGroups(t *testing.T) {
	for _, gains := range [][]float64{{1, 4}, {0.01, 4}, {2, 2}, {1, 3, 0.5, 20}} {
		s := bandSlot([]float64{1.3}, [][]float64{gains})
		for f := range gains {
			s.Groups = append(s.Groups, fixed(0, []int{f}, 0))
		}
		plan := planOf(t, s)
		near(t, fmt.Sprint(gains), plan.RadiatedPowerW, waterFilling(1.3, gains...), 1e-5)
		for _, g := range plan.Groups {
			if g.Share != 1 || len(g.Subbands) != 1 {
				t.Errorf("%v: a share of %g on subbands %v; want all of one", gains, g.Share, g.Subbands)
			}
		}
	}
}

// Users who have subbands to themselves use all of the slot: P = (2^(R F/B) - 1)/gain
// (Shannon).
func TestUsersOnOwnSubbands(t *testing.T) {
	s := bandSlot([]float64{0.7, 1.1}, [][]float64{{2, 3}, {1, 5}})
	s.Groups = []scheduler.FixedGroup{fixed(0, []int{0}, 0), fixed(0, []int{1}, 1)}
	plan := planOf(t, s)
	near(t, "power", plan.RadiatedPowerW, math.Expm1(1.4)/2+math.Expm1(2.2)/5, 1e-6)
	if plan.Groups[0].Share != 1 || plan.Groups[1].Share != 1 {
		t.Errorf("shares %g and %g, want 1 and 1", plan.Groups[0].Share, plan.Groups[1].Share)
	}
	// Limits on power would have to hold for both at once.
	watts := 1e9
	s.Limits.TotalPowerW = &watts
	plan = scheduler.NewEngine().Schedule(t.Context(), s)
	if len(plan.Violations) != 1 || plan.Violations[0].Path != "groups[1].subbands" {
		t.Errorf("with a limit: %v", plan.Violations)
	}
}

// Two groups that are the same to their only user are as good as one.
func TestUserInEqualGroups(t *testing.T) {
	for _, shares := range [][2]float64{{0, 0}, {0.5, 0.5}, {0.7, 0.3}, {0.2, 0}} {
		s := bandSlot([]float64{1.3}, [][]float64{{2}})
		s.Groups = []scheduler.FixedGroup{fixed(shares[0], nil, 0), fixed(shares[1], nil, 0)}
		near(t, fmt.Sprint(shares), planOf(t, s).RadiatedPowerW, math.Expm1(1.3)/2, 1e-6)
	}
}

// Groups on sets of subbands that overlap: shares by a search over the one that is
// free, each group of one user at its closed form.
func TestOverlappingSubbands(t *testing.T) {
	gains := [][]float64{{1, 2, 3, 1}, {5, 1, 1, 2}, {0.3, 2, 4, 1}}
	nats := []float64{0.5, 0.4, 0.6}
	phi := func(k int, share float64, bands ...int) float64 {
		var a []float64
		for _, f := range bands {
			a = append(a, gains[k][f])
		}
		return share * waterFilling(nats[k]*4/float64(len(bands))/share, a...)
	}
	for _, c := range []struct {
		bands [3][]int
		total func(x float64) float64
	}{
		// The first shares each of its subbands with another.
		{[3][]int{{0, 1}, {1}, {0}}, func(x float64) float64 { return phi(0, x, 0, 1) + phi(1, 1-x, 1) + phi(2, 1-x, 0) }},
		// A chain: the second in the middle.
		{[3][]int{{0, 1}, {1, 2}, {2, 3}}, func(x float64) float64 { return phi(0, 1-x, 0, 1) + phi(1, x, 1, 2) + phi(2, 1-x, 2, 3) }},
		// One apart from two.
		{[3][]int{{0, 1}, {0, 1}, {2, 3}}, func(x float64) float64 { return phi(0, x, 0, 1) + phi(1, 1-x, 0, 1) + phi(2, 1, 2, 3) }},
	} {
		s := bandSlot(nats, gains)
		for k, bands := range c.bands {
			s.Groups = append(s.Groups, fixed(0, bands, k))
		}
		near(t, fmt.Sprint(c.bands), planOf(t, s).RadiatedPowerW, least(c.total, 60), 2e-6)
	}
	// Every two of three overlap, nothing tells them apart: half of the slot each.
	s := bandSlot([]float64{1, 1, 1}, [][]float64{{1, 1, 1}, {1, 1, 1}, {1, 1, 1}})
	s.Groups = []scheduler.FixedGroup{fixed(0, []int{0, 1}, 0), fixed(0, []int{1, 2}, 1), fixed(0, []int{2, 0}, 2)}
	near(t, "of three", planOf(t, s).RadiatedPowerW, 3*0.5*2*math.Expm1(1*1.5/0.5), 1e-6)
}

// least returns the least value on (0, 1) by golden sections, of a function with
// one minimum.
func least(f func(float64) float64, sections int) float64 {
	r := (math.Sqrt(5) - 1) / 2
	a, b := 1e-3, 1-1e-3
	for range sections {
		if c, d := b-r*(b-a), a+r*(b-a); f(c) < f(d) {
			b = d
		} else {
			a = c
		}
	}
	return f((a + b) / 2)
}

// sharedSlot has users 1 and 2 in groups of their own with user 0 in both. halved
// makes two users of user 0, one in each group, of which the first has a part of the
// rate: what the engine makes of it is the reference.
func sharedSlot(seed uint64, bands [2][]int, shares [2]float64, load float64) (slot *scheduler.Slot, halved func(part float64) *scheduler.Slot) {
	build := func() *scheduler.Slot {
		rng := rand.New(rand.NewPCG(seed, 5))
		s := &scheduler.Slot{
			BandwidthHz: 1, Channel: scheduler.Channel{Antennas: 3, Subbands: 2, Samples: make([]complex128, 18)},
			Options: scheduler.Options{Weights: scheduler.WeightsF64},
		}
		channel.Rayleigh(rng, s.Channel.Samples, 1)
		for k := range 3 {
			s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint(k), RateBps: load * (0.5 + rng.Float64()), NoiseW: 1})
		}
		s.Groups = []scheduler.FixedGroup{fixed(shares[0], bands[0], 0, 1), fixed(shares[1], bands[1], 0, 2)}
		return s
	}
	return build(), func(part float64) *scheduler.Slot {
		s := build()
		other := s.Users[0]
		other.ID = "3"
		other.RateBps *= 1 - part
		s.Users[0].RateBps *= part
		s.Users = append(s.Users, other)
		s.Channel.Samples = append(s.Channel.Samples, s.Channel.Samples[:6]...)
		s.Groups[1].UserIDs[0] = "3"
		return s
	}
}

// A user's split between two groups against a scan of it.
func TestSplitOverGroups(t *testing.T) {
	for seed := range uint64(4) {
		for _, bands := range [][2][]int{{nil, nil}, {{0}, {1}}, {nil, {1}}} {
			for _, shares := range [][2]float64{{0, 0}, {0.5, 0.4}} {
				slot, halved := sharedSlot(seed, bands, shares, 2)
				got := planOf(t, slot).RadiatedPowerW
				want := least(func(part float64) float64 {
					return scheduler.NewEngine().Schedule(t.Context(), halved(part)).RadiatedPowerW
				}, 20)
				for _, part := range []float64{1e-6, 1 - 1e-6} {
					want = math.Min(want, scheduler.NewEngine().Schedule(t.Context(), halved(part)).RadiatedPowerW)
				}
				if !(got <= want*(1+1e-5)) || !(got >= want*(1-1e-3)) {
					t.Errorf("seed %d, subbands %v, shares %v: %g W, by a scan %g W", seed, bands, shares, got, want)
				}
			}
		}
	}
}

// With limits that bind in the group that would be best for it, a user is served
// by its other group: two groups of half of the slot each, the second of twice the
// gain for user 0 but full, with user 1 at the limit almost alone.
func TestSplitUnderLimits(t *testing.T) {
	s := &scheduler.Slot{
		BandwidthHz: 1, Channel: scheduler.Channel{Antennas: 2, Subbands: 1, Samples: []complex128{1, 0, 0, 1}},
		Options: scheduler.Options{Weights: scheduler.WeightsF64},
	}
	for k := range 2 {
		s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint(k), RateBps: 1, NoiseW: 1})
	}
	s.Groups = []scheduler.FixedGroup{fixed(0.5, nil, 0), fixed(0.5, nil, 0, 1)}
	// User 1 takes 2^2 - 1 = 3 W while on the air; user 0 by even parts 1 W in each.
	near(t, "free", planOf(t, s).RadiatedPowerW, 0.5*3+1, 1e-6)
	// With 3.2 W in all, 0.2 W are left for user 0 in the second group:
	// log2(1.2) bit/s/Hz there and 2 - log2(1.2) in the first.
	watts := 3.2
	s.Limits.TotalPowerW = &watts
	first := math.Exp2(2-math.Log2(1.2)) - 1
	near(t, "limited", planOf(t, s).RadiatedPowerW, 0.5*(3.2+first), 1e-3)
	// With 3 W nothing is left, and it takes all of the first, which is full too.
	watts = 3.0001
	near(t, "full", planOf(t, s).RadiatedPowerW, 3, 1e-3)
	// With less both groups bear the same fraction of the targets at best, by closed
	// form: log2(1 + 2) of 2 bit/s/Hz.
	watts = 2
	plan := audited(t, s)
	if plan.Status != scheduler.StatusShort || len(plan.LimitsBinding) != 1 {
		t.Fatalf("%v, binding %v", plan.Status, plan.LimitsBinding)
	}
	for _, u := range plan.Users {
		near(t, "rate of "+u.ID, u.RateBps, math.Log2(3)/2, 0.02)
	}
}

// A user whose group cannot be served with it, at any share, is served by its other
// group: zero forcing does not tell users of the same channel apart.
func TestSplitLeavesGroup(t *testing.T) {
	s := bandSlot([]float64{1, 1, 1}, [][]float64{{2}, {2}, {2}})
	s.Options.Beams, s.Options.Power = scheduler.BeamsZeroForcing, scheduler.PowerLP
	s.Groups = []scheduler.FixedGroup{fixed(0.5, nil, 0, 1, 2), fixed(0.25, nil, 0), fixed(0.25, nil, 1)}
	plan := planOf(t, s)
	near(t, "power", plan.RadiatedPowerW, 0.5*math.Expm1(2)/2+2*0.25*math.Expm1(4)/2, 1e-6)
	for g := range plan.Groups {
		if n := len(plan.Groups[g].Allocations); n != 1 {
			t.Errorf("%d users in group %d, want 1", n, g)
		}
	}
}

// A group whose users get everything elsewhere is not in the plan, and a user is
// served where it has a channel.
func TestGroupNotUsed(t *testing.T) {
	s := bandSlot([]float64{1, 1}, [][]float64{{0, 2}, {2, 0}})
	s.Groups = []scheduler.FixedGroup{fixed(0, []int{0}, 0), fixed(0, []int{1}, 0), fixed(0, []int{0}, 1)}
	plan := planOf(t, s)
	if len(plan.Groups) != 2 || plan.Groups[0].Share != 1 || plan.Groups[1].Share != 1 {
		t.Errorf("groups %+v; want two, with all of the slot each", plan.Groups)
	}
	near(t, "power", plan.RadiatedPowerW, 2*math.Expm1(2)/2, 1e-6)
	// Where it has none in any of its groups it is left out, the others are served.
	s.Groups = []scheduler.FixedGroup{fixed(0, []int{0}, 0, 1), fixed(0, []int{1}, 1)}
	plan = audited(t, s)
	if plan.Status != scheduler.StatusShort || !slices.Equal(plan.UnservableUserIDs, []string{"0"}) {
		t.Errorf("%v, unservable %v", plan.Status, plan.UnservableUserIDs)
	}
	near(t, "rate of the other", plan.Users[1].RateBps, 1/math.Ln2, 1e-5)
}

// Where targets are out of reach every user gets at least about the fraction that
// all could, by a scan of the split; where the scan meets them so does the plan.
func TestShortOverGroups(t *testing.T) {
	for seed := range uint64(3) {
		for _, shares := range [][2]float64{{0, 0}, {0.5, 0.4}} {
			slot, halved := sharedSlot(seed, [2][]int{nil, {1}}, shares, 2)
			watts := planOf(t, slot).RadiatedPowerW
			for _, part := range []float64{0.3, 0.9} {
				limit := watts * part
				slot.Limits.TotalPowerW = &limit
				fraction := func(s *scheduler.Slot, plan *scheduler.Plan) float64 {
					least := 1.0
					for _, u := range plan.Users {
						least = math.Min(least, u.RateBps/u.TargetBps)
					}
					return least
				}
				want := -least(func(part float64) float64 {
					s := halved(part)
					s.Limits.TotalPowerW = &limit
					return -fraction(s, scheduler.NewEngine().Schedule(t.Context(), s))
				}, 9)
				if got := fraction(slot, audited(t, slot)); !(got >= want*(1-0.03)) {
					t.Errorf("seed %d, shares %v, %g of the power: %g of the targets, by a scan %g", seed, shares, part, got, want)
				}
			}
		}
	}
}

// Plans stand up to the audit whatever groups and options ask for, and are MET where
// nothing stands in the way.
func TestSeveralAudited(t *testing.T) {
	for seed := range uint64(36) {
		rng := rand.New(rand.NewPCG(seed, 7))
		subbands, antennas, users := 1+rng.IntN(4), 3+rng.IntN(4), 2+rng.IntN(4)
		s := &scheduler.Slot{
			BandwidthHz: 1e6,
			Channel:     scheduler.Channel{Antennas: antennas, Subbands: subbands, Samples: make([]complex128, users*subbands*antennas)},
			Options:     scheduler.Options{Weights: scheduler.WeightsF64 + scheduler.WeightFormat(rng.IntN(3)), Floor: true},
		}
		channel.Rayleigh(rng, s.Channel.Samples, 1e-9)
		for k := range users {
			s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint(k), RateBps: 1e5 + 3e5*rng.Float64(), NoiseW: 1e-13})
		}
		inTurn := seed%3 == 0 // all groups use subband 0
		seen := make([]bool, users)
		for g := 0; g < 1+rng.IntN(4) || slices.Contains(seen, false); g++ {
			var bands, members []int
			for f := range subbands {
				if rng.IntN(2) == 0 || inTurn && f == 0 {
					bands = append(bands, f)
				}
			}
			for k := range users {
				if rng.IntN(2) == 0 && len(members) < antennas-1 {
					members = append(members, k)
					seen[k] = true
				}
			}
			if len(members) == 0 {
				continue
			}
			share := 0.0
			if rng.IntN(4) == 0 {
				share = 1.0 / 14
			}
			s.Groups = append(s.Groups, fixed(share, bands, members...))
		}
		wantMet := true
		switch seed % 6 {
		case 1:
			s.Options.RateTable, wantMet = "mcs-256qam", false
		case 2:
			s.Options.ShareStep, wantMet = 1.0/14, false
		case 3:
			s.Options.Objective = scheduler.ObjectiveConsumed
		case 4:
			s.Options.Beams = scheduler.Beams()[rng.IntN(4)].Name
			wantMet = s.Options.Beams == scheduler.BeamsZeroForcing
		}
		if inTurn && seed%2 == 0 {
			s.Limits.AntennaPowerW = slices.Repeat([]float64{1e-4}, antennas)
			s.Options.Beams, wantMet = "", false
		}
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			plan := audited(t, s)
			t.Log(plan.Status, plan.RadiatedPowerW, plan.Solves, len(s.Groups), s.Options, len(s.Limits.AntennaPowerW))
			if wantMet && plan.Status != scheduler.StatusMet {
				t.Errorf("%v: %+v", plan.Status, plan.Users)
			}
		})
	}
}
