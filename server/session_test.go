package server

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"leastwatt/client"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// chain is an engine that remembers every slot it has seen: each plan holds a sum
// over all of them, in their order, in Solves.
type chain struct{ sum uint64 }

func newChain() engine { return &chain{} }

func (c *chain) Schedule(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
	c.sum = link(c.sum, slot.Sequence)
	return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet, Solves: int64(c.sum >> 1)}
}

func link(sum uint64, sequence int64) uint64 { return (sum ^ uint64(sequence)) * 1099511628211 }

func (c *chain) State() []byte { return binary.BigEndian.AppendUint64(nil, c.sum) }

func (c *chain) Restore(state []byte) error {
	if len(state) != 8 {
		return errors.New("not a sum")
	}
	c.sum = binary.BigEndian.Uint64(state)
	return nil
}

// linked returns what the plans of slots 1 to n hold.
func linked(n int64) []int64 {
	var out []int64
	var sum uint64
	for i := range n {
		sum = link(sum, i+1)
		out = append(out, int64(sum>>1))
	}
	return out
}

// gated returns engines that wait at a gate in every slot.
func gated(gate <-chan struct{}, entered chan<- int64) func() engine {
	return func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			entered <- slot.Sequence
			<-gate
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	}
}

// TestTurns: sessions take turns at the one worker, whatever they have waiting.
func TestTurns(t *testing.T) {
	gate, entered := make(chan struct{}), make(chan int64, 100)
	s := start(t, Config{Workers: 1}, gated(gate, entered))
	defer close(gate) // lets the server end if the test fails
	c := s.dial(t, client.Config{})
	const sessions, slots = 4, 6
	for n := range sessions {
		session, err := c.Stream(t.Context(), client.Open{})
		if err != nil {
			t.Fatal(err)
		}
		defer session.Close()
		// The first sessions have all of their slots here before the last has one.
		for i := range slots {
			if err := session.Send(newSlot(int64(100*n + i))); err != nil {
				t.Fatal(err)
			}
		}
		waitFor(t, func() bool { return len(entered) > 0 && s.pool.waiting() == n })
	}
	for i := range sessions * slots {
		if n := <-entered / 100; n != int64(i%sessions) {
			t.Fatalf("turn %d was session %d's", i, n)
		}
		gate <- struct{}{}
		if i < sessions*(slots-1) { // until the session is back in the row
			waitFor(t, func() bool { return len(entered) == 1 && s.pool.waiting() == sessions-1 })
		}
	}
}

// waitFor waits until something holds.
func waitFor(t testing.TB, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !holds(); time.Sleep(100 * time.Microsecond) {
		if time.Now().After(end) {
			t.Fatal("waited in vain")
		}
	}
}

// TestStalled: a client that does not read is held up and nobody else is; what
// the server takes from it is bounded.
func TestStalled(t *testing.T) {
	s := start(t, Config{Workers: 1, Limits: Limits{WindowSlots: 4}}, nil)
	rpc := s.rpc(t)
	stalled, err := rpc.StreamSlots(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	send(t, stalled, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}})
	sent := make(chan int64, 1<<20)
	go func() {
		for i := int64(1); ; i++ {
			slot := newMessage(i)
			slot.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_F64}
			if stalled.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}) != nil {
				close(sent)
				return
			}
			sent <- i
		}
	}()
	waitFor(t, func() bool { // until it is held up
		n := len(sent)
		time.Sleep(300 * time.Millisecond)
		return n > 100 && n == len(sent)
	})
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for i := range int64(20) {
		if err := session.Send(newSlot(i)); err != nil {
			t.Fatal(err)
		}
		if _, err := session.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(sent); n > 10000 {
		t.Errorf("%d slots taken from a client that does not read", n)
	}
	// It reads again: every slot has its answer.
	recv(t, stalled)
	for i := range int64(100) {
		if n := recv(t, stalled).GetPlan().GetSequence(); n != i+1 {
			t.Fatalf("answer %d is to slot %d", i+1, n)
		}
	}
}

// TestQueue holds the bounds of a session's queue.
func TestQueue(t *testing.T) {
	slot := func(n int64) *pb.StreamSlotsRequest {
		return &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: &pb.Slot{Sequence: n}}}
	}
	q := newQueue(3, 100, false, func(int) {})
	full := func() bool {
		q.mu.Lock()
		defer q.mu.Unlock()
		return q.held >= q.window || q.size >= q.bytes
	}
	var taken []item
	for i, c := range []struct {
		put  int // bytes; 0: take one, -1: answer one
		full bool
	}{{99, false}, {1, true}, {0, true}, {0, true}, {-1, false}, {50, false}, {5, true}, {-1, false}, {45, true}, {0, true}, {-1, false}} {
		switch {
		case c.put > 0:
			q.put(slot(int64(i)), c.put)
		case c.put == 0:
			it, more, err := q.next(nil)
			if !more || err != nil {
				t.Fatal(more, err)
			}
			taken = append(taken, it)
		default:
			q.done(taken[0])
			taken = taken[1:]
		}
		if full() != c.full {
			t.Errorf("step %d: %d held, %d bytes: full %v", i, q.held, q.size, full())
		}
	}
	reason := errors.New("reason")
	q.end(reason)
	q.end(nil)
	q.put(slot(99), 1)
	n := 0
	for {
		_, more, err := q.next(nil)
		if !more {
			if !errors.Is(err, reason) || n != 2 || q.room() {
				t.Errorf("%d more after the end, %v", n, err)
			}
			return
		}
		n++
	}
}

// TestNewestWins: slots that wait are dropped when a newer one arrives, and the
// client is told, in order.
func TestNewestWins(t *testing.T) {
	r := &recorder{ctx: t.Context()}
	ses := &session{server: New(Config{}), stream: r}
	ses.set(&pb.OpenSession{LateSlotPolicy: pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS})
	for _, n := range []int64{1, 2, 3, 5, 4} { // 4 is not newer: it is refused in its place
		ses.queue.put(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: newMessage(n)}}, 1)
	}
	if ses.queue.held != 5 || ses.queue.size != 2 {
		t.Errorf("%d messages, %d bytes held", ses.queue.held, ses.queue.size)
	}
	ses.queue.end(nil)
	if err := ses.answerAll(); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, res := range r.sent {
		if d := res.GetDropped(); d != nil {
			got = append(got, fmt.Sprintf("%d for %d", d.GetSequence(), d.GetNewerSequence()))
		} else {
			got = append(got, fmt.Sprintf("%v %d", scheduler.Status(res.GetPlan().GetStatus()), res.GetPlan().GetSequence()))
		}
	}
	if want := []string{"1 for 2", "2 for 3", "3 for 5", "MET 5", "REJECTED 4"}; !slices.Equal(got, want) {
		t.Errorf("answers %q, want %q", got, want)
	}
	if ses.queue.held != 0 || ses.queue.size != 0 {
		t.Errorf("%d messages, %d bytes held in the end", ses.queue.held, ses.queue.size)
	}
}

// TestNewestWinsClient: the same through the client, which hears of every slot
// once, across lost connections too.
func TestNewestWinsClient(t *testing.T) {
	slow := func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			time.Sleep(2 * time.Millisecond)
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	}
	s := start(t, Config{}, slow)
	p := newProxy(t, s.address)
	session, err := p.dial(t).Stream(t.Context(), client.Open{NewestWins: true})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	const n = 400
	var sent sync.WaitGroup
	sent.Go(func() {
		for i := range int64(n) {
			if err := session.Send(newSlot(i + 1)); err != nil {
				t.Error(err)
			}
			if i%97 == 50 {
				p.cut()
			}
			time.Sleep(100 * time.Microsecond)
		}
		session.CloseSend()
	})
	defer sent.Wait()
	count := map[scheduler.Status]int{}
	for i := range int64(n) {
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if plan.Sequence != i+1 {
			t.Fatalf("answer %d is to slot %d", i+1, plan.Sequence)
		}
		count[plan.Status]++
		if i == n-1 && plan.Status != scheduler.StatusMet {
			t.Errorf("the newest slot of all is %v", plan.Status)
		}
	}
	if _, err := session.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last: %v", err)
	}
	if len(count) != 2 || count[scheduler.StatusDropped] == 0 || count[scheduler.StatusMet] == 0 || session.Reconnects() == 0 {
		t.Errorf("%v, %d reconnects", count, session.Reconnects())
	}
}

// proxy passes connections on to a server until it cuts them.
type proxy struct {
	address string
	mu      sync.Mutex
	open    []net.Conn
	cuts    int
}

func newProxy(t *testing.T, to string) *proxy {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{address: lis.Addr().String()}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			near, err := lis.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			p.mu.Lock()
			p.open = append(p.open, near, far)
			p.mu.Unlock()
			for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
				all.Go(func() {
					io.Copy(way[0], way[1])
					way[0].Close()
				})
			}
		}
	})
	t.Cleanup(func() {
		lis.Close()
		p.cut()
		all.Wait()
	})
	return p
}

// cut ends all connections, whatever is on its way.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.open {
		c.(*net.TCPConn).SetLinger(0)
		c.Close()
	}
	p.open = nil
	p.cuts++
}

func (p *proxy) dial(t testing.TB) *client.Client {
	t.Helper()
	c, err := client.Dial(p.address, client.Config{Reconnect: client.Reconnect{FirstDelay: time.Millisecond, MaxDelay: 20 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// TestResume: connections that are cut in mid-stream cost no slot, repeat none
// and lose no memory: plans are those of one unbroken session.
func TestResume(t *testing.T) {
	s := start(t, Config{}, newChain)
	p := newProxy(t, s.address)
	session, err := p.dial(t).Stream(t.Context(), client.Open{SessionID: "yard"})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	const n = 3000
	var sent sync.WaitGroup
	sent.Go(func() {
		for i := range int64(n) {
			if err := session.Send(newSlot(i + 1)); err != nil {
				t.Error(err)
				return
			}
		}
		session.CloseSend()
	})
	defer sent.Wait()
	want := linked(n)
	for i := range int64(n) {
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if plan.Sequence != i+1 || plan.Solves != want[i] {
			t.Fatalf("answer %d is to slot %d with %d, want %d", i+1, plan.Sequence, plan.Solves, want[i])
		}
		if i%100 == 50 {
			p.cut()
		}
	}
	if _, err := session.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last: %v", err)
	}
	if o := session.Opened(); session.Reconnects() < n/200 || !o.StateRestored || o.SessionID != "yard" {
		t.Errorf("%d reconnects; opened %+v", session.Reconnects(), o)
	}
}

// TestResumeOrder: a session that goes on knows which numbers are behind it.
func TestResumeOrder(t *testing.T) {
	s := start(t, Config{}, newChain)
	p := newProxy(t, s.address)
	session, err := p.dial(t).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for _, want := range []scheduler.Status{scheduler.StatusMet, scheduler.StatusRejected} {
		if err := session.Send(newSlot(5)); err != nil {
			t.Fatal(err)
		}
		if plan, err := session.Recv(); err != nil || plan.Status != want {
			t.Errorf("%v, %v; want %v", plan, err, want)
		}
		p.cut()
	}
}

// TestResumeByHand: a session goes on from a plan that somebody kept.
func TestResumeByHand(t *testing.T) {
	s := start(t, Config{}, newChain)
	c := s.dial(t, client.Config{})
	plan := func(open client.Open, n int64) *scheduler.Plan {
		session, err := c.Stream(t.Context(), open)
		if err != nil {
			t.Fatal(err)
		}
		defer session.Close()
		if err := session.Send(newSlot(n)); err != nil {
			t.Fatal(err)
		}
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if session.Opened().StateRestored != (open.State != nil) {
			t.Errorf("opened %+v", session.Opened())
		}
		return plan
	}
	first := plan(client.Open{}, 1)
	second := plan(client.Open{ResumeAfter: proto.Int64(1), State: first.SessionState}, 2)
	if second.Solves != linked(2)[1] {
		t.Errorf("%d, want %d", second.Solves, linked(2)[1])
	}
	if again := plan(client.Open{ResumeAfter: proto.Int64(1), State: first.SessionState}, 1); again.Status != scheduler.StatusRejected {
		t.Errorf("a slot answered before: %v", again.Status)
	}
	if none := plan(client.Open{NoState: true}, 1); none.SessionState != nil {
		t.Errorf("state %x, not asked for", none.SessionState)
	}
}

// TestHysteresis: groups that a session would change stay where the gain is below
// the hysteresis asked.
func TestHysteresis(t *testing.T) {
	s := start(t, Config{}, nil)
	c := s.dial(t, mortal)
	second := func(hysteresisDB float64) string {
		session, err := c.Stream(t.Context(), client.Open{})
		if err != nil {
			t.Fatal(err)
		}
		defer session.Close()
		var plan *scheduler.Plan
		for n := range int64(2) {
			slot := newSlot(n + 1)
			slot.Options.HysteresisDB = hysteresisDB
			for i, z := range slot.Channel.Samples[:len(slot.Channel.Samples)/3] {
				if n > 0 { // the first user comes to stand beside the second
					slot.Channel.Samples[i] = slot.Channel.Samples[i+len(slot.Channel.Samples)/3] + z/100
				}
			}
			if err := session.Send(slot); err != nil {
				t.Fatal(err)
			}
			if plan, err = session.Recv(); err != nil {
				t.Fatal(err)
			}
		}
		out, err := convert.PlanToProto(plan, scheduler.WeightsNone)
		if err != nil {
			t.Fatal(err)
		}
		return groupsOf(out)
	}
	if free, held := second(0), second(60); free == held {
		t.Errorf("groups %s with and without", free)
	}
}

// TestOwed: what a slot of a session could not deliver is asked of the next, and no
// more in another session.
func TestOwed(t *testing.T) {
	s := start(t, Config{}, nil)
	c := s.dial(t, mortal)
	session, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for n := range int64(2) {
		slot := newSlot(n + 1)
		slot.Options.BacklogSlots = 3
		if n == 0 {
			off := 0.0
			slot.Limits.TotalPowerW = &off
		}
		if err := session.Send(slot); err != nil {
			t.Fatal(err)
		}
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		asked, u := slot.Users[0].RateBps, plan.Users[0]
		if n == 0 && u.BacklogBps != asked || n == 1 && (u.TargetBps != 2*asked || u.BacklogBps != 0 || plan.Status != scheduler.StatusMet) {
			t.Errorf("slot %d: %v, %+v", n, plan.Status, u)
		}
	}
}

// TestSessionState holds what becomes of a memory that is not as it was.
func TestSessionState(t *testing.T) {
	sealed := sealState(&chain{sum: 7}, "north")
	for name, c := range map[string]struct {
		change   func([]byte) []byte
		restored bool
		bad      bool
	}{
		"whole":         {func(b []byte) []byte { return b }, true, false},
		"cut":           {func(b []byte) []byte { return b[:len(b)-1] }, false, true},
		"short":         {func(b []byte) []byte { return b[:2] }, false, true},
		"changed":       {func(b []byte) []byte { b[15] ^= 1; return b }, false, true},
		"other cell":    {func([]byte) []byte { return sealState(&chain{sum: 7}, "south") }, false, true},
		"cell changed":  {func(b []byte) []byte { b[5] ^= 1; return b }, false, true},
		"other version": {func(b []byte) []byte { b[0]++; return b }, false, false},
		"other engine":  {func([]byte) []byte { return sealState(engineFunc(nil), "north") }, false, false},
	} {
		e := &chain{}
		restored, bad := openState(e, c.change(slices.Clone(sealed)), "north")
		if restored != c.restored || len(bad) > 0 != c.bad || restored != (e.sum == 7) {
			t.Errorf("%s: restored %v, %v, sum %d", name, restored, bad, e.sum)
		}
	}
	if restored, _ := openState(engineFunc(nil), sealed, "north"); restored {
		t.Error("an engine without memory has taken one up")
	}
}

// large is an engine that remembers much.
type large struct{ chain }

func (l *large) State() []byte { return make([]byte, 1000) }

func (l *large) Restore([]byte) error { return nil }

// TestStateBounds: a session's memory is taken up within bounds and for its own
// cell, and sent only where it was asked for, in plans and at the end.
func TestStateBounds(t *testing.T) {
	s := start(t, Config{Limits: Limits{SessionStateBytes: 500}}, func() engine { return &large{} })
	refused := func(name string, open *pb.OpenSession) {
		t.Helper()
		_, err := s.stream(t, open).Recv()
		if paths := violationPaths(t, err); !slices.Equal(paths, []string{"sessionState"}) {
			t.Errorf("%s: %v", name, err)
		}
	}
	refused("too large", &pb.OpenSession{SessionState: sealState(&large{}, "")})
	refused("of another cell", &pb.OpenSession{CellId: "south", SessionState: sealState(&chain{}, "north")})
	stream := s.stream(t, &pb.OpenSession{WantSessionState: true})
	recv(t, stream)
	sendSlot(t, stream, newMessage(1))
	if plan := recv(t, stream).GetPlan(); plan == nil || len(plan.GetSessionState()) > 0 {
		t.Errorf("a memory that no server takes up is sent: %v", plan)
	}

	s = start(t, Config{}, newChain)
	for _, wanted := range []bool{false, true} {
		stream := s.stream(t, &pb.OpenSession{CellId: "north", SessionState: sealState(&chain{sum: 7}, "north"), WantSessionState: wanted})
		if opened := recv(t, stream).GetOpened(); !opened.GetSessionStateRestored() {
			t.Errorf("opened: %v", opened)
		}
		bad := newMessage(1)
		bad.Users = nil
		for _, slot := range []*pb.Slot{bad, newMessage(2)} {
			sendSlot(t, stream, slot)
			if got := len(recv(t, stream).GetPlan().GetSessionState()) > 0; got != wanted {
				t.Errorf("memory sent: %v, wanted: %v", got, wanted)
			}
		}
	}
}

// TestPoisonedState: a panic over a memory costs its session and nothing else.
func TestPoisonedState(t *testing.T) {
	s := start(t, Config{}, func() engine { return &poisoned{} })
	stream := s.stream(t, &pb.OpenSession{SessionState: sealState(&chain{}, "")})
	if _, err := stream.Recv(); status.Code(err) != codes.Internal || strings.Contains(err.Error(), "bite") {
		t.Errorf("error %v", err)
	}
	if s.Faults() != 1 || s.sessions.inUse() != 0 || s.slots.inUse() != 0 {
		t.Errorf("%d faults, %d sessions, %d slots in flight", s.Faults(), s.sessions.inUse(), s.slots.inUse())
	}
}

type poisoned struct{ chain }

func (*poisoned) Restore([]byte) error { panic("bite") }

// TestBudgetLearns: a session whose plans come late after the engine's deadline
// has the engine stop earlier, within bounds.
func TestBudgetLearns(t *testing.T) {
	const budget, late = 80 * time.Millisecond, 10 * time.Millisecond
	given := make(chan time.Duration, 10)
	slow := func() engine {
		return engineFunc(func(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
			deadline, _ := ctx.Deadline()
			given <- time.Until(deadline)
			time.Sleep(time.Until(deadline) + late)
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet, StoppedEarly: true}
		})
	}
	s := newServer(Config{}, slow)
	at := &seat{}
	for i := range int64(4) {
		slot := newMessage(i)
		slot.Options = &pb.Options{ComputeBudgetMicros: proto.Int64(budget.Microseconds())}
		if _, err := s.answer(t.Context(), singleCalls{}, at, slot, nil); err != nil {
			t.Fatal(err)
		}
		if d := <-given; i > 0 && d > budget-late/2 {
			t.Errorf("slot %d: the engine has %v of %v", i, d, budget)
		}
	}
	at.learn(time.Hour)
	if d := time.Until(at.deadline(time.Now(), budget)); d > budget/2 || d < 0 {
		t.Errorf("after a slot that was an hour late the engine has %v", d)
	}
	for range 1000 {
		at.learn(0)
	}
	if at.late > time.Millisecond {
		t.Errorf("after many slots in time: %v", at.late)
	}
}

// TestContain: a panic in the handler of a call is counted and answered.
func TestContain(t *testing.T) {
	s := New(Config{})
	_, err := s.containUnary(t.Context(), nil, nil, func(context.Context, any) (any, error) { panic("bite") })
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "bite") || s.Faults() != 1 {
		t.Errorf("%v, %d faults", err, s.Faults())
	}
}

// TestLimitsInUse: more sessions or slots than a limit are refused by its name,
// and welcome when others have gone.
func TestLimitsInUse(t *testing.T) {
	for name, c := range map[string]struct {
		limits Limits
		text   string
	}{
		"sessions":          {Limits{Sessions: 2, SessionsPerPeer: 3}, "at most 2 sessions in all"},
		"sessions per peer": {Limits{SessionsPerPeer: 2}, "at most 2 sessions of one peer"},
		"slots":             {Limits{WindowSlots: 3, SlotsInFlight: 8, SlotsInFlightPerPeer: 9}, "at most 8 slots in flight in all"},
		"slots per peer":    {Limits{WindowSlots: 3, SlotsInFlightPerPeer: 8}, "at most 8 slots in flight of one peer"},
	} {
		s := start(t, Config{Limits: c.limits}, nil)
		ctx, cancel := context.WithCancel(t.Context())
		rpc := s.rpc(t)
		opened := func() (slotClient, error) {
			stream, err := rpc.StreamSlots(ctx)
			if err != nil {
				t.Fatal(err)
			}
			send(t, stream, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}})
			_, err = stream.Recv()
			return stream, err
		}
		first, err := opened()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := opened(); err != nil {
			t.Fatal(err)
		}
		_, err = opened()
		checkExhausted(t, name, err, c.text)
		if err := first.CloseSend(); err != nil {
			t.Fatal(err)
		}
		if _, err := first.Recv(); !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		if _, err := opened(); err != nil {
			t.Errorf("%s: after one has gone: %v", name, err)
		}
		cancel()
		waitFor(t, func() bool { return s.sessions.inUse() == 0 && s.slots.inUse() == 0 })
		if len(s.sessions.by)+len(s.slots.by) > 0 {
			t.Errorf("%s: peers are kept: %v, %v", name, s.sessions.by, s.slots.by)
		}
	}

	gate, entered := make(chan struct{}), make(chan int64, 1)
	s := start(t, Config{Limits: Limits{SlotsInFlight: 1, SlotsInFlightPerPeer: 2}}, gated(gate, entered))
	rpc := s.rpc(t)
	var first sync.WaitGroup
	first.Go(func() { rpc.ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: newMessage(1)}) })
	<-entered
	_, err := rpc.ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: newMessage(2)})
	checkExhausted(t, "calls", err, "at most 1 slots in flight in all")
	close(gate)
	first.Wait()
}

func checkExhausted(t *testing.T, name string, err error, text string) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != codes.ResourceExhausted || !strings.Contains(st.Message(), text) {
		t.Errorf("%s: %v", name, err)
		return
	}
	if info, ok := st.Details()[0].(*errdetails.ErrorInfo); !ok || info.GetReason() != reasonLimitReached {
		t.Errorf("%s: details %v", name, st.Details())
	}
}

// TestLargeSlot: the client refuses what would end the stream, and the session
// goes on.
func TestLargeSlot(t *testing.T) {
	s := start(t, Config{Limits: Limits{MessageBytes: 1000}}, nil)
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	large := newMessage(1)
	large.Channel.Values = make([]float64, 1000)
	var rejected *client.RejectedError
	if err := session.SendMessage(large); !errors.As(err, &rejected) || rejected.Violations[0].Path != "slot" {
		t.Errorf("error %v", err)
	}
	if err := session.Send(newSlot(2)); err != nil {
		t.Fatal(err)
	}
	if plan, err := session.Recv(); err != nil || plan.Sequence != 2 || session.Reconnects() > 0 {
		t.Errorf("plan %v, %v", plan, err)
	}
}

// TestGiveUp: a client whose server does not come back says so.
func TestGiveUp(t *testing.T) {
	s := start(t, Config{}, nil)
	c := s.dial(t, client.Config{Reconnect: client.Reconnect{FirstDelay: time.Millisecond, GiveUpAfter: 20 * time.Millisecond}})
	session, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	s.stop()
	if _, err := session.Recv(); status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "given up after") {
		t.Errorf("error %v", err)
	}
	if err := session.Send(newSlot(1)); !errors.Is(err, io.EOF) {
		t.Errorf("send: %v", err)
	}
}

// TestBacklog: Send waits beyond the backlog, and goes on when a plan is
// received.
func TestBacklog(t *testing.T) {
	s := start(t, Config{}, nil)
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{Backlog: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	sent := make(chan int64, 10)
	go func() {
		for i := range int64(4) {
			if session.Send(newSlot(i)) == nil {
				sent <- i
			}
		}
	}()
	for i := range int64(2) {
		<-sent
		<-sent
		if len(sent) > 0 {
			t.Errorf("%d sent beyond the backlog", len(sent))
		}
		for range 2 {
			if _, err := session.Recv(); err != nil {
				t.Fatal(i, err)
			}
		}
	}
	session.CloseSend()
	if err := session.Send(newSlot(9)); err == nil {
		t.Error("a slot after CloseSend is sent")
	}
	if _, err := session.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last: %v", err)
	}
}

// TestPings: a client that pings without measure is told to go (RFC 9113, 6.7
// and 6.8: PING and GOAWAY; error code 0xb is ENHANCE_YOUR_CALM).
func TestPings(t *testing.T) {
	s := start(t, Config{}, nil)
	conn, err := net.Dial("tcp", s.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(2 * time.Minute))
	const settings, ping, goAway, calm = 4, 6, 7, 0xb
	frame := func(kind byte, payload []byte) []byte {
		return append([]byte{0, 0, byte(len(payload)), kind, 0, 0, 0, 0, 0}, payload...)
	}
	out := append([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"), frame(settings, nil)...)
	for range 10 {
		out = append(out, frame(ping, make([]byte, 8))...)
	}
	if _, err := conn.Write(out); err != nil {
		t.Fatal(err)
	}
	for {
		head := make([]byte, 9)
		if _, err := io.ReadFull(conn, head); err != nil {
			t.Fatalf("before a GOAWAY: %v", err)
		}
		body := make([]byte, int(head[1])<<8|int(head[2]))
		if _, err := io.ReadFull(conn, body); err != nil {
			t.Fatal(err)
		}
		if head[3] == goAway {
			if code := binary.BigEndian.Uint32(body[4:]); code != calm {
				t.Errorf("GOAWAY with code %d", code)
			}
			return
		}
	}
}
