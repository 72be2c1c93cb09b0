package scheduler_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"leastwatt/scheduler"
)

// readReference reads the cases of a file of reference values.
func readReference[C any](t *testing.T, name string) []C {
	t.Helper()
	data, err := os.ReadFile("../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []C }
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	return file.Cases
}

// Shares of a slot between groups the caller fixed, against grid and general
// searches; computed by testdata/reference/shares.py. Several cases have two
// local minima of which only one will do.
func TestSharesAgainstReference(t *testing.T) {
	type reference struct {
		Name    string
		Channel struct{ Re, Im [][]float64 }
		NoiseW  []float64 `json:"noise_w"`
		RateNat []float64 `json:"rate_nat"`
		Groups  [][]int
		PowerW  float64 `json:"power_w"`
		Shares  []float64
		Minima  []struct {
			PowerW float64 `json:"power_w"`
		}
	}
	cases := readReference[reference](t, "shares.json")
	several := 0
	for _, c := range cases {
		slot := &scheduler.Slot{
			BandwidthHz: 1e6,
			Channel:     scheduler.Channel{Antennas: len(c.Channel.Re[0]), Subbands: 1},
		}
		for k, row := range c.Channel.Re {
			slot.Users = append(slot.Users, scheduler.User{
				ID: fmt.Sprint("u", k), RateBps: 1e6 * c.RateNat[k] / math.Ln2, NoiseW: c.NoiseW[k],
			})
			for m, re := range row {
				slot.Channel.Samples = append(slot.Channel.Samples, complex(re, c.Channel.Im[k][m]))
			}
		}
		for _, users := range c.Groups {
			var g scheduler.FixedGroup
			for _, k := range users {
				g.UserIDs = append(g.UserIDs, slot.Users[k].ID)
			}
			slot.Groups = append(slot.Groups, g)
		}
		plan := scheduler.NewEngine().Schedule(context.Background(), slot)
		if plan.Status != scheduler.StatusMet {
			t.Errorf("%s: %v %v", c.Name, plan.Status, plan.Violations)
			continue
		}
		if !(math.Abs(plan.RadiatedPowerW/c.PowerW-1) < 1e-6) {
			t.Errorf("%s: %.9g W, want %.9g W", c.Name, plan.RadiatedPowerW, c.PowerW)
		}
		for g, want := range c.Shares {
			if got := plan.Groups[g].Share; math.Abs(got-want) > 1e-3 {
				t.Errorf("%s: group %d has %.6g of the slot, want %.6g", c.Name, g, got, want)
			}
		}
		if len(c.Minima) > 1 {
			several++
		}
	}
	if len(cases) < 12 || several < 3 {
		t.Errorf("%d cases, %d with several minima", len(cases), several)
	}
}

// Plans under limits on EIRP against a cone solver; computed by
// testdata/reference/eirp_everywhere.py, whose channels are the conjugates of the
// contract's.
func TestEIRPAgainstReference(t *testing.T) {
	type reference struct {
		Name        string
		Channel     struct{ Re, Im [][]float64 }
		NoiseW      []float64 `json:"noise_w"`
		SINR        []float64
		CarrierHz   float64      `json:"carrier_hz"`
		PositionsM  [][3]float64 `json:"positions_m"`
		GainDBi     float64      `json:"element_gain_dbi"`
		Pattern     string       `json:"element_pattern"`
		EverywhereW *float64     `json:"eirp_cap_w"`
		Protected   []struct {
			AzimuthDeg   float64 `json:"azimuth_deg"`
			ElevationDeg float64 `json:"elevation_deg"`
			WidthDeg     float64 `json:"width_deg"`
			EIRPW        float64 `json:"eirp_cap_w"`
		}
		UncappedW float64 `json:"uncapped_power_w"`
		PowerW    float64 `json:"power_w"`
	}
	cases := readReference[reference](t, "eirp_everywhere.json")
	binding := 0
	for _, c := range cases {
		slot := &scheduler.Slot{
			CarrierHz:   c.CarrierHz,
			BandwidthHz: 1,
			Channel:     scheduler.Channel{Antennas: len(c.Channel.Re[0]), Subbands: 1},
			Array:       &scheduler.Array{PositionsM: c.PositionsM, ElementGainDBi: c.GainDBi, ElementPattern: c.Pattern},
			Limits:      scheduler.Limits{EIRPW: c.EverywhereW},
			Groups:      []scheduler.FixedGroup{{}},
		}
		for _, p := range c.Protected {
			slot.Limits.ProtectedDirections = append(slot.Limits.ProtectedDirections, scheduler.ProtectedDirection(p))
		}
		for k, row := range c.Channel.Re {
			id := fmt.Sprint("u", k)
			slot.Users = append(slot.Users, scheduler.User{ID: id, RateBps: math.Log2(1 + c.SINR[k]), NoiseW: c.NoiseW[k]})
			slot.Groups[0].UserIDs = append(slot.Groups[0].UserIDs, id)
			for m, re := range row {
				slot.Channel.Samples = append(slot.Channel.Samples, complex(re, -c.Channel.Im[k][m]))
			}
		}
		plan := scheduler.NewEngine().Schedule(context.Background(), slot)
		if plan.Status != scheduler.StatusMet {
			t.Errorf("%s: %v %v", c.Name, plan.Status, plan.Violations)
			continue
		}
		if !(math.Abs(plan.RadiatedPowerW/c.PowerW-1) < 1e-4) {
			t.Errorf("%s: %.9g W, want %.9g W", c.Name, plan.RadiatedPowerW, c.PowerW)
		}
		if c.PowerW > c.UncappedW*(1+1e-4) {
			binding++
		}
	}
	if len(cases) < 10 || binding < 8 {
		t.Errorf("%d cases, limits cost power in %d", len(cases), binding)
	}
}

// Two users in several groups on subbands: groups, rates and shares against a
// linear program over a grid of rates and its bound; computed by
// testdata/reference/mixed.py.
func TestMixedAgainstReference(t *testing.T) {
	type reference struct {
		Name     string
		Subbands int
		Channel  []struct{ Re, Im [][]float64 } // [subband]
		NoiseW   []float64                      `json:"noise_w"`
		RateNat  []float64                      `json:"rate_nat"`
		PowerW   float64                        `json:"power_w"`
		Groups   []struct {
			Subband int
			Users   []int
		}
	}
	cases := readReference[reference](t, "mixed.json")
	worst := 0.0
	for _, c := range cases {
		slot := &scheduler.Slot{
			BandwidthHz: 1e6,
			Channel:     scheduler.Channel{Antennas: len(c.Channel[0].Re[0]), Subbands: c.Subbands},
			Options:     scheduler.Options{Grouping: scheduler.GroupingMixed, Weights: scheduler.WeightsF64, Floor: true},
		}
		for k := range c.RateNat {
			slot.Users = append(slot.Users, scheduler.User{
				ID: fmt.Sprint("u", k), RateBps: 1e6 * c.RateNat[k] / math.Ln2, NoiseW: c.NoiseW[k],
			})
			for _, h := range c.Channel {
				for m, re := range h.Re[k] {
					slot.Channel.Samples = append(slot.Channel.Samples, complex(re, h.Im[k][m]))
				}
			}
		}
		plan := planOf(t, slot)
		off := plan.RadiatedPowerW/c.PowerW - 1
		worst = math.Max(worst, off)
		if !(math.Abs(off) < 1e-5) {
			t.Errorf("%s: %.9g W in %d groups, want %.9g W in %d", c.Name, plan.RadiatedPowerW, len(plan.Groups), c.PowerW, len(c.Groups))
		}
	}
	t.Logf("%.1e above the reference at most", worst)
	if len(cases) < 14 {
		t.Errorf("%d cases", len(cases))
	}
}
