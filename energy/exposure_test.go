package energy

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// ICNIRP 2020 tables 5 and 6, 47 CFR 1.1310 table 1 (from transcriptions).
func TestReferenceLevel(t *testing.T) {
	for _, tc := range []struct {
		guideline            Guideline
		mhz                  float64
		public, occupational float64
	}{
		{ICNIRP2020, 100, 2, 10},
		{ICNIRP2020, 400, 2, 10},
		{ICNIRP2020, 900, 4.5, 22.5},
		{ICNIRP2020, 1800, 9, 45},
		{ICNIRP2020, 3500, 10, 50},
		{ICNIRP2020, 300e3, 10, 50},
		{ICNIRP2020Local, 100, 10, 50},
		{ICNIRP2020Local, 900, 0.058 * math.Pow(900, 0.86), 0.29 * math.Pow(900, 0.86)},
		{ICNIRP2020Local, 3500, 40, 200},
		{ICNIRP2020Local, 6000, 40, 200},
		{ICNIRP2020Local, 28e3, 55 / math.Pow(28, 0.177), 275 / math.Pow(28, 0.177)},
		{FCC1310, 100, 2, 10},
		{FCC1310, 900, 6, 30},
		{FCC1310, 3500, 10, 50},
	} {
		for a, want := range map[Audience]float64{GeneralPublic: tc.public, Occupational: tc.occupational} {
			got, ok := tc.guideline.ReferenceLevel(a, tc.mhz*1e6)
			if !ok {
				t.Errorf("%v has no level at %g MHz", tc.guideline, tc.mhz)
			}
			near(t, fmt.Sprintf("%v, %v, %g MHz", tc.guideline, a, tc.mhz), got, want, 1e-12)
		}
	}
	for _, mhz := range []float64{0, 30, 301e3, math.NaN(), math.Inf(1)} {
		for _, g := range []Guideline{ICNIRP2020, ICNIRP2020Local, FCC1310} {
			if level, ok := g.ReferenceLevel(GeneralPublic, mhz*1e6); ok {
				t.Errorf("%v has a level of %g at %g MHz", g, level, mhz)
			}
		}
	}
	// Levels of table 6 meet at the edges, but for rounding in the standard.
	for _, mhz := range []float64{400, 2000, 6000} {
		below, _ := ICNIRP2020Local.ReferenceLevel(GeneralPublic, mhz*1e6)
		above, _ := ICNIRP2020Local.ReferenceLevel(GeneralPublic, mhz*1e6*(1+1e-9))
		near(t, fmt.Sprintf("the step at %g MHz", mhz), above, below, 0.02)
	}
}

// r = sqrt(EIRP / (4 pi S)), to the millimetre.
func TestDistance(t *testing.T) {
	levels := []float64{10, 50, 2, 4.5}
	for _, tc := range []struct {
		eirpDBm float64
		wantM   [4]float64
	}{
		{50, [4]float64{0.892, 0.399, 1.995, 1.330}},
		{60, [4]float64{2.821, 1.262, 6.308, 4.205}},
		{65, [4]float64{5.016, 2.243, 11.217, 7.478}},
		{70, [4]float64{8.921, 3.989, 19.947, 13.298}},
		{75, [4]float64{15.863, 7.094, 35.472, 23.648}},
	} {
		for i, level := range levels {
			got := DistanceM(math.Pow(10, (tc.eirpDBm-30)/10), level)
			if math.Abs(got-tc.wantM[i]) > 0.5e-3 {
				t.Errorf("%g dBm at %g W/m2: %.4f m, want %.3f m", tc.eirpDBm, level, got, tc.wantM[i])
			}
		}
	}
	// 200 W from 64 elements of 8 dBi in one beam, 79.0721 dBm: 25.351 m and
	// 11.337 m; on the air for 0.75 x 0.25 of the time 10.977 m. Computed apart.
	eirpW := 200 * 64 * math.Pow(10, 0.8)
	near(t, "EIRP in dBm", 10*math.Log10(eirpW)+30, 79.0721, 1e-6)
	near(t, "general public", DistanceM(eirpW, 10), 25.351, 2e-5)
	near(t, "occupational", DistanceM(eirpW, 50), 11.337, 5e-5)
	near(t, "mean over time", DistanceM(eirpW*0.75*0.25, 10), 10.977, 5e-5)
}

func TestExposureText(t *testing.T) {
	text := ExposureText(Distances(1000, 900e6))
	for _, want := range []string{
		"ICNIRP 2020, whole body, general public: 4.5 W/m2 beyond 4.21 m",
		"47 CFR 1.1310, general public: 6 W/m2 beyond 3.64 m",
		"occupational", "near field", "reflections", "licence, local codes and a qualified person decide",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if got := ExposureText(Distances(1000, 1e6)); got != "" {
		t.Errorf("no level, but %q", got)
	}
}
