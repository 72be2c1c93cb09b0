package energy

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.10g, want %.10g", what, got, want)
	}
}

// Bjornson et al. 2015 (see published.go): 30.7 Mbit/J for zero forcing, at 165
// antennas and 104 users. The other numbers are those of an independent evaluation
// of the paper's formulas.
func TestOptimum2015(t *testing.T) {
	c := Cell2015()
	near(t, "mean loss in dB", 10*math.Log10(c.MeanInverseGain), 120.9545, 1e-6)
	o := c.Optimum(220)
	if o.Antennas != 165 || o.Users != 104 {
		t.Errorf("the optimum is at %d antennas and %d users, want 165 and 104", o.Antennas, o.Users)
	}
	near(t, "Mbit/J", o.BitPerJoule/1e6, 30.7412, 2e-6)
	near(t, "rho", o.Rho, 0.87469, 1e-5)
	near(t, "Gbit/s", o.RateBps/1e9, 10.604, 1e-4)
	near(t, "amplifiers in W", o.Consumed.AmplifierW, 81.75, 1e-4)
	near(t, "circuits in W", o.Consumed.TotalW()-o.Consumed.AmplifierW, 263.21, 1e-4)
}

// The power is optimal: derived, not a neighbour is better.
func TestBestRho(t *testing.T) {
	c := Cell2015()
	efficiency := func(rho float64) float64 { return c.RateBps(64, 20, rho) / c.Consumed(64, 20, rho).TotalW() }
	rho := c.bestRho(64, 20)
	for _, by := range []float64{0.5, 0.99, 1.01, 2} {
		if efficiency(rho*by) >= efficiency(rho) {
			t.Errorf("%g times the power is better", by)
		}
	}
}

// G. Auer et al. 2011, table 2: N transceivers at full load, no load and asleep.
// Full and no load by the table's own formula; its component table gives for them
// about 1350, 144.6, 14.7 and 10.4 W at full load (from memory).
func TestTransceivers2011(t *testing.T) {
	for _, tc := range []struct {
		name                   string
		transceivers           int
		maxW                   float64
		fullW, noLoadW, sleepW float64
	}{
		{"earth-2011-macro", 6, 20, 1344, 780, 450},
		{"earth-2011-remote-head", 6, 20, 840, 504, 336},
		{"earth-2011-micro", 2, 6.3, 144.76, 112, 78},
		{"earth-2011-pico", 2, 0.13, 14.64, 13.6, 8.6},
		{"earth-2011-femto", 2, 0.05, 10.4, 9.6, 5.8},
	} {
		s := ByName(tc.name).Station
		load := func(busy, each float64) float64 {
			powers := make([]float64, tc.transceivers)
			for i := range powers {
				powers[i] = each
			}
			return s.Consumed(&Load{
				Antennas: tc.transceivers, BusyShare: busy,
				Groups: []GroupLoad{{Share: busy, Users: 3, BandwidthHz: 1e7, AntennaPowerW: powers}},
			}).TotalW()
		}
		near(t, tc.name+" at full load", load(1, tc.maxW), tc.fullW, 1e-12)
		near(t, tc.name+" without load", load(1, 1e-15), tc.noLoadW, 1e-12)
		near(t, tc.name+" asleep", load(0, 0), tc.sleepW, 1e-12)
		near(t, tc.name+" half of the time", load(0.5, tc.maxW), (tc.fullW+tc.sleepW)/2, 1e-12)
	}
}

// A station of simple numbers, counted by hand.
func TestParts(t *testing.T) {
	s := Station{
		Amplifier: Amplifier{Efficiency: 0.5}, BaseW: 100, BaseSleepW: 10, AntennaW: 8, AntennaSleepW: 2,
		UserW: 3, JoulesPerBit: 1e-6, OperationsPerJoule: 1e6,
	}
	got := s.Consumed(&Load{
		Antennas: 4, BusyShare: 0.75, RateBps: 7e6,
		Groups: []GroupLoad{
			{Share: 0.5, Users: 2, BandwidthHz: 1e6, AntennaPowerW: []float64{1, 0, 3, 0}},
			{Share: 0.25, Users: 1, BandwidthHz: 1e6, AntennaPowerW: []float64{0, 2, 0, 0}},
		},
	})
	want := Parts{
		AmplifierW:  0.5*8 + 0.25*4,
		BaseW:       75,
		AntennaW:    0.75 * 3 * 8,
		UserW:       0.5*6 + 0.25*3,
		ProcessingW: 0.5*12 + 0.25*6,
		BitW:        7,
		SleepW:      0.25*(10+4*2) + 0.75*2,
	}
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	near(t, "total", got.TotalW(), 5+75+18+3.75+7.5+7+6, 1e-15)
	var sum float64
	for _, c := range got.Plus(got).Times(0.25).Causes() {
		sum += c.PowerW
	}
	near(t, "half of all causes", sum, got.TotalW()/2, 1e-15)
	near(t, "more than asleep", s.AwakeW(3), 90+3*6, 1e-15)
	near(t, "users of the first group", s.UsersW(3, 2, 1e6), 6+12, 1e-15)
	near(t, "energy of a bit", JoulesPerBit(70, 7e6), 1e-5, 1e-15)
	if got := JoulesPerBit(1, 0); !math.IsInf(got, 1) {
		t.Errorf("no bit takes %g J", got)
	}
}

// Derived from the currents of ideal devices: a half sine of peak a I in class B,
// a sine on a current of I/2 in class A, a swing in proportion to the supply.
func TestAmplifierClasses(t *testing.T) {
	const steps = 1 << 16
	for _, a := range []float64{0.1, 0.5, 1} {
		var direct, first float64 // of class B, in units of I
		for i := range steps {
			c := math.Cos(2 * math.Pi * (float64(i) + 0.5) / steps)
			direct += a * math.Max(0, c) / steps
			first += 2 * a * math.Max(0, c) * c / steps
		}
		radiated, peak := a*first/2, 0.25 // of supply voltage times I
		near(t, "class B", Amplifier{ClassB, math.Pi / 4, peak}.SupplyW(radiated), direct, 1e-7)
		near(t, "class A", Amplifier{ClassA, 0.5, peak}.SupplyW(radiated), 0.5, 1e-12)
	}
	near(t, "proportional", Amplifier{Efficiency: 0.25}.SupplyW(3), 12, 1e-15)
}

// The closed form is x = 1 + W((fixed-1)/e): W is checked by what defines it,
// w exp(w), and the rate by being the least of the energy per bit (derived).
func TestBestNats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fixed := math.Pow(10, rapid.Float64Range(-6, 12).Draw(t, "log10 fixed"))
		x := BestNats(fixed)
		w := x - 1
		if got, want := w*math.Exp(w), (fixed-1)/math.E; !(math.Abs(got-want) <= 1e-12*(1/math.E+math.Abs(want))) {
			t.Errorf("W exp(W) is %g, want %g", got, want)
		}
		energy := func(x float64) float64 { return (math.Expm1(x) + fixed) / x }
		if energy(x*1.01) <= energy(x) || energy(x*0.99) <= energy(x) {
			t.Errorf("%g is not the least", x)
		}
	})
	near(t, "fixed = 1", BestNats(1), 1, 1e-12) // (x-1) exp(x) = 0
	if got := BestNats(0); got != 0 {
		t.Errorf("without fixed power the slowest rate is best, not %g", got)
	}
}

// Values of the authors' published programs, in their units: table II of 2015 and
// table 5.3 of 2017 (fixed and oscillator in W, antenna in W, coding and backhaul in W
// per Gbit/s, Gflop/J).
func TestPerAntennaValues(t *testing.T) {
	for _, tc := range []struct {
		name                                                       string
		fixedW, oscillatorW, antennaW, coding, backhaul, gflopPerJ float64
	}{
		{"per-antenna-2015", 18, 2, 1, 0.1, 0.25, 12.8},
		{"per-antenna-2017-set1", 10, 0.2, 0.4, 0.1, 0.25, 75},
		{"per-antenna-2017-set2", 5, 0.1, 0.2, 0.01, 0.025, 750},
	} {
		s := ByName(tc.name).Station
		near(t, tc.name+" fixed", s.BaseW, tc.fixedW+tc.oscillatorW, 1e-12)
		near(t, tc.name+" of an antenna", s.AntennaW, tc.antennaW, 1e-12)
		near(t, tc.name+" of a bit", s.JoulesPerBit, (tc.coding+tc.backhaul)*1e-9, 1e-12)
		near(t, tc.name+" processing", s.OperationsPerJoule, tc.gflopPerJ*1e9, 1e-12)
	}
}

func TestPublished(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range Sets() {
		s := p.Station
		if seen[p.Name] || p.Summary == "" || p.Source == "" || ByName(p.Name).Station != s {
			t.Errorf("%s: a name or a summary is missing or there twice", p.Name)
		}
		seen[p.Name] = true
		if e := s.Amplifier.Efficiency; !(e > 0 && e <= 1) || s.BaseSleepW > s.BaseW || s.AntennaSleepW > s.AntennaW {
			t.Errorf("%s: more than all is radiated, or sleep takes more than work", p.Name)
		}
	}
	if ByName(DefaultName) == nil || ByName("x") != nil {
		t.Error("the default is not known, or an unknown name is")
	}
}
