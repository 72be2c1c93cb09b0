package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Every plan of a replay stands up to the audit; over other channels than the engine
// knew those that miss their targets are counted, and agree with what audit finds of
// each by itself.
func TestReplayAudit(t *testing.T) {
	s := serveProcess(t)
	dir := t.TempDir()
	truth, plans := filepath.Join(dir, "truth.trace"), filepath.Join(dir, "plans.jsonl")
	name := synthFile(t, "--slots", "80", "--antennas", "2", "--subbands", "1", "--pilots", "64", "--pilot-power-dbm", "30", "--truth", truth)
	leastwatt(t, "", "replay", "--to", s.address, "--audit", name).expect(t, exitDone, "80 plans: 80 agree, 0 disagree", "")

	r := leastwatt(t, "", "replay", "--to", s.address, "--truth", truth, "--out", plans, "--json", name)
	var sum replaySummary
	if err := json.Unmarshal([]byte(r.stdout), &sum); err != nil || sum.Audit == nil {
		t.Fatalf("%v in %+v", err, r)
	}
	agree, worst := 0, 2.0
	for n := range 80 {
		one := leastwatt(t, "", "audit", "--in", name, "--slot", fmt.Sprint(n), "--plan", plans, "--channel", truth, "--json")
		found := &pb.Audit{}
		if err := protojson.Unmarshal([]byte(one.stdout), found); err != nil {
			t.Fatalf("%v in %+v", err, one)
		}
		if found.Agrees {
			agree++
		}
		worst = min(worst, found.WorstRateRatio)
	}
	if got := sum.Audit; got.Plans != 80 || got.Agree != agree || got.Disagree != 80-agree || *got.WorstRateRatio != worst {
		t.Errorf("%+v and worst %v, one by one %d agree and the worst is %v", got, *got.WorstRateRatio, agree, worst)
	}
	if want := exitFailed; r.code != want || agree == 80 {
		t.Errorf("exit %d with %d of 80 that agree", r.code, agree)
	}
	if told := strings.Count(r.stderr, ": audit: users["); told != min(80-agree, maxShownRejections) {
		t.Errorf("%d told of %d:\n%s", told, 80-agree, r.stderr)
	}

	// Slots that are numbered anew have the truth of their own number.
	r = leastwatt(t, "", "replay", "--to", s.address, "--truth", truth, "--renumber", "--json", name)
	if anew := new(replaySummary); json.Unmarshal([]byte(r.stdout), anew) != nil || !cmp.Equal(anew.Audit, sum.Audit) {
		t.Errorf("numbered anew %+v, want %+v", anew.Audit, sum.Audit)
	}

	lacking := synthFile(t, "--slots", "3", "--antennas", "2", "--subbands", "1")
	leastwatt(t, "", "replay", "--to", s.address, "--truth", lacking, name).expect(t, exitFailed, "", "there is no slot 3, or it is not in the order")
	leastwatt(t, "", "replay", "--to", s.address, "--truth", "nowhere.trace", name).expect(t, exitFailed, "", "nowhere.trace: no such file")
	leastwatt(t, traceOf(1, 1), "replay", "--to", s.address, "--audit", "-").expect(t, exitFailed, "1 plans: 1 agree", "slot 1: sequence")
	leastwatt(t, traceOf(5, 5), "replay", "--to", s.address, "--audit", "--renumber", "--weights", "i16", "-").expect(t, exitDone, "2 plans: 2 agree", "")
	leastwatt(t, "", "replay", "--audit", "--weights", "none", name).expect(t, exitUsage, "", "--weights none leaves nothing to audit")
	leastwatt(t, "", "replay", "--truth", "-", "-").expect(t, exitUsage, "", "stdin is read once")
}

// What a plan claims is not believed, and a plan without weights is no plan.
func TestPlanAuditSpoiled(t *testing.T) {
	slot := &pb.Slot{}
	if err := protojson.Unmarshal([]byte(slotJSON), slot); err != nil {
		t.Fatal(err)
	}
	var stderr bytes.Buffer
	cmd := &cobra.Command{}
	cmd.SetErr(&stderr)
	audit := newPlanAudit(cmd, &replayFlags{audit: true})
	for _, spoil := range []func(*pb.Plan){
		func(*pb.Plan) {},
		func(p *pb.Plan) { p.RadiatedPowerW *= 0.99 },
		func(p *pb.Plan) { p.Groups[0].Allocations[0].Weights = nil },
		func(p *pb.Plan) { p.Status = pb.PlanStatus_PLAN_STATUS_FAILED },
	} {
		if err := audit.expect(t.Context(), slot, 7); err != nil {
			t.Fatal(err)
		}
		made, err := serverHere(cmd, 1).Plan(t.Context(), slot)
		if err != nil {
			t.Fatal(err)
		}
		spoil(made)
		audit.take(t.Context(), made)
		audit.done.Wait()
	}
	got := audit.summary()
	if got.Plans != 3 || got.Agree != 1 || got.Disagree != 2 || *got.WorstRateRatio < 1-scheduler.RateTolerance {
		t.Errorf("%+v", got)
	}
	for _, piece := range []string{"slot 7: audit: radiatedPowerW: mean radiated power: claimed", "the plan carries no weights"} {
		if !strings.Contains(stderr.String(), piece) {
			t.Errorf("no %q in\n%s", piece, &stderr)
		}
	}
}

// A server that goes away ends a replay that does not wait for it, with what was
// answered until then.
func TestReplayServerGone(t *testing.T) {
	s := serveProcess(t)
	trace := synthFile(t, "--slots", "64")
	args := []string{"replay", "--to", s.address, "--renumber", "--give-up-after", "0"}
	cmd := command(t, append(args, slices.Repeat([]string{trace}, 20000)...)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	plans, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Args = append(cmd.Args, "--out", "-")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(plans, make([]byte, 1000)); err != nil {
		t.Fatal(err)
	}
	s.kill(t)
	io.Copy(io.Discard, plans)
	cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitFailed || !strings.Contains(stderr.String(), " met, 0 short") || !strings.Contains(stderr.String(), "leastwatt: ") || strings.Contains(stderr.String(), "given up") {
		t.Errorf("exit %d, %s", code, &stderr)
	}
	leastwatt(t, "", "replay", "--give-up-after", "-1s", trace).expect(t, exitUsage, "", "--give-up-after -1s: at least 0")
}
