package audit

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"leastwatt/scheduler"
)

// only fails unless the findings are at the paths given, each once.
func only(t *testing.T, slot *scheduler.Slot, plan *scheduler.Plan, paths ...string) {
	t.Helper()
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range r.Findings {
		got = append(got, f.Path)
	}
	if !slices.Equal(got, paths) {
		t.Errorf("findings %v, want at %q", r.Findings, paths)
	}
}

func TestIdentity(t *testing.T) {
	for _, tc := range []struct {
		asked scheduler.Options
		named scheduler.Strategy
		path  string // "": right
	}{
		{scheduler.Options{}, scheduler.Strategy{}, ""},
		{scheduler.Options{}, scheduler.Strategy{Grouping: "any", Beams: "matched", Power: "lp"}, ""},
		{scheduler.Options{Grouping: "exact", Beams: "matched", Power: "lp"}, scheduler.Strategy{Grouping: "exact", Beams: "matched", Power: "lp"}, ""},
		{scheduler.Options{Grouping: "exact"}, scheduler.Strategy{Grouping: "mixed"}, "strategy.grouping"},
		{scheduler.Options{Grouping: "exact"}, scheduler.Strategy{Grouping: "together"}, ""},
		{scheduler.Options{Grouping: "exact"}, scheduler.Strategy{Grouping: "alone"}, "strategy.grouping"}, // two users are in the group
		{scheduler.Options{Beams: "matched"}, scheduler.Strategy{Beams: "zero-forcing"}, "strategy.beams"},
		{scheduler.Options{Power: "lp"}, scheduler.Strategy{Power: "iterative"}, "strategy.power"},
		{scheduler.Options{}, scheduler.Strategy{Beams: "optimal", Power: "lp"}, "strategy.power"},
		{scheduler.Options{}, scheduler.Strategy{Beams: "matched", Power: "joint"}, "strategy.power"},
		{scheduler.Options{}, scheduler.Strategy{Beams: "optimal", Power: "joint"}, ""},
	} {
		t.Run(fmt.Sprint(tc), func(t *testing.T) {
			slot, plan := byHand()
			slot.Options, plan.Strategy = tc.asked, tc.named
			if tc.path == "" {
				only(t, slot, plan)
			} else {
				only(t, slot, plan, tc.path)
			}
		})
	}
	slot, plan := twoSubbands() // two groups
	plan.Strategy.Grouping = "alone"
	only(t, slot, plan)
	plan.Strategy.Grouping = "together"
	only(t, slot, plan, "strategy.grouping")
	slot.Groups = []scheduler.FixedGroup{{UserIDs: []string{"u"}, Subbands: []int{1}}, {UserIDs: []string{"u"}}}
	only(t, slot, plan)

	slot, plan = byHand()
	slot.Sequence = 7
	only(t, slot, plan, "sequence")
	plan.Sequence = 7
	only(t, slot, plan)
}

// Shares of half a slot are steps of a quarter, not of a fifth.
func TestShareStep(t *testing.T) {
	slot, plan := byHand()
	for step, right := range map[float64]bool{0: true, 0.25: true, 0.1: true, 0.5: true, 0.2: false, 0.25 + 1e-8: false, 1: false} {
		slot.Options.ShareStep = step
		if right {
			only(t, slot, plan)
		} else {
			only(t, slot, plan, "groups[0].share")
		}
	}
	slot.Options.ShareStep = 1.0 / 14
	plan.Groups = append(plan.Groups, scheduler.Group{Share: 1e-10}) // a step of nothing
	only(t, slot, plan, "groups[1].share")
}

// The same user twice in a group is no plan; shares of 0.7 and 0.7 are more than a slot.
func TestDoubled(t *testing.T) {
	slot, plan := byHand()
	twice := plan.Groups[0].Allocations
	plan.Groups[0].Allocations = append(twice, twice[0])
	if _, err := Recompute(slot, plan); !errors.Is(err, ErrMismatch) {
		t.Errorf("a user twice in a group: %v", err)
	}
	slot, plan = byHand()
	group := plan.Groups[0]
	group.Allocations = nil
	group.RadiatedPowerW = 0
	group.Share = 0.5 + 1e-8
	plan.Groups = append(plan.Groups, group)
	only(t, slot, plan, "groups")
}

// Limits on power are exact, up to rounding.
func TestLimitsToTheLastDigits(t *testing.T) {
	for by, right := range map[float64]bool{1: true, 1 - 1e-11: false, 1 - 1e-6: false} {
		slot, plan := byHand()
		total := by * 6
		slot.Limits.TotalPowerW = &total
		check := func(path string) {
			if right {
				only(t, slot, plan)
			} else {
				only(t, slot, plan, path)
			}
		}
		check("groups")
		for m, w := range []float64{5, 1} {
			slot.Limits = scheduler.Limits{AntennaPowerW: []float64{9, 9}}
			slot.Limits.AntennaPowerW[m] = by * w
			check(fmt.Sprintf("antennaPowerW[%d]", m))
		}
	}
}

// Each of several cones is looked at, in each of several groups, to 1e-6 of its limit: two
// antennas half a wavelength apart, the second group in phase, send 4 W ahead and 2 W
// towards 30 degrees, where cos(pi/2 sin 30) ^ 2 is a half.
func TestEveryProtectedDirection(t *testing.T) {
	for broken := range 3 {
		for _, by := range []float64{1 - 1e-6, 1 + 1e-6} {
			slot, plan := onAir([][3]float64{{0, 0, 0}, {0, 0.5, 0}}, 1, 1)
			quiet := scheduler.Group{Share: 0.5, Allocations: []scheduler.Allocation{{UserID: "u", Weights: []complex128{0.1, 0}}}}
			plan.Groups = append([]scheduler.Group{quiet}, plan.Groups...)
			for i, d := range []scheduler.ProtectedDirection{{AzimuthDeg: 0, WidthDeg: 3, EIRPW: 4}, {AzimuthDeg: 40, WidthDeg: 20, EIRPW: 2}, {AzimuthDeg: -40, WidthDeg: 20, EIRPW: 2}} {
				if d.EIRPW *= 1 + 1e-6; i == broken {
					d.EIRPW *= by / (1 + 1e-6)
				}
				slot.Limits.ProtectedDirections = append(slot.Limits.ProtectedDirections, d)
			}
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			var found []string
			for _, f := range r.Findings {
				if strings.HasPrefix(f.Text, "EIRP") {
					found = append(found, f.Text)
				}
			}
			if want := fmt.Sprintf("EIRP above limits.protectedDirections[%d].eirpW", broken); by > 1 && len(found) > 0 || by < 1 && !slices.Equal(found, []string{want}) {
				t.Errorf("cone %d at %g of its limit: %q", broken, by, found)
			}
		}
	}
}

// A rate of little SINR keeps its digits: 1e-12 is worth 1e-12/ln 2 bit.
func TestRateOfLittle(t *testing.T) {
	slot, plan := atFloor()
	w := 1e-6 * math.Sqrt(0.5)
	al := &plan.Groups[0].Allocations[0]
	al.Weights, al.SINR, al.PowerW = []complex128{complex(w, 0)}, []float64{1e-12}, w*w
	al.RateBps = 1e6 * 1e-12 / math.Ln2
	plan.Groups[0].RadiatedPowerW, plan.RadiatedPowerW, plan.AntennaPowerW = w*w, w*w, []float64{w * w}
	plan.Users[0].RateBps, plan.Users[0].TargetBps, slot.Users[0].RateBps = al.RateBps, al.RateBps, al.RateBps
	plan.FloorPowerW, plan.FloorCertificate = nil, nil
	only(t, slot, plan)
}

// Two users whose channels are alike but for a part d: zero forcing sends w_1 = (1+d, -1)/d,
// each antenna 1/d^2 W, and the sum of two fields of 1/d that are to cancel is known to
// some 2^-53/d: not to 1e-6 for a small d. Nor is a plan of 1e31 W one.
func TestBeyondPrecision(t *testing.T) {
	sinr := "groups[0].allocations[%d].sinr[0]"
	for d, right := range map[float64]bool{0.25: true, 1.0 / (1 << 20): true, 1.0 / (1 << 33): false} {
		slot, plan := byHand()
		slot.Channel.Samples = []complex128{1, 1, 1, complex(1+d, 0)}
		plan.Groups[0].Allocations[0].Weights = []complex128{complex((1+d)/d, 0), complex(-1/d, 0)}
		plan.Groups[0].Allocations[1].Weights = []complex128{complex(-1/d, 0), complex(1/d, 0)}
		r, err := Recompute(slot, plan)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 2 {
			path, told := fmt.Sprintf(sinr, i), false
			for _, f := range r.Findings {
				told = told || f.Path == path && strings.Contains(f.Text, "cancellation")
			}
			if told == right {
				t.Errorf("d = %g: %v", d, r.Findings)
			}
		}
	}
	slot, plan := byHand()
	slot.Channel.Samples[0] = 1e-20
	for i := range plan.Groups[0].Allocations[0].Weights {
		plan.Groups[0].Allocations[0].Weights[i] *= 1e20
	}
	r, err := Recompute(slot, plan)
	if err != nil || !slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.Text, "beyond reason") }) {
		t.Errorf("4e40 W: %v %v", err, r)
	}
}

// Users said to be unservable: who is met, who is unknown, who could be served alone, and
// who is not said to be. With |h|^2 = 4, noise 2 and 1 bit/s/Hz a user alone needs 0.5 W;
// with an error e SINR stays below 4/e.
func TestUnservable(t *testing.T) {
	short := func() (*scheduler.Slot, *scheduler.Plan) {
		slot, plan := atFloor()
		slot.Users[0].RateBps, plan.Users[0].TargetBps = 2e6, 2e6
		plan.Status = scheduler.StatusShort
		plan.FloorPowerW, plan.FloorCertificate = nil, nil
		return slot, plan
	}
	slot, plan := short()
	only(t, slot, plan)
	plan.UnservableUserIDs = []string{"u"} // 1.5 W would do
	only(t, slot, plan, "unservableUserIds[0]")
	plan.UnservableUserIDs = []string{"nobody"}
	only(t, slot, plan, "unservableUserIds[0]")

	impossible := func(e float64) { // SINR 1 is needed for 1 bit, 3 for 2
		slot, plan = short()
		slot.Users[0].CSIErrorVariance = e
		al := &plan.Groups[0].Allocations[0]
		al.SINR[0] = 2 / (2 + 0.5*e)
		al.RateBps = 1e6 * math.Log2(1+al.SINR[0])
		plan.Users[0].RateBps = al.RateBps
	}
	impossible(4.0 / 3 * (1 + 1e-5))
	only(t, slot, plan, "unservableUserIds")
	plan.StoppedEarly = true
	only(t, slot, plan)
	plan.StoppedEarly = false
	plan.UnservableUserIDs = []string{"u"}
	only(t, slot, plan)
	plan.UnservableUserIDs = []string{"u", "u"}
	only(t, slot, plan, "unservableUserIds[1]")
	impossible(4.0 / 3 * (1 - 1e-5)) // 2e5 W
	only(t, slot, plan)
	plan.UnservableUserIDs = []string{"u"}
	only(t, slot, plan, "unservableUserIds[0]")
	for name, change := range map[string]func(){ // not looked at
		"fixed":    func() { slot.Groups = []scheduler.FixedGroup{{UserIDs: []string{"u"}}} },
		"codebook": func() { slot.Options.Beams = scheduler.BeamsCodebook },
	} {
		impossible(0)
		plan.Groups[0].Allocations[0].BeamIndex = 0
		plan.UnservableUserIDs = []string{"u"}
		change()
		t.Log(name)
		only(t, slot, plan)
	}

	slot, plan = atFloor()
	plan.UnservableUserIDs = []string{"u"}
	only(t, slot, plan, "unservableUserIds[0]")
	// Short with another user, this one met.
	slot, plan = byHand()
	slot.Users[0].RateBps, plan.Users[0].TargetBps = 1e7, 1e7
	plan.Status = scheduler.StatusShort
	plan.UnservableUserIDs = []string{"two"}
	only(t, slot, plan, "unservableUserIds[0]")
}

// A floor is what its certificate proves, no more and no less.
func TestFloorUnderstated(t *testing.T) {
	slot, plan := atFloor()
	for by, right := range map[float64]bool{1: true, 1 - 1e-7: true, 1 - 1e-5: false, 0: false} {
		floorW := by * (0.5 - math.Ln2*1e-6) * (1 - 1e-12)
		plan.FloorPowerW = &floorW
		if right {
			only(t, slot, plan)
		} else {
			only(t, slot, plan, "floorPowerW")
		}
	}
}

// Two numbers that differ are printed so, and limits as limits.
func TestWords(t *testing.T) {
	for _, tc := range []struct {
		f    Finding
		want string
	}{
		{Finding{"a", 1e-4, 1e-4 * (1 + 1e-9), "x", true}, "a: x: allowed 0.0001, found 0.0001000000001"},
		{Finding{"a", 1, 1 - 1.0/(1<<53), "x", false}, "a: x: claimed 1, found 0.9999999999999999"},
		{Finding{"a", 1.25, 2, "x", false}, "a: x: claimed 1.25, found 2"},
		{Finding{"a", 0, 0, "x", false}, "a: x"},
		{Finding{"a", math.NaN(), 2, "x", false}, "a: x: claimed NaN, found 2"},
		{Finding{"a", math.Inf(1), 2, "x", true}, "a: x: allowed +Inf, found 2"},
	} {
		if got := tc.f.String(); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}

// Every subband's shares count, on every subband of a group, and every group's power.
func TestEveryOneCounts(t *testing.T) {
	slot, plan := twoSubbands() // shares of a quarter on subband 1, a half on both
	plan.Groups[0].Share, plan.Groups[1].Share = 0.5, 0.5+1e-6
	r, err := Recompute(slot, plan)
	if err != nil || !slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.Text, "shares on subband 1") }) {
		t.Errorf("%v %v", err, r)
	}
	slot, plan = twoSubbands() // groups of 4 W and 2 W
	slot.Limits.TotalPowerW = number(3)
	only(t, slot, plan, "groups")
	slot.Limits.TotalPowerW = number(4)
	only(t, slot, plan)

	slot, plan = byHand()
	slot.Groups = []scheduler.FixedGroup{{UserIDs: []string{"one", "two"}, Share: number(0.5 + 1e-8)}}
	only(t, slot, plan, "groups[0]")
}

// Of targets that are repaid of earlier slots, a plan may claim from the slot's own to twice
// that.
func TestRepaid(t *testing.T) {
	for by, right := range map[float64]bool{1: true, 1.5: true, 2: true, 0.9: false, 2.1: false} {
		slot, plan := byHand()
		slot.Options.BacklogSlots = 9
		slot.Users[1].RateBps = 1e5
		plan.Users[1].TargetBps = by * 1e5
		if right {
			only(t, slot, plan)
		} else {
			only(t, slot, plan, "users[1].targetBps")
		}
	}
}

// The largest EIRP is claimed to 1e-6.
func TestPeakToTheLastDigits(t *testing.T) {
	for by, right := range map[float64]bool{1: true, 1 + 1e-7: true, 1 + 1e-5: false, 1 - 1e-5: false} {
		slot, plan := onAir([][3]float64{{0, 0, 0}, {0, 0.5, 0}}, 1, 1)
		plan.PeakEIRPW = number(4 * by)
		r, err := Recompute(slot, plan)
		if err != nil {
			t.Fatal(err)
		}
		if told := len(recomputed(r, "peakEirpW")) > 0; told == right {
			t.Errorf("%g of the peak: %v", by, r.Findings)
		}
	}
}

// What is drawn from the wall: an amplifier of half the power that goes in, and nothing
// else.
func TestConsumedByHand(t *testing.T) {
	slot, plan := byHand()
	half := 0.5
	slot.Options.Consumption = &scheduler.Consumption{AmplifierEfficiency: &half}
	plan.ConsumedPowerW = number(6)
	only(t, slot, plan)
	plan.ConsumedPowerW = number(6 * (1 + 1e-8))
	only(t, slot, plan, "consumedPowerW")
}

// Interference that cancels is what is not known, where a user's own signal is.
func TestUnsureInterference(t *testing.T) {
	slot, plan := byHand()
	slot.Channel.Samples = []complex128{1, 0, 1, 1}
	plan.Groups[0].Allocations[0].Weights = []complex128{1e11, -1e11}
	a := newAuditor(t.Context(), slot, plan)
	if _, rounding := a.sinr(&plan.Groups[0], 1, 1, 0, 0); !(rounding > 0) || math.IsInf(rounding, 0) {
		t.Errorf("rounding %g", rounding)
	}
	_, exact := a.sinr(&plan.Groups[0], 0, 0, 0, 0)
	if _, unsure := a.sinr(&plan.Groups[0], 1, 1, 0, 0); !(unsure > 1e-11) || !(exact < 1e-9) {
		t.Errorf("rounding of what is to cancel %g, of the other %g", unsure, exact)
	}
}
