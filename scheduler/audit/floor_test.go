package audit

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"leastwatt/optim"
	"leastwatt/scheduler"
)

// What is proved is what optim.VerifyFloor finds, which shares no code with the
// audit: for any prices and powers, for one subband and several, with antennas
// taken out, and of users served in part.
func TestProvedAgainstVerifyFloor(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	positive := 0
	for trial := range 60 {
		users, antennas, bands := 1+rng.IntN(6), 1+rng.IntN(5), 1+rng.IntN(3)
		slot := &scheduler.Slot{BandwidthHz: 1e6, Channel: scheduler.Channel{Antennas: antennas, Subbands: bands}}
		plan := &scheduler.Plan{Status: scheduler.StatusMet, FloorCertificate: &scheduler.FloorCertificate{}}
		problem := optim.FloorProblem{}
		on := antennas
		if trial%3 == 0 && antennas > 1 {
			on-- // the last is off
			slot.Limits.AntennaPowerW = make([]float64, antennas)
			for m := range on {
				slot.Limits.AntennaPowerW[m] = 1
			}
		}
		for range bands {
			problem.Channels = append(problem.Channels, optim.NewChannel(users, on))
		}
		a := newAuditor(t.Context(), slot, plan)
		for k := range users {
			u := scheduler.User{RateBps: 8e6 * rng.Float64(), NoiseW: rng.Float64() + 0.1}
			slot.Users = append(slot.Users, u)
			got := scheduler.UserRate{TargetBps: u.RateBps, RateBps: u.RateBps * (0.5 + rng.Float64())}
			a.result.Users = append(a.result.Users, got)
			problem.Rate = append(problem.Rate, math.Ln2*min(got.TargetBps, got.RateBps)/1e6*(1-1e-6))
			price := float64(rng.IntN(4)) // some alike, some 0
			plan.FloorCertificate.Prices = append(plan.FloorCertificate.Prices, price)
			for f := range bands {
				plan.FloorCertificate.PowersW = append(plan.FloorCertificate.PowersW, 2*rng.Float64())
				for m := range antennas {
					h := complex(rng.NormFloat64(), rng.NormFloat64())
					slot.Channel.Samples = append(slot.Channel.Samples, h)
					if m < on {
						problem.Channels[f].User(k)[m] = h / complex(math.Sqrt(u.NoiseW/float64(bands)), 0)
					}
				}
			}
		}
		want, err := optim.VerifyFloor(&problem, optim.Certificate{
			Prices: plan.FloorCertificate.Prices, PowersW: plan.FloorCertificate.PowersW,
		})
		if err != nil {
			t.Fatal(err)
		}
		got, fault := a.proved(plan.FloorCertificate)
		if fault != "" || math.Abs(got-want) > 1e-12*want {
			t.Errorf("trial %d: %.15g W %s, want %.15g W", trial, got, fault, want)
		}
		if want > 0 {
			positive++
		}
	}
	if positive < 20 {
		t.Errorf("only %d certificates proved anything", positive)
	}
}

// atFloor is one user on one antenna at its floor: |h|^2 = 4 and noise 2 take
// 2/4 (2^1 - 1) = 0.5 W for 1 bit/s/Hz. Price 2/4 2^1 = 1 W a nat and power 0.5 W
// prove it (derived: V = log(1 + 2p), dV/dp = 1 at p = 0.5, log 2 - V + 0.5).
func atFloor() (*scheduler.Slot, *scheduler.Plan) {
	floorW := 0.5 * (1 - 2e-6)
	return &scheduler.Slot{
			BandwidthHz: 1e6,
			Channel:     scheduler.Channel{Antennas: 1, Subbands: 1, Samples: []complex128{2}},
			Users:       []scheduler.User{{ID: "u", RateBps: 1e6, NoiseW: 2}},
		}, &scheduler.Plan{
			Status: scheduler.StatusMet, RadiatedPowerW: 0.5, FloorPowerW: &floorW,
			FloorCertificate: &scheduler.FloorCertificate{Prices: []float64{1}, PowersW: []float64{0.5}},
			Groups: []scheduler.Group{{Share: 1, RadiatedPowerW: 0.5, Allocations: []scheduler.Allocation{
				{UserID: "u", SINR: []float64{1}, RateBps: 1e6, PowerW: 0.5, Weights: []complex128{complex(math.Sqrt(0.5), 0)}}}}},
			Users:         []scheduler.UserRate{{ID: "u", TargetBps: 1e6, RateBps: 1e6}},
			AntennaPowerW: []float64{0.5},
		}
}

func TestFloorByHand(t *testing.T) {
	slot, plan := atFloor()
	r, err := Recompute(slot, plan)
	if err != nil || !r.Agrees() {
		t.Fatalf("%v %v", err, r)
	}
	near(t, "floor", *r.FloorPowerW, 0.5-math.Ln2*1e-6)
	if d := *r.OverFloorDB; !(d > 0 && d < 1e-4) {
		t.Errorf("%g dB over the floor", d)
	}
	slot.Users[0].RateBps /= 2 // asked for less: less is proved
	plan.Users[0].TargetBps /= 2
	r, err = Recompute(slot, plan)
	if err != nil || len(r.Findings) != 1 || *r.FloorPowerW > 0.5-math.Ln2/2 {
		t.Errorf("%v, %+v", err, r)
	}
}

// One thing about a floor is wrong at a time.
func TestFloorFindings(t *testing.T) {
	set := func(x float64) func(*scheduler.Slot, *scheduler.Plan) {
		return func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorPowerW = &x }
	}
	for name, tc := range map[string]struct {
		spoil func(*scheduler.Slot, *scheduler.Plan)
		want  string // path and words
	}{
		"above the proof":     {set(0.4999995), "floorPowerW: more than its certificate proves"},
		"above the power":     {set(0.6), "floorPowerW: above the radiated power"},
		"negative":            {set(-1), "floorPowerW: negative"},
		"NaN":                 {set(math.NaN()), "floorPowerW: more than its certificate proves"},
		"no certificate":      {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate = nil }, "floorPowerW: no certificate"},
		"price":               {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.Prices[0] = 0 }, "floorPowerW: more than"},
		"power":               {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.PowersW[0] *= 0.99 }, "floorPowerW: more than"},
		"price of other user": {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.Prices = []float64{1, 1} }, "floorCertificate: not one price"},
		"no powers":           {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.PowersW = nil }, "floorCertificate: not one price"},
		"negative power":      {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.PowersW[0] = -1 }, "floorCertificate: a price or power"},
		"infinite price":      {func(_ *scheduler.Slot, p *scheduler.Plan) { p.FloorCertificate.Prices[0] = math.Inf(1) }, "floorCertificate: a price or power"},
		"overflow": {func(_ *scheduler.Slot, p *scheduler.Plan) {
			p.FloorCertificate.Prices[0] = 1e308
			p.FloorCertificate.PowersW[0] = 1e308
		}, "floor"},
		"other rates": {func(s *scheduler.Slot, p *scheduler.Plan) { s.Users[0].RateBps, p.Users[0].TargetBps = 0.9e6, 0.9e6 },
			"floorPowerW: more than its certificate proves for this channel and the rates delivered"},
		"antenna off": {func(s *scheduler.Slot, _ *scheduler.Plan) { s.Limits.AntennaPowerW = []float64{0} }, "floorPowerW: more than"},
	} {
		t.Run(name, func(t *testing.T) {
			slot, plan := atFloor()
			tc.spoil(slot, plan)
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range r.Findings {
				if strings.HasPrefix(f.Path+": "+f.Text, tc.want) {
					return
				}
			}
			t.Errorf("findings %v, want %q", r.Findings, tc.want)
		})
	}
}

// A certificate that proves more than a plan radiates shows that the plan cannot
// be right: here SINRs are claimed of a channel that is not the slot's.
func TestFloorDisprovesPlan(t *testing.T) {
	slot, plan := atFloor()
	a := newAuditor(t.Context(), slot, plan)
	a.result.RadiatedPowerW = 0.25
	a.result.Users = plan.Users
	a.floor()
	if len(a.result.Findings) == 0 || a.result.Findings[0].Path != "radiatedPowerW" {
		t.Errorf("findings %v", a.result.Findings)
	}
}
