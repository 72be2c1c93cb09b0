package server

import (
	"context"
	"errors"
	"flag"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"leastwatt/client"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

var soakTime = flag.Duration("soak", 10*time.Second, "how long TestSoak goes on")

// TestSoak has good clients and bad ones at a server together: some stall, some
// break off, some send garbage or too much. Every good slot is answered, in
// order and right; memory stays flat; nothing is left behind.
func TestSoak(t *testing.T) {
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, before) })
	var log lockedBuffer
	limits := Limits{MessageBytes: 1 << 20, WindowSlots: 4, Sessions: 40, SessionsPerPeer: 40, Antennas: 64, Users: 32}
	s := start(t, Config{Limits: limits, Logger: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelError}))}, nil)
	k := &soak{T: t, server: s, proxy: newProxy(t, s.address)}
	ctx, cancel := context.WithTimeout(t.Context(), *soakTime)
	defer cancel()
	var all sync.WaitGroup
	for _, run := range []func(context.Context){
		k.steady, k.steady, k.realTime, k.cutter, k.calls, k.badSlots,
		k.staller, k.staller, k.quitter, k.garbage, k.badMessages, k.tooLarge,
	} {
		all.Go(func() {
			for ctx.Err() == nil && !t.Failed() {
				run(ctx)
			}
		})
	}
	heap := k.watch(ctx)
	all.Wait()
	waitFor(t, func() bool { return s.sessions.inUse() == 0 && s.slots.inUse() == 0 && s.pool.waiting() == 0 })
	if s.Faults() > 0 {
		t.Errorf("%d faults:\n%s", s.Faults(), log.String())
	}
	n := len(heap)
	early, late := median(heap[n/4:n/2]), median(heap[3*n/4:])
	if late > early*1.25+4e6 {
		t.Errorf("heap in use grew from %.1f to %.1f MB", early/1e6, late/1e6)
	}
	if k.answered.Load() == 0 || k.dropped.Load() == 0 || k.refused.Load() == 0 || k.reconnects.Load() == 0 {
		t.Error("somebody did nothing")
	}
	t.Logf("%v: %d slots answered, %d dropped, %d refused, %d messages of bad clients, %d reconnects; heap %.1f MB early, %.1f MB late",
		*soakTime, k.answered.Load(), k.dropped.Load(), k.refused.Load(), k.abused.Load(), k.reconnects.Load(), early/1e6, late/1e6)
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// soak is the clients of TestSoak. Each method is one client, which comes and
// goes once.
type soak struct {
	*testing.T
	server *started
	proxy  *proxy

	answered, dropped, refused, abused, reconnects atomic.Int64
}

// watch returns the heap in use, looked at as long as the context lasts.
func (k *soak) watch(ctx context.Context) (heap []float64) {
	tick := time.NewTicker(*soakTime / 40)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return heap
		case <-tick.C:
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			heap = append(heap, float64(m.HeapAlloc))
		}
	}
}

// steady streams good slots through connections that are cut, and checks every
// plan.
func (k *soak) steady(ctx context.Context) {
	k.stream(client.Open{Options: scheduler.Options{Weights: scheduler.WeightsF64}}, 200, func(int) { sleep(ctx, 0) },
		func(slot *scheduler.Slot, plan *scheduler.Plan) {
			checkRates(k.T, slot, plan)
			k.answered.Add(1)
		})
}

// realTime streams slots faster than they can be planned.
func (k *soak) realTime(ctx context.Context) {
	k.stream(client.Open{NewestWins: true}, 200, func(i int) {
		if i%20 == 0 {
			sleep(ctx, 20*time.Millisecond)
		}
	}, func(_ *scheduler.Slot, plan *scheduler.Plan) {
		switch plan.Status {
		case scheduler.StatusMet:
			k.answered.Add(1)
		case scheduler.StatusDropped:
			k.dropped.Add(1)
		default:
			k.Errorf("slot %d: %v", plan.Sequence, plan.Status)
		}
	})
}

// stream streams n slots in one session and checks that each is answered in its
// turn.
func (k *soak) stream(open client.Open, n int, pace func(int), check func(*scheduler.Slot, *scheduler.Plan)) {
	c := k.dial(k.proxy.address)
	defer c.Close()
	session, err := c.Stream(k.Context(), open)
	if err != nil {
		k.passing(err)
		return
	}
	var sent sync.WaitGroup
	defer sent.Wait()
	defer session.Close()
	sent.Go(func() {
		defer session.CloseSend()
		for i := range n {
			if session.Send(newSlot(int64(i))) != nil {
				return // Recv tells why
			}
			pace(i)
		}
	})
	for i := range n {
		plan, err := session.Recv()
		if err != nil || plan.Sequence != int64(i) {
			k.Errorf("slot %d: plan %v, %v", i, plan, err)
			return
		}
		check(newSlot(int64(i)), plan)
	}
	if _, err := session.Recv(); !errors.Is(err, io.EOF) {
		k.Errorf("after the last plan: %v", err)
	}
	k.reconnects.Add(int64(session.Reconnects()))
}

// dial returns a client that its caller closes.
func (k *soak) dial(address string) *client.Client {
	c, err := client.Dial(address, client.Config{Reconnect: client.Reconnect{FirstDelay: time.Millisecond, MaxDelay: 20 * time.Millisecond}})
	if err != nil {
		k.Fatal(err)
	}
	return c
}

// passing checks that what keeps a session from opening passes: a cut, or a full
// server.
func (k *soak) passing(err error) {
	switch status.Code(err) {
	case codes.Unavailable, codes.ResourceExhausted, codes.Canceled:
	default:
		k.Errorf("open: %v", err)
	}
}

// cutter cuts the connections of those that know how to go on.
func (k *soak) cutter(ctx context.Context) {
	sleep(ctx, 300*time.Millisecond)
	k.proxy.cut()
}

// calls makes single calls, some of them with little time.
func (k *soak) calls(ctx context.Context) {
	c := k.dial(k.server.address)
	defer c.Close()
	for i := range int64(20) {
		patience := 10 * time.Second
		if i%2 == 1 {
			patience = time.Millisecond
		}
		short, cancel := context.WithTimeout(k.Context(), patience)
		slot := newSlot(i)
		slot.Options.Weights = scheduler.WeightsF64
		switch plan, err := c.Schedule(short, slot); {
		case err == nil:
			checkRates(k.T, slot, plan)
			k.answered.Add(1)
		case i%2 == 0 || status.Code(err) != codes.DeadlineExceeded:
			k.Errorf("call: %v", err)
		}
		cancel()
	}
	sleep(ctx, 10*time.Millisecond)
}

// badSlots has bad slots among good ones; both are answered.
func (k *soak) badSlots(ctx context.Context) {
	stream, hangUp := k.raw()
	defer hangUp()
	for i := range int64(50) {
		slot := newMessage(i)
		switch i % 5 {
		case 1:
			slot.Channel.Values[3] = math.NaN()
		case 2:
			slot.Users = nil
		case 3:
			slot.Channel.Antennas = 1 << 30
		case 4:
			slot.Sequence = 0
		}
		if !k.exchange(stream, slot, i%5 == 0) {
			return
		}
		sleep(ctx, 0)
	}
}

// exchange sends a slot and checks what comes back.
func (k *soak) exchange(stream slotClient, slot *pb.Slot, good bool) bool {
	if err := stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}); err != nil && !errors.Is(err, io.EOF) {
		k.Error(err)
		return false
	}
	res, err := stream.Recv()
	if err == nil && res.GetOpened() != nil {
		res, err = stream.Recv()
	}
	if err != nil {
		k.passing(err)
		return false
	}
	want := pb.PlanStatus_PLAN_STATUS_REJECTED
	counter := &k.refused
	if good {
		want, counter = pb.PlanStatus_PLAN_STATUS_MET, &k.answered
	}
	if p := res.GetPlan(); p.GetStatus() != want || p.GetSequence() != slot.GetSequence() {
		k.Errorf("slot %d: %v", slot.GetSequence(), res)
	}
	counter.Add(1)
	return true
}

// raw opens a session on the bare service and a connection of its own.
func (k *soak) raw(options ...grpc.CallOption) (stream slotClient, hangUp func()) {
	conn, err := grpc.NewClient(k.server.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		k.Fatal(err)
	}
	ctx, cancel := context.WithCancel(k.Context())
	stream, err = pb.NewSlotSchedulerServiceClient(conn).StreamSlots(ctx, options...)
	if err == nil {
		err = stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}})
	}
	if err != nil && !errors.Is(err, io.EOF) {
		k.Errorf("open: %v", err)
	}
	return stream, func() { cancel(); conn.Close() }
}

// staller sends and never reads.
func (k *soak) staller(ctx context.Context) {
	stream, hangUp := k.raw()
	var sent sync.WaitGroup
	sent.Go(func() {
		for i := int64(0); ; i++ {
			slot := newMessage(i)
			slot.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_F64}
			if stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}) != nil {
				return
			}
			k.abused.Add(1)
		}
	})
	sleep(ctx, time.Second)
	hangUp()
	sent.Wait()
}

// quitter breaks off with slots unanswered.
func (k *soak) quitter(ctx context.Context) {
	stream, hangUp := k.raw()
	defer hangUp()
	for i := range int64(4) {
		if stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: newMessage(i)}}) != nil {
			return
		}
		k.abused.Add(1)
	}
	sleep(ctx, rand.N(5*time.Millisecond))
}

// garbage speaks no HTTP/2, or only at first.
func (k *soak) garbage(ctx context.Context) {
	conn, err := net.Dial("tcp", k.server.address)
	if err != nil {
		k.Error(err)
		return
	}
	defer conn.Close()
	junk := make([]byte, 4096)
	for i := range junk {
		junk[i] = byte(rand.Uint32())
	}
	if rand.N(2) == 0 {
		conn.Write([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\x00\x00\x00\x04\x00\x00\x00\x00\x00"))
	}
	conn.Write(junk)
	k.abused.Add(1)
	sleep(ctx, rand.N(20*time.Millisecond))
}

// badMessages sends what is no message of the contract.
func (k *soak) badMessages(ctx context.Context) {
	conn, err := grpc.NewClient(k.server.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		k.Error(err)
		return
	}
	defer conn.Close()
	junk := make(bytesCodec, 1+rand.N(200))
	for i := range junk {
		junk[i] = byte(rand.Uint32())
	}
	err = conn.Invoke(k.Context(), pb.SlotSchedulerService_ScheduleSlot_FullMethodName, nil, nil, grpc.ForceCodec(junk))
	if code := status.Code(err); code != codes.Internal && code != codes.InvalidArgument {
		k.Errorf("junk: %v", err)
	}
	k.abused.Add(1)
	sleep(ctx, 10*time.Millisecond)
}

// bytesCodec sends the same bytes whatever the message.
type bytesCodec []byte

func (b bytesCodec) Marshal(any) ([]byte, error) { return b, nil }
func (b bytesCodec) Unmarshal([]byte, any) error { return nil }
func (b bytesCodec) Name() string                { return "proto" }

// tooLarge sends messages beyond the limit.
func (k *soak) tooLarge(ctx context.Context) {
	stream, hangUp := k.raw()
	defer hangUp()
	slot := newMessage(1)
	slot.Channel.Values = make([]float64, 1<<18)
	stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}})
	var err error
	for err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.ResourceExhausted {
		k.Errorf("too large: %v", err)
	}
	k.abused.Add(1)
	sleep(ctx, 20*time.Millisecond)
}

// sleep waits, but not beyond the context.
func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}
