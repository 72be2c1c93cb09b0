package audit

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"leastwatt/scheduler"
)

// byHand is two users on two antennas, every number of the plan worked out by
// hand: h_2^H w_2 = 1*1 + conj(i)*i = 2, so user 2 has |2|^2 = 4 against
// |h_2^H w_1|^2 = 4 and noise 2, and user 1 has 4 against |h_1^H w_2|^2 = 1 and
// noise 1.
func byHand() (*scheduler.Slot, *scheduler.Plan) {
	slot := &scheduler.Slot{
		BandwidthHz: 1e6,
		Channel:     scheduler.Channel{Antennas: 2, Subbands: 1, Samples: []complex128{1, 0, 1, 1i}},
		Users: []scheduler.User{
			{ID: "one", RateBps: 0.7e6, NoiseW: 1},
			{ID: "two", RateBps: 0.3e6, NoiseW: 2},
		},
	}
	rate1, rate2 := 0.5e6*math.Log2(1+2), 0.5e6*math.Log2(1+2.0/3)
	plan := &scheduler.Plan{
		Status:         scheduler.StatusMet,
		RadiatedPowerW: 3,
		Groups: []scheduler.Group{{
			Share:          0.5,
			RadiatedPowerW: 6,
			Allocations: []scheduler.Allocation{
				{UserID: "one", SINR: []float64{2}, RateBps: rate1, PowerW: 4, Weights: []complex128{2, 0}},
				{UserID: "two", SINR: []float64{2.0 / 3}, RateBps: rate2, PowerW: 2, Weights: []complex128{1, 1i}},
			},
		}},
		Users:         []scheduler.UserRate{{ID: "one", TargetBps: 0.7e6, RateBps: rate1}, {ID: "two", TargetBps: 0.3e6, RateBps: rate2}},
		AntennaPowerW: []float64{5, 1},
	}
	return slot, plan
}

func TestByHand(t *testing.T) {
	slot, plan := byHand()
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Agrees() {
		t.Errorf("findings in a right plan: %v", r.Findings)
	}
	near(t, "radiated power", r.RadiatedPowerW, 3)
	near(t, "rate of one", r.Users[0].RateBps, 0.5e6*math.Log2(3))
	near(t, "rate of two", r.Users[1].RateBps, 0.5e6*math.Log2(5.0/3))
	near(t, "power of antenna 0", r.AntennaPowerW[0], 5)
	near(t, "power of antenna 1", r.AntennaPowerW[1], 1)
	near(t, "worst rate over target", r.WorstRateRatio, 0.5*math.Log2(3)/0.7)
}

// twoSubbands is one user on one antenna and two subbands, in two groups, with a
// gap of 10 dB and an erroneous estimate, by hand: on subband 1 group 0 has
// SINR = 9*4/(1 + 0.25*4) = 18, so log2(1 + 1.8) bits on half the band; group 1
// uses both: 4*1/(3 + 0.25) and 9*1/(1 + 0.25).
func twoSubbands() (*scheduler.Slot, *scheduler.Plan) {
	slot := &scheduler.Slot{
		BandwidthHz: 2e6,
		Channel:     scheduler.Channel{Antennas: 1, Subbands: 2, Samples: []complex128{2, 3i}},
		Users:       []scheduler.User{{ID: "u", RateBps: 0.5e6, SubbandNoiseW: []float64{3, 1}, CSIErrorVariance: 0.25}},
		Options:     scheduler.Options{SINRGapDB: 10},
	}
	rate0 := 0.25 * 1e6 * math.Log2(1+1.8)
	rate1 := 0.5 * 1e6 * (math.Log2(1+0.1*4/3.25) + math.Log2(1+0.1*9/1.25))
	return slot, &scheduler.Plan{
		Status:         scheduler.StatusMet,
		RadiatedPowerW: 0.25*4 + 0.5*2,
		Groups: []scheduler.Group{
			{Share: 0.25, Subbands: []int{1}, RadiatedPowerW: 4, Allocations: []scheduler.Allocation{
				{UserID: "u", SINR: []float64{18}, RateBps: rate0, PowerW: 4, Weights: []complex128{2}}}},
			{Share: 0.5, RadiatedPowerW: 2, Allocations: []scheduler.Allocation{
				{UserID: "u", SINR: []float64{4 / 3.25, 9 / 1.25}, RateBps: rate1, PowerW: 2, Weights: []complex128{1, 1i}}}},
		},
		Users:         []scheduler.UserRate{{ID: "u", TargetBps: 0.5e6, RateBps: rate0 + rate1}},
		AntennaPowerW: []float64{4},
	}
}

func TestTwoSubbandsByHand(t *testing.T) {
	slot, plan := twoSubbands()
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Agrees() {
		t.Errorf("findings in a right plan: %v", r.Findings)
	}
}

// With a table, only whole rows count, by the standard's numbers: at a gap of 10
// dB, log2(1.8+1) = 1.485 carries row 10 or 11 of the MCS table to 64QAM (1.3281
// and 1.4766 bit/s/Hz), log2(1+0.4/3.25) = 0.167 none, log2(1+0.9/1.25) = 0.782
// row 5 (0.7402); CQI 1 (0.1523) is the least row of the CQI tables.
func TestRateTable(t *testing.T) {
	for _, tc := range []struct {
		table          string
		steps0, steps1 []int
		bits0, bits1   float64
	}{
		{"mcs-64qam", []int{11}, []int{-1, 5}, 4 * 378 / 1024.0, 2 * 379 / 1024.0},
		{"mcs-256qam", []int{5}, []int{-1, 2}, 4 * 378 / 1024.0, 2 * 308 / 1024.0},
		{"cqi-64qam", []int{7}, []int{1, 4}, 4 * 378 / 1024.0, 2*78/1024.0 + 2*308/1024.0},
		{"cqi-256qam", []int{4}, []int{1, 2}, 4 * 378 / 1024.0, 2*78/1024.0 + 2*193/1024.0},
	} {
		t.Run(tc.table, func(t *testing.T) {
			slot, plan := twoSubbands()
			slot.Options.RateTable = tc.table
			first, second := &plan.Groups[0].Allocations[0], &plan.Groups[1].Allocations[0]
			first.RateStep, second.RateStep = tc.steps0, tc.steps1
			first.RateBps, second.RateBps = 0.25*1e6*tc.bits0, 0.5*1e6*tc.bits1
			plan.Users[0].RateBps = first.RateBps + second.RateBps
			plan.Users[0].TargetBps, slot.Users[0].RateBps = plan.Users[0].RateBps, plan.Users[0].RateBps
			if r, err := Recompute(slot, plan); err != nil || !r.Agrees() {
				t.Fatalf("result %+v, error %v, want agreement", r, err)
			}
			second.RateStep = []int{tc.steps1[0], tc.steps1[1] + 1}
			r, err := Recompute(slot, plan)
			if err != nil || len(r.Findings) != 1 || r.Findings[0].Path != "groups[1].allocations[0].rateStep[1]" {
				t.Errorf("a row too high: result %+v, error %v", r, err)
			}
			second.RateStep = tc.steps1[:1]
			if r, err := Recompute(slot, plan); err != nil || r.Agrees() {
				t.Errorf("a row left out: result %+v, error %v", r, err)
			}
		})
	}
}

// A row is carried from where its efficiency is reached, less the tolerance of
// rates; MCS table 1 is not monotone: row 16 carries more than row 17.
func TestCarried(t *testing.T) {
	mcs := rateTables["mcs-64qam"]
	row16, row17 := 4*658/1024.0, 6*438/1024.0
	for _, tc := range []struct {
		bits float64
		row  int
	}{
		{0.2, -1}, {2 * 120 / 1024.0, 0}, {row17, 17}, {row16, 16}, {row16 * (1 - 0.9e-6), 16}, {row16 * (1 - 1.1e-6), 17}, {50, 28},
	} {
		if row, _ := mcs.carried(tc.bits); row != tc.row {
			t.Errorf("%v bits carry row %d, want %d", tc.bits, row, tc.row)
		}
	}
}

// One subband of F has the noise of the band over F.
func TestNoiseOfASubband(t *testing.T) {
	slot, plan := twoSubbands()
	slot.Users[0].SubbandNoiseW, slot.Users[0].NoiseW = nil, 6
	slot.Users[0].CSIErrorVariance = 0
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	if want := []float64{12, 4.0 / 3, 3}; !slices.Equal(recomputed(r, "sinr"), want) {
		t.Errorf("SINRs %v, want %v", recomputed(r, "sinr"), want)
	}
}

// recomputed returns what was found where the path has part in it.
func recomputed(r *Result, part string) (values []float64) {
	for _, f := range r.Findings {
		if strings.Contains(f.Path, part) {
			values = append(values, f.Recomputed)
		}
	}
	return values
}

func number(x float64) *float64 { return &x }

// Each claim broken by itself is found, at its path, and nothing else is.
func TestBrokenClaims(t *testing.T) {
	for _, tc := range []struct {
		path  string
		spoil func(*scheduler.Slot, *scheduler.Plan)
	}{
		{"radiatedPowerW", func(_ *scheduler.Slot, p *scheduler.Plan) { p.RadiatedPowerW *= 1 - 1e-8 }},
		{"groups[0].radiatedPowerW", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].RadiatedPowerW = 5.9 }},
		{"groups[0].allocations[1].powerW", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].PowerW = 0 }},
		{"groups[0].allocations[0].sinr[0]", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[0].SINR[0] = 4 }},
		{"groups[0].allocations[0].sinr[0]", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[0].SINR[0] = math.NaN() }},
		{"groups[0].allocations[0].sinr", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[0].SINR = nil }},
		{"groups[0].allocations[1].rateBps", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].RateBps += 1 }},
		{"users[1].rateBps", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Users[1].RateBps = p.Users[0].RateBps }},
		{"users[0].targetBps", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Users[0].TargetBps = 1 }},
		{"users[0].id", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Users[0].ID = "two" }},
		{"users", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Users = p.Users[:1] }},
		{"antennaPowerW[1]", func(_ *scheduler.Slot, p *scheduler.Plan) { p.AntennaPowerW[1] = 0.5 }},
		{"antennaPowerW", func(_ *scheduler.Slot, p *scheduler.Plan) { p.AntennaPowerW = nil }},
		{"status", func(_ *scheduler.Slot, p *scheduler.Plan) { p.Status = scheduler.StatusShort }},
		{"status", func(s *scheduler.Slot, p *scheduler.Plan) {
			s.Users[0].RateBps = p.Users[0].RateBps * (1 + 2e-6)
			p.Users[0].TargetBps = s.Users[0].RateBps
		}},
		{"groups", func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.TotalPowerW = number(5.99) }},
		{"antennaPowerW[0]", func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.AntennaPowerW = []float64{4.99, 1} }},
		{"antennaPowerW[1]", func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.AntennaPowerW = []float64{5, 0} }},
		{"groups[0].allocations", func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.MaxGroupSize = 1 }},
		{"groups", func(s *scheduler.Slot, p *scheduler.Plan) {
			s.Limits.MaxGroups = 1
			p.Groups = append(p.Groups, scheduler.Group{Share: 0.5})
		}},
		{"groups", func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.Groups = append(p.Groups, scheduler.Group{Share: 0.6})
		}},
		{"groups[0]", func(s *scheduler.Slot, _ *scheduler.Plan) {
			s.Groups = []scheduler.FixedGroup{{UserIDs: []string{"one"}}, {UserIDs: []string{"two"}}}
		}},
		{"groups[0]", func(s *scheduler.Slot, _ *scheduler.Plan) {
			s.Groups = []scheduler.FixedGroup{{UserIDs: []string{"one", "two"}, Share: number(0.4)}}
		}},
		{"groups[0]", func(s *scheduler.Slot, _ *scheduler.Plan) {
			s.Groups = []scheduler.FixedGroup{{UserIDs: []string{"one", "two"}, Subbands: []int{1}}}
		}},
		{"groups[1].share", func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.Groups = append(p.Groups, scheduler.Group{Share: -0.1})
		}},
	} {
		t.Run(tc.path, func(t *testing.T) {
			slot, plan := byHand()
			tc.spoil(slot, plan)
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Findings) != 1 || r.Findings[0].Path != tc.path {
				t.Errorf("findings %v, want one at %s", r.Findings, tc.path)
			}
		})
	}
}

// withBeams is byHand with a codebook: beams 0 and 3 are those of the weights, in
// any phase and power.
func withBeams() (*scheduler.Slot, *scheduler.Plan) {
	slot, plan := byHand()
	slot.Options.Beams = scheduler.BeamsCodebook
	slot.Options.Codebook = &scheduler.Codebook{Beams: []complex128{3i, 0, 0, 1, 1, 1, 1e200i, -1e200}}
	plan.Groups[0].Allocations[0].BeamIndex = 0
	plan.Groups[0].Allocations[1].BeamIndex = 3
	return slot, plan
}

// Weights off the beam they name, a beam named twice or none at all: found at the
// index, with the part of the power that is off the beam: 1 - |(1, 1)^H (1, i)|^2 / 4
// is a half.
func TestBrokenBeams(t *testing.T) {
	second := func(p *scheduler.Plan) *scheduler.Allocation { return &p.Groups[0].Allocations[1] }
	for name, tc := range map[string]struct {
		spoil func(*scheduler.Slot, *scheduler.Plan)
		found []float64
	}{
		"right":        {func(*scheduler.Slot, *scheduler.Plan) {}, nil},
		"another beam": {func(_ *scheduler.Slot, p *scheduler.Plan) { second(p).BeamIndex = 2 }, []float64{0.5}},
		"no beam":      {func(_ *scheduler.Slot, p *scheduler.Plan) { second(p).BeamIndex = -1 }, []float64{3}},
		"beam outside": {func(_ *scheduler.Slot, p *scheduler.Plan) { second(p).BeamIndex = 4 }, []float64{3}},
		"beams of the plan's strategy": {func(s *scheduler.Slot, p *scheduler.Plan) {
			s.Options.Beams, p.Strategy.Beams = "", scheduler.BeamsCodebook
			second(p).BeamIndex = 2
		}, []float64{0.5}},
		"other beams": {func(s *scheduler.Slot, p *scheduler.Plan) {
			s.Options.Beams = scheduler.BeamsMatched
			second(p).BeamIndex = 2
		}, nil},
		"twice": {func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.Groups[0].Allocations[0] = scheduler.Allocation{UserID: "one", BeamIndex: 3, Weights: []complex128{2, 2i}}
		}, []float64{3}},
		"default grid": {func(s *scheduler.Slot, p *scheduler.Plan) { // (1, 1) and (1, -1)
			s.Options.Codebook = nil
			second(p).BeamIndex = 1
		}, []float64{0.5, 0.5}},
		"grid of four": {func(s *scheduler.Slot, p *scheduler.Plan) { // beam 1 is (1, i)
			s.Options.Codebook = &scheduler.Codebook{Oversampling: 2}
			second(p).BeamIndex = 1
		}, []float64{0.5}},
		"antenna out": {func(s *scheduler.Slot, p *scheduler.Plan) { // 1 and nothing are left of (1, i)
			s.Limits.AntennaPowerW = []float64{9, 0}
		}, []float64{0.5}},
		"counts": {func(s *scheduler.Slot, p *scheduler.Plan) { // (1, 1.1i) is (1, i) in counts of 0.2
			p.Groups[0].WeightScale = 0.2
			s.Options.Codebook.Beams[7] = -1.1e200
		}, nil},
		"counts too fine": {func(s *scheduler.Slot, p *scheduler.Plan) {
			p.Groups[0].WeightScale = 0.02
			s.Options.Codebook.Beams[7] = -1.1e200
		}, []float64{1 - 2.1*2.1/(2*2.21)}},
	} {
		t.Run(name, func(t *testing.T) {
			slot, plan := withBeams()
			tc.spoil(slot, plan)
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			near := func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }
			if got := recomputed(r, "beamIndex"); !slices.EqualFunc(got, tc.found, near) {
				t.Errorf("findings %v, want %g", r.Findings, tc.found)
			}
		})
	}
}

// Limits that just hold, and a target missed within the tolerance, are no
// findings.
func TestAtTheEdge(t *testing.T) {
	slot, plan := byHand()
	slot.Limits = scheduler.Limits{TotalPowerW: number(6), AntennaPowerW: []float64{5, 1}, MaxGroupSize: 2, MaxGroups: 1}
	slot.Groups = []scheduler.FixedGroup{{UserIDs: []string{"two", "one"}, Share: number(0.5), Subbands: []int{0}}}
	slot.Users[0].RateBps = plan.Users[0].RateBps * (1 + 0.9e-6)
	plan.Users[0].TargetBps = slot.Users[0].RateBps
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	if !r.Agrees() {
		t.Errorf("findings at the edge: %v", r.Findings)
	}
}

// A broken weight, share or noise shows wherever it counts: the claims of a plan
// cannot be right for another plan.
func TestBrokenCauses(t *testing.T) {
	for name, tc := range map[string]struct {
		spoil func(*scheduler.Slot, *scheduler.Plan)
		paths []string
	}{
		"weight turned": {
			func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].Weights[1] = -1i },
			// |h_2^H w_2| = 0: user 2 gets nothing, no power changes.
			[]string{"groups[0].allocations[1].sinr[0]", "groups[0].allocations[1].rateBps", "users[1].rateBps", "status"},
		},
		"share": {
			func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Share = 0.6 },
			[]string{"groups[0].allocations[0].rateBps", "groups[0].allocations[1].rateBps", "radiatedPowerW", "users[0].rateBps", "users[1].rateBps"},
		},
		"noise": {
			func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[1].NoiseW = 1.9 },
			[]string{"groups[0].allocations[1].sinr[0]", "groups[0].allocations[1].rateBps", "users[1].rateBps"},
		},
		"error of the estimate": {
			func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[0].CSIErrorVariance = 1e-3 },
			[]string{"groups[0].allocations[0].sinr[0]", "groups[0].allocations[0].rateBps", "users[0].rateBps"},
		},
		"a user left out": {
			func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations = p.Groups[0].Allocations[:1] },
			[]string{"groups[0].allocations[0].sinr[0]", "groups[0].allocations[0].rateBps", "groups[0].radiatedPowerW", "radiatedPowerW",
				"users[0].rateBps", "users[1].rateBps", "antennaPowerW[0]", "antennaPowerW[1]", "status"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			slot, plan := byHand()
			tc.spoil(slot, plan)
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			var paths []string
			for _, f := range r.Findings {
				paths = append(paths, f.Path)
			}
			if !slices.Equal(paths, tc.paths) {
				t.Errorf("found at\n%q, want\n%q", paths, tc.paths)
			}
		})
	}
}

func TestNoTargets(t *testing.T) {
	slot, plan := byHand()
	for k := range slot.Users {
		slot.Users[k].RateBps, plan.Users[k].TargetBps = 0, 0
	}
	r, err := Recompute(slot, plan)
	if err != nil || !r.Agrees() || r.WorstRateRatio != 1 {
		t.Errorf("result %+v, error %v; want agreement and ratio 1", r, err)
	}
}

func TestErrors(t *testing.T) {
	for name, tc := range map[string]struct {
		want  error
		spoil func(*scheduler.Slot, *scheduler.Plan)
	}{
		"rejected":        {ErrNoPlan, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Status = scheduler.StatusRejected }},
		"no status":       {ErrNoPlan, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Status = scheduler.StatusNone }},
		"no weights":      {ErrNoWeights, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].Weights = nil }},
		"too few weights": {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].Weights = []complex128{1} }},
		"weight NaN": {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.Groups[0].Allocations[1].Weights[0] = complex(math.NaN(), 0)
		}},
		"weight overflows": {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].Weights[0] = 1e200 }},
		"gain overflows": {ErrMismatch, func(s *scheduler.Slot, p *scheduler.Plan) {
			s.Channel.Samples[2], p.Groups[0].Allocations[1].Weights[0] = 1e150, 1e150
		}},
		"share NaN":        {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Share = math.NaN() }},
		"unknown user":     {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].UserID = "three" }},
		"user twice":       {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Allocations[1].UserID = "one" }},
		"subband outside":  {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Subbands = []int{1} }},
		"subband negative": {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) { p.Groups[0].Subbands = []int{-1} }},
		"subband twice": {ErrMismatch, func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.Groups[0].Subbands = []int{0, 0}
			for i := range p.Groups[0].Allocations {
				w := &p.Groups[0].Allocations[i].Weights
				*w = append(*w, *w...)
			}
		}},
		"slot: id twice":   {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[1].ID = "one" }},
		"slot: samples":    {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Channel.Samples = s.Channel.Samples[:3] }},
		"slot: no antenna": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Channel = scheduler.Channel{} }},
		"slot: sample Inf": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Channel.Samples[0] = complex(math.Inf(1), 0) }},
		"slot: bandwidth":  {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.BandwidthHz = math.NaN() }},
		"slot: noise":      {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[0].NoiseW = 0 }},
		"slot: noise list": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[0].SubbandNoiseW = []float64{1, 1} }},
		"slot: rate":       {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[0].RateBps = math.Inf(1) }},
		"slot: error":      {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Users[0].CSIErrorVariance = -1 }},
		"slot: limits":     {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.AntennaPowerW = []float64{1} }},
		"slot: no grid": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) {
			s.Options.Beams, s.Options.Codebook = scheduler.BeamsCodebook, &scheduler.Codebook{Oversampling: 1, Columns: 3}
		}},
		"slot: odd beams": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) {
			s.Options.Beams, s.Options.Codebook = scheduler.BeamsCodebook, &scheduler.Codebook{Beams: []complex128{1, 1, 1}}
		}},
		"slot: rate table": {ErrMismatch, func(s *scheduler.Slot, _ *scheduler.Plan) { s.Options.RateTable = "any" }},
	} {
		t.Run(name, func(t *testing.T) {
			slot, plan := byHand()
			tc.spoil(slot, plan)
			if r, err := Recompute(slot, plan); !errors.Is(err, tc.want) {
				t.Errorf("result %+v, error %v, want %v", r, err, tc.want)
			}
		})
	}
}

// Scaling laws of the definition: weights times a and noise times a^2 leave every
// SINR and multiply every power by a^2; a common phase on one user's channel
// changes nothing.
func TestScaling(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for trial := range 20 {
		slot, plan := random(rng)
		before, err := Recompute(slot, plan)
		if err != nil {
			t.Fatal(err)
		}
		const a = 8
		phase := complex(math.Cos(1), math.Sin(1))
		for i := range slot.Channel.Samples[:slot.Channel.Antennas] {
			slot.Channel.Samples[i] *= phase
		}
		for k := range slot.Users {
			slot.Users[k].NoiseW *= a * a
		}
		for g := range plan.Groups {
			for i := range plan.Groups[g].Allocations {
				for n := range plan.Groups[g].Allocations[i].Weights {
					plan.Groups[g].Allocations[i].Weights[n] *= a
				}
			}
		}
		after, err := Recompute(slot, plan)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("trial %d: power", trial), after.RadiatedPowerW, a*a*before.RadiatedPowerW)
		for k := range after.Users {
			near(t, fmt.Sprintf("trial %d: rate %d", trial, k), after.Users[k].RateBps, before.Users[k].RateBps)
		}
	}
}

// random returns a slot of 3 users and a plan of 2 groups whose claims are empty.
func random(rng *rand.Rand) (*scheduler.Slot, *scheduler.Plan) {
	const antennas = 4
	draw := func() []complex128 {
		h := make([]complex128, antennas)
		for m := range h {
			h[m] = complex(rng.NormFloat64(), rng.NormFloat64())
		}
		return h
	}
	slot := &scheduler.Slot{BandwidthHz: 1e6, Channel: scheduler.Channel{Antennas: antennas, Subbands: 1}}
	for k := range 3 {
		slot.Users = append(slot.Users, scheduler.User{ID: fmt.Sprint(k), RateBps: 1e5, NoiseW: rng.Float64() + 0.1})
		slot.Channel.Samples = append(slot.Channel.Samples, draw()...)
	}
	return slot, &scheduler.Plan{Status: scheduler.StatusMet, Groups: []scheduler.Group{
		{Share: 0.4, Allocations: []scheduler.Allocation{{UserID: "0", Weights: draw()}, {UserID: "1", Weights: draw()}}},
		{Share: 0.6, Allocations: []scheduler.Allocation{{UserID: "1", Weights: draw()}, {UserID: "2", Weights: draw()}}},
	}}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-12*math.Abs(want)) {
		t.Errorf("%s = %v, want %v", what, got, want)
	}
}

func ExampleRecompute() {
	slot := &scheduler.Slot{
		BandwidthHz: 1e6,
		Channel:     scheduler.Channel{Antennas: 2, Subbands: 1, Samples: []complex128{1, 1i}},
		Users:       []scheduler.User{{ID: "crane", RateBps: 1e6, NoiseW: 1}},
	}
	plan := &scheduler.Plan{
		Status: scheduler.StatusMet, RadiatedPowerW: 0.4,
		Groups: []scheduler.Group{{Share: 1, RadiatedPowerW: 0.5, Allocations: []scheduler.Allocation{
			{UserID: "crane", SINR: []float64{1}, RateBps: 1e6, PowerW: 0.5, Weights: []complex128{0.5, 0.5i}}}}},
		Users:         []scheduler.UserRate{{ID: "crane", TargetBps: 1e6, RateBps: 1e6}},
		AntennaPowerW: []float64{0.25, 0.25},
	}
	result, err := Recompute(slot, plan)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range result.Findings {
		fmt.Println(f)
	}
	// Output:
	// radiatedPowerW: mean radiated power: claimed 0.4, found 0.5
}

// An audit whose context is done tells why and returns nothing, whatever it was at.
func TestStopped(t *testing.T) {
	slot, plan := byHand()
	why := errors.New("enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(why)
	for _, truth := range []*scheduler.Channel{nil, &slot.Channel} {
		if r, err := Run(ctx, slot, plan, truth); r != nil || !errors.Is(err, why) {
			t.Errorf("result %v, error %v, want %v", r, err, why)
		}
	}
	if r, err := Run(t.Context(), slot, plan, nil); err != nil || !r.Agrees() {
		t.Errorf("result %v, error %v", r, err)
	}
}
