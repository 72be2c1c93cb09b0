package main

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "leastwatt/proto/leastwatt/v1"
)

// TestAudit: a plan stands up to the audit and a changed one does not; over a
// weaker channel it misses its targets.
func TestAudit(t *testing.T) {
	slot := write(t, "slot.json", slotJSON)
	made := leastwatt(t, "", "plan", "--in", slot, "--weights", "f32", "--floor", "--json").stdout
	plan := write(t, "plan.json", made)
	r := leastwatt(t, "", "audit", "--slot", slot, "--plan", plan)
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
	r = leastwatt(t, string(text), "audit", "--slot", slot, "--plan", "-")
	r.expect(t, exitFailed, "disagrees, findings: 1\n", "")
	r.expect(t, exitFailed, "users[0].rateBps     rate of the user: claimed 4e+06, found 2e+06\n", "")

	weaker := write(t, "true.json", `{"antennas": 2, "values": [0.9, 0, 0.45, 0.45, 0, 0.9, 0.2, -0.45]}`)
	r = leastwatt(t, "", "audit", "--slot", slot, "--plan", plan, "--channel", weaker, "--json")
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
		{"--plan " + bare, exitUsage, "--slot is missing"},
		{"--slot " + slot, exitUsage, "--plan is missing"},
		{"--slot " + slot + " --plan nowhere.json", exitFailed, "nowhere.json"},
		{"--slot " + slot + " --plan " + slot, exitFailed, "slot.json: proto"},
		{"--slot " + slot + " --plan " + bare, exitFailed, "options.weights asks for them"},
		{"--slot " + slot + " --plan " + bare + " --channel " + bare, exitFailed, "plan.json: proto"},
	} {
		leastwatt(t, "", append([]string{"audit"}, strings.Fields(c.args)...)...).expect(t, c.code, "", c.stderr)
	}
}
