package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/encoding/protojson"

	"leastwatt/client"
	"leastwatt/internal/testchild"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// asCommand makes this test binary the command: the processes of these tests are
// real ones, built as the tests are.
const asCommand = "LEASTWATT_TEST_COMMAND"

func TestMain(m *testing.M) {
	if kind := os.Getenv(attackVariable); kind != "" {
		attackProcess(kind, os.Getenv(asCommand))
	}
	if os.Getenv(asCommand) != "" {
		main()
	}
	os.Exit(m.Run())
}

func command(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	return commandBounded(t, testchild.Bound, args...)
}

func commandBounded(t testing.TB, bound time.Duration, args ...string) *exec.Cmd {
	t.Helper()
	cmd := testchild.Bounded(t, bound, os.Args[0], args...)
	// The race detector would have every process wait for a second at its end.
	cmd.Env = append(os.Environ(), asCommand+"=1", "GORACE=atexit_sleep_ms=0")
	return cmd
}

// result is what a process left.
type result struct {
	code           int
	stdout, stderr string
}

// leastwatt runs the command to its end.
func leastwatt(t testing.TB, stdin string, args ...string) result {
	t.Helper()
	cmd := command(t, args...)
	var stdout, stderr bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(stdin), &stdout, &stderr
	err := cmd.Run()
	if exit := new(exec.ExitError); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return result{cmd.ProcessState.ExitCode(), stdout.String(), stderr.String()}
}

// expect checks an exit code and pieces of stdout and stderr.
func (r result) expect(t *testing.T, code int, stdout, stderr string) {
	t.Helper()
	if r.code != code || !strings.Contains(r.stdout, stdout) || !strings.Contains(r.stderr, stderr) {
		t.Errorf("exit %d, want %d, with %q and %q\nstdout: %s\nstderr: %s", r.code, code, stdout, stderr, r.stdout, r.stderr)
	}
	if strings.Contains(r.stderr, "panic") {
		t.Errorf("a panic:\n%s", r.stderr)
	}
}

// served is a process of leastwatt serve.
type served struct {
	cmd     *exec.Cmd
	address string
	side    string        // address of the side port, where there is one
	log     *bytes.Buffer // whole once the process has ended
	ended   bool
}

// serveBound is how long a server may take: longer than a test that has one.
const serveBound = 3 * testchild.Bound

// patience is how long a test waits for what takes a moment on a quiet machine.
const patience = 2 * time.Minute

// until waits for a condition, as long as patience lasts.
func until(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%v without %s", patience, what)
		}
	}
}

// serveProcess starts leastwatt serve on a free port; it is stopped when the
// test ends.
func serveProcess(t testing.TB, args ...string) *served {
	t.Helper()
	return serveProcessIn(t, serveBound, nil, args...)
}

// serveProcessIn is serveProcess with a bound of its own on its life and variables
// of its environment.
func serveProcessIn(t testing.TB, bound time.Duration, env []string, args ...string) *served {
	t.Helper()
	s := &served{cmd: commandBounded(t, bound, append([]string{"serve", "--listen", "127.0.0.1:0"}, args...)...), log: &bytes.Buffer{}}
	s.cmd.Env = append(s.cmd.Env, env...)
	s.cmd.Stderr = s.log
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if !s.ended {
			s.stop(t)
		}
	})
	told := bufio.NewScanner(out)
	next := func(prefix string) string {
		if !told.Scan() {
			t.Fatalf("nothing after %q: %v", prefix, told.Err())
		}
		return strings.TrimPrefix(told.Text(), prefix)
	}
	s.address = next("serving on ")
	if slices.Contains(args, "--side-listen") {
		s.side = next("side port on ")
	}
	return s
}

// stop sends SIGTERM and returns the exit code.
func (s *served) stop(t testing.TB) int {
	t.Helper()
	s.ended = true
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("serve: %v\n%s", err, s.log)
	}
	return s.cmd.ProcessState.ExitCode()
}

// kill ends the process at once.
func (s *served) kill(t testing.TB) {
	t.Helper()
	s.ended = true
	if err := s.cmd.Process.Kill(); err != nil {
		t.Error(err)
	}
	s.cmd.Wait()
}

// slotJSON is a slot of two users and two antennas.
const slotJSON = `{
  "sequence": "7", "bandwidthHz": 1e6,
  "channel": {"antennas": 2, "values": [1, 0, 0.5, 0.5, 0, 1, 0.25, -0.5]},
  "users": [{"id": "crane", "rateBps": 2e6, "noiseW": 1e-3}, {"id": "carrier", "rateBps": 1e6, "noiseW": 1e-3}]
}`

func write(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// readPlan reads a plan from its JSON.
func readPlan(t testing.TB, text string) *pb.Plan {
	t.Helper()
	plan := &pb.Plan{}
	if err := protojson.Unmarshal([]byte(text), plan); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return plan
}

func TestHelp(t *testing.T) {
	leastwatt(t, "").expect(t, 0, "Available Commands:", "")
	root := newRootCommand()
	for _, cmd := range root.Commands() {
		if cmd.Name() == "help" {
			continue
		}
		r := leastwatt(t, "", cmd.Name(), "--help")
		r.expect(t, 0, "Examples:\n  leastwatt "+cmd.Name(), "")
		if !strings.Contains(r.stdout, "--json") {
			t.Errorf("%s has no --json", cmd.Name())
		}
	}
}

func TestUsage(t *testing.T) {
	in := write(t, "slot.json", slotJSON)
	for _, c := range []struct {
		args   string
		stderr string
	}{
		{"fly", `unknown command "fly"`},
		{"plan", "--in is missing\nsee leastwatt plan --help"},
		{"plan --in " + in + " --colour blue", "unknown flag: --colour"},
		{"plan --in " + in + " more", "unknown command"},
		{"plan --in " + in + " --seed x", "invalid argument"},
		{"plan --in " + in + " --grouping x", `--grouping "x": alone, `},
		{"plan --in " + in + " --power x", `--power "x": lp, iterative, joint`},
		{"plan --in " + in + " --objective x", `--objective "x": radiated, consumed`},
		{"plan --in - --with -", "stdin is read once"},
		{"audit --plan x --in " + in + " --consumption x", `--consumption "x": earth-2011-macro, `},
		{"replay --to here " + in, `--to "here": HOST:PORT`},
		{"compare --with " + in, "--with goes with --in"},
		{"scale --beams x", `--beams "x": matched, `},
		{"plan --in " + in + " --weights f16", `--weights "f16": none, f64, f32 or i16`},
		{"plan --in " + in + " --weights unspecified", `--weights "unspecified"`},
		{"replay", "requires at least 1 arg"},
		{"replay --weights x " + in, "--weights"},
		{"serve --max-users 0", "--max-users 0: at least 1"},
		{"serve --log-format xml", `--log-format "xml": text or json`},
		{"serve --log-level loud", "--log-level"},
		{"serve --trace-to 127.0.0.1:4317", "http://HOST:PORT"},
		{"serve --trace-to http:4317", "http://HOST:PORT"},
		{"serve --trace-ratio 2", "--trace-ratio 2: in [0, 1]"},
		{"serve --trace-ratio NaN", "--trace-ratio NaN: in [0, 1]"},
		{"serve --profiles", "go with --side-listen"},
		{"serve here", "unknown command"},
		{"version now", "unknown command"},
	} {
		leastwatt(t, "", strings.Fields(c.args)...).expect(t, exitUsage, "", c.stderr)
	}
}

func TestVersion(t *testing.T) {
	leastwatt(t, "", "version").expect(t, 0, "leastwatt "+scheduler.Version+", contract leastwatt.v1, go", "")
	var v map[string]string
	if err := json.Unmarshal([]byte(leastwatt(t, "", "version", "--json").stdout), &v); err != nil ||
		v["engineVersion"] != scheduler.Version || v["contract"] != "leastwatt.v1" {
		t.Errorf("%v, %v", v, err)
	}
}

func TestLicences(t *testing.T) {
	r := leastwatt(t, "", "version", "--licences")
	r.expect(t, exitDone, "GNU LESSER GENERAL PUBLIC LICENSE", "")
	if r.stdout != string(read(t, "notices.txt")) {
		t.Error("the program has other notices than the file")
	}
	leastwatt(t, "", "version", "--licences", "--json").expect(t, exitUsage, "", "--licences and --json exclude each other")
}

func TestPlan(t *testing.T) {
	in := write(t, "slot.json", slotJSON)
	out := filepath.Join(t.TempDir(), "plan.json")
	r := leastwatt(t, "", "plan", "--in", in, "--out", out)
	r.expect(t, exitDone, "status          MET\n", "")
	for _, piece := range []string{"slot            7\n", "optimal beams, joint power", "crane", "carrier", "rate / target"} {
		if !strings.Contains(r.stdout, piece) {
			t.Errorf("no %q in\n%s", piece, r.stdout)
		}
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	plan := readPlan(t, string(text))
	if plan.Sequence != 7 || plan.Status != pb.PlanStatus_PLAN_STATUS_MET || plan.ComputeMicros <= 0 {
		t.Errorf("plan %v", plan)
	}

	// The same from stdin, to stdout and as JSON.
	for _, args := range [][]string{{"--out", "-"}, {"--json"}} {
		r := leastwatt(t, slotJSON, append([]string{"plan", "--in", "-"}, args...)...)
		r.expect(t, exitDone, "", "")
		if got := readPlan(t, r.stdout); got.RadiatedPowerW != plan.RadiatedPowerW {
			t.Errorf("%v: %g W, not %g", args, got.RadiatedPowerW, plan.RadiatedPowerW)
		}
	}

	// Flags take the place of single options and leave the others.
	withOptions := strings.Replace(slotJSON, `"users"`, `"options": {"weights": "WEIGHT_FORMAT_F64", "grouping": "alone"}, "users"`, 1)
	r = leastwatt(t, withOptions, "plan", "--in", "-", "--json", "--grouping", "together", "--beams", "zero-forcing",
		"--power", "lp", "--correlation-threshold", "0.5", "--seed", "3", "--share-step", "0.5", "--floor")
	r.expect(t, exitDone, "", "")
	got := readPlan(t, r.stdout)
	if s := got.GetStrategy(); s.GetGrouping() != "together" || s.GetBeams() != "zero-forcing" || s.GetPower() != "lp" ||
		len(got.Groups) != 1 || got.Groups[0].Allocations[0].Weights == nil || !(got.GetFloorPowerW() > 0) {
		t.Errorf("plan %v", got)
	}
	r = leastwatt(t, slotJSON, "plan", "--in", "-", "--floor")
	r.expect(t, exitDone, "dBm), the plan is ", "")
}

// Power from the wall, and where exposure limits are met: with an array of
// isotropic antennas EIRP is known. 4 pi (2 m)^2 10 W/m2 is 502.65 W.
func TestPlanConsumedExposure(t *testing.T) {
	r := leastwatt(t, slotJSON, "plan", "--in", "-", "--objective", "consumed", "--consumption", "earth-2011-micro")
	r.expect(t, exitDone, "power from the wall", "")
	if strings.Contains(r.stdout, "exposure") {
		t.Errorf("no array, but exposure in\n%s", r.stdout)
	}
	loud := strings.Replace(slotJSON, `"users"`, `"carrierHz": 3.5e9, "array": {"positionsM": [0, 0, 0, 0, 0.043, 0]}, "users"`, 1)
	r = leastwatt(t, loud, "plan", "--in", "-", "--json")
	plan := readPlan(t, r.stdout)
	want := fmt.Sprintf("general public: 10 W/m2 beyond %.2f m\n", 2*math.Sqrt(*plan.PeakEirpW/502.6548))
	r = leastwatt(t, loud, "plan", "--in", "-")
	r.expect(t, exitDone, want, "")
	r.expect(t, exitDone, "The licence, local codes and a qualified person decide.", "")
	if strings.Contains(r.stdout, "wall") {
		t.Errorf("no model, but power from the wall in\n%s", r.stdout)
	}
}

func TestPlanShort(t *testing.T) {
	// One antenna cannot serve two users at once at 3 bit/s/Hz each.
	slot := `{"bandwidthHz": 1e6, "channel": {"antennas": 1, "values": [1, 0, 1, 0]},
	  "users": [{"id": "crane", "rateBps": 3e6, "noiseW": 1}, {"id": "carrier", "rateBps": 3e6, "noiseW": 1}],
	  "groups": [{"userIds": ["crane", "carrier"]}]}`
	r := leastwatt(t, slot, "plan", "--in", "-")
	r.expect(t, exitShort, "SHORT", "")
}

func TestPlanRejected(t *testing.T) {
	bad := strings.Replace(slotJSON, `"rateBps": 1e6`, `"rateBps": -1`, 1)
	bad = strings.Replace(bad, `"users"`, `"options": {"grouping": "x"}, "users"`, 1)
	out := filepath.Join(t.TempDir(), "plan.json")
	r := leastwatt(t, bad, "plan", "--in", "-", "--out", out)
	r.expect(t, exitFailed, "", "users[1].rateBps: -1, allowed: a finite number >= 0\noptions.grouping: \"x\", allowed: ")
	if r.stdout != "" {
		t.Errorf("stdout %q", r.stdout)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	if plan := readPlan(t, string(text)); plan.Status != pb.PlanStatus_PLAN_STATUS_REJECTED || len(plan.Violations) != 2 {
		t.Errorf("plan %v", plan)
	}
}

func TestPlanFails(t *testing.T) {
	for _, c := range []struct{ stdin, args, stderr string }{
		{"", "--in nowhere.json", "nowhere.json: no such file"},
		{"", "--in -", "there is no slot"},
		{"{", "--in -", "unexpected EOF"},
		{`{"antennas": 2}`, "--in -", `unknown field "antennas"`},
		{"PK\x03\x04", "--in -", "no .npz file"},
		{slotJSON, "--in - --out nowhere/plan.json", "no such file"},
	} {
		leastwatt(t, c.stdin, append([]string{"plan"}, strings.Fields(c.args)...)...).expect(t, exitFailed, "", c.stderr)
	}
}

// TestPlanArrays: a .npz file gives the plan of the same slot in JSON.
func TestPlanArrays(t *testing.T) {
	folder := filepath.Join("..", "..", "channel", "testdata", "npz")
	r := leastwatt(t, "", "plan", "--in", filepath.Join(folder, "c64.npz"), "--json", "--grouping", "alone")
	r.expect(t, exitDone, "", "")
	slot := &pb.Slot{
		BandwidthHz: 20e6,
		Channel:     &pb.Channel{Antennas: 4, Subbands: 3},
		Users: []*pb.User{
			{Id: "0", RateBps: 1e6, NoiseW: 1e-13},
			{Id: "1", RateBps: 2.5e6, NoiseW: 2e-13, CsiErrorVariance: 1e-15},
		},
	}
	for n := range 2 * 3 * 4 {
		slot.Channel.Values = append(slot.Channel.Values, float64(n+1), -0.5*float64(n))
	}
	text, err := protojson.Marshal(slot)
	if err != nil {
		t.Fatal(err)
	}
	same := leastwatt(t, string(text), "plan", "--in", "-", "--json", "--grouping", "alone")
	got, want := readPlan(t, r.stdout), readPlan(t, same.stdout)
	if got.RadiatedPowerW != want.RadiatedPowerW || got.RadiatedPowerW == 0 || len(got.Users) != 2 {
		t.Errorf("%v\nand from JSON\n%v", got, want)
	}
	leastwatt(t, "", "plan", "--in", filepath.Join(folder, "more.npz")).expect(t, exitFailed, "", `array "limits" is none of`)

	binary, err := os.ReadFile(filepath.Join(folder, "c128.npz"))
	if err != nil {
		t.Fatal(err)
	}
	leastwatt(t, string(binary), "plan", "--in", "-", "--weights", "i16").expect(t, exitDone, "MET", "")
}

// traceOf returns slots one after the other, each on lines of its own.
func traceOf(sequences ...int) string {
	var text strings.Builder
	for _, n := range sequences {
		text.WriteString(strings.Replace(slotJSON, `"sequence": "7"`, fmt.Sprintf(`"sequence": "%d"`, n), 1) + "\n")
	}
	return text.String()
}

func TestReplay(t *testing.T) {
	s := serveProcess(t)
	first, second := write(t, "a.jsonl", traceOf(1, 2, 3)), write(t, "b.jsonl", traceOf(4, 5))
	out := filepath.Join(t.TempDir(), "plans.jsonl")
	r := leastwatt(t, "", "replay", "--to", s.address, "--out", out, "--grouping", "alone", "--floor", first, second)
	r.expect(t, exitDone, "5: 5 met, 0 short, 0 rejected, 0 failed", "")
	for _, piece := range []string{"worst rate / target", "mean radiated power", "dBm", "over proved floor", "p50", "p99"} {
		if !strings.Contains(r.stdout, piece) {
			t.Errorf("no %q in\n%s", piece, r.stdout)
		}
	}
	if r.stderr != "" {
		t.Errorf("no terminal, and on stderr %q", r.stderr)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	for i, line := range lines {
		if p := readPlan(t, line); p.Sequence != int64(i+1) || p.GetStrategy().GetGrouping() != "alone" {
			t.Errorf("line %d: %v", i+1, p)
		}
	}
	if len(lines) != 5 {
		t.Errorf("%d plans", len(lines))
	}
}

func TestReplayJSON(t *testing.T) {
	s := serveProcess(t)
	r := leastwatt(t, traceOf(0, 0, 0), "replay", "--to", s.address, "--renumber", "--floor", "--json", "--out", "-", "-")
	r.expect(t, exitDone, "", "")
	if plans := strings.Split(strings.TrimSpace(r.stdout), "\n"); len(plans) != 3 || readPlan(t, plans[2]).Sequence != 3 {
		t.Errorf("plans %q", plans)
	}
	var sum replaySummary
	if err := json.Unmarshal([]byte(r.stderr), &sum); err != nil {
		t.Fatalf("%v in %q", err, r.stderr)
	}
	if sum.Slots != 3 || sum.Met != 3 || *sum.WorstRateRatio < 1-scheduler.RateTolerance || *sum.MeanRadiatedPowerW <= 0 || !(*sum.OverFloorDB >= 0) {
		t.Errorf("summary %+v", sum)
	}
}

func TestReplayBadSlots(t *testing.T) {
	s := serveProcess(t)
	r := leastwatt(t, traceOf(1, 1, 2), "replay", "--to", s.address, "-")
	r.expect(t, exitFailed, "3: 2 met, 0 short, 1 rejected, 0 failed", "slot 1: sequence: 1, allowed: > 1, the last one\n")

	var many []int
	for range 20 {
		many = append(many, 1)
	}
	r = leastwatt(t, traceOf(many...), "replay", "--to", s.address, "-")
	r.expect(t, exitFailed, "19 rejected", "more slots are rejected")
	if n := strings.Count(r.stderr, "slot 1: "); n != maxShownRejections {
		t.Errorf("%d rejections told", n)
	}

	leastwatt(t, "", "replay", "--to", s.address, "-").expect(t, exitDone, "0: 0 met", "")
	leastwatt(t, traceOf(1)+"{", "replay", "--to", s.address, "-").expect(t, exitFailed, "", "-: slot 2: unexpected EOF")
	leastwatt(t, `{"speed": 1}`, "replay", "--to", s.address, "-").expect(t, exitFailed, "", `-: slot 1: proto`)
	leastwatt(t, "", "replay", "--to", s.address, "nowhere.jsonl").expect(t, exitFailed, "", "nowhere.jsonl: no such file")
	leastwatt(t, traceOf(1), "replay", "--to", s.address, "--out", "nowhere/x", "-").expect(t, exitFailed, "", "no such file")
}

func TestReplayNoServer(t *testing.T) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := lis.Addr().String()
	lis.Close()
	leastwatt(t, traceOf(1), "replay", "--to", address, "-").expect(t, exitFailed, "", "leastwatt: "+address+": ")
}

// TestServe drives a real process: it serves, obeys its limits, tells its
// sessions of SIGTERM, answers what they hold and ends with 0.
func TestServe(t *testing.T) {
	s := serveProcess(t, "--max-antennas", "2", "--workers", "1")
	c, err := client.Dial(s.address, client.Config{Reconnect: client.Reconnect{GiveUpAfter: -1}})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	session, err := c.Stream(t.Context(), client.Open{CellID: "quay-4"})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	slot := &pb.Slot{}
	if err := protojson.Unmarshal([]byte(slotJSON), slot); err != nil {
		t.Fatal(err)
	}
	large := &pb.Slot{Sequence: 8, Channel: &pb.Channel{Antennas: 3}}
	for _, m := range []*pb.Slot{slot, large} {
		if err := session.SendMessage(m); err != nil {
			t.Fatal(err)
		}
	}
	if plan, err := session.Recv(); err != nil || plan.Status != scheduler.StatusMet {
		t.Errorf("plan %v, %v", plan, err)
	}
	if plan, err := session.Recv(); err != nil || len(plan.Violations) != 1 || plan.Violations[0].Path != "channel.antennas" {
		t.Errorf("plan %v, %v", plan, err)
	}
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || health.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health %v, %v", health, err)
	}

	if code := s.stop(t); code != 0 {
		t.Errorf("exit %d", code)
	}
	var closing *client.ClosingError
	if plan, err := session.Recv(); !errors.As(err, &closing) || closing.LastSequence != 8 {
		t.Errorf("goodbye: %v, %v", plan, err)
	}
	for _, piece := range []string{"msg=serving", `msg="session opened"`, "cell=quay-4", "msg=draining", "msg=stopped"} {
		if !strings.Contains(s.log.String(), piece) {
			t.Errorf("no %q in the log:\n%s", piece, s.log)
		}
	}
}

func TestServeAddress(t *testing.T) {
	leastwatt(t, "", "serve", "--listen", "0.0.0.0:0").expect(t, exitFailed, "", "--listen-without-tls allows it")
	leastwatt(t, "", "serve", "--listen", "nowhere").expect(t, exitFailed, "", "missing port")
	s := serveProcess(t, "--json", "--listen", "0.0.0.0:0", "--listen-without-tls")
	var v map[string]string
	if err := json.Unmarshal([]byte(s.address), &v); err != nil || !strings.HasPrefix(v["address"], "[::]:") {
		t.Errorf("announced %q: %v", s.address, err)
	}
	s.stop(t)
	for line := range strings.Lines(s.log.String()) {
		if !json.Valid([]byte(line)) {
			t.Errorf("log line %q", line)
		}
	}
}

func TestPercentile(t *testing.T) {
	for _, c := range []struct {
		sorted []int64
		p      int
		want   int64
	}{
		{[]int64{5}, 50, 5}, {[]int64{5}, 99, 5}, {[]int64{1, 2}, 50, 1}, {[]int64{1, 2, 3}, 50, 2}, {[]int64{1, 2, 3}, 99, 3},
	} {
		if got := percentile(c.sorted, c.p); got != c.want {
			t.Errorf("%d %% of %v: %d, want %d", c.p, c.sorted, got, c.want)
		}
	}
}
