package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

// TestAudit: a plan stands up to the audit and a changed one does not; over a
// weaker channel it misses its targets.
func TestAudit(t *testing.T) {
	slot := write(t, "slot.json", slotJSON)
	made := leastwatt(t, "", "plan", "--in", slot, "--weights", "f32", "--floor", "--json").stdout
	plan := write(t, "plan.json", made)
	r := leastwatt(t, "", "audit", "--in", slot, "--plan", plan)
	r.expect(t, exitDone, "agrees\n", "")
	for _, piece := range []string{"radiated power", "proved floor", "dB over", "worst rate / target  1.0000"} {
		if !strings.Contains(r.stdout, piece) {
			t.Errorf("no %q in\n%s", piece, r.stdout)
		}
	}

	changed := readPlan(t, made)
	changed.Users[0].RateBps *= 2
	text, err := protojson.Marshal(changed)
	if err != nil {
		t.Fatal(err)
	}
	r = leastwatt(t, string(text), "audit", "--in", slot, "--plan", "-")
	r.expect(t, exitFailed, "disagrees, findings: 1\n", "")
	r.expect(t, exitFailed, "users[0].rateBps     rate of the user: claimed 4e+06, found 2e+06\n", "")

	weaker := write(t, "true.json", `{"antennas": 2, "values": [0.9, 0, 0.45, 0.45, 0, 0.9, 0.2, -0.45]}`)
	r = leastwatt(t, "", "audit", "--in", slot, "--plan", plan, "--channel", weaker, "--json")
	r.expect(t, exitFailed, "missed on the true one", "")
	audit := &pb.Audit{}
	if err := protojson.Unmarshal([]byte(r.stdout), audit); err != nil || audit.GetAgrees() || audit.GetWorstRateRatio() > 0.99 {
		t.Errorf("%v, audit %v", err, audit)
	}
}

func TestAuditFails(t *testing.T) {
	slot := write(t, "slot.json", slotJSON)
	bare := write(t, "plan.json", leastwatt(t, "", "plan", "--in", slot, "--json").stdout)
	for _, c := range []struct {
		args   string
		code   int
		stderr string
	}{
		{"--plan " + bare, exitUsage, "--in is missing"},
		{"--in " + slot, exitUsage, "--plan is missing"},
		{"--in " + slot + " --plan nowhere.json", exitFailed, "nowhere.json"},
		{"--in " + slot + " --plan " + slot, exitFailed, "slot.json: plan 1: proto"},
		{"--in " + slot + " --plan " + bare, exitFailed, "plan.json: the plan has no weights"},
		{"--in " + slot + " --plan " + bare + " --channel " + bare, exitFailed, "plan.json: slot 1: proto"},
	} {
		leastwatt(t, "", append([]string{"audit"}, strings.Fields(c.args)...)...).expect(t, c.code, "", c.stderr)
	}
}

// A plan of a slot of a trace is audited over that slot, over the truth of the same
// number where there is one, and found among the plans of others.
func TestAuditTrace(t *testing.T) {
	truth := filepath.Join(t.TempDir(), "truth.trace")
	name := synthFile(t, "--slots", "4", "--pilots", "64", "--pilot-power-dbm", "20", "--truth", truth)
	var plans, own string
	for n := range 3 {
		own = filepath.Join(t.TempDir(), "plan.json")
		leastwatt(t, "", "plan", "--in", name, "--slot", fmt.Sprint(n), "--weights", "f64", "--out", own).expect(t, exitDone, "", "")
		plans += string(read(t, own))
	}
	all := write(t, "plans.jsonl", plans)
	want := leastwatt(t, "", "audit", "--in", name, "--slot", "2", "--plan", own, "--json")
	want.expect(t, exitDone, "", "")
	got := leastwatt(t, plans, "audit", "--in", name, "--slot", "2", "--plan", "-", "--json")
	if got != want {
		t.Errorf("among others %+v, alone %+v", got, want)
	}
	leastwatt(t, "", "audit", "--in", name, "--slot", "1", "--plan", all).expect(t, exitDone, "agrees\n", "")
	leastwatt(t, "", "audit", "--in", name, "--slot", "3", "--plan", all).expect(t, exitFailed, "", "plans.jsonl: there is no plan of slot 3")
	leastwatt(t, "", "audit", "--in", name, "--slot", "1", "--plan", own).expect(t, exitFailed, "", "plan.json: there is no plan of slot 1")

	// The truth of slot 2 from its trace, from a pipe, as a slot and as a channel of
	// JSON are one, and not what the slot knew.
	slot := slotsOfFile(t, truth)[2]
	asJSON := func(m proto.Message) string {
		text, err := protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	args := []string{"audit", "--in", name, "--slot", "2", "--plan", own, "--json", "--channel"}
	over := leastwatt(t, "", append(args, truth)...)
	if over.stdout == want.stdout || over.stderr != "" {
		t.Errorf("over the truth %+v, over the estimate %+v", over, want)
	}
	for form, text := range map[string]string{"trace": string(read(t, truth)), "slot": asJSON(slot), "channel": asJSON(slot.Channel)} {
		if r := leastwatt(t, text, append(args, "-")...); r != over {
			t.Errorf("%s: %+v, want %+v", form, r, over)
		}
	}
	leastwatt(t, traceOf(1), append(args, "-")...).expect(t, exitFailed, "", "-: there is no slot 2")
	leastwatt(t, "", append(args, write(t, "empty.json", ""))...).expect(t, exitFailed, "", "empty.json: there is no slot")
	leastwatt(t, "", "audit", "--in", "-", "--plan", "-").expect(t, exitUsage, "", "stdin is read once")
	leastwatt(t, "", "audit", "--in", name, "--plan", own).expect(t, exitFailed, "", "choose one with --slot")
}
