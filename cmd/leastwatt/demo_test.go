package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leastwatt/campaign"
	"leastwatt/energy"
	"leastwatt/scheduler"
)

// local plans in this process, without a wire, and spoils plans where told to.
type local struct {
	spoil func(*scheduler.Plan)
}

func (l local) Plan(ctx context.Context, slot *scheduler.Slot) (*scheduler.Plan, error) {
	plan := scheduler.NewEngine().Schedule(ctx, slot)
	if l.spoil != nil {
		l.spoil(plan)
	}
	return plan, ctx.Err()
}

func (local) Close() {}

func opens(p planner) open { return func(context.Context) (planner, error) { return p, nil } }

func small(name string, antennas int) way {
	return way{name: name, antennas: antennas, options: scheduler.Options{Weights: scheduler.WeightsF32}}
}

func TestTry(t *testing.T) {
	seen := 0
	o, err := small("small", 4).try(t.Context(), opens(local{}), 1, []int{3, 5, 8}, func(*outcome) { seen++ })
	if err != nil {
		t.Fatal(err)
	}
	if seen != 3 || len(o.slots) != 3 || len(o.roundTrip) != 3 {
		t.Errorf("%d calls, %d slots, %d times, want 3 of each", seen, len(o.slots), len(o.roundTrip))
	}
	if o.short() != 0 || o.worstRatio() < 1-scheduler.RateTolerance {
		t.Errorf("%d slots short, worst rate %v of its target", o.short(), o.worstRatio())
	}
	if !(o.meanPowerW() > 0) {
		t.Errorf("mean power %v W", o.meanPowerW())
	}
}

// What the engine claims is not believed: a plan whose power is not that of its
// weights ends the demo, and so does one that is refused.
func TestTrySpoiled(t *testing.T) {
	for name, tc := range map[string]struct {
		spoil func(*scheduler.Plan)
		want  string
	}{
		"claim":    {func(p *scheduler.Plan) { p.RadiatedPowerW *= 0.9 }, "first radiatedPowerW"},
		"weight":   {func(p *scheduler.Plan) { p.Groups[0].Allocations[0].Weights[0] *= 1.001 }, "audit disagrees"},
		"rejected": {func(p *scheduler.Plan) { p.Status = scheduler.StatusRejected }, "REJECTED"},
	} {
		t.Run(name, func(t *testing.T) {
			ways := []way{small("first", 4), small("second", 4)}
			_, err := tryAll(t.Context(), ways, opens(local{tc.spoil}), 1, []int{0}, 2, func(*outcome) {})
			if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), "slot 0") {
				t.Errorf("error %v, want one with %q", err, tc.want)
			}
		})
	}
}

func TestTryAllStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	seen := 0
	_, err := tryAll(ctx, []way{small("a", 1), small("b", 1)}, opens(local{}), 1, everyNth(100, 1), 1, func(*outcome) {
		if seen++; seen == 3 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || seen != 3 {
		t.Errorf("%d slots, error %v, want 3 and %v", seen, err, context.Canceled)
	}
}

// The demo over real gRPC: a few slots, as JSON, with its plots.
func TestDemoOverTheWire(t *testing.T) {
	dir := t.TempDir()
	var out, said bytes.Buffer
	code := run(t.Context(), []string{"demo", "--slots", "2", "--json", "--out", dir}, strings.NewReader(""), &out, &said)
	if code != exitDone || said.Len() > 0 {
		t.Fatalf("exit code %d: %s", code, said.String())
	}
	var r demoReport
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	if r.Slots != 2 || len(r.Shift) != 3 || len(r.Array) != 8 {
		t.Errorf("report %+v", r)
	}
	for _, l := range r.Array {
		if !(l.OverFloorDb != nil && *l.OverFloorDb > 0 && *l.OverFloorDb < 10) {
			t.Errorf("%d antennas: over the floor %v dB", l.Antennas, l.OverFloorDb)
		}
	}
	for _, l := range r.Shift {
		if l.WorstRateRatio < 1-scheduler.RateTolerance || l.ComputeP50Micros <= 0 || l.RoundTripP50Micros < l.ComputeP50Micros {
			t.Errorf("%s: worst rate %v of its target, %d us computing of %d", l.Name, l.WorstRateRatio, l.ComputeP50Micros, l.RoundTripP50Micros)
		}
	}
	// Common practice, no source: sixteen users on 64 antennas need a small part
	// of what they need in turn on one.
	if saved := r.Shift[1].SavedDb; saved < 15 {
		t.Errorf("64 antennas save %.1f dB against one", saved)
	}
	page, err := os.ReadFile(r.Report)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"timeline", "power", "rates", "distribution", "groups", "beams", "consumed", "exposure"} {
		if !strings.Contains(string(page), `<figure id="`+want+`">`) {
			t.Errorf("no figure %q in the report", want)
		}
	}
	if !strings.Contains(string(page), "Grey sectors") {
		t.Error("no protected direction in the report's beams")
	}
}

func TestDemoUsage(t *testing.T) {
	for _, args := range [][]string{{"demo", "--slots", "0"}, {"demo", "--slots", "x"}, {"demo", "more"}} {
		var out, said bytes.Buffer
		if code := run(t.Context(), args, strings.NewReader(""), &out, &said); code != exitUsage || out.Len() > 0 {
			t.Errorf("%v: exit code %d, stdout %q", args, code, out.String())
		}
	}
}

// A folder that cannot be made fails the demo.
func TestDemoFails(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	var out, said bytes.Buffer
	code := run(t.Context(), []string{"demo", "--slots", "1", "--out", filepath.Join(file, "out")}, strings.NewReader(""), &out, &said)
	if code != exitFailed || !strings.HasPrefix(said.String(), "leastwatt: ") {
		t.Errorf("exit code %d, stderr %q", code, said.String())
	}
}

// made is an outcome with the powers given in W.
func made(name string, antennas, groups int, wallW float64, powerW ...float64) *outcome {
	o := &outcome{way: way{name: name, antennas: antennas}}
	for i, w := range powerW {
		o.slots = append(o.slots, campaign.Slot{Number: i, Trials: []campaign.Trial{{
			Status: scheduler.StatusMet, RadiatedPowerW: w, WorstRateRatio: 1, Groups: groups, Consumed: &energy.Parts{BaseW: wallW}, Compute: time.Duration(i+1) * 500 * time.Microsecond,
		}}})
		o.roundTrip = append(o.roundTrip, time.Duration(i+1)*time.Millisecond)
	}
	o.strategies = map[scheduler.Strategy]int{{Grouping: "alone", Beams: "optimal", Power: "joint"}: len(powerW)}
	return o
}

func madeReport() *demoReport {
	shift := []*outcome{made("ours", 64, 2, 86, 0.001, 0.003), made("one antenna", 1, 16, 28, 1, 3), made("the textbook", 64, 3, 85, 0.002, 0.001)}
	sizes := []*outcome{made("", 1, 16, 28, 2), made("", 2, 8, 23, 1), made("", 4, 4, 25, 0.25)}
	floorW := 0.125
	sizes[2].slots[0].FloorPowerW = &floorW
	return newDemoReport(1, shift, sizes)
}

// Means, decibels and quantiles by hand: (1 + 3)/2 mW against 2 W is 30 dB,
// against 1.5 mW it is -1.249 dB.
func TestReportByHand(t *testing.T) {
	r := madeReport()
	for _, tc := range []struct {
		what      string
		got, want float64
	}{
		{"mean power", r.Shift[0].RadiatedPowerW, 0.002},
		{"mean power in dBm", r.Shift[0].RadiatedPowerDbm, 3.0103},
		{"saved against one antenna", r.Shift[1].SavedDb, 30},
		{"saved against the textbook", r.Shift[2].SavedDb, -1.249387},
		{"first doubling", *r.Array[1].DoublingDb, 3.0103},
		{"second doubling", *r.Array[2].DoublingDb, 6.0206},
		{"over the floor", *r.Array[2].OverFloorDb, 3.0103},
		{"p50", float64(r.Shift[0].RoundTripP50Micros), 1000},
		{"p99", float64(r.Shift[0].RoundTripP99Micros), 2000},
		{"compute p99", float64(r.Shift[0].ComputeP99Micros), 1000},
		{"rate asked", r.TargetBps, 9*6e6 + 3*20e6 + 4*2e6},
		{"groups per slot", r.Shift[1].GroupsPerSlot, 16},
	} {
		if math.Abs(tc.got-tc.want) > 1e-6*math.Max(1, math.Abs(tc.want)) {
			t.Errorf("%s = %v, want %v", tc.what, tc.got, tc.want)
		}
	}
	if r.Array[0].DoublingDb != nil {
		t.Error("the first size has a doubling")
	}
	if r.Array[0].OverFloorDb != nil {
		t.Error("a distance to a floor that nobody proved")
	}
}

// The sentence says what the numbers say, good or bad.
func TestSummary(t *testing.T) {
	r := madeReport()
	const want = "Over 2 slots ours radiated 2 mW on average for 16 users, 30.0 dB less than one antenna (2 W) and " +
		"1.2 dB more than the textbook (1.5 mW). From the wall that is 86 W, beside 28 W with one antenna and 85 W with " +
		"the textbook; of the arrays 2 antennas draw least, 23 W. From 1 to 4 antennas each doubling changed the power by -6.0 to -3.0 dB " +
		"at the same rates, while groups per slot went from 16.0 to 4.0. Every rate was met in every slot."
	if r.Summary != want {
		t.Errorf("summary\n%s\nwant\n%s", r.Summary, want)
	}
	r.Shift[0].ShortSlots, r.Array[2].ShortSlots = 1, 1
	const missed = "Rates were missed by ours in 1 of 2 slots, the array of 4 in 1 of 1."
	if got := r.summary(); !strings.HasSuffix(got, missed) {
		t.Errorf("summary\n%s\nwant it to end\n%s", got, missed)
	}
}

// The headline tells what is saved and what is drawn for it.
func TestHeadline(t *testing.T) {
	consumedW, beforeW := 86.0, 28.0
	for _, tc := range []struct {
		users             int
		savedDB           float64
		consumedW, before *float64
		want              string
	}{
		{16, 28, &consumedW, &beforeW, "16 users at the same rates, for 28.0 dB less radiated power, with 86 W from the wall in place of 28 W"},
		{1, -2, &beforeW, &consumedW, "1 user at the same rates, for 2.0 dB more radiated power, with 28 W from the wall in place of 86 W"},
		{3, 1, nil, &beforeW, "3 users at the same rates, for 1.0 dB less radiated power"},
	} {
		if got := headline(tc.users, tc.savedDB, tc.consumedW, tc.before); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}

func TestPrint(t *testing.T) {
	var out bytes.Buffer
	r := madeReport()
	r.Report = "out/report.html"
	if err := r.print(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"16 users asking 122 Mbit/s together in 20 MHz, 2 slots 0.5 s apart",
		"ours                              0.002     3.0        -         86    1.000000       2.0     1.00    2.00\n",
		"one antenna                           2    33.0     30.0         28    1.000000      16.0     1.00    2.00\n",
		"       1          2    33.0             -           -         28    1.000000      16.0\n",
		"       4       0.25    24.0          -6.0         3.0         25    1.000000       4.0\n",
		wrap(r.Summary, 92), wrap(r.Caution, 92), "The report, to look at and to print: out/report.html\n",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

// JSON has units in its names and survives a round trip.
func TestReportJSON(t *testing.T) {
	text, err := json.Marshal(madeReport())
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Shift []struct {
			Name           string
			RadiatedPowerW float64 `json:"radiatedPowerW"`
		}
		Array []map[string]any
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if got.Shift[0].Name != "ours" || got.Shift[0].RadiatedPowerW != 0.002 {
		t.Errorf("shift %+v", got.Shift[0])
	}
	if _, there := got.Array[0]["doublingDb"]; there || got.Array[1]["doublingDb"] == nil {
		t.Errorf("doublingDb of the first sizes: %v, %v", got.Array[0], got.Array[1])
	}
}

func TestWatts(t *testing.T) {
	for _, tc := range []struct {
		powerW float64
		want   string
	}{{2.666, "2.67 W"}, {1, "1 W"}, {0.00523, "5.23 mW"}, {2.5e-5, "25 uW"}} {
		if got := watts(tc.powerW); got != tc.want {
			t.Errorf("watts(%v) = %q, want %q", tc.powerW, got, tc.want)
		}
	}
}

func TestWrap(t *testing.T) {
	const text = "aa bbb  c dddddddddd e"
	if got, want := wrap(text, 6), "aa bbb\nc\ndddddddddd\ne"; got != want {
		t.Errorf("wrap: %q, want %q", got, want)
	}
}
