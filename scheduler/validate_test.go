package scheduler

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// goodSlot returns a slot of three users and two antennas with nothing wrong.
func goodSlot() *Slot {
	s := &Slot{
		BandwidthHz: 20e6,
		Channel:     Channel{Antennas: 2, Subbands: 1},
		Users: []User{
			{ID: "crane", RateBps: 5e6, NoiseW: 1e-13},
			{ID: "carrier", RateBps: 1e6, NoiseW: 1e-13, CSIErrorVariance: 1e-14, Priority: 1},
			{ID: "idle", NoiseW: 1e-13},
		},
	}
	s.Channel.Samples = []complex128{
		complex(1e-5, 2e-5), complex(-1e-5, 0),
		complex(0, 3e-6), complex(2e-6, 1e-6),
		0, 0,
	}
	return s
}

func filled(n int, z complex128) []complex128 {
	out := make([]complex128, n)
	for i := range out {
		out[i] = z
	}
	return out
}

func ptr[T any](x T) *T { return &x }

// withArray gives s a geometry, which this version refuses only as a whole.
func withArray(s *Slot) *Array {
	s.CarrierHz = 3.5e9
	s.Array = &Array{PositionsM: make([][3]float64, s.Channel.Antennas)}
	return s.Array
}

var (
	nan = math.NaN()
	inf = math.Inf(1)
)

func TestValidateGood(t *testing.T) {
	for name, change := range map[string]func(*Slot){
		"plain": func(*Slot) {},
		"every option": func(s *Slot) {
			s.Options = Options{Grouping: "alone", Beams: "matched", Power: "lp", Objective: "radiated", Weights: WeightsI16, Seed: -3, ComputeBudgetMicros: 500, CorrelationThreshold: 1, ShareStep: 1}
		},
		"codebook": func(s *Slot) {
			s.Options.Beams, s.Options.Codebook = BeamsCodebook, &Codebook{Oversampling: MaxBeams / 2, Columns: 1}
		},
		"own beams":     func(s *Slot) { s.Options.Codebook = &Codebook{Beams: []complex128{1, 0, 0, 5e-324i, 1e300, 1e300}} },
		"joint":         func(s *Slot) { s.Options.Power = PowerJoint },
		"subband noise": func(s *Slot) { s.Users[0].NoiseW = 0; s.Users[0].SubbandNoiseW = []float64{1e-13} },
		"group size":    func(s *Slot) { s.Limits.MaxGroupSize = 1 },
		"group limits":  func(s *Slot) { s.Limits.MaxGroupSize, s.Limits.MaxGroups = 1, 2 },
		"work limit":    func(s *Slot) { s.Options.WorkLimit = 1 },
		"hysteresis":    func(s *Slot) { s.Options.HysteresisDB = 1 },
		"groups": func(s *Slot) {
			s.Groups = []FixedGroup{{UserIDs: []string{"crane", "idle"}}, {UserIDs: []string{"carrier"}}}
		},
		"shares": func(s *Slot) {
			s.Options.ShareStep = 1.0 / 14
			s.Groups = []FixedGroup{{UserIDs: []string{"crane"}, Share: ptr(9.0 / 14)}, {UserIDs: []string{"carrier"}, Share: ptr(5.0 / 14)}}
		},
		"highest rate": func(s *Slot) { s.Users[0].RateBps = 100 * s.BandwidthHz },
	} {
		s := goodSlot()
		change(s)
		if v := s.Validate(); v != nil {
			t.Errorf("%s: %v", name, v)
		}
	}
}

// TestValidate breaks one thing at a time and looks for the path it must be
// reported under; nothing else may be reported unless named too.
func TestValidate(t *testing.T) {
	groups := func(gs ...FixedGroup) func(*Slot) { return func(s *Slot) { s.Groups = gs } }
	group := func(share *float64, ids ...string) FixedGroup { return FixedGroup{UserIDs: ids, Share: share} }
	for _, c := range []struct {
		change func(*Slot)
		paths  string // space separated
	}{
		{func(s *Slot) { s.SlotDurationMicros = -1 }, "slotDurationMicros"},
		{func(s *Slot) { s.CarrierHz = -1 }, "carrierHz"},
		{func(s *Slot) { s.CarrierHz = nan }, "carrierHz"},
		{func(s *Slot) { s.BandwidthHz = 0 }, "bandwidthHz"},
		{func(s *Slot) { s.BandwidthHz = nan }, "bandwidthHz"},
		{func(s *Slot) { s.BandwidthHz = inf }, "bandwidthHz users[0].rateBps users[1].rateBps"},

		{func(s *Slot) { s.Channel.Antennas = 0 }, "channel.antennas"},
		{func(s *Slot) { s.Channel.Subbands = -1 }, "channel.subbands"},
		{func(s *Slot) { s.Channel.Subbands = 2 }, "channel.values"},
		{func(s *Slot) { s.Channel.Antennas = 1 << 31; s.Channel.Subbands = 1 << 31 }, "channel.values"},
		{func(s *Slot) { s.Channel.Samples = nil }, "channel.values"},
		{func(s *Slot) { s.Users = nil }, "users"},
		{func(s *Slot) { s.Channel.Samples[0] = complex(nan, inf) }, "channel.values[0] channel.values[1]"},
		{func(s *Slot) { s.Channel.Samples[5] = complex(0, -inf) }, "channel.values[11]"},
		{func(s *Slot) { s.Channel.Samples[2], s.Channel.Samples[3] = 0, 0 }, "channel.values[4]"},
		{func(s *Slot) { s.Channel.Samples[3] = 1e30 }, "channel.values[4]"},
		{func(s *Slot) { s.Channel.Samples[2], s.Channel.Samples[3] = 1e-30, 1e-30i }, "channel.values[4]"},
		{func(s *Slot) { s.Channel.Samples[4] = 1e30 }, "channel.values[8]"}, // of a user with no rate
		{func(s *Slot) { s.Channel.Samples[4] = 1e-170 }, ""},                // harmless without a rate

		{func(s *Slot) { s.Users[1].ID = "" }, "users[1].id"},
		{func(s *Slot) { s.Users[2].ID = "crane" }, "users[2].id"},
		{func(s *Slot) { s.Users[0].RateBps = -1 }, "users[0].rateBps"},
		{func(s *Slot) { s.Users[0].RateBps = nan }, "users[0].rateBps"},
		{func(s *Slot) { s.Users[0].RateBps = inf }, "users[0].rateBps"},
		{func(s *Slot) { s.Users[0].RateBps = 100.001 * s.BandwidthHz }, "users[0].rateBps"},
		{func(s *Slot) { s.Users[0].RateBps = 1e-16 * s.BandwidthHz }, "users[0].rateBps"},
		{func(s *Slot) { s.Users[1].NoiseW = 0 }, "users[1].noiseW"},
		{func(s *Slot) { s.Users[1].NoiseW = -1e-13 }, "users[1].noiseW"},
		{func(s *Slot) { s.Users[1].NoiseW = nan }, "users[1].noiseW"},
		{func(s *Slot) { s.Users[1].NoiseW = inf }, "users[1].noiseW"},
		{func(s *Slot) { s.Users[1].NoiseW = nan; s.Users[1].SubbandNoiseW = []float64{1} }, "users[1].noiseW"},
		{func(s *Slot) { s.Users[1].SubbandNoiseW = []float64{1e-13, 1e-13} }, "users[1].subbandNoiseW"},
		{func(s *Slot) { s.Users[1].SubbandNoiseW = []float64{0} }, "users[1].subbandNoiseW[0]"},
		{func(s *Slot) { s.Users[1].SubbandNoiseW = []float64{nan} }, "users[1].subbandNoiseW[0]"},
		{func(s *Slot) { s.Users[1].CSIErrorVariance = -1 }, "users[1].csiErrorVariance"},
		{func(s *Slot) { s.Users[1].CSIErrorVariance = nan }, "users[1].csiErrorVariance"},
		{func(s *Slot) { s.Users[1].CSIErrorVariance = 1e200 }, "users[1].csiErrorVariance"},
		{func(s *Slot) { s.Users[1].Priority = -1 }, "users[1].priority"},
		{func(s *Slot) { s.Users[1].Priority = nan }, "users[1].priority"},
		{func(s *Slot) { s.Users[1].Priority = 2 }, ""},

		{func(s *Slot) { withArray(s) }, ""},
		{func(s *Slot) { withArray(s); s.CarrierHz = 0 }, "carrierHz"},
		{func(s *Slot) { withArray(s).PositionsM = make([][3]float64, 3) }, "array.positionsM"},
		{func(s *Slot) { withArray(s).PositionsM[1][2] = nan }, "array.positionsM[5]"},
		{func(s *Slot) { withArray(s).ElementGainDBi = 101 }, "array.elementGainDbi"},
		{func(s *Slot) { withArray(s).ElementGainDBi = nan }, "array.elementGainDbi"},
		{func(s *Slot) { withArray(s).ElementPattern = "cardioid" }, "array.elementPattern"},

		{func(s *Slot) { s.Limits.TotalPowerW = ptr(1.0) }, ""},
		{func(s *Slot) { s.Limits.TotalPowerW = ptr(-1.0) }, "limits.totalPowerW"},
		{func(s *Slot) { s.Limits.TotalPowerW = ptr(nan) }, "limits.totalPowerW"},
		{func(s *Slot) { s.Limits.AntennaPowerW = []float64{1, 1} }, ""},
		{func(s *Slot) { s.Limits.AntennaPowerW = []float64{1} }, "limits.antennaPowerW"},
		{func(s *Slot) { s.Limits.AntennaPowerW = []float64{1, -1} }, "limits.antennaPowerW[1]"},
		{func(s *Slot) { s.Limits.AntennaPowerW = []float64{nan, 1} }, "limits.antennaPowerW[0]"},
		{func(s *Slot) { s.Limits.EIRPW = ptr(1.0) }, "limits.eirpW"},
		{func(s *Slot) { withArray(s); s.Limits.EIRPW = ptr(inf) }, "limits.eirpW"},
		{func(s *Slot) { s.Limits.ProtectedDirections = []ProtectedDirection{{WidthDeg: 1}} },
			"limits.protectedDirections"},
		{func(s *Slot) {
			withArray(s)
			s.Limits.ProtectedDirections = []ProtectedDirection{{WidthDeg: 360}, {181, -91, 0, -1}}
		}, "limits.protectedDirections[1].azimuthDeg limits.protectedDirections[1].elevationDeg " +
			"limits.protectedDirections[1].widthDeg limits.protectedDirections[1].eirpW"},
		{func(s *Slot) { s.Limits.MaxGroupSize = -1 }, "limits.maxGroupSize"},
		{func(s *Slot) { s.Limits.MaxGroups = -1 }, "limits.maxGroups"},
		{func(s *Slot) { s.Limits.MaxGroups, s.Limits.MaxGroupSize = 1, 1 }, "limits.maxGroups"},
		{func(s *Slot) {
			s.Limits.MaxGroups = 1
			s.Groups = []FixedGroup{{UserIDs: []string{"crane"}}, {UserIDs: []string{"carrier"}}}
		}, "groups"},

		{func(s *Slot) { s.Options.Grouping = "by-birthday" }, "options.grouping"},
		{func(s *Slot) {
			for k := range MaxExactUsers {
				s.Users = append(s.Users, User{ID: fmt.Sprint("more", k), RateBps: 1e6, NoiseW: 1e-13})
			}
			for range MaxExactUsers * s.Channel.Subbands * s.Channel.Antennas {
				s.Channel.Samples = append(s.Channel.Samples, 1e-6)
			}
			s.Options.Grouping = GroupingExact
		}, "options.grouping"},
		{func(s *Slot) { s.Options.Beams = "crooked" }, "options.beams"},
		{func(s *Slot) { s.Options.Power = "nuclear" }, "options.power"},
		{func(s *Slot) { s.Options.Objective = "joy" }, "options.objective"},
		{func(s *Slot) { s.Options.Consumption = &Consumption{Model: "joy"} }, "options.consumption.model"},
		{func(s *Slot) { s.Options.Consumption = &Consumption{AmplifierEfficiency: ptr(0.0)} }, "options.consumption.amplifierEfficiency"},
		{func(s *Slot) { s.Options.Consumption = &Consumption{BaseW: ptr(1e13), BaseSleepW: ptr(-1.0)} }, "options.consumption.baseW options.consumption.baseSleepW"},
		{func(s *Slot) {
			s.Options.Consumption = &Consumption{AntennaW: ptr(math.NaN()), UserW: ptr(math.Inf(1))}
		}, "options.consumption.antennaW options.consumption.userW"},
		{func(s *Slot) { s.Options.Consumption = &Consumption{Model: "per-antenna-2015", BaseW: ptr(19.0)} }, "options.consumption.baseSleepW"},
		{func(s *Slot) {
			s.Options.Consumption = &Consumption{JoulesPerBit: ptr(2.0), OperationsPerJoule: ptr(0.5)}
		}, "options.consumption.joulesPerBit options.consumption.operationsPerJoule"},
		{func(s *Slot) { s.Options.Power = PowerLP }, "options.power"},
		{func(s *Slot) { s.Options.Beams = BeamsOptimal; s.Options.Power = PowerIterative }, "options.power"},
		{func(s *Slot) { s.Options.Beams = BeamsMatched; s.Options.Power = PowerJoint }, "options.power"},
		{func(s *Slot) { s.Options.Weights = 4 }, "options.weights"},
		{func(s *Slot) { s.Options.Weights = -1 }, "options.weights"},
		{func(s *Slot) { s.Options.WorkLimit = -1 }, "options.workLimit"},
		{func(s *Slot) { s.Options.ComputeBudgetMicros = -1 }, "options.computeBudgetMicros"},
		{func(s *Slot) { s.Options.CorrelationThreshold = -0.1 }, "options.correlationThreshold"},
		{func(s *Slot) { s.Options.CorrelationThreshold = 1.1 }, "options.correlationThreshold"},
		{func(s *Slot) { s.Options.CorrelationThreshold = nan }, "options.correlationThreshold"},
		{func(s *Slot) { s.Options.HysteresisDB = -1 }, "options.hysteresisDb"},
		{func(s *Slot) { s.Options.BacklogSlots = -1 }, "options.backlogSlots"},
		{func(s *Slot) { s.Options.BacklogSlots = 2e6 }, "options.backlogSlots"},
		{func(s *Slot) { s.Options.BacklogSlots = nan }, "options.backlogSlots"},
		{func(s *Slot) { s.Options.BacklogSlots = 3 }, ""},
		{func(s *Slot) { s.Options.HysteresisDB = inf }, "options.hysteresisDb"},
		{func(s *Slot) { s.Options.Grouping, s.Options.HysteresisDB = "alone", 1 }, "options.hysteresisDb"},
		{func(s *Slot) { s.Options.SINRGapDB = -1 }, "options.sinrGapDb"},
		{func(s *Slot) { s.Options.SINRGapDB = nan }, "options.sinrGapDb"},
		{func(s *Slot) { s.Options.RateTable = "cqi1" }, "options.rateTable"},
		{func(s *Slot) { s.Options.ShareStep = -0.1 }, "options.shareStep"},
		{func(s *Slot) { s.Options.ShareStep = 1e-5 }, "options.shareStep"},
		{func(s *Slot) { s.Options.ShareStep = 1.1 }, "options.shareStep"},
		{func(s *Slot) { s.Options.ShareStep = nan }, "options.shareStep"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Columns: -1} },
			"options.codebook.oversampling options.codebook.columns"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Oversampling: 1, Columns: 3} }, "options.codebook.columns"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Oversampling: MaxBeams/2 + 1} }, "options.codebook.oversampling"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Oversampling: math.MaxInt} }, "options.codebook.oversampling"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Beams: []complex128{1, complex(0, nan), 1}} },
			"options.codebook.values[2] options.codebook.values"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Beams: []complex128{1, 1, 0, 0}} }, "options.codebook.values[4]"},
		{func(s *Slot) { s.Options.Codebook = &Codebook{Beams: filled(2*MaxBeams+2, 1)} }, "options.codebook.values"},
		{func(s *Slot) {
			s.Options.Codebook = &Codebook{Oversampling: MaxBeams / 2}
			s.Channel.Subbands, s.Channel.Antennas = 400, 2
			s.Channel.Samples = filled(3*2*400, 1e-5)
		}, "options.codebook"},
		{func(s *Slot) { // by default a beam for each antenna
			s.Options.Beams = BeamsCodebook
			s.Channel.Antennas = MaxBeams + 1
			s.Channel.Samples = filled(3*(MaxBeams+1), 1e-6)
		}, "options.codebook.oversampling"},

		{groups(group(nil, "crane", "stranger"), group(nil, "carrier")), "groups[0].userIds[1]"},
		{groups(group(nil, "crane")), "users[1].id"},
		{groups(group(nil, "crane", "carrier", "crane")), "groups[0].userIds[2]"},
		{groups(group(nil), group(nil, "crane", "carrier")), "groups[0].userIds"},
		{groups(group(ptr(0.0), "crane"), group(nil, "carrier")), "groups[0].share"},
		{groups(group(ptr(1.5), "crane", "carrier")), "groups[0].share groups"},
		{groups(group(ptr(nan), "crane", "carrier")), "groups[0].share groups"},
		{groups(group(ptr(0.6), "crane"), group(ptr(0.5), "carrier")), "groups"},
		{groups(group(ptr(1.0), "crane"), group(nil, "carrier")), "groups[1].share"},
		{func(s *Slot) {
			s.Options.ShareStep = 0.1
			s.Groups = []FixedGroup{group(ptr(0.55), "crane"), group(ptr(0.4), "carrier")}
		}, "groups[0].share"},
		{func(s *Slot) {
			s.Options.ShareStep = 0.25
			s.Groups = []FixedGroup{group(ptr(0.75), "crane"), group(ptr(0.25), "carrier"), group(nil, "idle")}
		}, "groups[2].share"},
		{func(s *Slot) {
			s.Options.ShareStep = 0.3
			s.Groups = []FixedGroup{group(ptr(0.6), "crane"), group(ptr(0.3), "carrier"), group(nil, "idle")}
		}, "groups[2].share"},
		{func(s *Slot) {
			s.Limits.MaxGroupSize = 1
			s.Groups = []FixedGroup{group(nil, "crane", "carrier", "idle")}
		}, "groups[0].userIds"},
		{func(s *Slot) {
			s.Users[0].RateBps = 60 * s.BandwidthHz
			s.Groups = []FixedGroup{group(ptr(0.5), "crane"), group(nil, "carrier")}
		}, "users[0].rateBps"},
		{func(s *Slot) {
			s.Groups = []FixedGroup{{UserIDs: []string{"crane", "carrier"}, Subbands: []int{1}}}
		}, "groups[0].subbands[0]"},
		{func(s *Slot) {
			s.Groups = []FixedGroup{{UserIDs: []string{"crane", "carrier"}, Subbands: []int{0, 0}}}
		}, "groups[0].subbands"},
		{func(s *Slot) {
			s.Channel.Antennas, s.Channel.Subbands = 1, 2
			s.Groups = []FixedGroup{{UserIDs: []string{"crane", "carrier"}, Subbands: []int{1, 1}}}
		}, "groups[0].subbands[1]"},
	} {
		s := goodSlot()
		c.change(s)
		var got []string
		for _, v := range s.Validate() {
			got = append(got, v.Path)
			if v.Value == "" || v.Allowed == "" {
				t.Errorf("%q: value %q, allowed %q", v.Path, v.Value, v.Allowed)
			}
		}
		if strings.Join(got, " ") != c.paths {
			t.Errorf("want %q, got %q", c.paths, strings.Join(got, " "))
		}
	}
}

func TestValidateTwoSubbands(t *testing.T) {
	s := goodSlot()
	s.Channel.Antennas, s.Channel.Subbands = 1, 2 // the same samples
	s.Users[0].SubbandNoiseW = []float64{1e-13, 2e-13}
	s.Channel.Samples[2] = 0 // carrier is heard on the other subband
	s.Groups = []FixedGroup{
		{UserIDs: []string{"crane"}, Share: ptr(0.9), Subbands: []int{0}},
		{UserIDs: []string{"carrier"}, Share: ptr(0.9), Subbands: []int{1}},
	}
	if v := s.Validate(); v != nil {
		t.Errorf("shares of 0.9 on either subband: %v", v)
	}
	// Both may be on the air at once: no limit on power may hold for their sum, nor
	// the objective depend on it.
	for name, change := range map[string]func(*Slot){
		"total":    func(s *Slot) { s.Limits.TotalPowerW = ptr(1.0) },
		"antennas": func(s *Slot) { s.Limits.AntennaPowerW = []float64{1} },
		"EIRP":     func(s *Slot) { withArray(s); s.Limits.EIRPW = ptr(1.0) },
		"cone": func(s *Slot) {
			withArray(s)
			s.Limits.ProtectedDirections = []ProtectedDirection{{WidthDeg: 3, EIRPW: 1}}
		},
		"consumed": func(s *Slot) { s.Options.Objective = ObjectiveConsumed },
	} {
		c := *s
		change(&c)
		if v := c.Validate(); len(v) != 1 || v[0].Path != "groups[1].subbands" {
			t.Errorf("%s: %v", name, v)
		}
		// Not where all use one subband.
		c.Groups = []FixedGroup{
			{UserIDs: []string{"crane"}, Share: ptr(0.5), Subbands: []int{1, 0}},
			{UserIDs: []string{"carrier"}, Share: ptr(0.5), Subbands: []int{1}},
		}
		if v := c.Validate(); v != nil {
			t.Errorf("%s, one subband in common: %v", name, v)
		}
	}
}

// TestValidateTwice: a user twice in a group is a mistake, in two groups it is not.
func TestValidateTwice(t *testing.T) {
	s := goodSlot()
	s.Groups = []FixedGroup{{UserIDs: []string{"crane", "crane", "carrier"}}, {UserIDs: []string{"carrier"}}}
	v := s.Validate()
	if len(v) != 1 || v[0].Allowed != "each user once in a group" {
		t.Errorf("got %v", v)
	}
}

func TestValidateEnds(t *testing.T) {
	s := goodSlot()
	s.Channel.Antennas = 1000
	s.Channel.Samples = make([]complex128, 3000)
	for i := range s.Channel.Samples {
		s.Channel.Samples[i] = complex(nan, nan)
	}
	s.Options.Grouping = strings.Repeat("x", 1000)
	v := s.Validate()
	if len(v) != MaxViolations {
		t.Fatalf("%d violations", len(v))
	}
	// 6000 numbers and the grouping, less the 31 listed.
	if last := v[MaxViolations-1]; last.Path != "..." || last.Value != "5970 more violations" {
		t.Errorf("last of a long list: %v", last)
	}
	s = goodSlot()
	s.Options.Grouping = strings.Repeat("é", 1000)
	if v := s.Validate(); len(v) != 1 || len(v[0].Value) > 80 {
		t.Errorf("long name: %v", v)
	}
}

// TestValidateOptions holds that a session's options are checked as a slot's.
func TestValidateOptions(t *testing.T) {
	o := Options{Grouping: "x", WorkLimit: -1, ShareStep: 2}
	if v := o.Validate(); len(v) != 3 {
		t.Errorf("got %v", v)
	}
	if v := (&Options{}).Validate(); v != nil {
		t.Errorf("got %v", v)
	}
}

func TestValidateAllocates(t *testing.T) {
	s := goodSlot()
	s.Groups = []FixedGroup{{UserIDs: []string{"crane", "idle"}, Share: ptr(0.5)}, {UserIDs: []string{"carrier"}}}
	s.Options = Options{Grouping: "alone", Beams: "matched", Power: "lp", Objective: "radiated"}
	// The race detector drops what a pool holds at random: the least of many runs
	// is what Validate itself allocates.
	least := math.Inf(1)
	for range 100 {
		least = min(least, testing.AllocsPerRun(1, func() { s.Validate() }))
	}
	if least != 0 {
		t.Errorf("%g allocations for a good slot", least)
	}
}

func BenchmarkValidate(b *testing.B) {
	for _, c := range []struct{ antennas, users int }{{64, 16}, {64, 512}} {
		s := &Slot{BandwidthHz: 20e6, Channel: Channel{Antennas: c.antennas, Subbands: 1}}
		for k := range c.users {
			s.Users = append(s.Users, User{ID: fmt.Sprintf("user-%03d", k), RateBps: 1e6, NoiseW: 1e-13})
			for m := range c.antennas {
				s.Channel.Samples = append(s.Channel.Samples, complex(1e-6*float64(k+1), 1e-6*float64(m)))
			}
		}
		b.Run(fmt.Sprintf("antennas=%d/users=%d", c.antennas, c.users), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if v := s.Validate(); v != nil {
					b.Fatal(v)
				}
			}
		})
	}
}
