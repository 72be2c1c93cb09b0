package main

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leastwatt/campaign"
	"leastwatt/energy"
)

// scaleJSON runs scale and returns its report.
func scaleJSON(t *testing.T, args ...string) *scaleReport {
	t.Helper()
	r := here(t.Context(), nil, append(append([]string{"scale"}, args...), "--json")...)
	r.expect(t, exitDone, "{", "")
	out := new(scaleReport)
	if err := json.Unmarshal([]byte(r.stdout), out); err != nil {
		t.Fatal(err)
	}
	return out
}

// untimed leaves times out.
var untimed = cmpopts.IgnoreFields(campaign.Summary{}, "ComputeP50Micros", "ComputeP99Micros")

// The command that a report gives makes the same report again, whatever the
// workers; its numbers are those of the file of lines and of the table.
func TestScaleRepeats(t *testing.T) {
	name := filepath.Join(t.TempDir(), "it's a file.csv")
	report := scaleJSON(t, "--scene", "uma", "--users", "3", "--antennas", "1,4,12", "--drops", "3", "--subbands", "2", "--rates-bps", "1e6,2.0000001e6", "--csi-errors", "1e-9", "--workers", "1", "--csv", name)
	for _, want := range []string{"leastwatt scale ", " --antennas=1,4,12 ", " --csi-errors=1e-09 ", " --rates-bps=1e+06,2.0000001e+06 ", ` '--csv=`, `it'\''s a file.csv' `, " --seed=1"} {
		if !strings.Contains(report.Command+" ", want) {
			t.Errorf("no %q in %s", want, report.Command)
		}
	}
	var again []string
	for _, word := range strings.Fields(report.Command)[2:] {
		if strings.HasPrefix(word, "--") && !strings.HasPrefix(word, "--json") {
			again = append(again, strings.Replace(word, "--workers=1", "--workers=4", 1))
		}
	}
	second := scaleJSON(t, again...)
	second.Command = report.Command
	if diff := cmp.Diff(report, second, untimed); diff != "" {
		t.Errorf("%v:\n%s", again, diff)
	}
	sums := map[string]float64{}
	for _, l := range readLines(t, name) {
		sums[l["swept_antennas"]] += parse(t, l["radiated_power_w"]) / 3
	}
	for i, values := range []string{"1", "4", "12"} {
		if p := report.Points[i]; p.Met != 3 || math.Abs(sums[values] / *p.RadiatedPowerW - 1) > 1e-12 {
			t.Errorf("%s antennas: met %d, %g W by the lines, %g in the report", values, p.Met, sums[values], *p.RadiatedPowerW)
		}
	}
}

// Fewer bits and worse channels take no less power, more users more; the floor knows
// no bits, and of channels it takes what is known of them as all.
func TestScaleQuantities(t *testing.T) {
	for _, tc := range []struct {
		quantity, values string
		factor           float64 // of power from first to last, at least
		floor            float64 // the same of the floor, exactly; 0: not known
	}{
		{sweptBits, "64,16", 1, 1},
		{sweptErrors, "0,0.5", 1 / 0.5, 1 / 0.5},
		{sweptUsers, "2,6", 1.5, 0},
	} {
		r := scaleJSON(t, "--antennas", "8", "--drops", "2", "--scene", "umi", "--near-m", "100", "--"+tc.quantity, tc.values)
		first, last := &r.Points[0], &r.Points[1]
		if r.Quantity != tc.quantity || r.Antennas != 8 || first.Met != 2 || last.Met != 2 {
			t.Fatalf("%s: %+v", tc.quantity, r)
		}
		// A rate short by 1e-6 of its target is met: so much less may do.
		if *last.RadiatedPowerW < *first.RadiatedPowerW*tc.factor*(1-1e-5) || last.DoublingDb != nil {
			t.Errorf("%s: %g W, then %g", tc.quantity, *first.RadiatedPowerW, *last.RadiatedPowerW)
		}
		if got := *last.FloorPowerW / *first.FloorPowerW; tc.floor > 0 && !(math.Abs(got/tc.floor-1) < 1e-3) {
			t.Errorf("%s: floors of %g and %g W", tc.quantity, *first.FloorPowerW, *last.FloorPowerW)
		}
	}
}

// What an error costs one user of one antenna, in closed form: of a channel of mean
// square r the part e is error, so that for the SINR g it takes g / ((1-e) r/n - g e r/n)
// W in place of g / (r/n), which is -10 log10(1 - e - g e) dB more, at least
// -10 log10(1-e): 1.55 dB at e = 0.3. Rates are judged over true channels, by more than
// the noise of drawing them there.
func TestScaleErrors(t *testing.T) {
	args := []string{"--users", "1", "--antennas", "1", "--drops", "3", "--scene", "umi", "--rates-bps", "5e6", "--pilots", "4", "--csi-errors", "0,0.1,0.3"}
	r := scaleJSON(t, args...)
	g := math.Pow(2, 5e6/20e6) - 1
	for i, e := range []float64{0, 0.1, 0.3} {
		p := &r.Points[i]
		if p.Met != 3 || !(*p.WorstRateRatio > 0.98) || (*p.WorstRateRatio < 1+1e-5) != (e == 0) {
			t.Fatalf("error of %g: %+v", e, p.Summary)
		}
		if i == 0 {
			continue
		}
		got, want := -p.SavingDb.Mean, -10*math.Log10(1-e-g*e)
		if !(math.Abs(got-want) < 1e-4) || !(got >= -10*math.Log10(1-e)) {
			t.Errorf("an error of %g costs %g dB, want %g", e, got, want)
		}
	}
	if text := here(t.Context(), nil, append([]string{"scale"}, args...)...).stdout; !strings.Contains(text, "100 true channels") {
		t.Errorf("the report does not say what judges rates:\n%s", text)
	}
}

func TestScaleFlags(t *testing.T) {
	for _, tc := range []struct {
		args   string
		code   int
		stdout string
		stderr string
	}{
		{"--antennas 1,2 --users 2 --drops 1 --floor=false", exitDone, "same rates: ", ""},
		{"--antennas 4 --users 2 --drops 1 --csv -", exitDone, "4,0,2,4,MET,", "Power from the wall"},
		{"--users 2,3 --drops 1 --scene umi", exitDone, "2 to 3 users at 1 m/s, 64 antennas; 1 drops", ""},
		{"--scene uma --rates-bps 0 --antennas 1,2 --users 2 --drops 1 --plot " + filepath.Join(t.TempDir(), "nothing.svg"), exitDone, "1/1", ""},
		{"--scene uma --antennas 1,16 --users 2 --drops 2 --csi-errors 0.5 --rates-bps 1e7", exitDone, "are not of the same drops", ""},
		{"--antennas 1,2 --users 2,3", exitUsage, "", "one of them may have several values"},
		{"--antennas 2,1", exitUsage, "", "each more than the one before"},
		{"--antennas 0", exitUsage, "", "from 1 to 4096"},
		{"--users 2,2", exitUsage, "", "each more than the one before"},
		{"--weight-bits 8", exitUsage, "", "64, 32 or 16"},
		{"--csi-errors NaN", exitUsage, "", "--csi-errors NaN: at least 0 and below 1"},
		{"--csi-errors 0.1,1", exitUsage, "", "--csi-errors 1: at least 0 and below 1"},
		{"--csi-errors=-0.1", exitUsage, "", "--csi-errors -0.1: at least 0 and below 1"},
		{"--csi-errors 2", exitUsage, "", "--csi-errors 2: at least 0 and below 1"},
		{"--drops 0", exitUsage, "", "--drops 0: at least 1"},
		{"--workers 0", exitUsage, "", "--workers 0: at least 1"},
		{"--plot out.pdf", exitUsage, "", ".png or .svg"},
		{"--csv - --json", exitUsage, "", "both write to stdout"},
		{"--consumption nobodys", exitUsage, "", "nobodys"},
		{"--grouping nobodys", exitUsage, "", "nobodys"},
		{"--scene nowhere", exitUsage, "", "nowhere"},
		{"--near-m 50", exitUsage, "", "does not go with --scene quay"},
		{"--help", exitDone, "--csi-errors", ""},
	} {
		here(t.Context(), nil, append([]string{"scale"}, strings.Fields(tc.args)...)...).expect(t, tc.code, tc.stdout, tc.stderr)
	}
}

// A run that is ended shows the drops that are done and exits with 1.
func TestScaleEnds(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	r := here(ctx, nil, "scale", "--antennas", "1,2", "--users", "2", "--drops", "1000000")
	r.expect(t, exitFailed, "Ended before all drops were done", "ended before all drops were done")
}

func TestScalePlots(t *testing.T) {
	dir := t.TempDir()
	for _, args := range []string{"--antennas 1,4,16", "--antennas 4", "--csi-errors 0,0.1 --antennas 4"} {
		for _, name := range []string{"plot.png", "plot.svg"} {
			name = filepath.Join(dir, name)
			here(t.Context(), nil, append([]string{"scale", "--users", "3", "--drops", "2", "--force", "--plot", name}, strings.Fields(args)...)...).expect(t, exitDone, "", "")
			data := readPlot(t, name)
			if filepath.Ext(name) == ".png" {
				continue
			}
			for _, want := range []string{"floor of any scheme", "amplifiers", "antennas", "power from the wall"} {
				if !strings.Contains(string(data), want) {
					t.Errorf("%s: no %q in the plot", args, want)
				}
			}
			if line := strings.Contains(string(data), "1/M"); line != (args == "--antennas 1,4,16") {
				t.Errorf("%s: the line of 1/M is there: %v", args, line)
			}
		}
	}
}

// What is said of the least consumed power follows from the numbers.
func TestLeastConsumed(t *testing.T) {
	point := func(antennas, amplifierW, antennaW float64) campaign.SweepPoint {
		parts := energy.Parts{AmplifierW: amplifierW, AntennaW: antennaW}
		total := parts.TotalW()
		return campaign.SweepPoint{Value: antennas, Summary: campaign.Summary{Consumed: &parts, ConsumedPowerW: &total}}
	}
	all := []campaign.SweepPoint{point(1, 16, 1), point(2, 8, 2), point(4, 4, 4), point(8, 2, 8)}
	for _, tc := range []struct {
		points []campaign.SweepPoint
		want   string
	}{
		{all, "Power from the wall by m is least at 4 antennas: 8 W. Up to there it is amplifiers that fall: from 2 antennas to 4 antennas 4 W less, with 2 W more for antennas." +
			" Beyond it antennas take over: from 4 antennas to 8 antennas 4 W more, with 2 W less for amplifiers."},
		{all[2:], "Power from the wall by m is least at 4 antennas: 8 W. Fewer were not tried. Beyond it antennas take over: from 4 antennas to 8 antennas 4 W more, with 2 W less for amplifiers."},
		{all[:2], "Power from the wall by m is least at 2 antennas: 10 W. Up to there it is amplifiers that fall: from 1 antenna to 2 antennas 8 W less, with 1 W more for antennas. It still falls there: more were not tried."},
		{all[:1], ""},
		{[]campaign.SweepPoint{{Value: 1}, {Value: 2}}, ""},
	} {
		r := &scaleReport{Quantity: sweptAntennas, Consumption: "m", Points: tc.points}
		if got := r.leastConsumed(); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
}

func TestPanelOf(t *testing.T) {
	for antennas, want := range map[int][2]int{1: {1, 1}, 2: {1, 2}, 8: {2, 4}, 12: {3, 4}, 13: {1, 13}, 64: {8, 8}, 128: {8, 16}} {
		if rows, columns := panelOf(antennas); rows != want[0] || columns != want[1] {
			t.Errorf("%d antennas: %d x %d", antennas, rows, columns)
		}
	}
}

// What is not saved is told as more.
func TestChangeText(t *testing.T) {
	half := 0.5
	for _, c := range []struct {
		saved campaign.Interval
		want  string
	}{
		{campaign.Interval{Mean: 3, Half: &half, Values: 4}, "3.00 dB (2.50 to 3.50) less power"},
		{campaign.Interval{Mean: -3, Half: &half, Values: 4}, "3.00 dB (2.50 to 3.50) more power"},
		{campaign.Interval{Mean: -3, Values: 1}, "3.00 dB (one drop) more power"},
	} {
		if got := changeText(&c.saved, "power"); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
