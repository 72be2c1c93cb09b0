package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leastwatt/campaign"
)

// campaignJSON runs campaign and returns its report.
func campaignJSON(t *testing.T, args ...string) *campaignReport {
	t.Helper()
	r := here(t.Context(), nil, append(append([]string{"campaign"}, args...), "--json")...)
	r.expect(t, exitDone, "{", "")
	out := new(campaignReport)
	if err := json.Unmarshal([]byte(r.stdout), out); err != nil {
		t.Fatal(err)
	}
	return out
}

// results reads a file of results.
func results(t *testing.T, name string) *campaign.File {
	t.Helper()
	f, err := campaign.Read(bytes.NewReader(read(t, name)))
	if err != nil || f.Torn != nil {
		t.Fatal(err, f)
	}
	return f
}

var campaignArgs = strings.Fields("--antennas 1,4 --users 4 --drops 4 --strategies least-power,semi-orthogonal:zero-forcing:lp,alone")

// The tables' numbers are those of the file, of its lines as CSV and, of one
// strategy, those of scale; workers change nothing.
func TestCampaignNumbers(t *testing.T) {
	dir := t.TempDir()
	name, lines := filepath.Join(dir, "a.jsonl"), filepath.Join(dir, "a.csv")
	report := campaignJSON(t, append(campaignArgs, "--out", name, "--csv", lines, "--workers", "1")...)
	file := results(t, name)
	if file.Header.Command != report.Command || report.File != name || report.Slots != 8 || len(report.Points) != 6 || file.Header.Seed != 1 {
		t.Errorf("%+v", report)
	}
	other := filepath.Join(dir, "b.jsonl")
	second := campaignJSON(t, append(campaignArgs, "--out", other, "--workers", "3")...)
	if diff := cmp.Diff(report.Points, second.Points, untimed) + cmp.Diff(file.Result, results(t, other).Result, cmpopts.IgnoreFields(campaign.Trial{}, "Compute")); diff != "" {
		t.Errorf("with 3 workers:\n%s", diff)
	}
	powerW := map[[2]string][]float64{}
	for _, l := range readLines(t, lines) {
		key := [2]string{l["swept_antennas"], l["grouping"]}
		powerW[key] = append(powerW[key], parse(t, l["radiated_power_w"]))
	}
	table := here(t.Context(), nil, append(append([]string{"campaign"}, campaignArgs...), "--out", filepath.Join(dir, "c.jsonl"))...)
	table.expect(t, exitDone, "8 slots of results are in ", "")
	if table.stderr != "" || strings.Contains(table.stdout, "same drops") {
		t.Errorf("told: %s%s", table.stderr, table.stdout)
	}
	saving := func(against, by []float64) string {
		var dB []float64
		for i := range by {
			dB = append(dB, 10*math.Log10(against[i]/by[i]))
		}
		cells := intervalCells(campaign.NewInterval(dB))
		return cells[0] + " " + cells[1]
	}
	for i, p := range report.Points {
		antennas := fmt.Sprint(p.Value)
		own := powerW[[2]string{antennas, p.Grouping}]
		first, last := "- -", "- -"
		if p.Value != 1 {
			first = saving(powerW[[2]string{"1", p.Grouping}], own)
		}
		if p.Grouping != "alone" {
			last = saving(powerW[[2]string{antennas, "alone"}], own)
		}
		mean := campaign.Mean(own)
		want := fmt.Sprintf("%s %s %s %s 4/4 1.000000 %.4g %.2f %.2f %.2f %.4g %s %s", antennas, p.Grouping, p.Beams, p.Power,
			mean, 30+10*math.Log10(mean), p.OverFloorDb.Mean, p.OverFloorDb.Worst, p.Consumed.TotalW(), first, last)
		if !strings.Contains(strings.Join(strings.Fields(table.stdout), " "), want) || len(own) != 4 {
			t.Errorf("no row %q in\n%s", want, table.stdout)
		}
		if k := i % 3; k == 0 {
			alone := scaleJSON(t, "--antennas", "1,4", "--users", "4", "--drops", "4").Points[i/3]
			alone.OverBestDb = p.OverBestDb
			if diff := cmp.Diff(alone, p.SweepPoint, untimed, cmpopts.EquateApprox(1e-4, 0)); diff != "" { // floors are of another plan
				t.Errorf("scale finds something else:\n%s", diff)
			}
		}
	}
}

// sortedResults returns the lines of a file but for the command and times, in order.
func sortedResults(t *testing.T, name string) []string {
	t.Helper()
	text := regexp.MustCompile(`"(computeNanos":\d+|command":".*?[^\\]")`).ReplaceAllString(string(read(t, name)), "")
	return slices.Sorted(strings.Lines(text))
}

// Killed in any way and gone on with, the file is that of one go, but for the order
// of lines and for times.
func TestCampaignKilled(t *testing.T) {
	dir := t.TempDir()
	whole := filepath.Join(dir, "whole.jsonl")
	args := strings.Fields("campaign --antennas 1,2 --users 2 --drops 1500 --strategies together,alone --workers 2")
	here(t.Context(), nil, append(args, "--out", whole)...).expect(t, exitDone, "1500/1500", "")
	want := sortedResults(t, whole)
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGKILL} {
		name := filepath.Join(dir, signal.String()+".jsonl")
		ended := 0
		for n := range 4 {
			cmd := command(t, append(args, "--out", name, "--resume")...)
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			size := int64((n + 1) * len(strings.Join(want, "")) / 8)
			until(t, "results", func() bool {
				if _, err := os.Stat(name); err == nil {
					return true // all of them
				}
				info, err := os.Stat(partialName(name))
				return err == nil && info.Size() > size
			})
			cmd.Process.Signal(signal)
			cmd.Wait()
			code := cmd.ProcessState.ExitCode()
			if code != exitDone {
				ended++
			}
			if signal == syscall.SIGINT && code != exitDone && (code != exitFailed || !strings.Contains(stderr.String(), "--resume goes on")) {
				t.Errorf("interrupted: exit %d, %s", code, stderr.String())
			}
		}
		if ended == 0 {
			t.Errorf("%v: every run came to its end before", signal)
		}
		leastwatt(t, "", append(args, "--out", name, "--resume", "--workers", "1")...).expect(t, exitDone, "1500/1500", "")
		if diff := cmp.Diff(want, sortedResults(t, name)); diff != "" {
			t.Errorf("%v, %d times: the file is another than in one go:\n%.2000s", signal, ended, diff)
		}
	}
}

// A torn line is told and planned again; a file of other settings, or no file of
// results, is left as it is, and so is one that is there without --resume.
func TestCampaignResume(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.jsonl")
	args := append([]string{"campaign", "--out", name}, campaignArgs...)
	here(t.Context(), nil, args...).expect(t, exitDone, "4/4", "")
	want, text := sortedResults(t, name), read(t, name)
	for _, end := range []string{"", strings.Repeat("\x00", 1<<16)} {
		if err := os.WriteFile(name, append(text[:len(text)-7], end...), 0o600); err != nil {
			t.Fatal(err)
		}
		here(t.Context(), nil, append(args, "--resume")...).expect(t, exitDone, "4/4", "last line left out, that drop is planned again: campaign: line 9: ")
		if diff := cmp.Diff(want, sortedResults(t, name)); diff != "" {
			t.Error(diff)
		}
	}
	text = read(t, name)
	for _, tc := range []struct {
		args   string
		code   int
		stderr string
	}{
		{"", exitUsage, "is there already: --force replaces it, --resume goes on with it"},
		{"--resume --seed 2", exitFailed, "made with other settings: seed: 1, and now 2"},
		{"--resume --drops 3", exitFailed, "drops: 4, and now 3"},
		{"--resume --floor=false", exitFailed, "floor: true, and now false"},
		{"--resume --consumption earth-2011-macro", exitFailed, "consumption: "},
		{"--resume --weight-bits 32", exitFailed, "settings.weightBits: [64], and now [32]"},
		{"--resume --eirp", exitFailed, "settings.eirp: false, and now true"},
		{"--resume --scene umi", exitFailed, "scene: "},
	} {
		here(t.Context(), nil, append(args, strings.Fields(tc.args)...)...).expect(t, tc.code, "", tc.stderr)
	}
	if !bytes.Equal(read(t, name), text) {
		t.Error("the file has changed")
	}
	for _, other := range []string{"no results", `{"value":1}` + "\n", strings.Replace(string(text), `"drop":2`, `"drop":1`, 1)} {
		name := write(t, "x", other)
		here(t.Context(), nil, append(args, "--resume", "--out", name)...).expect(t, exitFailed, "", "campaign: ")
		if string(read(t, name)) != other {
			t.Error("a file that cannot be gone on with has changed")
		}
	}
	here(t.Context(), nil, append(args, "--resume", "--out", write(t, "empty", ""))...).expect(t, exitDone, "4/4", "")
}

func TestCampaignFlags(t *testing.T) {
	out := func() string { return " --out " + filepath.Join(t.TempDir(), "x.jsonl") }
	for _, tc := range []struct {
		args   string
		code   int
		stdout string
		stderr string
	}{
		{"--antennas 4 --users 2,3 --drops 1 --scene umi --eirp" + out(), exitDone, "EIRP, dBm", ""},
		{"--antennas 4 --users 2 --drops 1 --eirp --floor=false" + out(), exitDone, "container quay", ""},
		{"--antennas 4 --users 2 --drops 1 --csv - --grouping together,alone" + out(), exitDone, "4,alone,optimal,joint,0,2,4,MET,", "on last"},
		{"--antennas 4 --users 2 --drops 1 --grouping together --beams optimal,matched --power joint,lp" + out(), exitDone, "matched", "skipped: optimal beams with lp power"},
		{"--scene uma --antennas 1,16 --users 2 --drops 2 --csi-errors 0.5 --rates-bps 1e7" + out(), exitDone, "are not of the same drops", ""},
		{"", exitUsage, "", "--out is missing"},
		{"--out -", exitUsage, "", "--out -: a file"},
		{"--drops 0" + out(), exitUsage, "", "--drops 0: at least 1"},
		{"--antennas 2,1" + out(), exitUsage, "", "each more than the one before"},
		{"--antennas 4 --csi-errors 0.1,0.1" + out(), exitUsage, "", "--csi-errors [0.1 0.1]: each once"},
		{"--strategies nobodys" + out(), exitUsage, "", `--strategies "nobodys": grouping:beams:power`},
		{"--strategies alone:optimal:lp" + out(), exitUsage, "", `--strategies "alone:optimal:lp": power "lp": joint with optimal beams`},
		{"--strategies alone:optimal:joint:x" + out(), exitUsage, "", "grouping:beams:power"},
		{"--strategies alone --beams matched" + out(), exitUsage, "", "--strategies and --beams exclude each other"},
		{"--grouping " + campaign.CallersGroups + out(), exitUsage, "", "--grouping "},
		{"--scene uma --array cylinder --eirp" + out(), exitUsage, "", "--eirp does not go with"},
		{"--csv - --json" + out(), exitUsage, "", "both write to stdout"},
		{"--drops 1 --antennas 1 --users 1 --out /does-not-exist/x", exitFailed, "", "/does-not-exist/x"},
		{"--help", exitDone, "--strategies", ""},
	} {
		here(t.Context(), nil, append([]string{"campaign"}, strings.Fields(tc.args)...)...).expect(t, tc.code, tc.stdout, tc.stderr)
		if name := tc.args[strings.LastIndex(tc.args, " ")+1:]; tc.code == exitUsage && filepath.Ext(name) == ".jsonl" {
			if _, err := os.Stat(name); err == nil {
				t.Errorf("%s: wrong usage leaves a file", tc.args)
			}
		}
	}
}

// With more drops a file goes on to what it would be in one go, its torn end left
// out.
func TestCampaignMoreDrops(t *testing.T) {
	dir := t.TempDir()
	more := append([]string{"campaign"}, append(campaignArgs, "--drops", "6")...)
	whole, name := filepath.Join(dir, "whole.jsonl"), filepath.Join(dir, "a.jsonl")
	here(t.Context(), nil, append(more, "--out", whole)...).expect(t, exitDone, "6/6", "")
	here(t.Context(), nil, append([]string{"campaign", "--out", name}, campaignArgs...)...).expect(t, exitDone, "4/4", "")
	text := read(t, name)
	if err := os.WriteFile(name, text[:len(text)-7], 0o600); err != nil {
		t.Fatal(err)
	}
	here(t.Context(), nil, append(more, "--out", name, "--resume")...).expect(t, exitDone, "6/6", "last line left out")
	if diff := cmp.Diff(sortedResults(t, whole), sortedResults(t, name)); diff != "" {
		t.Error(diff)
	}
	if got := results(t, name).Header.Drops; got != 6 {
		t.Errorf("%d drops in the header", got)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*.jsonl.*")); err != nil || len(left) > 0 {
		t.Errorf("left over: %v, %v", left, err)
	}
}
