package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leastwatt/campaign"
	"leastwatt/proto/convert"
	"leastwatt/scheduler"
)

// here runs a command line in this process.
func here(ctx context.Context, stdin io.Reader, args ...string) result {
	var stdout, stderr bytes.Buffer
	code := run(ctx, args, stdin, &stdout, &stderr)
	return result{code, stdout.String(), stderr.String()}
}

// The table's numbers are those that the lines of the file give by themselves, and
// those of the JSON.
func TestCompareTable(t *testing.T) {
	name := filepath.Join(t.TempDir(), "lines.csv")
	args := []string{"compare", "--set", "rayleigh-6x4,line-of-sight-10x8", "--slots", "6", "--seed", "3",
		"--grouping", "together,semi-orthogonal", "--beams", "optimal,zero-forcing"}
	table := here(t.Context(), nil, append(args, "--csv", name)...)
	table.expect(t, exitDone, "rayleigh-6x4: 6 slots, 6 users, 4 antennas", "")
	asJSON := here(t.Context(), nil, append(args, "--json")...)
	asJSON.expect(t, exitDone, "{", "")
	var report compareReport
	if err := json.Unmarshal([]byte(asJSON.stdout), &report); err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	encoder := json.NewEncoder(&again)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(&report); err != nil || again.String() != asJSON.stdout {
		t.Errorf("the JSON does not come back the same: %v\n%s", err, cmp.Diff(asJSON.stdout, again.String()))
	}
	lines := readLines(t, name)
	rows := 0
	for _, set := range report.Sets {
		for _, s := range set.Strategies {
			var powerW, floorDB, bestDB []float64
			for _, l := range lines {
				if l["set"] != set.Name || l["grouping"] != s.Grouping || l["beams"] != s.Beams || l["status"] != "MET" {
					continue
				}
				w := parse(t, l["radiated_power_w"])
				powerW = append(powerW, w)
				floorDB = append(floorDB, 10*math.Log10(w/parse(t, l["floor_power_w"])))
				bestDB = append(bestDB, 10*math.Log10(w/leastPower(t, lines, l["set"], l["slot"])))
			}
			mean := func(v []float64) float64 { return campaign.Mean(v) }
			want := fmt.Sprintf("%s %s %s %d/6 1.000000 %.4g %.2f %.2f %.2f %.3f %.3f", s.Grouping, s.Beams, s.Power, len(powerW),
				mean(powerW), 30+10*math.Log10(mean(powerW)), mean(floorDB), slices.Max(floorDB), mean(bestDB), slices.Max(bestDB))
			rows++
			if part := strings.Join(strings.Fields(section(table.stdout, set.Name)), " "); !strings.Contains(part, want) {
				t.Errorf("%s has no row %q in\n%s", set.Name, want, table.stdout)
			}
			if math.Abs(*s.RadiatedPowerW/mean(powerW)-1) > 1e-12 || math.Abs(s.OverFloorDb.Mean-mean(floorDB)) > 1e-9 || math.Abs(s.OverBestDb.Worst-slices.Max(bestDB)) > 1e-9 {
				t.Errorf("%s: the JSON says %+v", set.Name, s)
			}
		}
	}
	if rows != 8 || len(lines) != 48 {
		t.Errorf("%d rows, %d lines", rows, len(lines))
	}
}

// With a model of it power from the wall is in the table, the lines and the JSON, and
// it is the sum of its causes; a model of a slot's own stays unless another is named.
func TestCompareConsumed(t *testing.T) {
	name := filepath.Join(t.TempDir(), "lines.csv")
	args := []string{"compare", "--set", "rayleigh-4x8", "--slots", "3", "--strategies", "together,alone", "--consumption", "per-antenna-2015"}
	table := here(t.Context(), nil, append(args, "--csv", name)...)
	table.expect(t, exitDone, "wall, W", "")
	asJSON := here(t.Context(), nil, append(args, "--json")...)
	var report compareReport
	if err := json.Unmarshal([]byte(asJSON.stdout), &report); err != nil {
		t.Fatal(err)
	}
	for _, s := range report.Sets[0].Strategies {
		var sumW float64
		for _, l := range readLines(t, name) {
			if l["grouping"] == s.Grouping {
				sumW += parse(t, l["consumed_power_w"])
			}
		}
		want := fmt.Sprintf("%.4g %.2f %.4g", *s.RadiatedPowerW, *s.RadiatedPowerDbm, sumW/3)
		if math.Abs(*s.ConsumedPowerW/(sumW/3)-1) > 1e-12 || math.Abs(s.Consumed.TotalW()/(sumW/3)-1) > 1e-12 || !strings.Contains(strings.Join(strings.Fields(table.stdout), " "), want) {
			t.Errorf("%s: %g W by the lines, %+v, in\n%s", s.Grouping, sumW/3, s, table.stdout)
		}
	}
	baseW := 1000.
	trace := drawnTrace(t, 1, func(_ int, slot *scheduler.Slot) { slot.Options.Consumption = &scheduler.Consumption{BaseW: &baseW} })
	of := func(args ...string) string {
		r := here(t.Context(), strings.NewReader(trace), append([]string{"compare", "--in", "-", "--strategies", "together"}, args...)...)
		r.expect(t, exitDone, "", "")
		return r.stdout
	}
	if own, other := of(), of("--consumption", "per-antenna-2015"); !strings.Contains(own, " 1000 ") || strings.Contains(other, " 1000 ") {
		t.Errorf("with a model of its own:\n%s\nwith another:\n%s", own, other)
	}
	if without := here(t.Context(), nil, args[:7]...); strings.Contains(without.stdout, "wall") {
		t.Errorf("without a model:\n%s", without.stdout)
	}
}

// section returns what follows the heading of a set of slots.
func section(text, set string) string {
	_, part, _ := strings.Cut(text, set+": ")
	return part
}

func parse(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// readLines reads a file of lines by column.
func readLines(t *testing.T, name string) []map[string]string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil || len(lines) == 0 {
		t.Fatalf("%d lines, %v", len(lines), err)
	}
	var out []map[string]string
	for _, line := range lines[1:] {
		fields := map[string]string{}
		for i, text := range line {
			fields[lines[0][i]] = text
		}
		out = append(out, fields)
	}
	return out
}

// leastPower returns the least power of a slot.
func leastPower(t *testing.T, lines []map[string]string, set, slot string) float64 {
	least := math.Inf(1)
	for _, l := range lines {
		if l["set"] == set && l["slot"] == slot && l["status"] == "MET" {
			least = math.Min(least, parse(t, l["radiated_power_w"]))
		}
	}
	return least
}

func TestCompareFlags(t *testing.T) {
	for _, tc := range []struct {
		args   string
		code   int
		stdout string
		stderr string
	}{
		{"--beams optimal,matched --power joint,lp --set rayleigh-4x8 --slots 1 --grouping alone", exitDone, "matched", "skipped: optimal beams with lp power"},
		{"--beams matched --power joint", exitUsage, "", "no strategy is left"},
		{"--grouping nobodys", exitUsage, "", "semi-orthogonal"},
		{"--beams nobodys", exitUsage, "", "zero-forcing"},
		{"--power nobodys", exitUsage, "", "iterative"},
		{"--set nobodys", exitUsage, "", `--set "nobodys"`},
		{"--slots 0", exitUsage, "", "--slots 0: at least 1"},
		{"--workers 0", exitUsage, "", "--workers 0: at least 1"},
		{"--plot out.pdf", exitUsage, "", ".png or .svg"},
		{"--in slots.jsonl --set quay", exitUsage, "", "exclude each other"},
		{"--csv - --json", exitUsage, "", "both write to stdout"},
		{"--in does-not-exist.jsonl", exitFailed, "", "does-not-exist.jsonl"},
		{"--set rayleigh-4x8 --slots 2 --grouping alone --floor=false --csv -", exitDone, "rayleigh-4x8,1,1,4,8,alone,optimal,joint,MET,alone,", "2/2"},
		{"--set rayleigh-4x8 --slots 1 --strategies alone,:matched", exitDone, "least-power  matched  lp", ""},
		{"--set rayleigh-4x8 --slots 1 --strategies alone --power lp", exitUsage, "", "--strategies and --power exclude each other"},
		{"--set rayleigh-4x8 --slots 1 --consumption nobodys", exitUsage, "", "nobodys"},
		{"--set quay --slots 1 --grouping together", exitDone, "quay: 1 slot, 16 users, 64 antennas", ""},
		{"--help", exitDone, "clusters-8x32", ""},
	} {
		here(t.Context(), nil, append([]string{"compare"}, strings.Fields(tc.args)...)...).expect(t, tc.code, tc.stdout, tc.stderr)
	}
}

// drawnTrace writes slots of a set as a trace.
func drawnTrace(t *testing.T, n int, change func(i int, slot *scheduler.Slot)) string {
	t.Helper()
	var text bytes.Buffer
	sets := campaign.Sets()
	i := 0
	for slot, err := range sets[0].Slots(1, n) {
		if err != nil {
			t.Fatal(err)
		}
		change(i, slot)
		if err := writeMessage(&text, convert.SlotToProto(slot, convert.SamplesF64), false); err != nil {
			t.Fatal(err)
		}
		i++
	}
	return text.String()
}

// A strategy from elsewhere takes part with the groups of its slots; bad slots are
// told, the rest is compared.
func TestCompareTrace(t *testing.T) {
	text := drawnTrace(t, 4, func(i int, slot *scheduler.Slot) {
		slot.Groups = []scheduler.FixedGroup{{UserIDs: []string{"u1", "u4"}}, {UserIDs: []string{"u2", "u3"}}}
		slot.Options.Grouping, slot.Options.Power = "alone", scheduler.PowerLP // not those that are compared
		if i == 1 {
			slot.Users[0].RateBps = -1
		}
	})
	name := filepath.Join(t.TempDir(), "lines.csv")
	r := here(t.Context(), strings.NewReader(text), "compare", "--in", "-", "--csv", name)
	r.expect(t, exitFailed, "3 slots, 4 users, 8 antennas", "slot 1: users[0].rateBps: -1")
	r.expect(t, exitFailed, "1 slot of the trace rejected", "")
	callers := 0
	for _, l := range readLines(t, name) {
		if l["grouping"] == campaign.CallersGroups {
			callers++
			if l["status"] != "MET" || l["groups"] != "2" || l["made_by"] != campaign.CallersGroups || l["sequence"] == "1" {
				t.Errorf("%v", l)
			}
		}
	}
	if callers != 3 {
		t.Errorf("%d plans with the caller's groups", callers)
	}
	few := here(t.Context(), strings.NewReader(text), "compare", "--in", "-", "--slots", "1", "--grouping", "alone,"+campaign.CallersGroups)
	few.expect(t, exitDone, "1 slot, 4 users", "")
	if strings.Contains(few.stdout, "together") || strings.Count(few.stdout, campaign.CallersGroups) != 1 {
		t.Errorf("asked for two groupings:\n%s", few.stdout)
	}
	here(t.Context(), strings.NewReader(""), "compare", "--in", "-").expect(t, exitFailed, "", "no slot to plan")
	here(t.Context(), strings.NewReader(text+"{"), "compare", "--in", "-", "--slots", "9").expect(t, exitFailed, "3 slots", "slot 5: unexpected EOF")
}

// endAfter ends a context when all of a text has been read and more is asked for.
type endAfter struct {
	io.Reader
	end context.CancelFunc
}

func (r endAfter) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	if errors.Is(err, io.EOF) {
		r.end()
	}
	return n, err
}

// A run that is ended tells so, shows what is done and exits with 1.
func TestCompareEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	text := drawnTrace(t, 3, func(int, *scheduler.Slot) {})
	r := here(ctx, endAfter{strings.NewReader(text), cancel}, "compare", "--in", "-", "--grouping", "together")
	r.expect(t, exitFailed, "", "ended before all slots were done")
}

// readPlot returns a plot's file, which must be whole.
func readPlot(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if filepath.Ext(name) == ".png" {
		_, err = png.Decode(bytes.NewReader(data))
	} else {
		err = xml.Unmarshal(data, new(struct{}))
	}
	if err != nil {
		t.Error(err)
	}
	return data
}

func TestComparePlots(t *testing.T) {
	dir := t.TempDir()
	for _, args := range []string{"--set rayleigh-4x8", "--set rayleigh-4x8,quay,rayleigh-6x4,clusters-8x32", "--set rayleigh-4x8 --floor=false"} {
		for _, name := range []string{"plot.png", "plot.svg"} {
			name = filepath.Join(dir, name)
			line := append([]string{"compare", "--slots", "3", "--grouping", "together,alone", "--force", "--plot", name}, strings.Fields(args)...)
			here(t.Context(), nil, line...).expect(t, exitDone, "", "")
			data := readPlot(t, name)
			if filepath.Ext(name) == ".png" {
				continue
			}
			distance := "dB over the floor"
			if strings.Contains(args, "floor=false") {
				distance = "dB over the best"
			}
			for _, want := range []string{"together, optimal, joint", "alone, optimal, joint", distance} {
				if !strings.Contains(string(data), want) {
					t.Errorf("%s: no %q in the plot", args, want)
				}
			}
		}
	}
}

// What went otherwise than asked for is told below the table, and is not good.
func TestCompareNotes(t *testing.T) {
	s := campaign.Summary{Grouping: "a", Beams: "b", Power: "c", Slots: 9, Met: 5, Short: 1, Rejected: 1, Failed: 2, AuditDisagrees: 1, OtherGrouping: 1, Reason: "fell over"}
	want := "a, b, c: Targets were missed on 1 slot. 1 slot by another grouping, as its own groups cannot meet the targets." +
		" Not tried on 1 slot. FAILED on 2 slots. THE AUDIT DISAGREES on 1 slot. First reason: fell over."
	if got := strategyNote(&s); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := strategyNote(&campaign.Summary{Slots: 1, Met: 1}); got != "" {
		t.Errorf("a note without need: %q", got)
	}
	for _, tc := range []struct {
		report compareReport
		good   bool
	}{
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Met: 1, Short: 1, Rejected: 1}}}}}, true},
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Met: 1}, {Rejected: 1}}}}}, true},
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Rejected: 1}}}}}, false},
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Met: 1, Failed: 1}}}}}, false},
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Met: 1, AuditDisagrees: 1}}}}}, false},
		{compareReport{Sets: []setReport{{Strategies: []campaign.Summary{{Met: 1}}}}, RejectedSlots: 1}, false},
	} {
		if got := tc.report.good(); got != tc.good {
			t.Errorf("%+v: good is %v", tc.report, got)
		}
	}
}
