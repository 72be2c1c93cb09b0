package scheduler

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"leastwatt/optim"
)

// proved returns the bound that the plan's certificate proves for the slot: raw
// channels of the antennas left on, over the square root of the noise of a
// subband, by optim.VerifyFloor.
func proved(t *testing.T, s *Slot, p *Plan) float64 {
	t.Helper()
	var on []int
	for m := range s.Channel.Antennas {
		if len(s.Limits.AntennaPowerW) == 0 || s.Limits.AntennaPowerW[m] > 0 {
			on = append(on, m)
		}
	}
	problem := optim.FloorProblem{}
	for k, u := range p.Users {
		bps := math.Min(s.Users[k].RateBps, u.RateBps) * (1 - RateTolerance)
		problem.Rate = append(problem.Rate, bps/s.BandwidthHz*math.Ln2)
	}
	for f := range s.Channel.Subbands {
		h := optim.NewChannel(len(s.Users), len(on))
		for k := range s.Users {
			for i, m := range on {
				h.User(k)[i] = s.Channel.At(k, f)[m] / complex(math.Sqrt(s.Users[k].SubbandNoise(f, s.Channel.Subbands)), 0)
			}
		}
		problem.Channels = append(problem.Channels, h)
	}
	bound, err := optim.VerifyFloor(&problem, optim.Certificate{Prices: p.FloorCertificate.Prices, PowersW: p.FloorCertificate.PowersW})
	if err != nil {
		t.Fatal(err)
	}
	return bound
}

// checkFloor holds that the floor of a plan is proved and not above the plan's
// power.
func checkFloor(t *testing.T, s *Slot, p *Plan) {
	t.Helper()
	if p.FloorPowerW == nil || p.FloorCertificate == nil {
		t.Fatalf("no floor in a plan of status %v %v", p.Status, p.Violations)
	}
	if floor := *p.FloorPowerW; !(floor <= p.RadiatedPowerW) {
		t.Errorf("floor %.12g W above the %.12g W of the plan", floor, p.RadiatedPowerW)
	} else if bound := proved(t, s, p); !(floor <= bound*(1+1e-9)) {
		t.Errorf("floor %.12g W, proved %.12g W", floor, bound)
	}
}

// The floor of a slot is that of SciPy's SLSQP over the rate constraints of all
// sets of users (testdata/reference/floor.py), less the tolerances of the search
// (1e-4) and of rates.
func TestFloorAgainstReference(t *testing.T) {
	data, err := os.ReadFile("../testdata/reference/floor.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []struct {
			Name                      string
			Users, Antennas, Subbands int
			Channel                   []struct{ Re, Im [][]float64 }
			NoiseW                    []float64 `json:"noise_w"`
			RateNat                   []float64 `json:"rate_nat"`
			PowerW                    float64   `json:"power_w"`
		}
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	crowded, wide := 0, 0
	for _, c := range file.Cases {
		s := &Slot{BandwidthHz: 1e6, Channel: Channel{Antennas: c.Antennas, Subbands: c.Subbands}, Options: Options{Floor: true}}
		for k := range c.Users {
			s.Users = append(s.Users, User{ID: fmt.Sprint(k), RateBps: s.BandwidthHz * c.RateNat[k] / math.Ln2, NoiseW: c.NoiseW[k]})
			for _, h := range c.Channel {
				for m, re := range h.Re[k] {
					s.Channel.Samples = append(s.Channel.Samples, complex(re, h.Im[k][m]))
				}
			}
		}
		p := NewEngine().Schedule(context.Background(), s)
		checkFloor(t, s, p)
		if floor := *p.FloorPowerW; p.Status != StatusMet || !(floor >= 0.999*c.PowerW && floor <= c.PowerW) {
			t.Errorf("%s: %v, floor %.9g W, want %.9g W", c.Name, p.Status, floor, c.PowerW)
		}
		if c.Users > c.Antennas {
			crowded++
		}
		if c.Subbands > 1 {
			wide++
		}
	}
	if len(file.Cases) < 20 || crowded < 3 || wide < 3 {
		t.Errorf("%d cases, %d with more users than antennas, %d of several subbands", len(file.Cases), crowded, wide)
	}
}

// Alone on the air a user needs noise * (2^(R/B) - 1) / |h|^2 (Shannon).
func TestFloorOneUser(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for range 20 {
		s := randomSlot(rng, 1, 1+rng.IntN(8), 3)
		s.Options.Floor = true
		p := NewEngine().Schedule(context.Background(), s)
		checkFloor(t, s, p)
		u := s.Users[0]
		want := u.NoiseW * (math.Exp2(u.RateBps/s.BandwidthHz) - 1) / powerOf(s.Channel.Samples)
		if math.Abs(*p.FloorPowerW/want-1) > 1e-4 {
			t.Errorf("%g W, want %g W", *p.FloorPowerW, want)
		}
	}
}

// No plan is below its floor, whatever made it and whatever it falls short of.
func TestFloorBelowEveryPlan(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	tables := []string{"", "mcs-64qam", "cqi-256qam"}
	short, tight := 0, 0
	known := slices.DeleteFunc(Groupings(), func(i Info) bool { return strings.HasPrefix(i.Name, "test-") })
	for i := range 80 {
		users, antennas := 1+rng.IntN(8), 1+rng.IntN(10)
		switch i % 8 {
		case 0, 3:
			users, antennas = 8, 1+rng.IntN(4)
		case 1:
			users = 1 // whose plan is at the floor
		}
		s := randomWideSlot(rng, users, 1+i%3, antennas, 0.2+rng.Float64())
		if users > 2*antennas {
			everyone(s) // more than can be served
		}
		for k := range s.Users {
			switch rng.IntN(6) {
			case 0:
				s.Users[k].RateBps = 0
			case 1:
				s.Users[k].CSIErrorVariance = 1e-14 * rng.Float64()
			}
		}
		for range 2 {
			grouping := known[rng.IntN(len(known))]
			if (grouping.Name == GroupingExact || grouping.Name == GroupingMixed) && len(s.Users) > 4 {
				continue // long, over several subbands
			}
			beams := Beams()[rng.IntN(len(Beams()))]
			s.Options = Options{
				Floor: true, Grouping: grouping.Name, Beams: beams.Name, Weights: WeightFormat(rng.IntN(4)),
				RateTable: tables[rng.IntN(len(tables))], SINRGapDB: float64(rng.IntN(3)),
			}
			if users == 1 {
				s.Options.RateTable, s.Options.SINRGapDB = "", 0
			}
			p := schedule(context.Background(), s, &memory{})
			checkFloor(t, s, p)
			if *p.FloorPowerW > 0.999*p.RadiatedPowerW {
				tight++
			}
			if p.Status == StatusShort && *p.FloorPowerW > 0 {
				short++
			}
		}
	}
	if short < 5 || tight < 5 {
		t.Errorf("%d plans fell short, %d were at the floor", short, tight)
	}
}

// everyone puts all users into one group.
func everyone(s *Slot) {
	var ids []string
	for k := range s.Users {
		ids = append(ids, s.Users[k].ID)
	}
	s.Groups = []FixedGroup{{UserIDs: ids}}
}

// Limits on power leave a floor for what is still delivered.
func TestFloorUnderLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(39, 40))
	for range 4 {
		s := randomSlot(rng, 4, 4, 1)
		s.Options.Floor = true
		free := schedule(context.Background(), s, &memory{})
		s.Limits.TotalPowerW = ptr(free.RadiatedPowerW / 10)
		p := schedule(context.Background(), s, &memory{})
		checkFloor(t, s, p)
		if p.Status != StatusShort || !(*p.FloorPowerW > 0 && *p.FloorPowerW < *free.FloorPowerW) {
			t.Errorf("%v, floor %g W, without limits %g W", p.Status, *p.FloorPowerW, *free.FloorPowerW)
		}
	}
}

// The floor is for the antennas in use.
func TestFloorWithoutAntennas(t *testing.T) {
	rng := rand.New(rand.NewPCG(35, 36))
	s := randomSlot(rng, 3, 6, 1)
	s.Options.Floor = true
	all := schedule(context.Background(), s, &memory{})
	s.Limits.AntennaPowerW = []float64{1e9, 0, 1e9, 0, 0, 1e9}
	some := schedule(context.Background(), s, &memory{})
	checkFloor(t, s, all)
	checkFloor(t, s, some)
	alike := &Slot{BandwidthHz: s.BandwidthHz, Users: s.Users, Channel: Channel{Antennas: 3, Subbands: 1}, Options: s.Options}
	for k := range s.Users {
		for _, m := range []int{0, 2, 5} {
			alike.Channel.Samples = append(alike.Channel.Samples, s.Channel.At(k, 0)[m])
		}
	}
	want := schedule(context.Background(), alike, &memory{})
	if *some.FloorPowerW < 1.1**all.FloorPowerW || math.Abs(*some.FloorPowerW / *want.FloorPowerW - 1) > 1e-4 {
		t.Errorf("%g W of half the antennas, want %g W; %g W of all", *some.FloorPowerW, *want.FloorPowerW, *all.FloorPowerW)
	}
}

// A floor that runs out of time is lower, proved none the less, and the plan says so.
func TestFloorOutOfTime(t *testing.T) {
	// Two users of correlation 0.9 at one rate, who share the time between orders of
	// decoding.
	s := &Slot{
		BandwidthHz: 1,
		Channel:     Channel{Antennas: 2, Subbands: 1, Samples: []complex128{1, 0, 0.9, complex(math.Sqrt(0.19), 0)}},
		Users:       []User{{ID: "a", RateBps: 3, NoiseW: 1}, {ID: "b", RateBps: 3, NoiseW: 1}},
		Options:     Options{Floor: true},
	}
	whole := schedule(context.Background(), s, &memory{})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	cut := schedule(ctx, s, &memory{})
	checkFloor(t, s, cut)
	if !cut.StoppedEarly || !(*cut.FloorPowerW > 0 && *cut.FloorPowerW < *whole.FloorPowerW) {
		t.Errorf("stopped early %v, %g W, in time %g W", cut.StoppedEarly, *cut.FloorPowerW, *whole.FloorPowerW)
	}
}

// Without being asked for there is none; with no power needed it is zero.
func TestFloorTrivial(t *testing.T) {
	s := goodSlot()
	if p := schedule(context.Background(), s, &memory{}); p.FloorPowerW != nil || p.FloorCertificate != nil {
		t.Error("a floor that nobody asked for")
	}
	s.Options.Floor = true
	for k := range s.Users {
		s.Users[k].RateBps = 0
	}
	p := schedule(context.Background(), s, &memory{})
	checkFloor(t, s, p)
	if *p.FloorPowerW != 0 || len(p.FloorCertificate.Prices) != 3 || len(p.FloorCertificate.PowersW) != 3 {
		t.Errorf("%g W, %+v", *p.FloorPowerW, p.FloorCertificate)
	}
}

func BenchmarkFloor(b *testing.B) {
	for _, c := range []struct{ users, antennas int }{{8, 32}, {16, 64}, {32, 64}} {
		s := randomSlot(rand.New(rand.NewPCG(1, 2)), c.users, c.antennas, 1)
		b.Run(fmt.Sprintf("users=%d/antennas=%d", c.users, c.antennas), func(b *testing.B) {
			v := newView(s, s.Options.Resolve())
			plan := &Plan{}
			plan.fill(v, v.choose(plan).groups)
			for b.Loop() {
				plan.proveFloor(v)
			}
		})
	}
}
