package campaign

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"
	"testing"

	"leastwatt/scheduler"
)

// A file of lines reads back to the very numbers of the result, and its means are
// those of the summary.
func TestCSV(t *testing.T) {
	strategies := []scheduler.Strategy{{Grouping: "together"}, {Grouping: "alone"}, {Grouping: "test-panic"}, {Grouping: CallersGroups}}
	var results []*Result
	for _, name := range []string{"rayleigh-4x8", "clusters-10x16"} {
		r := Run{Set: name, Strategies: strategies, Floor: true}
		results = append(results, do(t, &r, set(t, name).Slots(1, 4)))
	}
	var buffer bytes.Buffer
	if err := WriteCSV(&buffer, results); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(&buffer).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range lines[0] {
		column[name] = i
	}
	lines = lines[1:]
	if want := 2 * 4 * len(strategies); len(lines) != want {
		t.Fatalf("%d lines, want %d", len(lines), want)
	}
	read := func(line []string, name string) float64 {
		if line[column[name]] == "" {
			return math.NaN()
		}
		x, err := strconv.ParseFloat(line[column[name]], 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return x
	}
	type sum struct {
		overFloorDB, powerW float64
		slots               int
	}
	sums := map[[2]string]sum{}
	at := 0
	for _, r := range results {
		for n := range r.Slots {
			for i, s := range r.Strategies {
				line, trial := lines[at], &r.Slots[n].Trials[i]
				at++
				text := map[string]string{"set": r.Set, "grouping": s.Grouping, "beams": s.Beams, "power": s.Power, "status": trial.Status.String(), "made_by": trial.Grouping, "reason": trial.Reason}
				for name, want := range text {
					if got := line[column[name]]; got != want {
						t.Errorf("line %d: %s %q, want %q", at, name, got, want)
					}
				}
				if read(line, "slot") != float64(n) || read(line, "sequence") != float64(n) ||
					read(line, "groups") != float64(trial.Groups) || read(line, "solves") != float64(trial.Solves) ||
					read(line, "compute_micros") != float64(trial.Compute.Microseconds()) || read(line, "floor_power_w") != *r.Slots[n].FloorPowerW {
					t.Errorf("line %d: %v", at, line)
				}
				if power, there := read(line, "radiated_power_w"), trial.planned(); there && power != trial.RadiatedPowerW || there == math.IsNaN(power) {
					t.Errorf("line %d: %g W", at, power)
				}
				if trial.Met() {
					key := [2]string{r.Set, s.Grouping}
					v := sums[key]
					v.slots++
					v.powerW += read(line, "radiated_power_w")
					v.overFloorDB += 10 * math.Log10(read(line, "radiated_power_w")/read(line, "floor_power_w"))
					sums[key] = v
					if over := read(line, "over_floor_db"); !near(over, 10*math.Log10(read(line, "radiated_power_w")/read(line, "floor_power_w")), 1e-12) {
						t.Errorf("line %d: %g dB over the floor", at, over)
					}
				}
			}
		}
		for _, s := range r.Summaries() {
			v := sums[[2]string{r.Set, s.Grouping}]
			if v.slots != s.Met {
				t.Errorf("%s, %s: %d lines, %d met", r.Set, s.Grouping, v.slots, s.Met)
			}
			if v.slots == 0 {
				continue
			}
			if n := float64(v.slots); !near(v.powerW/n, *s.RadiatedPowerW, 1e-12) || !near(v.overFloorDB/n, s.OverFloorDb.Mean, 1e-12) {
				t.Errorf("%s, %s: %g W, %g dB by the lines, %g W, %g dB in the summary", r.Set, s.Grouping, v.powerW/n, v.overFloorDB/n, *s.RadiatedPowerW, s.OverFloorDb.Mean)
			}
		}
	}
}
