package audit

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"leastwatt/scheduler"
)

// onAir is a slot and a plan of one user whose beam has the weights given, at a
// wavelength of 1 m. Only its far field is of interest.
func onAir(positionsM [][3]float64, weights ...complex128) (*scheduler.Slot, *scheduler.Plan) {
	slot := &scheduler.Slot{
		CarrierHz:   299792458,
		BandwidthHz: 1e6,
		Channel:     scheduler.Channel{Antennas: len(positionsM), Subbands: 1, Samples: make([]complex128, len(positionsM))},
		Users:       []scheduler.User{{ID: "u", NoiseW: 1}},
		Array:       &scheduler.Array{PositionsM: positionsM},
	}
	return slot, &scheduler.Plan{
		Status: scheduler.StatusMet,
		Groups: []scheduler.Group{{Share: 1, Allocations: []scheduler.Allocation{{UserID: "u", Weights: weights}}}},
	}
}

func planar(rows, columns int) [][3]float64 {
	var p [][3]float64
	for r := range rows {
		for c := range columns {
			p = append(p, [3]float64{0, float64(c) / 2, float64(r) / 2})
		}
	}
	return p
}

func peakOf(t *testing.T, slot *scheduler.Slot, plan *scheduler.Plan) float64 {
	t.Helper()
	r, err := Recompute(slot, plan)
	if err != nil {
		t.Fatal(err)
	}
	return *r.PeakEIRPW
}

// One antenna: power times gain. 64 antennas of 8 dBi fed 200 W in phase: 200 W *
// 64 * 10^0.8 = 80,762 W (array gain 10 log10 N: common practice, no source).
func TestPeakEIRP(t *testing.T) {
	slot, plan := onAir(planar(1, 1), complex(math.Sqrt2, 0))
	slot.Array.ElementGainDBi = 3
	near(t, "one antenna", peakOf(t, slot, plan), 2*math.Pow(10, 0.3))

	alike := make([]complex128, 64)
	for m := range alike {
		alike[m] = complex(math.Sqrt(200.0/64), 0)
	}
	slot, plan = onAir(planar(8, 8), alike...)
	slot.Array.ElementGainDBi, slot.Array.ElementPattern = 8, scheduler.PatternSector65
	if got, want := peakOf(t, slot, plan), 200*64*math.Pow(10, 0.8); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("64 antennas: %.12g W, want %.12g W", got, want)
	}

	// Two groups, of one antenna each: the larger one counts, not the sum. Two
	// users of one group, and two subbands of one user, add up.
	slot, plan = onAir(planar(1, 1), 2)
	slot.Channel.Subbands, slot.Channel.Samples = 2, make([]complex128, 4)
	slot.Users = append(slot.Users, scheduler.User{ID: "v", NoiseW: 1})
	plan.Groups = []scheduler.Group{
		{Share: 0.5, Allocations: []scheduler.Allocation{{UserID: "u", Weights: []complex128{2, 1}}, {UserID: "v", Weights: []complex128{0, 1i}}}},
		{Share: 0.5, Allocations: []scheduler.Allocation{{UserID: "u", Weights: []complex128{1, 1}}}},
	}
	near(t, "two groups", peakOf(t, slot, plan), 6)
}

// The peak found is no less than on a grid of two degrees, and is not above
// what the array can do at most.
func TestPeakEIRPAgainstGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 4 {
		positions := planar(2, 4)
		for m := range positions {
			positions[m][0] = rng.NormFloat64()
		}
		w := make([]complex128, 8)
		most := 0.0
		for m := range w {
			w[m] = complex(rng.NormFloat64(), rng.NormFloat64())
			most += math.Hypot(real(w[m]), imag(w[m]))
		}
		slot, plan := onAir(positions, w...)
		got := peakOf(t, slot, plan)
		array := newAerial(slot)
		for e := -90.0; e <= 90; e += 2 {
			for a := -180.0; a < 180; a += 2 {
				if v := array.eirp([][]complex128{w}, towards(a, e)); v > got*(1+1e-12) {
					t.Fatalf("%g W at %g, %g; peak %g", v, a, e, got)
				}
			}
		}
		if got > most*most {
			t.Errorf("%g W of at most %g", got, most*most)
		}
	}
}

// The far field by hand, through limits in narrow cones. Two antennas a quarter of
// a wavelength apart along y, the second a quarter turn late: both add up towards
// +y, where it is closer, and cancel towards -y.
func TestProtectedDirections(t *testing.T) {
	quarter := [][3]float64{{0, 0, 0}, {0, 0.25, 0}}
	half := [][3]float64{{0, 0, 0}, {0, 0.5, 0}}
	for name, tc := range map[string]struct {
		positions                       [][3]float64
		second                          complex128
		pattern                         string
		azimuthDeg, elevationDeg, eirpW float64
		widthDeg                        float64
		want                            float64
	}{
		"towards +y":  {positions: quarter, second: -1i, azimuthDeg: 90, want: 4},
		"towards -y":  {positions: quarter, second: -1i, azimuthDeg: -90, want: 0},
		"30 degrees":  {positions: half, second: 1, azimuthDeg: 30, want: 2},
		"from above":  {positions: half, second: 1, elevationDeg: 90, want: 4},
		"half power":  {positions: half[:1], pattern: scheduler.PatternSector65, azimuthDeg: -32.5, want: math.Pow(10, -0.3)},
		"65 up":       {positions: half[:1], pattern: scheduler.PatternSector65, elevationDeg: 65, want: math.Pow(10, -1.2)},
		"behind":      {positions: half[:1], pattern: scheduler.PatternSector65, azimuthDeg: 180, want: 1e-3},
		"edge":        {positions: half, second: 1, azimuthDeg: 60, widthDeg: 60, want: 2},
		"whole world": {positions: half, second: 1, azimuthDeg: 60, widthDeg: 360, want: 4},
	} {
		t.Run(name, func(t *testing.T) {
			w := []complex128{1, tc.second}[:len(tc.positions)]
			slot, plan := onAir(tc.positions, w...)
			slot.Array.ElementPattern = tc.pattern
			if tc.widthDeg == 0 {
				tc.widthDeg = 1e-5
			}
			d := scheduler.ProtectedDirection{AzimuthDeg: tc.azimuthDeg, ElevationDeg: tc.elevationDeg, WidthDeg: tc.widthDeg}
			for _, by := range []float64{1 + 1e-6, 1 - 1e-6} {
				d.EIRPW = tc.want * by
				if tc.want == 0 {
					d.EIRPW = 1e-12
				}
				slot.Limits.ProtectedDirections = []scheduler.ProtectedDirection{d}
				r, err := Recompute(slot, plan)
				if err != nil {
					t.Fatal(err)
				}
				broken := false
				for _, f := range r.Findings {
					broken = broken || strings.Contains(f.Text, "limits.protectedDirections[0]")
				}
				if broken != (by < 1 && tc.want > 0) {
					t.Errorf("limit %g W: broken %v, %v", d.EIRPW, broken, r.Findings)
				}
			}
		})
	}
}

func TestEIRPFindings(t *testing.T) {
	set := func(x float64) func(*scheduler.Slot, *scheduler.Plan) {
		return func(_ *scheduler.Slot, p *scheduler.Plan) { p.PeakEIRPW = &x }
	}
	limit := 3.9
	for name, tc := range map[string]struct {
		spoil func(*scheduler.Slot, *scheduler.Plan)
		want  string
	}{
		"right":    {set(4), ""},
		"too low":  {set(3.9), "peakEirpW: largest EIRP: claimed 3.9, found 4"},
		"too high": {set(4.1), "peakEirpW: largest EIRP: claimed 4.1, found 4"},
		"NaN":      {set(math.NaN()), "peakEirpW: largest EIRP"},
		"absent":   {func(*scheduler.Slot, *scheduler.Plan) {}, "peakEirpW: absent though"},
		"stopped":  {func(_ *scheduler.Slot, p *scheduler.Plan) { p.StoppedEarly = true }, ""},
		"no array": {func(s *scheduler.Slot, p *scheduler.Plan) { set(4)(s, p); s.Array = nil }, "peakEirpW: claimed of an array that is not known"},
		"limit":    {func(s *scheduler.Slot, p *scheduler.Plan) { set(4)(s, p); s.Limits.EIRPW = &limit }, "groups: EIRP above limits.eirpW: allowed 3.9, found 4"},
	} {
		t.Run(name, func(t *testing.T) {
			slot, plan := onAir([][3]float64{{0, 0, 0}, {0, 0.5, 0}}, 1, 1)
			tc.spoil(slot, plan)
			r, err := Recompute(slot, plan)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, f := range r.Findings {
				if s := f.String(); strings.Contains(s, "EIRP") || strings.Contains(s, "Eirp") {
					got = append(got, s)
				}
			}
			if tc.want == "" && len(got) > 0 || tc.want != "" && (len(got) != 1 || !strings.HasPrefix(got[0], tc.want)) {
				t.Errorf("findings %q, want %q", got, tc.want)
			}
		})
	}
}

func TestArrayErrors(t *testing.T) {
	one := 1.0
	for name, spoil := range map[string]func(*scheduler.Slot){
		"no array":       func(s *scheduler.Slot) { s.Array, s.Limits.EIRPW = nil, &one },
		"no carrier":     func(s *scheduler.Slot) { s.CarrierHz = 0 },
		"positions":      func(s *scheduler.Slot) { s.Array.PositionsM = nil },
		"position NaN":   func(s *scheduler.Slot) { s.Array.PositionsM[0][1] = math.NaN() },
		"position large": func(s *scheduler.Slot) { s.Array.PositionsM[0][1], s.CarrierHz = 1e308, 1e12 },
		"gain":           func(s *scheduler.Slot) { s.Array.ElementGainDBi = math.Inf(1) },
		"pattern":        func(s *scheduler.Slot) { s.Array.ElementPattern = "any" },
		"no cone":        func(s *scheduler.Slot) { s.Limits.ProtectedDirections = make([]scheduler.ProtectedDirection, 1) },
	} {
		slot, plan := onAir([][3]float64{{0, 0, 0}, {0, 0.5, 0}}, 1, 1)
		spoil(slot)
		if r, err := Recompute(slot, plan); !errors.Is(err, ErrMismatch) {
			t.Errorf("%s: result %+v, error %v", name, r, err)
		}
	}
}
