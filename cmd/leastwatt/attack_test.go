package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

var attackTime = flag.Duration("attack", 500*time.Millisecond, "how long TestAttack goes on with each attack")

const (
	attackToken  = "token-of-the-attack-0000"
	attackerHost = "127.0.0.2"
	goodHost     = "127.0.0.3"
	memoryLimit  = 1 << 30 // of the container in the manifest
)

// TestAttack attacks a server that runs as the manifest of Kubernetes has it, from
// one host of the loopback network, while a good client of another host goes about
// its work. Every slot of the good client is answered, no worker is lost, no fault
// is contained, and memory stays within what the container has. How late the good
// client's plans are is printed: a test cannot know what else runs on its machine.
func TestAttack(t *testing.T) {
	s, env := serveDeployed(t)
	a := &attack{T: t, address: s.address, slots: newAttackSlots()}
	alone := a.good(*attackTime)
	t.Logf("%v; %-16s %5d plans, late by %v at p50, %v at p99", env, "alone", alone.answered, alone.p50, alone.p99)
	for _, kind := range a.kinds() {
		stop := startAttack(t, s.address, kind.name)
		under := a.good(*attackTime)
		calls := stop()
		peak := peakMemory(t, s)
		t.Logf("%-20s %5d plans, late by %v at p50, %v at p99: %.1f and %.1f times; %d calls, memory at most %d MiB",
			kind.name, under.answered, under.p50, under.p99, ratio(under.p50, alone.p50), ratio(under.p99, alone.p99), calls, peak>>20)
		if under.answered != under.sent || under.answered == 0 {
			t.Errorf("%s: %d of %d slots answered: %v", kind.name, under.answered, under.sent, under.err)
		}
		if peak > memoryLimit && !withRace {
			t.Errorf("%s: %d MiB of memory", kind.name, peak>>20)
		}
		if calls == 0 {
			t.Errorf("%s: no attack", kind.name)
		}
		checkWorkers(t, s, kind.name)
	}
	// Watches of health, idle connections and calls that never begin do not keep it.
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var idle sync.WaitGroup
	for range 20 {
		idle.Go(func() { a.watch(ctx, 0) })
		idle.Go(func() { a.unopened(ctx, 0) })
	}
	pause(ctx, 200*time.Millisecond)
	start := time.Now()
	if code := s.stop(t); code != 0 {
		t.Errorf("exit %d", code)
	}
	t.Logf("stopped within %v", time.Since(start).Round(time.Millisecond))
	cancel()
	idle.Wait()
}

// checkWorkers checks that no worker was lost and no fault contained.
func checkWorkers(t *testing.T, s *served, after string) {
	t.Helper()
	_, page := fetch(t, s.side, "/metrics")
	for _, line := range []string{"leastwatt_workers_given_up_total 0", "leastwatt_workers_stuck 0", "leastwatt_faults_total 0"} {
		if name, _, _ := strings.Cut(line, " "); !strings.Contains(page, line+"\n") {
			_, got, _ := strings.Cut(page, "\n"+name+" ")
			got, _, _ = strings.Cut(got, "\n")
			t.Errorf("after %s %s is %s", after, name, got)
		}
	}
}

// startAttack has a process of its own attack a server, with what is left of the
// processors: on a machine of few, attackers are not to be what the good client
// waits for. The function it returns ends the attack and tells of how many calls.
func startAttack(t *testing.T, address, kind string) (stop func() (calls int)) {
	t.Helper()
	cmd := commandBounded(t, *attackTime+time.Minute)
	cmd.Env = append(cmd.Env, attackVariable+"="+kind, asCommand+"="+address)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	told := bufio.NewScanner(out)
	if !told.Scan() { // it is under way
		t.Fatalf("%s does not begin", kind)
	}
	return func() int {
		in.Close()
		calls := 0
		if told.Scan() {
			calls, _ = strconv.Atoi(told.Text())
		}
		cmd.Process.Kill() // as rude as its kind
		cmd.Wait()
		return calls
	}
}

// attackVariable has the test binary attack in place of testing.
const attackVariable = "LEASTWATT_TEST_ATTACK"

// attackProcess attacks the server at an address until its input ends.
func attackProcess(kind, address string) {
	syscall.Setpriority(syscall.PRIO_PROCESS, 0, 19)
	a := &attack{address: address, slots: newAttackSlots()}
	kinds := a.kinds()
	k := kinds[slices.IndexFunc(kinds, func(k attackKind) bool { return k.name == kind })]
	ctx, cancel := context.WithCancel(context.Background())
	var attackers sync.WaitGroup
	var calls atomic.Int64
	for i := range k.clients {
		attackers.Go(func() {
			for ctx.Err() == nil {
				calls.Add(1)
				k.attack(ctx, i)
				pause(ctx, k.pause)
			}
		})
	}
	pause(ctx, 300*time.Millisecond)
	fmt.Println("attacking")
	io.Copy(io.Discard, os.Stdin)
	fmt.Println(calls.Load())
	cancel()
	attackers.Wait()
	os.Exit(0)
}

// serveDeployed serves with the arguments and the environment of the manifest; a
// token, but no TLS, which is on loopback only.
func serveDeployed(t *testing.T) (s *served, env []string) {
	t.Helper()
	container := at[object](t, manifests(t)["Deployment"], "spec", "template", "spec", "containers", 0)
	var args []string
	for _, a := range at[[]any](t, container, "args")[1:] {
		if arg := a.(string); !strings.HasPrefix(arg, "--tls") && !strings.HasPrefix(arg, "--listen") && arg != "--side-without-tls" {
			args = append(args, arg)
		}
	}
	// A machine many times slower than usual is not to look like a worker that is stuck.
	args = append(args, "--give-up-after", "60s", "--token-file", write(t, "tokens", attackToken), "--side-listen", "127.0.0.1:0")
	for i := range at[[]any](t, container, "env") {
		env = append(env, at[string](t, container, "env", i, "name")+"="+at[string](t, container, "env", i, "value"))
	}
	args = append(args, "--workers", at[string](t, container, "resources", "limits", "cpu"))
	if limit := at[string](t, container, "resources", "limits", "memory"); limit != "1Gi" {
		t.Errorf("the manifest's limit on memory is %s", limit)
	}
	return serveProcessIn(t, serveBound+40**attackTime, env, args...), env
}

// peakMemory returns the most memory that a process has had, in bytes.
func peakMemory(t *testing.T, s *served) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	_, line, _ := strings.Cut(string(text), "VmHWM:")
	kib, err := strconv.Atoi(strings.Fields(line)[0])
	if err != nil {
		t.Fatal(err)
	}
	return kib << 10
}

func ratio(a, b time.Duration) float64 { return float64(a) / float64(max(b, 1)) }

// pause waits, but not beyond the context.
func pause(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

// attack is the clients of TestAttack.
type attack struct {
	*testing.T
	address string
	slots   *attackSlots
}

// goodWork is what a good client has got.
type goodWork struct {
	sent, answered int
	err            error
	p50, p99       time.Duration // from a slot sent to its plan
}

// good streams a slot every 10 ms, for a while, and waits for each plan.
func (a *attack) good(d time.Duration) (w goodWork) {
	conn := a.dial(goodHost)
	defer conn.Close()
	ctx, cancel := context.WithTimeout(a.Context(), d+time.Minute)
	defer cancel()
	stream, err := openSession(ctx, conn, &pb.OpenSession{})
	if err != nil {
		a.Fatal(err)
	}
	var late []time.Duration
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(d); time.Now().Before(end) && w.err == nil; <-tick.C {
		slot := proto.CloneOf(a.slots.good)
		slot.Sequence = int64(w.sent)
		w.sent++
		start := time.Now()
		var plan *pb.Plan
		if plan, w.err = exchange(stream, slot); w.err == nil && plan.GetStatus() == pb.PlanStatus_PLAN_STATUS_MET {
			w.answered++
			late = append(late, time.Since(start))
		}
	}
	if len(late) > 0 {
		slices.Sort(late)
		w.p50, w.p99 = late[len(late)/2].Round(10*time.Microsecond), late[len(late)*99/100].Round(10*time.Microsecond)
	}
	return w
}

// attackSlots are slots that clients of TestAttack send.
type attackSlots struct {
	good, busy, large, spread, cones *pb.Slot
}

func newAttackSlots() *attackSlots {
	rng := rand.New(rand.NewPCG(1, 2))
	slot := func(users, antennas, subbands int) *pb.Slot {
		s := &pb.Slot{CarrierHz: 3e9, BandwidthHz: 1e7, Channel: &pb.Channel{Antennas: int32(antennas), Subbands: int32(subbands)}, Options: &pb.Options{}}
		for k := range users {
			s.Users = append(s.Users, &pb.User{Id: fmt.Sprint("u", k), RateBps: 1e6, NoiseW: 1})
		}
		for range 2 * users * antennas * subbands {
			s.Channel.Values = append(s.Channel.Values, rng.NormFloat64())
		}
		return s
	}
	spread := slot(2, 3, 1) // 10 m apart
	spread.Array = &pb.Array{PositionsM: []float64{0, 0, 0, 0, 10, 0, 0, 0, 10}}
	spread.Limits = &pb.Limits{EirpW: proto.Float64(1)}
	cones := slot(8, 64, 1) // 8 by 8, half a wavelength apart
	cones.Array = &pb.Array{}
	for i := range 64 {
		cones.Array.PositionsM = append(cones.Array.PositionsM, 0, 0.05*float64(i%8), 0.05*float64(i/8))
	}
	cones.Limits = &pb.Limits{}
	for i := range 256 {
		cones.Limits.ProtectedDirections = append(cones.Limits.ProtectedDirections,
			&pb.ProtectedDirection{AzimuthDeg: float64(i - 128), WidthDeg: 60, EirpW: 0.01})
	}
	return &attackSlots{good: slot(4, 16, 1), busy: slot(12, 32, 4), large: slot(512, 1, 512), spread: spread, cones: cones}
}
