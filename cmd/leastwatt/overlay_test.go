package main

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/testing/protocmp"

	pb "leastwatt/proto/leastwatt/v1"
)

// What is laid over a slot goes in place of its own, field by field, and lists whole.
func TestOverlay(t *testing.T) {
	read := func(text string) *pb.Slot {
		slot := &pb.Slot{}
		if err := protojson.Unmarshal([]byte(text), slot); err != nil {
			t.Fatal(err)
		}
		return slot
	}
	slot := read(`{"sequence": 3, "bandwidthHz": 2, "limits": {"totalPowerW": 5, "antennaPowerW": [1, 2, 3]},
		"options": {"grouping": "alone", "consumption": {"model": "x"}}}`)
	over := &overlayFlag{slot: read(`{"carrierHz": 7, "limits": {"antennaPowerW": [4], "eirpW": 0}, "options": {"seed": 9}}`)}
	over.apply(slot)
	want := read(`{"sequence": 3, "bandwidthHz": 2, "carrierHz": 7, "limits": {"totalPowerW": 5, "antennaPowerW": [4], "eirpW": 0},
		"options": {"grouping": "alone", "consumption": {"model": "x"}, "seed": 9}}`)
	if diff := cmp.Diff(want, slot, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	slot.Limits.AntennaPowerW[0] = 8
	if over.slot.Limits.AntennaPowerW[0] != 4 {
		t.Error("the slot and what is laid over it share a list")
	}
}

// Slots that come as arrays get limits and options from a file; the audit holds the
// plan against the same limits, and the model of --consumption.
func TestWith(t *testing.T) {
	s := serveProcess(t)
	slot := filepath.Join("..", "..", "channel", "testdata", "npz", "c64.npz")
	with := write(t, "limits.json", `{"limits": {"totalPowerW": 1e-17, "antennaPowerW": [1, 0, 1, 1]}, "options": {"weights": "WEIGHT_FORMAT_I16"}}`)
	out := filepath.Join(t.TempDir(), "plan.json")
	plan := []string{"plan", "--in", slot, "--consumption", "per-antenna-2015", "--force", "--out", out}
	leastwatt(t, "", append(plan, "--with", with)...).expect(t, exitShort, "limit binds", "")
	made := readPlan(t, string(read(t, out)))
	if made.AntennaPowerW[1] != 0 || !(made.RadiatedPowerW > 0 && made.RadiatedPowerW <= 1e-17) {
		t.Errorf("%v W, antennas %v W", made.RadiatedPowerW, made.AntennaPowerW)
	}
	audit := []string{"audit", "--in", slot, "--plan", out}
	leastwatt(t, "", append(audit, "--with", with, "--consumption", "per-antenna-2015")...).expect(t, exitDone, "agrees", "")
	leastwatt(t, "", append(audit, "--with", with)...).expect(t, exitFailed, "names no model of it", "")
	leastwatt(t, "", append(plan, "--weights", "f64")...).expect(t, exitDone, "MET", "")
	leastwatt(t, "", append(audit, "--with", with, "--consumption", "per-antenna-2015")...).expect(t, exitFailed, "above limits.totalPowerW", "")

	r := leastwatt(t, "", "replay", "--to", s.address, "--with", with, "--audit", slot)
	r.expect(t, exitDone, "1: 0 met, 1 short", "")
	r.expect(t, exitDone, "1 plans: 1 agree", "")
	r = leastwatt(t, "", "compare", "--in", slot, "--with", with, "--grouping", "together,alone")
	if !strings.Contains(r.stdout, "0/1") {
		t.Errorf("compare without the limits: %+v", r)
	}
	leastwatt(t, "", "plan", "--in", slot, "--with", write(t, "x.json", `{"limit": 1}`)).expect(t, exitFailed, "", `unknown field "limit"`)
	leastwatt(t, "", "plan", "--in", slot, "--with", "nowhere.json").expect(t, exitFailed, "", "nowhere.json: no such file")
}

// Limits of one kind that bind are told one by one, or many at once with what would
// do for all of them.
func TestBindingTexts(t *testing.T) {
	list := []*pb.BindingLimit{{Limit: "totalPowerW", NeededW: 2}}
	for i := range 5 {
		list = append(list, &pb.BindingLimit{Limit: "antennaPowerW", Index: int32(i + 3), NeededW: []float64{1, 3, 10, 2, 1}[i]})
	}
	list = append(list, &pb.BindingLimit{Limit: "eirpW", NeededW: 1})
	want := []string{
		"totalPowerW[0], 2 W (33.01 dBm) would do",
		"5 of antennaPowerW, at most 10 W (40.00 dBm), of [5], would do",
		"eirpW[0], 1 W (30.00 dBm) would do",
	}
	if diff := cmp.Diff(want, bindingTexts(list)); diff != "" {
		t.Error(diff)
	}
}
