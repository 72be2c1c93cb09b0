package audit

import (
	"errors"
	"math"
	"slices"
	"testing"

	"leastwatt/scheduler"
)

// byHand over a channel of half the amplitude: user 1 has 1 against 1/4 and noise
// 1, user 2 has 1 against 1 and noise 2. The claims stay right.
func TestRecomputeOver(t *testing.T) {
	slot, plan := byHand()
	truth := slot.Channel
	truth.Samples = []complex128{0.5, 0, 0.5, 0.5i}
	r, err := RecomputeOver(slot, plan, &truth)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rate of one", r.Users[0].RateBps, 0.5e6*math.Log2(1+1/1.25))
	near(t, "rate of two", r.Users[1].RateBps, 0.5e6*math.Log2(1+1.0/3))
	near(t, "worst rate over target", r.WorstRateRatio, 0.5*math.Log2(1.8)/0.7)
	near(t, "radiated power", r.RadiatedPowerW, 3)
	if len(r.Findings) != 2 || r.Findings[0].Path != "users[0].rateBps" || r.Findings[1].Path != "users[1].rateBps" {
		t.Errorf("findings %v", r.Findings)
	}
	// The same channel is no news, but for the error that was allowed for.
	slot, plan = twoSubbands()
	r, err = RecomputeOver(slot, plan, &slot.Channel)
	if err != nil || !r.Agrees() {
		t.Fatalf("%v %v", err, r)
	}
	near(t, "rate without error", r.Users[0].RateBps, 0.25e6*math.Log2(1+3.6)+0.5e6*(math.Log2(1+0.4/3)+math.Log2(1+0.9)))
}

// A row that the true channel does not carry is lost; one that it carries is no
// more than it was, however good the channel.
func TestRecomputeOverWithTable(t *testing.T) {
	slot, plan := atFloor()
	plan.FloorPowerW, plan.FloorCertificate = nil, nil
	slot.Options.RateTable = "cqi-64qam"
	plan.Groups[0].Allocations[0].RateStep = []int{6} // 2 * 602/1024 bit needs an SINR above 1
	plan.Groups[0].Allocations[0].Weights[0] = 1      // SINR 2
	for _, tc := range []struct {
		h    complex128
		want float64
	}{{2, 602.0 / 512}, {20, 602.0 / 512}, {1, 0}} {
		truth := slot.Channel
		truth.Samples = []complex128{tc.h}
		r, err := RecomputeOver(slot, plan, &truth)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "rate", r.Users[0].RateBps, 1e6*tc.want)
	}
}

func TestRecomputeOverErrors(t *testing.T) {
	for name, spoil := range map[string]func(*scheduler.Channel){
		"antennas": func(c *scheduler.Channel) { c.Antennas = 1 },
		"subbands": func(c *scheduler.Channel) { c.Subbands = 2 },
		"samples":  func(c *scheduler.Channel) { c.Samples = c.Samples[:3] },
		"NaN":      func(c *scheduler.Channel) { c.Samples[0] = complex(math.NaN(), 0) },
	} {
		slot, plan := byHand()
		truth := slot.Channel
		truth.Samples = slices.Clone(truth.Samples)
		spoil(&truth)
		if r, err := RecomputeOver(slot, plan, &truth); !errors.Is(err, ErrMismatch) {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
}
