package audit_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"leastwatt/channel"
	"leastwatt/internal/testchild"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// The largest EIRP of the sphere and of each cone is that of a far field in NumPy, which
// looks at a fine grid and climbs from it: testdata/reference/far_field.py.
func TestFarFieldAgainstNumPy(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := testchild.Command(t, python, "-c", "import numpy").Run(); err != nil {
		t.Skipf("no NumPy: %v", err)
	}
	const slots = 4
	var lines bytes.Buffer
	var results []*audit.Result
	for i := range slots {
		s, plan := radiating(i)
		line, err := record(s, plan)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(&lines, line)
		r, err := audit.Recompute(s, plan)
		if err != nil {
			t.Fatal(err)
		}
		results = append(results, r)
	}
	dir := t.TempDir()
	in, out := filepath.Join(dir, "plans.jsonl"), filepath.Join(dir, "judged.jsonl")
	if err := os.WriteFile(in, lines.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := testchild.Command(t, python, "../../testdata/reference/far_field.py", in, "--json", out, "--processes", "1")
	said, err := cmd.CombinedOutput()
	// Every slot is over its limits, which the script tells by exiting with 1.
	if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != 1 {
		t.Fatalf("%v: %s", err, said)
	}
	judged, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(bytes.NewReader(judged))
	near := func(i int, what string, got, want float64) {
		if !(math.Abs(got-want) <= 1e-6*want) {
			t.Errorf("slot %d, %s: %.9g W, by NumPy %.9g W", i, what, got, want)
		}
	}
	compared := 0
	for i, r := range results {
		var j struct {
			PeakW float64
			Found map[string]struct{ Value float64 }
		}
		if err := decoder.Decode(&j); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		near(i, "peak", *r.PeakEIRPW, j.PeakW)
		for _, f := range r.Findings {
			for name, v := range j.Found {
				if f.Text == "EIRP above limits."+name+".eirpW" {
					near(i, name, f.Recomputed, v.Value)
					compared++
				}
			}
		}
	}
	if compared != 2*slots {
		t.Errorf("%d cones compared", compared)
	}
}

// radiating is a slot and a plan of random weights, far over the limits of its cones.
func radiating(i int) (*scheduler.Slot, *scheduler.Plan) {
	const carrierHz = 3.5e9
	rng := channel.NewRand(21, uint64(i))
	step := channel.WavelengthM(carrierHz) * (0.4 + 0.4*rng.Float64())
	positions := [][][3]float64{channel.Linear(16, step), channel.Planar(4, 4, step), channel.Planar(3, 5, step), channel.Linear(5, step)}[i%4]
	if i%3 == 0 { // no grid
		for m := range positions {
			positions[m][0] += 0.1 * step * rng.NormFloat64()
		}
	}
	m := len(positions)
	s := &scheduler.Slot{
		Sequence: int64(i), CarrierHz: carrierHz, BandwidthHz: 1e6,
		Array:   &scheduler.Array{PositionsM: positions, ElementGainDBi: 8, ElementPattern: []string{scheduler.PatternSector65, scheduler.PatternIsotropic}[i%2]},
		Channel: scheduler.Channel{Antennas: m, Subbands: 1, Samples: make([]complex128, 3*m)},
		Options: scheduler.Options{Weights: scheduler.WeightsF32},
	}
	channel.Rayleigh(rng, s.Channel.Samples, 1)
	plan := &scheduler.Plan{Sequence: s.Sequence, Status: scheduler.StatusMet}
	for g := range 2 {
		group := scheduler.Group{Share: 0.5}
		for k := range 3 {
			w := make([]complex128, m)
			channel.Rayleigh(rng, w, 1)
			for n := range w {
				w[n] = complex128(complex64(w[n]))
			}
			if g == 0 {
				s.Users = append(s.Users, scheduler.User{ID: fmt.Sprint(k), NoiseW: 1})
			}
			group.Allocations = append(group.Allocations, scheduler.Allocation{UserID: fmt.Sprint(k), BeamIndex: -1, Weights: w})
		}
		plan.Groups = append(plan.Groups, group)
	}
	for range 2 {
		cone := aCone(rng, nil)
		cone.EIRPW = 1e-6
		s.Limits.ProtectedDirections = append(s.Limits.ProtectedDirections, cone)
	}
	return s, plan
}
