package server

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"leastwatt/client"
	"leastwatt/internal/testchild"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

var kills = flag.Int("kills", 10, "how often TestKill kills the server")

// serveVariable has the test binary serve on an address in place of testing.
const serveVariable = "LEASTWATT_TEST_SERVE"

// serveProcess serves until it is killed.
func serveProcess(address string) {
	lis, err := net.Listen("tcp", address)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println(lis.Addr())
	tellMemory()
	err = newServer(Config{}, func() engine { return &chained{real: scheduler.NewEngine()} }).Serve(context.Background(), lis)
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// chained is the real engine with a chain over all slots besides: it remembers
// what the real one does, and every slot.
type chained struct {
	chain
	real engine
}

func (c *chained) Schedule(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
	plan := c.real.Schedule(ctx, slot)
	plan.Solves = c.chain.Schedule(ctx, slot).Solves
	return plan
}

func (c *chained) State() []byte {
	state := c.chain.State()
	if m, ok := c.real.(memory); ok {
		state = append(state, m.State()...)
	}
	return state
}

func (c *chained) Restore(state []byte) error {
	if len(state) < 8 {
		return errors.New("no sum")
	}
	if err := c.chain.Restore(state[:8]); err != nil {
		return err
	}
	if m, ok := c.real.(memory); ok {
		return m.Restore(state[8:])
	}
	return nil
}

// served is a server in a process of its own.
type served struct {
	*exec.Cmd
	out *bufio.Reader
}

// process starts a server and returns its address.
func process(tb testing.TB, address string) (*served, string) {
	tb.Helper()
	cmd := testchild.Bounded(tb, 10*testchild.Bound, os.Args[0])
	cmd.Env = append(os.Environ(), serveVariable+"="+address)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		tb.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	p := &served{cmd, bufio.NewReader(out)}
	line, err := p.out.ReadString('\n')
	if err != nil {
		tb.Fatal(err)
	}
	return p, line[:len(line)-1]
}

// kill kills a process as nothing can catch.
func (p *served) kill(tb testing.TB) {
	tb.Helper()
	if err := p.Process.Kill(); err != nil {
		tb.Error(err)
	}
	p.Wait()
}

// TestKill kills the server's process in mid-stream, again and again, and starts
// another: every slot of every session is answered once, in order, with the plan
// that a session without kills gets.
func TestKill(t *testing.T) {
	cmd, address := process(t, "127.0.0.1:0")
	defer func() { cmd.kill(t) }()
	c, err := client.Dial(address, client.Config{Reconnect: client.Reconnect{MaxDelay: 100 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()

	const sessions = 3
	want := unbroken(t, 200)
	done := make(chan struct{}) // no more slots need be sent
	var all sync.WaitGroup
	reconnects := make([]int, sessions)
	answered := make([]atomic.Int64, sessions)
	for i := range sessions {
		all.Go(func() { reconnects[i] = streamUntil(t, c, want, &answered[i], done) })
	}
	for range *kills {
		for i := range answered { // in mid-stream: every session has got somewhere
			before := answered[i].Load()
			waitFor(t, func() bool { return answered[i].Load() > before })
		}
		time.Sleep(rand.N(20 * time.Millisecond))
		cmd.kill(t)
		cmd, _ = process(t, address)
	}
	close(done)
	all.Wait()
	slots := int64(0)
	for i := range sessions {
		slots += answered[i].Load()
		if 2*reconnects[i] < *kills { // the others fell between two sessions
			t.Errorf("session %d: %d reconnects", i, reconnects[i])
		}
	}
	t.Logf("%d kills, %d slots answered, reconnects %v", *kills, slots, reconnects)
}

// killSlot is slot n of the session that TestKill streams: it moves.
func killSlot(n int64) *scheduler.Slot {
	slot := newSlot(n)
	for k := range slot.Users {
		slot.Users[k].RateBps *= 1 + 0.1*float64(n%7)
	}
	slot.Options.Weights = scheduler.WeightsF32
	return slot
}

// unbroken returns the plans of n slots in a session without kills.
func unbroken(t *testing.T, n int64) []*pb.Plan {
	t.Helper()
	at := &seat{engine: &chained{real: scheduler.NewEngine()}}
	s := newServer(Config{}, nil)
	var plans []*pb.Plan
	for i := range n {
		plan := s.schedule(t.Context(), at, killSlot(i+1))
		plan.SessionState = sealState(at.engine, "")
		plan.ComputeMicros = 0
		plans = append(plans, plan)
	}
	return plans
}

// streamUntil streams the slots of plans in a session that is made anew as often
// as they end, until done. It counts answers and returns how often sessions were
// resumed.
func streamUntil(t *testing.T, c *client.Client, want []*pb.Plan, answered *atomic.Int64, done <-chan struct{}) (reconnects int) {
	for !t.Failed() {
		reconnects += streamOnce(t, c, want, answered, done)
		select {
		case <-done:
			return reconnects
		default:
		}
	}
	return reconnects
}

// streamOnce streams the slots of plans in one session, or those until done.
func streamOnce(t *testing.T, c *client.Client, want []*pb.Plan, answered *atomic.Int64, done <-chan struct{}) (reconnects int) {
	session, err := open(t, c)
	if err != nil {
		t.Error(err)
		return 0
	}
	var sent sync.WaitGroup
	defer sent.Wait()
	defer session.Close()
	count := int64(0)
	sent.Go(func() {
		defer session.CloseSend()
		for i := range want {
			select {
			case <-done:
				return
			default:
			}
			if session.Send(killSlot(int64(i+1))) != nil {
				return
			}
			count++
		}
	})
	for n := int64(0); ; n++ {
		plan, err := session.RecvMessage()
		if errors.Is(err, io.EOF) {
			if sent.Wait(); n != count {
				t.Errorf("%d answers to %d slots", n, count)
			}
			return session.Reconnects()
		}
		if err != nil {
			t.Error(err)
			return session.Reconnects()
		}
		plan.ComputeMicros = 0
		if n >= int64(len(want)) || !proto.Equal(plan, want[n]) {
			t.Errorf("answer %d: %v", n+1, plan)
			return session.Reconnects()
		}
		answered.Add(1)
	}
}

// open opens a session as soon as there is a server: the first opening is not
// tried again by the client.
func open(t *testing.T, c *client.Client) (*client.Session, error) {
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		session, err := c.Stream(t.Context(), client.Open{})
		if err == nil || time.Now().After(end) {
			return session, err
		}
	}
}
