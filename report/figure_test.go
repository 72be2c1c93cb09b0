package report

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/plot/plotter"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/energy"
	"leastwatt/internal/safefile"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// must returns a figure, which must be there.
func must(t *testing.T, f *Figure, err error) *Figure {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if f == nil {
		t.Fatal("no figure")
	}
	for _, row := range f.Table.Rows {
		if len(row) > len(f.Table.Columns) {
			t.Errorf("%s: a row of %d cells in %d columns", f.ID, len(row), len(f.Table.Columns))
		}
	}
	return f
}

// value returns the number in a column of a row.
func value(t *testing.T, f *Figure, row int, column string) float64 {
	t.Helper()
	for i, name := range f.Table.Columns {
		if name == column {
			if v := f.Table.Rows[row][i].Value; v != nil {
				return *v
			}
			t.Fatalf("%s: nothing in row %d of %q", f.ID, row, column)
		}
	}
	t.Fatalf("%s: no column %q in %q", f.ID, column, f.Table.Columns)
	return 0
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// scaleOf is a scale of powers in W, all of which lie over their floors by 3.01 dB.
func scaleOf(powerW ...float64) Scale {
	s := Scale{Quantity: campaign.Antennas}
	for i, w := range powerW {
		least, dBm, groups := w/2, channel.DBm(w), 1.5
		parts := energy.Parts{AmplifierW: 2.5 * w, AntennaW: math.Exp2(float64(i)), BaseW: 10}
		total := parts.TotalW()
		s.Points = append(s.Points, campaign.SweepPoint{
			Value:       math.Exp2(float64(i)),
			Summary:     campaign.Summary{RadiatedPowerW: &w, RadiatedPowerDbm: &dBm, GroupsPerSlot: &groups, Consumed: &parts, ConsumedPowerW: &total},
			FloorPowerW: &least,
		})
	}
	return s
}

// Numbers in the tables are those that went in, and logarithms by hand.
func TestScaleTables(t *testing.T) {
	s := scaleOf(4, 1, 0.25)
	power, err := s.Power()
	power = must(t, power, err)
	near(t, "antennas", value(t, power, 2, "antennas"), 4, 0)
	near(t, "power", value(t, power, 2, "radiated power (W)"), 0.25, 0)
	near(t, "over the floor", value(t, power, 1, "over the floor (dB)"), 3.0103, 1e-4)
	consumed, err := s.Consumed("made-up")
	consumed = must(t, consumed, err)
	near(t, "total", value(t, consumed, 0, "total (W)"), 2.5*4+1+10, 1e-12)
	near(t, "amplifiers", value(t, consumed, 1, "amplifiers (W)"), 2.5, 1e-12)
	near(t, "antennas' circuits", value(t, consumed, 2, "antennas (W)"), 4, 0)
}

// A scale of what nobody knows is drawn empty.
func TestScaleOfNothing(t *testing.T) {
	s := Scale{Quantity: "users", Points: []campaign.SweepPoint{{Value: 1}, {Value: 3}}}
	for _, draw := range []func() (*Figure, error){s.Power, func() (*Figure, error) { return s.Consumed("made-up") }} {
		f, err := draw()
		f = must(t, f, err)
		if _, err := f.svg(); err != nil {
			t.Error(err)
		}
		if got := f.Table.Rows[0][1]; got.Value != nil || got.Text != "" {
			t.Errorf("%s: a number of nothing: %+v", f.ID, got)
		}
	}
}

// Three values: a third of the slots does not exceed the least of them.
func TestSteps(t *testing.T) {
	want := plotter.XYs{{X: 1, Y: 0}, {X: 1, Y: 1. / 3}, {X: 2, Y: 2. / 3}, {X: 5, Y: 1}}
	if diff := cmp.Diff(want, steps([]float64{5, 1, 2})); diff != "" {
		t.Error(diff)
	}
}

func TestRoundTicks(t *testing.T) {
	for _, tc := range []struct {
		low, high float64
		want      string
	}{
		{0, 10, "0 2 4 6 8 10"},
		{0, 47, "0 10 20 30 40"},
		{-3, 3, "-3 -2 -1 0 1 2 3"},
		{0, 0.07, "0 0.02 0.04 0.06"},
		{5, 5, ""},
		{13.7, 13.7 + 4e-15, ""}, // marks no longer apart
	} {
		var labels []string
		for _, tick := range roundTicks(tc.low, tc.high) {
			labels = append(labels, tick.Label)
		}
		if got := strings.Join(labels, " "); got != tc.want {
			t.Errorf("%g to %g: %s, want %s", tc.low, tc.high, got, tc.want)
		}
	}
}

func TestDecadeTicks(t *testing.T) {
	for _, tc := range []struct {
		low, high float64
		want      string
	}{
		{-3, 0, "1 mW 10 mW 100 mW 1 W"},
		{-1, 0.5, "100 mW 200 mW 500 mW 1 W 2 W 5 W"},
		{6.2, 7.1, "1 MW 2 MW 5 MW 10 MW 20 MW 50 MW"},
		{-20, -18, "1e-20 W 1e-19 W 1e-18 W"},
	} {
		var labels []string
		for _, tick := range decadeTicks("W").Ticks(tc.low, tc.high) {
			if tick.Label != "" {
				labels = append(labels, tick.Label)
			}
		}
		if got := strings.Join(labels, " "); got != tc.want {
			t.Errorf("%g to %g: %s, want %s", tc.low, tc.high, got, tc.want)
		}
	}
}

// Quantiles of 100 powers of 1 to 100 mW, by hand; powers of 0 W have no dBm.
func TestDistributionTable(t *testing.T) {
	s := Sample{Name: "a"}
	for i := range 100 {
		s.PowerW = append(s.PowerW, 1e-3*float64(100-i))
	}
	f, err := Distribution([]Sample{s, {Name: "nothing"}, {Name: "silent", PowerW: []float64{0}}})
	f = must(t, f, err)
	near(t, "mean", value(t, f, 0, "mean (dBm)"), 10*math.Log10(50.5), 1e-9)
	near(t, "median", value(t, f, 0, "50 % of slots within (dBm)"), 10*math.Log10(50), 1e-9)
	near(t, "95 %", value(t, f, 0, "95 % of slots within (dBm)"), 10*math.Log10(95), 1e-9)
	if at := f.Data.Rows[49]; *at[1].Value != channel.DBm(0.05) || *at[2].Value != 0.5 {
		t.Errorf("point 50 of the curve: %v", at)
	}
	if len(f.Table.Rows[1]) != 2 || len(f.Table.Rows[2]) != 2 {
		t.Errorf("quantiles of nothing: %v", f.Table.Rows[1:])
	}
}

// A user below its target is counted, and drawn below the line.
func TestRatesTell(t *testing.T) {
	s := Sample{Name: "a", Rates: []campaign.UserRate{
		{ID: "1", TargetBps: 2e6, RateBps: 2e6}, {ID: "2", TargetBps: 2e6, RateBps: 2e6 * (1 - 1e-7)},
		{ID: "3", TargetBps: 4e6, RateBps: 1e6}, {ID: "4", RateBps: 1e6}, {ID: "5", TargetBps: 1e6},
	}}
	f, err := Rates([]Sample{s, {Name: "nothing"}})
	f = must(t, f, err)
	near(t, "targets", value(t, f, 0, "targets"), 4, 0)
	near(t, "met", value(t, f, 0, "met"), 2, 0)
	near(t, "worst", value(t, f, 0, "least delivered / asked for"), 0, 0)
	near(t, "asked for", value(t, f, 0, "asked for (Mbit/s, mean)"), 2.25, 1e-12)
	drawn := s.drawn()
	if len(drawn) != 3 {
		t.Fatalf("marks of %v, want 3: two users fall on one another, one wants nothing", drawn)
	}
	near(t, "the mark of the user below", mark(drawn[1]).X-mark(drawn[1]).Y, math.Log10(4), 1e-12)
	near(t, "the mark of the user with nothing", mark(drawn[2]).X-mark(drawn[2]).Y, 3, 1e-12)
	if len(f.Data.Rows) != 3 || *f.Data.Rows[2][2].Value != 0 {
		t.Errorf("data %v", f.Data.Rows)
	}
}

// Powers that are all the same, or nearly, have room on the axis.
func TestDistributionOfOne(t *testing.T) {
	for _, powerW := range [][]float64{{0.02}, {0.02, 0.02 * (1 + 1e-15)}, {1e-3}} {
		f, err := Distribution([]Sample{{Name: "a", PowerW: powerW}})
		f = must(t, f, err)
		if a := f.panels[0].X; !(a.Max-a.Min >= 1) {
			t.Errorf("%v: from %v to %v", powerW, a.Min, a.Max)
		}
		if _, err := f.svg(); err != nil {
			t.Error(err)
		}
	}
}

func TestTimelineOfSilence(t *testing.T) {
	if _, err := Timeline("a", 1, []Sample{{Name: "a", Slots: []int{0, 1}, PowerW: []float64{1, 0}}}); err == nil {
		t.Error("0 W has no place among dBm")
	}
}

// Distances of ICNIRP 2020 and 47 CFR 1.1310 at 3.5 GHz, 10 W/m2 for the general
// public and 50 for the trained: sqrt(EIRP/(4 pi S)) by hand for 1 kW.
func TestExposureTable(t *testing.T) {
	f, err := Exposure([]EIRP{{1, 1000}, {2, 0}, {4, 250}}, 3.5e9)
	f = must(t, f, err)
	if len(f.Table.Rows) != 2 {
		t.Fatalf("%d rows, want 2: nothing is radiated by the second", len(f.Table.Rows))
	}
	near(t, "general public", value(t, f, 0, "ICNIRP 2020, whole body, general public (m)"), 2.8209, 1e-4)
	near(t, "occupational", value(t, f, 0, "47 CFR 1.1310, occupational (m)"), 1.2616, 1e-4)
	near(t, "a quarter of EIRP", value(t, f, 1, "ICNIRP 2020, whole body, general public (m)"), 1.41047, 1e-4)
	if f, err := Exposure([]EIRP{{1, 1000}}, 1e6); f != nil || err != nil {
		t.Errorf("a figure of no levels: %v, %v", f, err)
	}
	if !strings.Contains(f.Caption, "qualified person") {
		t.Errorf("no caution in %q", f.Caption)
	}
}

// Files are whole, and the table in full.
func TestWrite(t *testing.T) {
	s := scaleOf(4, 1.0/3, 0.25)
	f, err := s.Power()
	f = must(t, f, err)
	var files safefile.Set
	names, err := f.write(&files, t.TempDir())
	if err := errors.Join(err, files.Commit()); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		switch filepath.Ext(name) {
		case ".png":
			_, err = png.Decode(bytes.NewReader(data))
		case ".svg":
			if err = xml.Unmarshal(data, new(struct{})); !bytes.Contains(data, []byte(">"+f.Title+"<")) {
				t.Error("a file without its title")
			}
		case ".csv":
			var lines [][]string
			lines, err = csv.NewReader(bytes.NewReader(data)).ReadAll()
			if got := lines[2][1]; got != strconv.FormatFloat(1.0/3, 'g', -1, 64) {
				t.Errorf("a third is written as %s", got)
			}
		}
		if err != nil {
			t.Errorf("%s: %v", filepath.Base(name), err)
		}
	}
	if _, err := f.write(&safefile.Set{}, filepath.Join(t.TempDir(), "missing")); err == nil {
		t.Error("files in a folder that is not there")
	}
}

// lineSlot is a slot of a line of antennas half a wavelength apart with users at
// azimuths, each served by the matched beam of 1 W, all at once.
func lineSlot(antennas int, azimuthsDeg ...float64) *SlotView {
	const carrierHz = 3e9
	lambda := channel.WavelengthM(carrierHz)
	array := channel.Array{PositionsM: channel.Linear(antennas, lambda/2)}
	slot := &scheduler.Slot{
		CarrierHz: carrierHz, BandwidthHz: 1e6,
		Channel: scheduler.Channel{Antennas: antennas, Subbands: 1},
		Array:   &scheduler.Array{PositionsM: array.PositionsM, ElementPattern: scheduler.PatternSector65}, // which has no back
	}
	plan := &scheduler.Plan{Groups: []scheduler.Group{{Share: 1}}}
	for k, a := range azimuthsDeg {
		h := make([]complex128, antennas)
		array.Steering(h, channel.Direction{AzimuthDeg: a}, lambda)
		slot.Channel.Samples = append(slot.Channel.Samples, h...)
		id := strconv.Itoa(k)
		slot.Users = append(slot.Users, scheduler.User{ID: id})
		w := make([]complex128, antennas)
		for m := range w {
			w[m] = h[m] / complex(math.Sqrt(float64(antennas)), 0)
		}
		plan.Groups[0].Allocations = append(plan.Groups[0].Allocations, scheduler.Allocation{UserID: id, Weights: w, PowerW: 1})
	}
	return &SlotView{slot, plan}
}

// Correlation of a line of N antennas half a wavelength apart is the Dirichlet
// kernel |sin(N x)/(N sin x)|, x = pi/2 (sin a - sin b) (any textbook on arrays).
func TestGroupsCorrelation(t *testing.T) {
	view := lineSlot(8, 0, 10, -35)
	c := correlations(view.Slot)
	kernel := func(a, b float64) float64 {
		x := math.Pi / 2 * (math.Sin(a*math.Pi/180) - math.Sin(b*math.Pi/180))
		return math.Abs(math.Sin(8*x) / (8 * math.Sin(x)))
	}
	near(t, "0 and 10 degrees", c[0][1], kernel(0, 10), 1e-12)
	near(t, "10 and -35 degrees", c[2][1], kernel(10, -35), 1e-12)
	near(t, "itself", c[1][1], 1, 1e-12)
	f, err := view.Groups()
	f = must(t, f, err)
	near(t, "largest in its group", value(t, f, 0, "largest correlation in its group"), math.Max(kernel(0, 10), kernel(0, -35)), 1e-12)
	near(t, "largest with others", value(t, f, 0, "largest with others"), 0, 0)
}

// Users of several groups stand once, users of none last.
func TestGroupsOrder(t *testing.T) {
	view := lineSlot(4, 0, 10, 20, 30)
	all := view.Plan.Groups[0].Allocations
	view.Plan.Groups = []scheduler.Group{
		{Share: 0.5, Allocations: []scheduler.Allocation{all[3], all[1]}},
		{Share: 0.5, Allocations: []scheduler.Allocation{all[1], all[2]}},
	}
	order, first := view.order()
	if diff := cmp.Diff([]int{3, 1, 2, 0}, order) + cmp.Diff([]int{0, 2, 3}, first); diff != "" {
		t.Error(diff)
	}
}

// A matched beam of 1 W of N antennas has an EIRP of N W in its direction, and its
// first null where sin a = 2/N (array factor of a uniform line, any textbook).
func TestBeamsOfALine(t *testing.T) {
	const n = 8
	view := lineSlot(n, 0)
	f, err := view.Beams()
	f = must(t, f, err)
	near(t, "azimuth", value(t, f, 0, "azimuth of its peak (deg)"), 0, 1e-9)
	near(t, "EIRP", value(t, f, 0, "peak EIRP of the beam in the cut (W)"), n, 1e-9)
	near(t, "EIRP in dBm", value(t, f, 0, "(dBm)"), 30+10*math.Log10(n), 1e-9)
	null := audit.NewFarField(view.Slot).EIRPW(view.Plan.Groups[0].Allocations[0].Weights, math.Asin(2.0/n)*180/math.Pi, 0)
	near(t, "the first null", null, 0, 1e-20)
	view.Slot.Array = nil
	if f, err := view.Beams(); f != nil || err != nil {
		t.Errorf("beams without a geometry: %v, %v", f, err)
	}
}

// Half the azimuths of a cone at an elevation, by walking to its edge.
func TestHalfWidth(t *testing.T) {
	d := scheduler.ProtectedDirection{AzimuthDeg: 20, ElevationDeg: 10, WidthDeg: 16}
	for _, elevation := range []float64{3, 10, 17, 1, 19, -60} {
		axis := channel.Direction{AzimuthDeg: d.AzimuthDeg, ElevationDeg: d.ElevationDeg}.Unit()
		want, within := 0.0, false
		for a := 0.0; a < 30; a += 1e-4 {
			u := channel.Direction{AzimuthDeg: d.AzimuthDeg + a, ElevationDeg: elevation}.Unit()
			if u[0]*axis[0]+u[1]*axis[1]+u[2]*axis[2] < math.Cos(d.WidthDeg/2*math.Pi/180) {
				break
			}
			want, within = a, true
		}
		got, crossed := halfWidthDeg(&d, elevation)
		if crossed != within {
			t.Errorf("elevation %g: crossed %v", elevation, crossed)
		} else if crossed {
			near(t, "half width", got, want, 2e-4)
		}
	}
	if got, crossed := halfWidthDeg(&scheduler.ProtectedDirection{ElevationDeg: 85, WidthDeg: 20}, 86); got != 180 || !crossed {
		t.Errorf("a cone about the zenith: %g, %v", got, crossed)
	}
}
