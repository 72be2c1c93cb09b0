package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"leastwatt/campaign"
)

// A report of a campaign's file and one of the same flags show the same numbers,
// which are those of the campaign.
func TestReport(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "results.jsonl")
	settings := []string{"--users", "3", "--antennas", "1,4", "--drops", "2", "--seed", "5", "--strategies", "least-power,alone"}
	here(t.Context(), nil, append([]string{"campaign", "--out", file}, settings...)...).expect(t, exitDone, "", "")
	var points [2][]campaign.SweepPoint
	for i, args := range [][]string{{file}, settings} {
		out := filepath.Join(dir, strconv.Itoa(i))
		r := here(t.Context(), nil, append([]string{"report", "--json", "--out", out, "--protect", "30,0,40,20"}, args...)...)
		r.expect(t, exitDone, "", "")
		var said struct {
			Report string
			Title  string
			Points []campaign.SweepPoint
		}
		if err := json.Unmarshal([]byte(r.stdout), &said); err != nil {
			t.Fatal(err)
		}
		points[i] = said.Points
		page, err := os.ReadFile(said.Report)
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{said.Title, "--seed=5", "Grey sectors", "least-power, optimal, joint, 4 antennas", "alone, optimal, joint, 4 antennas", "least-power, optimal, joint, 1 antenna"} {
			if !strings.Contains(string(page), want) {
				t.Errorf("report %d: no %q in the page", i, want)
			}
		}
		for _, name := range []string{"power", "rates", "distribution", "groups", "beams", "consumed", "exposure"} {
			if !strings.Contains(string(page), `<figure id="`+name+`">`) {
				t.Errorf("report %d: no figure %q", i, name)
			}
		}
		table, err := os.Open(filepath.Join(out, "figures", "power.csv"))
		if err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(table).ReadAll()
		table.Close()
		if err != nil {
			t.Fatal(err)
		}
		for n, p := range said.Points {
			if got, err := strconv.ParseFloat(lines[n+1][1], 64); err != nil || got != *p.RadiatedPowerW {
				t.Errorf("report %d: %s W with %g antennas, want %g", i, lines[n+1][1], p.Value, *p.RadiatedPowerW)
			}
		}
	}
	for n := range points[0] {
		if a, b := points[0][n], points[1][n]; *a.RadiatedPowerW != *b.RadiatedPowerW || *a.FloorPowerW != *b.FloorPowerW {
			t.Errorf("%g antennas: of a file %g W, of flags %g W", a.Value, *a.RadiatedPowerW, *b.RadiatedPowerW)
		}
	}
}

func TestReportBad(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "results.jsonl")
	here(t.Context(), nil, "campaign", "--out", file, "--users", "2", "--antennas", "2", "--drops", "1").expect(t, exitDone, "", "")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	changed := func(name, old, new string) string {
		if !strings.Contains(string(data), old) {
			t.Fatalf("no %s in %s", old, data)
		}
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(strings.Replace(string(data), old, new, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		return name
	}
	for _, tc := range []struct {
		args string
		code int
		said string
	}{
		{"missing.jsonl", exitFailed, "no such file"},
		{file + " --drops 3", exitUsage, "--drops does not go with a file"},
		{file + " more", exitUsage, "at most 1"},
		{changed("1", `"scene":{`, `"other":{`), exitFailed, "settings: not those of a campaign of this program: no scene"},
		{changed("2", `"antennas":[2]`, `"antennas":[]`), exitFailed, "settings: not those of a campaign of this program: --antennas []: from 1 to 4096"},
		{changed("3", `"antennas":[2]`, `"antennas":[3]`), exitFailed, "antennas: [3], and values [2]"},
		{changed("4", `"scene":"quay"`, `"scene":"uma"`), exitFailed, "no scene"},
		{changed("5", `"users":[2]`, `"users":[1000000000]`), exitFailed, "--users [1000000000]: from 1 to 1024"},
		{changed("6", `"grouping":"least-power"`, `"grouping":"most-power"`), exitFailed, "most-power"},
		{"--protect 1,2,3", exitUsage, "--protect [1 2 3]"},
		{"--protect 0,100,3,3", exitUsage, "elevation from -90 to 90"},
		{"--protect 0,NaN,3,3", exitUsage, "elevation from -90 to 90"},
		{"--scene uma --array cylinder --users 1 --antennas 4 --drops 1 --protect 0,0,3,3 --out " + dir, exitUsage, "--protect does not go with this array"},
		{"--drops 0", exitUsage, "drops"},
		{"--users 1 --antennas 1 --drops 1 --out " + filepath.Join(file, "out"), exitFailed, "not a directory"},
	} {
		here(t.Context(), nil, append([]string{"report"}, strings.Fields(tc.args)...)...).expect(t, tc.code, "", tc.said)
	}
}

// Another quantity, a line of one value, and an array whose EIRP nobody knows: fewer
// figures, no fault.
func TestReportOfLess(t *testing.T) {
	for _, args := range []string{
		"--antennas 4 --users 1,2", "--antennas 2 --users 1", "--scene uma --array cylinder --users 2 --antennas 2,4", "--antennas 4 --users 2 --csi-errors 0,0.01 --floor=false",
	} {
		dir := t.TempDir()
		here(t.Context(), nil, append([]string{"report", "--drops", "1", "--out", dir}, strings.Fields(args)...)...).expect(t, exitDone, "report.html", "")
		if _, err := os.Stat(filepath.Join(dir, "figures", "groups.svg")); err != nil {
			t.Errorf("%s: %v", args, err)
		}
	}
}
