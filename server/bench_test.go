package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"

	"leastwatt/client"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// benchSlots returns slots of a Rayleigh channel, 1 bit/s/Hz for each user.
func benchSlots(users, antennas, n int, grouping string) []*scheduler.Slot {
	rng := rand.New(rand.NewPCG(11, 12))
	var slots []*scheduler.Slot
	for range n {
		s := &scheduler.Slot{BandwidthHz: 1e6, Channel: scheduler.Channel{Antennas: antennas, Subbands: 1}}
		s.Options = scheduler.Options{Weights: scheduler.WeightsF32, Grouping: grouping}
		for k := range users {
			s.Users = append(s.Users, scheduler.User{ID: fmt.Sprintf("user %d", k), RateBps: 1e6, NoiseW: 1})
			for range antennas {
				s.Channel.Samples = append(s.Channel.Samples, complex(rng.NormFloat64(), rng.NormFloat64()))
			}
		}
		slots = append(slots, s)
	}
	return slots
}

// echo answers every slot with a plan made before, on the same transport: what
// any service of this contract takes at least.
type echo struct {
	pb.UnimplementedSlotSchedulerServiceServer
	plan *pb.Plan
}

func (e *echo) StreamSlots(stream slotStream) error {
	for {
		req, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		res := &pb.StreamSlotsResponse{}
		switch kind := req.GetKind().(type) {
		case *pb.StreamSlotsRequest_Open:
			res.Kind = &pb.StreamSlotsResponse_Opened{Opened: &pb.SessionOpened{SessionId: "echo"}}
		case *pb.StreamSlotsRequest_Slot:
			plan := &pb.Plan{
				Sequence: kind.Slot.GetSequence(), Status: e.plan.GetStatus(), Groups: e.plan.GetGroups(), Users: e.plan.GetUsers(),
				AntennaPowerW: e.plan.GetAntennaPowerW(), EngineVersion: e.plan.GetEngineVersion(), SessionState: e.plan.GetSessionState(),
			}
			res.Kind = &pb.StreamSlotsResponse_Plan{Plan: plan}
		}
		if err := stream.Send(res); err != nil {
			return err
		}
	}
}

// startEcho serves echo until the benchmark ends and returns its address.
func startEcho(b *testing.B, plan *pb.Plan) string {
	b.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	s := grpc.NewServer(New(Config{}).transport()...)
	pb.RegisterSlotSchedulerServiceServer(s, &echo{plan: plan})
	go s.Serve(lis)
	b.Cleanup(s.Stop)
	return lis.Addr().String()
}

// BenchmarkServe measures the service beside the echo of the same payload:
// lockstep, the time from slot to plan; pipelined, slots/s. The time that the
// engine alone takes stands below.
func BenchmarkServe(b *testing.B) {
	for _, users := range []int{8, 16} {
		for _, grouping := range []string{"together", scheduler.DefaultGrouping} {
			slots := benchSlots(users, 64, 64, grouping)
			s := New(Config{})
			at := &seat{}
			plan := s.schedule(b.Context(), at, slots[0])
			plan.SessionState = sealState(at.engine, "")
			for _, sessions := range []int{1, 8} {
				for _, lockstep := range []bool{true, false} {
					name := fmt.Sprintf("64x%d/%s/sessions=%d/%s", users, grouping, sessions, map[bool]string{true: "lockstep", false: "pipelined"}[lockstep])
					b.Run(name+"/echo", func(b *testing.B) {
						benchStreams(b, startEcho(b, plan), slots, sessions, lockstep)
					})
					b.Run(name+"/service", func(b *testing.B) {
						benchStreams(b, start(b, Config{}, nil).address, slots, sessions, lockstep)
					})
				}
			}
			b.Run(fmt.Sprintf("64x%d/%s/engine", users, grouping), func(b *testing.B) {
				var took []time.Duration
				for i := range b.N {
					begin := time.Now()
					at.engine.Schedule(b.Context(), slots[i%len(slots)])
					took = append(took, time.Since(begin))
				}
				reportPercentiles(b, "", took)
			})
		}
	}
}

// benchStreams sends b.N slots over some sessions.
func benchStreams(b *testing.B, address string, slots []*scheduler.Slot, sessions int, lockstep bool) {
	c, err := client.Dial(address, client.Config{Samples: convert.SamplesF32})
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	var messages []*pb.Slot
	for _, s := range slots {
		messages = append(messages, convert.SlotToProto(s, convert.SamplesF32))
	}
	var opened []*client.Session
	for range sessions {
		session, err := c.Stream(b.Context(), client.Open{})
		if err != nil {
			b.Fatal(err)
		}
		defer session.Close()
		opened = append(opened, session)
	}
	took := make([][]time.Duration, sessions)
	b.ResetTimer()
	var all sync.WaitGroup
	for n, session := range opened {
		count := b.N / sessions
		if n < b.N%sessions {
			count++
		}
		send := func(i int) {
			m := messages[i%len(messages)]
			slot := &pb.Slot{Sequence: int64(i), BandwidthHz: m.BandwidthHz, Channel: m.Channel, Users: m.Users, Options: m.Options}
			if err := session.SendMessage(slot); err != nil {
				b.Error(err)
			}
		}
		if !lockstep {
			all.Go(func() {
				for i := range count {
					send(i)
				}
			})
		}
		all.Go(func() {
			for i := range count {
				begin := time.Now()
				if lockstep {
					send(i)
				}
				plan, err := session.RecvMessage()
				if err != nil || plan.GetStatus() != pb.PlanStatus_PLAN_STATUS_MET {
					b.Errorf("%v: %v", plan.GetStatus(), err)
					return
				}
				if lockstep {
					took[n] = append(took[n], time.Since(begin))
				}
			}
		})
	}
	all.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "slots/s")
	if lockstep {
		reportPercentiles(b, "", slices.Concat(took...))
	}
}

// reportPercentiles reports p50, p99 and p99.9 in microseconds.
func reportPercentiles(b *testing.B, name string, took []time.Duration) {
	slices.Sort(took)
	for _, p := range []float64{50, 99, 99.9} {
		if len(took) == 0 {
			return
		}
		at := took[min(len(took)-1, int(float64(len(took))*p/100))]
		b.ReportMetric(float64(at.Microseconds()), fmt.Sprintf("%sp%g-us", name, p))
	}
}

// BenchmarkSessionMemory measures what a session takes in a server's process, in
// bytes of heap and stacks in use: idle, on a connection with others or on its
// own; busy, with a full window of slots of 64x16.
func BenchmarkSessionMemory(b *testing.B) {
	for _, c := range []struct {
		name     string
		sessions int
		alone    bool
		busy     bool
	}{
		{"idle", 200, false, false},
		{"idle-own-connection", 200, true, false},
		{"busy", 50, false, true},
	} {
		b.Run(c.name, func(b *testing.B) {
			for range b.N {
				b.ReportMetric(sessionMemory(b, c.sessions, c.alone, c.busy), "B/session")
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}

func sessionMemory(b *testing.B, sessions int, alone, busy bool) float64 {
	cmd, address := process(b, "127.0.0.1:0")
	defer cmd.kill(b)
	var c *client.Client
	slots := benchSlots(16, 64, 1, "")
	open := func() {
		if c == nil || alone {
			dialled, err := client.Dial(address, client.Config{Samples: convert.SamplesF32})
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { dialled.Close() })
			c = dialled
		}
		session, err := c.Stream(b.Context(), client.Open{})
		if err != nil {
			b.Fatal(err)
		}
		if err := session.Send(slots[0]); err != nil { // its engine is made
			b.Fatal(err)
		}
		if _, err := session.Recv(); err != nil {
			b.Fatal(err)
		}
		if !busy {
			return
		}
		go func() { // until the window is full, and then for every plan another
			for i := int64(1); ; i++ {
				slot := *slots[0]
				slot.Sequence = i
				if session.Send(&slot) != nil {
					return
				}
			}
		}()
		go func() {
			for {
				if _, err := session.RecvMessage(); err != nil {
					return
				}
			}
		}()
	}
	open() // the first takes what all need
	before := cmd.memory(b)
	for range sessions {
		open()
	}
	if busy {
		time.Sleep(500 * time.Millisecond)
	}
	return (cmd.memory(b) - before) / float64(sessions)
}

// tellMemory has a server's process say on stdout, whenever it gets SIGUSR1, how
// much memory is in use.
func tellMemory() {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGUSR1)
	go func() {
		for range asked {
			debug.FreeOSMemory()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			fmt.Println(m.HeapAlloc + m.StackInuse)
		}
	}()
}

// memory asks a server's process.
func (p *served) memory(tb testing.TB) float64 {
	tb.Helper()
	if err := p.Process.Signal(syscall.SIGUSR1); err != nil {
		tb.Fatal(err)
	}
	var n float64
	if _, err := fmt.Fscanln(p.out, &n); err != nil {
		tb.Fatal(err)
	}
	return n
}

// spin only uses up its time.
func spin(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
	deadline, _ := ctx.Deadline()
	for time.Now().Before(deadline) {
	}
	return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
}

// BenchmarkBudget measures by how much plans take longer than their compute
// budget, on a server with twice as many sessions as workers. In every other
// session a bare loop that watches the clock takes the engine's place.
func BenchmarkBudget(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(GCPercent)) // as leastwatt serve does
	for _, budget := range []time.Duration{5 * time.Millisecond, 20 * time.Millisecond} {
		b.Run(budget.String(), func(b *testing.B) {
			engines := start(b, Config{}, func() engine { return &alternating{real: scheduler.NewEngine()} })
			benchBudget(b, engines, budget)
		})
	}
}

// alternating is an engine whose session's number, that of its slots modulo 2,
// says whether it only spins.
type alternating struct{ real engine }

func (a *alternating) Schedule(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
	if slot.Sequence%2 == 0 {
		return spin(ctx, slot)
	}
	return a.real.Schedule(ctx, slot)
}

func benchBudget(b *testing.B, s *started, budget time.Duration) {
	sessions := 2 * s.config.Workers
	c := s.dial(b, client.Config{Samples: convert.SamplesF32})
	slots := benchSlots(40, 16, 16, "")
	over := make([][]time.Duration, sessions)
	early := make([]int, sessions)
	b.ResetTimer()
	var all sync.WaitGroup
	for n := range sessions {
		session, err := c.Stream(b.Context(), client.Open{})
		if err != nil {
			b.Fatal(err)
		}
		defer session.Close()
		all.Go(func() {
			for i := n; i < b.N; i += sessions {
				slot := *slots[i/2%len(slots)]
				slot.Sequence = int64(i) // sessions is even: odd or even as n is
				slot.Options.ComputeBudgetMicros = budget.Microseconds()
				if err := session.Send(&slot); err != nil {
					b.Error(err)
				}
				plan, err := session.RecvMessage()
				if err != nil {
					b.Error(err)
					return
				}
				if plan.GetStoppedEarly() {
					early[n]++
				}
				over[n] = append(over[n], time.Duration(plan.GetComputeMicros())*time.Microsecond-budget)
			}
		})
	}
	all.Wait()
	for i, name := range []string{"spin-", "engine-"} {
		var both []time.Duration
		for n := i; n < sessions; n += 2 {
			both = append(both, over[n]...)
			if i == 1 {
				early[0] += early[n]
			}
		}
		reportPercentiles(b, name, both)
		b.ReportMetric(200*float64(early[0])/float64(b.N), "%-stopped-early")
	}
}
