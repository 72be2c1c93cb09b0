package campaign

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leastwatt/channel"
	"leastwatt/scheduler"
)

// straight is one user in line of sight of a line of antennas; the gain differs
// from drop to drop.
func straight(value float64, drop int) *scheduler.Slot {
	antennas := int(value)
	wavelengthM := channel.WavelengthM(setCarrierHz)
	h := make([]complex128, antennas)
	array := channel.Array{PositionsM: channel.Linear(antennas, wavelengthM/2)}
	array.Steering(h, channel.Direction{AzimuthDeg: 20}, wavelengthM)
	amplitude := complex(1e-6/float64(1+drop), 0)
	for m := range h {
		h[m] *= amplitude
	}
	antennaW, efficiency := 0.05, 0.4
	return &scheduler.Slot{
		CarrierHz: setCarrierHz, BandwidthHz: setBandwidthHz,
		Channel: scheduler.Channel{Antennas: antennas, Subbands: 1, Samples: h},
		Users:   []scheduler.User{{ID: "u", RateBps: 2 * setBandwidthHz, NoiseW: setNoiseW}},
		Options: scheduler.Options{Consumption: &scheduler.Consumption{AmplifierEfficiency: &efficiency, AntennaW: &antennaW}},
	}
}

// drawnSlot is a slot of several users with channels of chance.
func drawnSlot(value float64, drop int) *scheduler.Slot {
	d := drawn("rayleigh", 4, int(value), 2, rayleigh)
	slot := d.open(int64(drop))(0)
	slot.Options.Consumption = &scheduler.Consumption{Model: "per-antenna-2015"}
	return slot
}

func sweep(t *testing.T, s *Sweep) *SweepResult {
	t.Helper()
	r, err := s.Do(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// One user in line of sight: |h|^2 is M g, so the power is (2^r - 1) N / (M g),
// which halves, 3.01 dB, with every doubling; derived. So do the floor, which it
// is on, and the saving, alike in all drops.
func TestSweepOneUser(t *testing.T) {
	points := sweep(t, &Sweep{Quantity: Antennas, Values: []float64{1, 2, 4, 32, 128}, Drops: 3, Floor: true, Slot: straight}).Summaries(0)
	for i, p := range points {
		var wantW float64
		for drop := range 3 {
			wantW += 3 * setNoiseW / (p.Value * math.Pow(1e-6/float64(1+drop), 2)) / 3
		}
		if p.Met != 3 || !near(*p.RadiatedPowerW, wantW, 1e-5) || !near(*p.FloorPowerW, wantW, 1e-5) {
			t.Errorf("%g antennas: met %d, %g W, floor %v, want %g W", p.Value, p.Met, *p.RadiatedPowerW, *p.FloorPowerW, wantW)
		}
		if !near(*p.RadiatedJoulesPerBit, wantW/(2*setBandwidthHz), 1e-5) || !near(*p.ConsumedJoulesPerBit, *p.ConsumedPowerW / *p.RateBps, 1e-12) {
			t.Errorf("%g antennas: %g and %g J/bit", p.Value, *p.RadiatedJoulesPerBit, *p.ConsumedJoulesPerBit)
		}
		if i == 0 {
			if p.DoublingDb != nil || p.SavingDb != nil {
				t.Errorf("the first value has %v, %v", p.DoublingDb, p.SavingDb)
			}
			continue
		}
		if math.Abs(*p.DoublingDb+10*math.Log10(2)) > 0.01 {
			t.Errorf("%g antennas: %g dB per doubling", p.Value, *p.DoublingDb)
		}
		if s := p.SavingDb; math.Abs(s.Mean-10*math.Log10(p.Value)) > 0.01 || *s.Half > 0.01 || s.Values != 3 {
			t.Errorf("%g antennas: saving %+v", p.Value, s)
		}
	}
}

// With amplifiers of efficiency eta and a W for each antenna's circuits, c/(M eta)
// + M a is least at M = sqrt(c / (eta a)): derived. c = 0.3 W, eta = 0.4 and
// a = 0.05 W make that sqrt(15) = 3.87, so 4 of whole antennas.
func TestSweepConsumedOptimum(t *testing.T) {
	var values []float64
	for m := 1.; m <= 10; m++ {
		values = append(values, m)
	}
	points := sweep(t, &Sweep{Quantity: Antennas, Values: values, Drops: 1, Slot: straight}).Summaries(0)
	best := math.Sqrt(3 * setNoiseW / 1e-12 / (0.4 * 0.05))
	least := 0
	for i, p := range points {
		if want := 0.3/p.Value/0.4 + 0.05*p.Value; !near(*p.ConsumedPowerW, want, 1e-5) || !near(p.Consumed.AntennaW, 0.05*p.Value, 1e-12) {
			t.Errorf("%g antennas: %+v, want %g W", p.Value, p.Consumed, want)
		}
		if *p.ConsumedPowerW < *points[least].ConsumedPowerW {
			least = i
		}
	}
	if m := values[least]; m != math.Round(best) || m != 4 {
		t.Errorf("least at %g antennas, the closed form says %g", m, best)
	}
}

// What a sweep finds does not depend on the number of workers, but for the times.
func TestSweepWorkers(t *testing.T) {
	var results [2]*SweepResult
	for i, workers := range []int{1, 8} {
		results[i] = sweep(t, &Sweep{Quantity: Antennas, Values: []float64{1, 4, 16}, Drops: 4, Workers: workers, Floor: true, Slot: drawnSlot})
	}
	if diff := cmp.Diff(results[0], results[1], cmpopts.IgnoreFields(Trial{}, "Compute")); diff != "" {
		t.Errorf("1 and 8 workers:\n%s", diff)
	}
}

// The lines of a file give back the numbers of the result and of its summary.
func TestSweepCSV(t *testing.T) {
	r := sweep(t, &Sweep{Quantity: Antennas, Values: []float64{1, 4, 16}, Drops: 3, Floor: true, Slot: drawnSlot})
	var buffer bytes.Buffer
	if err := r.WriteCSV(&buffer, false); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&buffer).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != 1+3*3 || len(lines[0]) != len(sweepHeader)+1 {
		t.Fatalf("%d lines of %d", len(lines), len(lines[0]))
	}
	read := func(line []string, name string) float64 {
		for i := range lines[0] {
			if lines[0][i] == name {
				x, err := strconv.ParseFloat(line[i], 64)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				return x
			}
		}
		t.Fatalf("no column %s", name)
		return 0
	}
	at := 1
	for i, p := range r.Summaries(0) {
		var sumW float64
		for n := range r.Points[i].Slots {
			line, slot := lines[at], &r.Points[i].Slots[n]
			trial := &slot.Trials[0]
			at++
			for name, want := range map[string]float64{
				"swept_antennas": p.Value, "antennas": p.Value, "drop": float64(n), "users": 4, "groups": float64(trial.Groups),
				"radiated_power_w": trial.RadiatedPowerW, "floor_power_w": *slot.FloorPowerW, "rate_bps": trial.RateBps,
				"consumed_power_w": trial.Consumed.TotalW(), "amplifier_w": trial.Consumed.AmplifierW, "antenna_w": trial.Consumed.AntennaW,
				"processing_w": trial.Consumed.ProcessingW, "user_w": trial.Consumed.UserW, "bit_w": trial.Consumed.BitW,
				"base_w": trial.Consumed.BaseW, "sleep_w": trial.Consumed.SleepW, "audit_disagreements": 0,
			} {
				if got := read(line, name); got != want {
					t.Errorf("line %d: %s %g, want %g", at, name, got, want)
				}
			}
			sumW += read(line, "consumed_power_w")
		}
		if !near(sumW/3, *p.ConsumedPowerW, 1e-12) || !near(p.Consumed.TotalW(), *p.ConsumedPowerW, 1e-12) {
			t.Errorf("%g antennas: %g W by the lines, %g by cause, %g in the summary", p.Value, sumW/3, p.Consumed.TotalW(), *p.ConsumedPowerW)
		}
	}
}

// A sweep that is ended keeps the drops that are done.
func TestSweepEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := 0
	s := &Sweep{Quantity: Antennas, Values: []float64{1, 4}, Drops: 1000, Workers: 1, Slot: drawnSlot, Each: func(int, *Slot) error {
		if done++; done == 5 {
			cancel()
		}
		return nil
	}}
	r, err := s.Do(ctx)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
	if a, b := len(r.Points[0].Slots), len(r.Points[1].Slots); a != 3 || b != 2 || r.Drops != 1000 {
		t.Errorf("%d and %d drops are there", a, b)
	}
	if p := r.Summaries(0)[1]; p.SavingDb.Values != 2 {
		t.Errorf("a saving of %d drops", p.SavingDb.Values)
	}
}

// Drops that are short at one value take no part in differences, others do.
func TestSweepPairs(t *testing.T) {
	trial := func(status scheduler.Status, powerW float64) []Trial {
		return []Trial{{Status: status, RadiatedPowerW: powerW}}
	}
	r := &SweepResult{Quantity: Antennas, Values: []float64{1, 4}, Points: []Result{
		{Strategies: make([]scheduler.Strategy, 1), Slots: []Slot{{Number: 0, Trials: trial(scheduler.StatusShort, 9)}, {Number: 2, Trials: trial(scheduler.StatusMet, 8)}}},
		{Strategies: make([]scheduler.Strategy, 1), Slots: []Slot{{Number: 0, Trials: trial(scheduler.StatusMet, 7)}, {Number: 1, Trials: trial(scheduler.StatusMet, 6)}, {Number: 2, Trials: trial(scheduler.StatusMet, 2)}}},
	}}
	p := r.Summaries(0)[1]
	if s := p.SavingDb; s.Values != 1 || !near(s.Mean, 10*math.Log10(4), 1e-12) || s.Half != nil || !near(*p.DoublingDb, -10*math.Log10(2), 1e-12) {
		t.Errorf("%+v, %g dB per doubling", s, *p.DoublingDb)
	}
	if p.ConsumedPowerW != nil || p.ConsumedSavingDb != nil || p.ConsumedJoulesPerBit != nil {
		t.Errorf("consumed power without a model: %+v", p)
	}
}

// Of the numbers 1 to 10 the mean is 5.5 and the variance 55/6 (derived). The
// 0.975 quantile of Student's t with 9 degrees of freedom is 2.262, with one 12.706
// (tables in any textbook of statistics).
func TestInterval(t *testing.T) {
	var values []float64
	for v := 1.; v <= 10; v++ {
		values = append(values, v)
	}
	i := NewInterval(values)
	if i.Mean != 5.5 || i.Values != 10 || math.Abs(*i.Half/math.Sqrt(55./6/10)-2.262) > 5e-4 {
		t.Errorf("%g +- %g", i.Mean, *i.Half)
	}
	// Of 0 and 2 the deviation of the mean is 1.
	if i := NewInterval([]float64{0, 2}); i.Mean != 1 || math.Abs(*i.Half-12.706) > 5e-4 {
		t.Errorf("%g +- %g", i.Mean, *i.Half)
	}
	if i := NewInterval([]float64{3}); i.Mean != 3 || i.Half != nil {
		t.Errorf("of one value: %+v", i)
	}
	if i := NewInterval(nil); i != nil {
		t.Errorf("of none: %+v", i)
	}
}

// With several strategies every value has one trial of each, which is that of a
// sweep of that strategy alone. No strategy is the default one.
func TestSweepStrategies(t *testing.T) {
	s := Sweep{Quantity: Antennas, Values: []float64{1, 16}, Drops: 3, Strategies: fewStrategies, Slot: drawnSlot}
	all := sweep(t, &s)
	for k := range fewStrategies {
		s.Strategies = fewStrategies[k : k+1]
		alone := sweep(t, &s)
		want := alone.Summaries(0)
		for i := range want {
			want[i].OverBestDb = all.Summaries(k)[i].OverBestDb // of other strategies
		}
		if diff := cmp.Diff(want, all.Summaries(k), cmpopts.IgnoreFields(Summary{}, "ComputeP50Micros", "ComputeP99Micros")); diff != "" {
			t.Errorf("%v:\n%s", fewStrategies[k], diff)
		}
	}
	s.Strategies = nil
	if r := sweep(t, &s); len(r.Strategies) != 1 || r.Strategies[0] != resolve(scheduler.Strategy{}) || len(r.Points[1].Slots[2].Trials) != 1 {
		t.Errorf("without strategies: %+v", r.Strategies)
	}
}

// Powers by hand: 1 and 1 W against 10 and 100 W save 10 and 20 dB, a mean of 15; a
// drop that one of them did not meet does not count. The mean of two values 10 apart
// is off by 5 (derived), Student's t with one degree of freedom 12.706.
func TestSaving(t *testing.T) {
	slot := func(drop int, a, b float64, status scheduler.Status) Slot {
		return Slot{Number: drop, Trials: []Trial{{Status: status, RadiatedPowerW: a}, {Status: scheduler.StatusMet, RadiatedPowerW: b}}}
	}
	r := newSweepResult("users", []float64{2}, 3, fewStrategies[:2])
	r.Points[0].Slots = []Slot{slot(0, 1, 10, scheduler.StatusMet), slot(1, 1, 100, scheduler.StatusMet), slot(2, 1, 1, scheduler.StatusShort)}
	if s := r.Saving(0, 0, 1); s.Values != 2 || !near(s.Mean, 15, 1e-12) || math.Abs(*s.Half-5*12.706) > 5e-3 {
		t.Errorf("saving %+v", s)
	}
	if s := r.Saving(0, 1, 0); !near(s.Mean, -15, 1e-12) {
		t.Errorf("the other way round %+v", s)
	}
	r.Points[0].Slots = nil
	if s := r.Saving(0, 0, 1); s != nil {
		t.Errorf("of nothing %+v", s)
	}
}

// A trial holds the rate of every user as the audit re-computed it: the rates of the
// closed form for one user, and no less than the targets for several. Beams of M
// antennas of gain 1 on one user have M times the radiated power as their peak EIRP
// (derived).
func TestTrialUsersAndEIRP(t *testing.T) {
	s := Sweep{Quantity: Antennas, Values: []float64{4, 16}, Drops: 1, Slot: func(value float64, drop int) *scheduler.Slot {
		slot := straight(value, drop)
		slot.Array = &scheduler.Array{PositionsM: channel.Linear(int(value), channel.WavelengthM(setCarrierHz)/2), ElementPattern: scheduler.PatternIsotropic}
		return slot
	}}
	r := sweep(t, &s)
	for i, p := range r.Summaries(0) {
		trial := &r.Points[i].Slots[0].Trials[0]
		if len(trial.Users) != 1 || trial.Users[0].ID != "u" || trial.Users[0].TargetBps != 2*setBandwidthHz || !near(trial.Users[0].RateBps, 2*setBandwidthHz, 1e-5) {
			t.Errorf("%+v", trial.Users)
		}
		if want := p.Value * trial.RadiatedPowerW; trial.PeakEIRPW == nil || !near(*trial.PeakEIRPW, want, 1e-6) || p.PeakEIRPW != trial.PeakEIRPW {
			t.Errorf("%g antennas: peak EIRP %v, want %g W", p.Value, trial.PeakEIRPW, want)
		}
	}
	s.Slot = drawnSlot
	trial := sweep(t, &s).Points[0].Slots[0].Trials[0]
	var sum float64
	for k, u := range trial.Users {
		if u.ID != fmt.Sprint("u", k+1) || u.RateBps < u.TargetBps*(1-scheduler.RateTolerance) {
			t.Errorf("%+v", u)
		}
		sum += u.RateBps
	}
	if len(trial.Users) != 4 || sum != trial.RateBps || trial.PeakEIRPW != nil {
		t.Errorf("%+v", trial)
	}
}
