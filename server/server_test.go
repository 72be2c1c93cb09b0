package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"leastwatt/client"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

func TestMain(m *testing.M) {
	if address := os.Getenv(serveVariable); address != "" {
		serveProcess(address)
	}
	goleak.VerifyTestMain(m)
}

// started is a server that runs on a loopback port until its test ends.
type started struct {
	*Server
	address string
	stop    context.CancelFunc
	done    chan error // what Serve returned
}

// start starts a server; a nil newEngine means the real one.
func start(t testing.TB, c Config, newEngine func() engine) *started {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if newEngine == nil {
		newEngine = func() engine { return scheduler.NewEngine() }
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &started{newServer(c, newEngine), lis.Addr().String(), cancel, make(chan error, 1)}
	go func() { s.done <- s.Serve(ctx, lis) }()
	t.Cleanup(func() {
		cancel()
		if err := <-s.done; err != nil {
			t.Errorf("Serve: %v", err)
		}
		s.done <- nil
	})
	return s
}

// dial returns a client of the server that ends with the test.
func (s *started) dial(t testing.TB, c client.Config) *client.Client {
	t.Helper()
	cl, err := client.Dial(s.address, c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cl.Close() })
	return cl
}

// rpc returns the bare service.
func (s *started) rpc(t testing.TB) pb.SlotSchedulerServiceClient {
	t.Helper()
	return pb.NewSlotSchedulerServiceClient(s.conn(t))
}

func (s *started) conn(t testing.TB) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// stream opens a session on the bare service.
func (s *started) stream(t testing.TB, open *pb.OpenSession) slotClient {
	t.Helper()
	stream, err := s.rpc(t).StreamSlots(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	send(t, stream, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: open}})
	return stream
}

// mortal has sessions end with their connection.
var mortal = client.Config{Reconnect: client.Reconnect{GiveUpAfter: -1}}

type slotClient = grpc.BidiStreamingClient[pb.StreamSlotsRequest, pb.StreamSlotsResponse]

func send(t testing.TB, stream slotClient, req *pb.StreamSlotsRequest) {
	t.Helper()
	if err := stream.Send(req); err != nil && !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
}

func sendSlot(t testing.TB, stream slotClient, slot *pb.Slot) {
	t.Helper()
	send(t, stream, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}})
}

func recv(t testing.TB, stream slotClient) *pb.StreamSlotsResponse {
	t.Helper()
	res, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// newSlot returns a slot of 3 users and 4 antennas with nothing wrong: channels
// of unit variance at a noise of 1 W.
func newSlot(sequence int64) *scheduler.Slot {
	rnd := rand.New(rand.NewPCG(1, 2))
	s := &scheduler.Slot{
		Sequence:    sequence,
		BandwidthHz: 1e6,
		Channel:     scheduler.Channel{Antennas: 4, Subbands: 1},
	}
	for _, id := range []string{"crane", "carrier", "hand-held"} {
		s.Users = append(s.Users, scheduler.User{ID: id, RateBps: 1e6, NoiseW: 1})
		for range s.Channel.Antennas {
			s.Channel.Samples = append(s.Channel.Samples, complex(rnd.NormFloat64(), rnd.NormFloat64())/complex(1.4142135623730951, 0))
		}
	}
	return s
}

func newMessage(sequence int64) *pb.Slot {
	return convert.SlotToProto(newSlot(sequence), convert.SamplesF64)
}

// checkRates computes every rate of a plan anew from its weights.
func checkRates(t *testing.T, s *scheduler.Slot, p *scheduler.Plan) {
	t.Helper()
	if p.Status != scheduler.StatusMet {
		t.Fatalf("slot %d: %v", s.Sequence, p.Status)
	}
	rate := map[string]float64{}
	for _, g := range p.Groups {
		for _, a := range g.Allocations {
			k := slices.IndexFunc(s.Users, func(u scheduler.User) bool { return u.ID == a.UserID })
			noise := s.Users[k].NoiseW
			var signal float64
			for _, b := range g.Allocations {
				var z complex128
				for m, h := range s.Channel.At(k, 0) {
					z += cmplx.Conj(h) * b.Weights[m]
				}
				if p := real(z)*real(z) + imag(z)*imag(z); b.UserID == a.UserID {
					signal = p
				} else {
					noise += p
				}
			}
			rate[a.UserID] += g.Share * s.BandwidthHz * math.Log2(1+signal/noise)
		}
	}
	for _, u := range s.Users {
		if rate[u.ID] < u.RateBps*(1-scheduler.RateTolerance) {
			t.Errorf("slot %d: %s gets %g bit/s of %g", s.Sequence, u.ID, rate[u.ID], u.RateBps)
		}
	}
}

func TestScheduleSlot(t *testing.T) {
	s := start(t, Config{}, nil)
	for _, samples := range []convert.SampleFormat{convert.SamplesF64, convert.SamplesF32} {
		for _, weights := range []scheduler.WeightFormat{scheduler.WeightsF64, scheduler.WeightsF32, scheduler.WeightsI16} {
			slot := newSlot(7)
			for i, z := range slot.Channel.Samples {
				slot.Channel.Samples[i] = complex128(complex64(z))
			}
			slot.Options.Weights = weights
			plan, err := s.dial(t, client.Config{Samples: samples}).Schedule(t.Context(), slot)
			if err != nil {
				t.Fatal(err)
			}
			if plan.Sequence != 7 || plan.EngineVersion != scheduler.Version || plan.ComputeMicros <= 0 {
				t.Errorf("plan of slot %d by %q in %d us", plan.Sequence, plan.EngineVersion, plan.ComputeMicros)
			}
			checkRates(t, slot, plan)
		}
	}
}

// TestScheduleSlotRejected holds that bad input of a single call carries
// BadRequest details that name the field, and an ErrorInfo.
func TestScheduleSlotRejected(t *testing.T) {
	s := start(t, Config{}, nil)
	slot := newMessage(1)
	slot.Users[2].RateBps = -1
	slot.Options = &pb.Options{Grouping: "by-birthday"}
	_, err := s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: slot})
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument || !strings.Contains(st.Message(), "users[2].rateBps: -1; allowed: ") {
		t.Fatalf("error %v", err)
	}
	var fields []string
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			if d.Reason != "SLOT_REJECTED" || d.Domain != "leastwatt" {
				t.Errorf("info %v", d)
			}
			fields = append(fields, "info")
		case *errdetails.BadRequest:
			for _, f := range d.FieldViolations {
				fields = append(fields, f.Field)
			}
		}
	}
	if want := []string{"info", "users[2].rateBps", "options.grouping"}; !slices.Equal(fields, want) {
		t.Errorf("details %v, want %v", fields, want)
	}

	_, err = s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "slot: absent") {
		t.Errorf("without a slot: %v", err)
	}

	bad := newSlot(1)
	bad.Users[2].RateBps = -1
	bad.Options.Grouping = "x; allowed: y"
	_, err = s.dial(t, client.Config{}).Schedule(t.Context(), bad)
	var rejected *client.RejectedError
	if !errors.As(err, &rejected) {
		t.Fatalf("error %v", err)
	}
	if want := bad.Validate(); !slices.Equal(rejected.Violations, want) {
		t.Errorf("violations %v, want %v", rejected.Violations, want)
	}
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("code %v", status.Code(err))
	}
}

// TestStreamBadSlots: bad slots in the middle of a stream are answered in their
// place and the others are planned as if they were not there.
func TestStreamBadSlots(t *testing.T) {
	s := start(t, Config{}, nil)
	open := client.Open{SessionID: "yard", CellID: "quay-4", Options: scheduler.Options{Weights: scheduler.WeightsF64}}
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), open)
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	if o := session.Opened(); o.SessionID != "yard" || o.WindowSlots < 1 || o.EngineVersion != scheduler.Version ||
		o.Options != (scheduler.Options{Weights: scheduler.WeightsF64}.Resolve()) {
		t.Errorf("opened %+v", o)
	}
	bad := map[int64]struct {
		change func(*pb.Slot)
		path   string
	}{
		10: {func(m *pb.Slot) { m.Channel.Values[3] = math.Inf(-1) }, "channel.values[3]"},
		11: {func(m *pb.Slot) { m.Users = nil }, "users"},
		12: {func(m *pb.Slot) { m.Sequence = 9 }, "sequence"},
		13: {func(m *pb.Slot) { m.Sequence = 11 }, "sequence"},
		20: {func(m *pb.Slot) { m.Channel = nil }, "channel.antennas"},
		21: {func(m *pb.Slot) { m.Options = &pb.Options{Beams: "crooked"} }, "options.beams"},
		35: {func(m *pb.Slot) { m.Channel.Antennas = 1 << 30 }, "channel.antennas"},
		39: {func(m *pb.Slot) { proto.Reset(m); m.Sequence = 39 }, "bandwidthHz"},
	}
	const n = 40
	var sent sync.WaitGroup
	sent.Go(func() {
		for i := range int64(n) {
			m := newMessage(i)
			if b, ok := bad[i]; ok {
				b.change(m)
			}
			if err := session.SendMessage(m); err != nil {
				t.Error(err)
			}
		}
		if err := session.CloseSend(); err != nil {
			t.Error(err)
		}
	})
	defer sent.Wait()
	for i := range int64(n) {
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		b, isBad := bad[i]
		if !isBad {
			if plan.Sequence != i {
				t.Errorf("plan %d in the place of %d", plan.Sequence, i)
			}
			checkRates(t, newSlot(i), plan)
			continue
		}
		if plan.Status != scheduler.StatusRejected || len(plan.Groups) > 0 {
			t.Errorf("slot %d: %v with %d groups", i, plan.Status, len(plan.Groups))
		}
		if len(plan.Violations) == 0 || plan.Violations[0].Path != b.path {
			t.Errorf("slot %d: violations %v, want %s", i, plan.Violations, b.path)
		}
	}
	if plan, err := session.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last plan: %v, %v", plan, err)
	}
}

// TestSessionOptions: a slot's own options take the place of the session's field by
// field, 0 too where it is given, and the plan says what came of it.
func TestSessionOptions(t *testing.T) {
	s := start(t, Config{}, nil)
	f64, none := pb.WeightFormat_WEIGHT_FORMAT_F64, pb.WeightFormat_WEIGHT_FORMAT_NONE
	stream := s.stream(t, &pb.OpenSession{Options: &pb.Options{
		Grouping: "alone", Weights: f64, RateTable: proto.String("cqi-64qam"), Floor: proto.Bool(true), Seed: proto.Int64(5),
	}})
	if opened := recv(t, stream).GetOpened(); opened.GetOptions().GetGrouping() != "alone" ||
		opened.GetOptions().GetBeams() != "optimal" || opened.GetSessionId() == "" {
		t.Errorf("opened %v", opened)
	}
	for i, c := range []struct {
		own          *pb.Options
		grouping     string
		weights      pb.WeightFormat
		table, floor bool
		seed         int64
	}{
		{nil, "alone", f64, true, true, 5},
		{&pb.Options{Grouping: "together"}, "together", f64, true, true, 5},
		{&pb.Options{}, "alone", f64, true, true, 5},
		{&pb.Options{Weights: none, RateTable: proto.String(""), Floor: proto.Bool(false), Seed: proto.Int64(0)}, "alone", none, false, false, 0},
		{nil, "alone", f64, true, true, 5},
	} {
		slot := newMessage(int64(i + 1))
		slot.Options = c.own
		sendSlot(t, stream, slot)
		plan := recv(t, stream).GetPlan()
		if len(plan.GetGroups()) == 0 {
			t.Fatalf("slot %d: %v", i+1, plan)
		}
		first := plan.GetGroups()[0].GetAllocations()[0]
		if plan.GetStrategy().GetGrouping() != c.grouping || (first.GetWeights() != nil) != (c.weights == f64) ||
			(first.GetRateStep() != nil) != c.table || (plan.FloorPowerW != nil) != c.floor {
			t.Errorf("slot %d, %v: not as merged: %v", i+1, c.own, plan)
		}
		table := ""
		if c.table {
			table = "cqi-64qam"
		}
		want := &pb.Options{
			Grouping: c.grouping, Beams: "optimal", Power: "joint", Objective: "radiated", Floor: &c.floor, Weights: c.weights,
			Seed: &c.seed, WorkLimit: proto.Int64(0), ComputeBudgetMicros: proto.Int64(0), HysteresisDb: proto.Float64(0),
			SinrGapDb: proto.Float64(0), RateTable: &table, ShareStep: proto.Float64(0), BacklogSlots: proto.Float64(0),
		}
		if !proto.Equal(plan.GetOptions(), want) {
			t.Errorf("slot %d: the plan tells of %v, want %v", i+1, plan.GetOptions(), want)
		}
	}
}

// TestPlanOptions: a plan leaves out a codebook's own beams, and the plan of a slot
// that was refused tells no options.
func TestPlanOptions(t *testing.T) {
	s := start(t, Config{}, nil)
	stream := s.stream(t, &pb.OpenSession{Options: &pb.Options{Grouping: "alone"}})
	recv(t, stream)
	slot := newMessage(1)
	slot.Options = &pb.Options{Beams: "codebook", Codebook: &pb.Codebook{Values: []float64{0, 0, 3, 0, 0, 0, 0, 0}}}
	sendSlot(t, stream, slot)
	got := recv(t, stream).GetPlan().GetOptions()
	if got.GetGrouping() != "alone" || got.GetBeams() != "codebook" || got.Codebook == nil || len(got.Codebook.Values) > 0 {
		t.Errorf("the plan tells of %v", got)
	}
	slot = newMessage(2)
	slot.Options = &pb.Options{Power: "joint", Beams: "matched"}
	sendSlot(t, stream, slot)
	if plan := recv(t, stream).GetPlan(); plan.GetStatus() != pb.PlanStatus_PLAN_STATUS_REJECTED || plan.Options != nil {
		t.Errorf("refused: %v", plan)
	}
}

// TestSessionProtocol holds what ends a stream: a client that breaks the order
// of messages, by name.
func TestSessionProtocol(t *testing.T) {
	s := start(t, Config{}, nil)
	open := &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}}
	slot := &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: newMessage(5)}}
	ack := func(n int64) *pb.StreamSlotsRequest {
		return &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Ack{Ack: &pb.AckPlans{Sequence: n}}}
	}
	for _, c := range []struct {
		name     string
		requests []*pb.StreamSlotsRequest
		answers  int
		code     codes.Code
		path     string
	}{
		{"in order", []*pb.StreamSlotsRequest{open, slot, ack(5)}, 2, codes.OK, ""},
		{"no slots", []*pb.StreamSlotsRequest{open}, 1, codes.OK, ""},
		{"nothing", nil, 0, codes.InvalidArgument, "open: "},
		{"no open", []*pb.StreamSlotsRequest{slot}, 0, codes.InvalidArgument, "open: "},
		{"two opens", []*pb.StreamSlotsRequest{open, slot, open}, 2, codes.InvalidArgument, "open: "},
		{"empty", []*pb.StreamSlotsRequest{open, {}}, 1, codes.InvalidArgument, "kind: "},
		{"early ack", []*pb.StreamSlotsRequest{open, ack(5)}, 1, codes.InvalidArgument, "ack.sequence: 5"},
		{"wrong ack", []*pb.StreamSlotsRequest{open, slot, ack(6)}, 2, codes.InvalidArgument, "ack.sequence: 6"},
	} {
		stream, err := s.rpc(t).StreamSlots(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range c.requests {
			send(t, stream, r)
		}
		stream.CloseSend()
		answers := 0
		for err == nil {
			if _, err = stream.Recv(); err == nil {
				answers++
			}
		}
		if errors.Is(err, io.EOF) {
			err = nil
		}
		if answers != c.answers || status.Code(err) != c.code || err != nil && !strings.Contains(err.Error(), c.path) {
			t.Errorf("%s: %d answers, %v", c.name, answers, err)
		}
	}
}

func TestListStrategies(t *testing.T) {
	s := start(t, Config{}, nil)
	got, err := s.dial(t, client.Config{}).Strategies(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want []scheduler.Info }{
		{got.Groupings, scheduler.Groupings()},
		{got.Beams, scheduler.Beams()},
		{got.Powers, scheduler.Powers()},
		{got.Objectives, scheduler.Objectives()},
		{got.RateTables, scheduler.RateTables()},
		{got.ConsumptionModels, scheduler.ConsumptionModels()},
	} {
		if !slices.Equal(c.got, c.want) {
			t.Errorf("got %v, want %v", c.got, c.want)
		}
	}
}

// TestSlotBounds: what a slot may need of a worker is bounded by the server, for a
// plan and an audit alike.
func TestSlotBounds(t *testing.T) {
	slot := newMessage(1)
	withArray(slot)
	for name, c := range map[string]struct {
		bounds scheduler.Bounds
		path   string
	}{
		"memory":     {scheduler.Bounds{Bytes: 1000}, "channel"},
		"work":       {scheduler.Bounds{Work: 10}, "channel"},
		"directions": {scheduler.Bounds{Directions: 10}, "array.positionsM"},
	} {
		s := start(t, Config{Limits: Limits{Slot: c.bounds}}, nil)
		plan, err := s.Plan(t.Context(), slot)
		if err != nil || plan.GetStatus() != pb.PlanStatus_PLAN_STATUS_REJECTED || plan.GetViolations()[0].GetPath() != c.path {
			t.Errorf("%s: %v, %v", name, plan, err)
		}
		_, err = s.Audit(t.Context(), &pb.AuditPlanRequest{Slot: slot, Plan: &pb.Plan{}})
		if err == nil || !strings.Contains(err.Error(), c.path) {
			t.Errorf("%s: an audit gave %v", name, err)
		}
	}
}

func TestLimits(t *testing.T) {
	s := start(t, Config{Limits: Limits{Antennas: 4, Users: 3, Groups: 1}}, nil)
	groups := newMessage(1)
	for range 2 {
		groups.Groups = append(groups.Groups, &pb.FixedGroup{UserIds: []string{"crane"}})
	}
	antennas := newMessage(1)
	antennas.Channel.Antennas = 5
	antennas.Channel.Subbands = 513
	users := newMessage(1)
	users.Users = append(users.Users, &pb.User{})
	directions := newMessage(1)
	directions.Limits = &pb.Limits{ProtectedDirections: make([]*pb.ProtectedDirection, 257)}
	for i := range directions.Limits.ProtectedDirections {
		directions.Limits.ProtectedDirections[i] = &pb.ProtectedDirection{}
	}
	for _, c := range []struct {
		slot  *pb.Slot
		paths []string
	}{
		{groups, []string{"groups"}},
		{antennas, []string{"channel.antennas", "channel.subbands"}},
		{users, []string{"users"}},
		{directions, []string{"limits.protectedDirections"}},
	} {
		plan, err := s.Plan(t.Context(), c.slot)
		if err != nil {
			t.Fatal(err)
		}
		var paths []string
		for _, v := range plan.GetViolations() {
			paths = append(paths, v.GetPath())
			if !strings.Contains(v.GetAllowed(), "this server's limit on") {
				t.Errorf("%s: allowed %q", v.GetPath(), v.GetAllowed())
			}
		}
		if !slices.Equal(paths, c.paths) {
			t.Errorf("paths %v, want %v", paths, c.paths)
		}
	}
}

func TestMessageLimit(t *testing.T) {
	s := start(t, Config{Limits: Limits{MessageBytes: 1000}}, nil)
	large := newMessage(1)
	large.Channel.Values = make([]float64, 1000)
	if _, err := s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: large}); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("error %v", err)
	}
}

// TestLargeMessage sends more than gRPC's own limit of 4 MiB, and as much comes
// back.
func TestLargeMessage(t *testing.T) {
	echo := func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet, Groups: []scheduler.Group{
				{Allocations: []scheduler.Allocation{{Weights: make([]complex128, len(slot.Users[0].ID)/16)}}},
			}}
		})
	}
	s := start(t, Config{}, echo)
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{Options: scheduler.Options{Weights: scheduler.WeightsF64}})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	message := newMessage(1)
	message.Users[0].Id = strings.Repeat("x", 5<<20)
	if err := session.SendMessage(message); err != nil {
		t.Fatal(err)
	}
	plan, err := session.Recv()
	if err != nil || len(plan.Groups[0].Allocations[0].Weights) != 5<<16 {
		t.Errorf("plan %v, error %v", plan, err)
	}
}

// TestLargePlan: a plan too large to send is refused and the stream goes on.
func TestLargePlan(t *testing.T) {
	large := func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			plan := &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
			if slot.Sequence == 2 {
				plan.AntennaPowerW = make([]float64, 10000)
			}
			return plan
		})
	}
	s := start(t, Config{Limits: Limits{MessageBytes: 50000}}, large)
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for i := range int64(3) {
		if err := session.Send(newSlot(i + 1)); err != nil {
			t.Fatal(err)
		}
		plan, err := session.Recv()
		if err != nil || plan.Sequence != i+1 {
			t.Fatalf("plan %v, error %v", plan, err)
		}
		if bad := plan.Status == scheduler.StatusRejected; bad != (i == 1) || bad && plan.Violations[0].Path != "options.weights" {
			t.Errorf("slot %d: %v, %v", i+1, plan.Status, plan.Violations)
		}
	}
}

// engineFunc is an engine that only pretends.
type engineFunc func(context.Context, *scheduler.Slot) *scheduler.Plan

func (f engineFunc) Schedule(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
	return f(ctx, slot)
}

// TestFault: a panic inside the engine costs its own slot and nothing else.
func TestFault(t *testing.T) {
	made := 0
	faulty := func() engine {
		made++
		broken := false
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			if broken {
				t.Error("an engine is used after its panic")
			}
			switch slot.Sequence {
			case 2:
				broken = true
				panic("index out of range")
			case 3: // weights that are not what was asked for
				return &scheduler.Plan{Groups: []scheduler.Group{{Allocations: []scheduler.Allocation{{Weights: []complex128{0.1}}}}}}
			}
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	}
	var log lockedBuffer
	s := start(t, Config{Workers: 1, Logger: slog.New(slog.NewTextHandler(&log, nil))}, faulty)
	session, err := s.dial(t, client.Config{}).Stream(t.Context(), client.Open{Options: scheduler.Options{Weights: scheduler.WeightsF32}})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for i, want := range []scheduler.Status{scheduler.StatusMet, scheduler.StatusFailed, scheduler.StatusFailed, scheduler.StatusMet} {
		if err := session.Send(newSlot(int64(i + 1))); err != nil {
			t.Fatal(err)
		}
		plan, err := session.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if plan.Status != want || plan.Status == scheduler.StatusFailed && plan.Sequence != int64(i+1) {
			t.Errorf("slot %d: plan %d is %v, want %v", i+1, plan.Sequence, plan.Status, want)
		}
	}
	_, err = s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: newMessage(2)})
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "index out of range") {
		t.Errorf("single call: %v", err)
	}
	if s.Faults() != 3 || made != 3 {
		t.Errorf("%d faults, %d engines made", s.Faults(), made)
	}
	if text := log.String(); !strings.Contains(text, "index out of range") || !strings.Contains(text, "server_test.go") {
		t.Errorf("the log does not tell where:\n%s", text)
	}
}

type lockedBuffer struct {
	mu   sync.Mutex
	text strings.Builder
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// TestComputeBudget: the budget is a deadline for the engine, from when it
// starts; without one there is none.
func TestComputeBudget(t *testing.T) {
	patient := func() engine {
		return engineFunc(func(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
			plan := &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
			if end, bounded := ctx.Deadline(); bounded && time.Until(end) < time.Second { // there is that of MaxCompute too
				<-ctx.Done()
				plan.StoppedEarly = errors.Is(ctx.Err(), context.DeadlineExceeded)
			}
			return plan
		})
	}
	s := start(t, Config{}, patient)
	c := s.dial(t, client.Config{})
	for _, budget := range []int64{0, 2000} {
		slot := newSlot(1)
		slot.Options.ComputeBudgetMicros = budget
		plan, err := c.Schedule(context.WithoutCancel(t.Context()), slot)
		if err != nil {
			t.Fatal(err)
		}
		if plan.StoppedEarly != (budget > 0) || plan.ComputeMicros < budget {
			t.Errorf("budget of %d us: stopped early %v after %d us", budget, plan.StoppedEarly, plan.ComputeMicros)
		}
	}
	if d := micros(1 << 62); d <= 0 {
		t.Errorf("a budget without end gives %v", d)
	}
}

// TestCancelled: a caller that has gone waits for no engine, and its code is the
// context's.
func TestCancelled(t *testing.T) {
	release, busy := make(chan struct{}), make(chan struct{}, 1)
	blocked := func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			busy <- struct{}{}
			<-release
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	}
	s := start(t, Config{Workers: 1}, blocked)
	var first sync.WaitGroup
	first.Go(func() { s.Plan(context.Background(), newMessage(1)) })
	<-busy
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.ScheduleSlot(ctx, &pb.ScheduleSlotRequest{Slot: newMessage(2)}); status.Code(err) != codes.Canceled {
		t.Errorf("error %v", err)
	}
	ctx, cancel = context.WithTimeout(context.Background(), 0)
	defer cancel()
	if _, err := s.ScheduleSlot(ctx, &pb.ScheduleSlotRequest{Slot: newMessage(2)}); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("error %v", err)
	}
	close(release)
	first.Wait()
}

// TestDrain: a server that stops answers what it holds, says goodbye and takes no
// more.
func TestDrain(t *testing.T) {
	gate, entered := make(chan struct{}), make(chan int64, 1)
	s := start(t, Config{}, gated(gate, entered))
	c := s.dial(t, mortal)
	session, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	idle, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer idle.Close()
	if err := session.Send(newSlot(4)); err != nil {
		t.Fatal(err)
	}
	<-entered
	s.stop()
	var closing *client.ClosingError
	if plan, err := idle.Recv(); !errors.As(err, &closing) {
		t.Errorf("idle session: %v, %v", plan, err)
	}
	close(gate)
	if plan, err := session.Recv(); err != nil || plan.Sequence != 4 {
		t.Errorf("slot held: %v, %v", plan, err)
	}
	if plan, err := session.Recv(); !errors.As(err, &closing) || closing.LastSequence != 4 {
		t.Errorf("goodbye: %v, %v", plan, err)
	}
	if plan, err := session.Recv(); !errors.As(err, &closing) {
		t.Errorf("after goodbye: %v, %v", plan, err)
	}
	if err := <-s.done; err != nil {
		t.Errorf("Serve: %v", err)
	}
	s.done <- nil
	if _, err := c.Schedule(t.Context(), newSlot(5)); status.Code(err) != codes.Unavailable {
		t.Errorf("after the end: %v", err)
	}
}

// recorder is a stream that plays requests and records what is sent.
type recorder struct {
	grpc.ServerStream
	ctx      context.Context
	requests []*pb.StreamSlotsRequest
	sent     []*pb.StreamSlotsResponse
}

func (r *recorder) Context() context.Context { return r.ctx }

func (r *recorder) Recv() (*pb.StreamSlotsRequest, error) {
	if len(r.requests) == 0 {
		return nil, io.EOF
	}
	req := r.requests[0]
	r.requests = r.requests[1:]
	return req, nil
}

func (r *recorder) Send(res *pb.StreamSlotsResponse) error {
	r.sent = append(r.sent, res)
	return nil
}

// TestCloseAnswers: every slot received before the end has its answer.
func TestCloseAnswers(t *testing.T) {
	r := &recorder{ctx: t.Context()}
	s := New(Config{})
	s.stop()
	ses := &session{server: s, stream: r}
	ses.set(&pb.OpenSession{})
	for i := range int64(3) {
		ses.queue.put(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: newMessage(i + 1)}}, 1)
	}
	if err := ses.answerAll(); err != nil {
		t.Fatal(err)
	}
	for i := range int64(3) {
		if n := r.sent[i].GetPlan().GetSequence(); n != i+1 {
			t.Errorf("answer %d is to slot %d", i+1, n)
		}
	}
	if last := r.sent[3].GetClosing().GetLastSequence(); len(r.sent) != 4 || last != 3 {
		t.Errorf("%d answers; the last says %d", len(r.sent), last)
	}
}

// TestDrainTimeout: a session whose client does not read is cut off.
func TestDrainTimeout(t *testing.T) {
	called := make(chan struct{}, 4)
	loud := func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			called <- struct{}{}
			return &scheduler.Plan{Status: scheduler.StatusMet, EngineVersion: strings.Repeat("x", 16<<20)}
		})
	}
	s := start(t, Config{DrainTimeout: 10 * time.Millisecond}, loud)
	session, err := s.dial(t, mortal).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	for i := range int64(4) {
		if err := session.Send(newSlot(i)); err != nil {
			t.Fatal(err)
		}
	}
	<-called
	<-called
	s.stop()
	if err := <-s.done; err != nil {
		t.Errorf("Serve: %v", err)
	}
	s.done <- nil
}

// TestAbandoned: a client that breaks off in mid-stream leaves nothing behind
// (goleak looks after the last test) and the server serves on.
func TestAbandoned(t *testing.T) {
	s := start(t, Config{}, nil)
	c := s.dial(t, client.Config{})
	for range 5 {
		session, err := c.Stream(t.Context(), client.Open{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range int64(20) {
			if err := session.Send(newSlot(i)); err != nil {
				t.Fatal(err)
			}
		}
		session.Close()
	}
	if _, err := c.Schedule(t.Context(), newSlot(1)); err != nil {
		t.Error(err)
	}
}

// TestSessions: many sessions at once get each its own plans.
func TestSessions(t *testing.T) {
	s := start(t, Config{Workers: 2}, nil)
	c := s.dial(t, client.Config{})
	var all sync.WaitGroup
	for n := range int64(8) {
		all.Go(func() {
			session, err := c.Stream(t.Context(), client.Open{Options: scheduler.Options{Weights: scheduler.WeightsF64}})
			if err != nil {
				t.Error(err)
				return
			}
			defer session.Close()
			for i := range int64(10) {
				slot := newSlot(100*n + i)
				slot.Users[0].RateBps *= float64(n + 1)
				if err := session.Send(slot); err != nil {
					t.Error(err)
				}
				plan, err := session.Recv()
				if err != nil || plan.Sequence != slot.Sequence {
					t.Errorf("plan %v, error %v", plan, err)
					return
				}
				checkRates(t, slot, plan)
			}
		})
	}
	all.Wait()
}

func TestCheckAddress(t *testing.T) {
	for address, want := range map[string]bool{
		"127.0.0.1:0": true, "127.1.2.3:0": true, "[::1]:0": true,
		"0.0.0.0:0": false, "[::]:0": false, "192.0.2.1:0": false,
	} {
		addr, err := net.ResolveTCPAddr("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		for _, anywhere := range []bool{false, true} {
			err := newServer(Config{PlaintextAnywhere: anywhere}, func() engine { return nil }).CheckAddress(addr)
			if (err == nil) != (want || anywhere) {
				t.Errorf("%s, anywhere %v: %v", address, anywhere, err)
			}
		}
	}
	if err := New(Config{}).CheckAddress(&net.UnixAddr{Name: "socket"}); err != nil {
		t.Error(err)
	}
}

// TestServeRefuses: the check of the address is in force.
func TestServeRefuses(t *testing.T) {
	lis, err := net.Listen("tcp", "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := New(Config{}).Serve(t.Context(), lis); err == nil || !strings.Contains(err.Error(), "not a loopback address") {
		t.Errorf("error %v", err)
	}
	if _, err := lis.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("the listener is not closed: %v", err)
	}
}

// TestServeStopped: a server that is to stop before it begins stops as others do.
func TestServeStopped(t *testing.T) {
	for range 20 { // either may come first
		lis, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := New(Config{}).Serve(ctx, lis); err != nil {
			t.Error(err)
		}
	}
}

// TestServeListenerFails: Serve returns when its listener does.
func TestServeListenerFails(t *testing.T) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	lis.Close()
	if err := New(Config{}).Serve(t.Context(), lis); err == nil {
		t.Error("no error")
	}
}

func TestHealth(t *testing.T) {
	s := start(t, Config{}, nil)
	for _, service := range []string{"", "leastwatt.v1.SlotSchedulerService"} {
		res, err := healthpb.NewHealthClient(s.conn(t)).Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
		if err != nil || res.GetStatus() != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("service %q: %v, %v", service, res, err)
		}
	}
}

func TestReflection(t *testing.T) {
	s := start(t, Config{}, nil)
	stream, err := reflectionpb.NewServerReflectionClient(s.conn(t)).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	err = stream.Send(&reflectionpb.ServerReflectionRequest{
		MessageRequest: &reflectionpb.ServerReflectionRequest_FileContainingSymbol{
			FileContainingSymbol: "leastwatt.v1.SlotSchedulerService",
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	res, err := stream.Recv()
	if err != nil || len(res.GetFileDescriptorResponse().GetFileDescriptorProto()) == 0 {
		t.Errorf("answer %v, %v", res, err)
	}
}

// TestErrors is the table of errors.go.
func TestErrors(t *testing.T) {
	own := status.Error(codes.Unavailable, "transport is closing")
	bad := &rejection{reasonSlotRejected, []scheduler.Violation{{Path: "users", Value: "0", Allowed: "1"}, {}}}
	for _, c := range []struct {
		err     error
		code    codes.Code
		reason  string
		message string
	}{
		{bad, codes.InvalidArgument, "SLOT_REJECTED", "server: users: 0; allowed: 1 (and 1 more)"},
		{fmt.Errorf("more: %w", bad), codes.InvalidArgument, "SLOT_REJECTED", "server: users: 0; allowed: 1 (and 1 more)"},
		{sessionRejected("open", "a", "b"), codes.InvalidArgument, "SESSION_REJECTED", "server: open: a; allowed: b"},
		{&exhausted{"sessions", "in all", 3}, codes.ResourceExhausted, "LIMIT_REACHED", "server: at most 3 sessions in all: this server's limit"},
		{context.Canceled, codes.Canceled, "CANCELLED", "context canceled"},
		{context.DeadlineExceeded, codes.DeadlineExceeded, "DEADLINE_EXCEEDED", "context deadline exceeded"},
		{errFault, codes.Internal, "ENGINE_FAULT", errFault.Error()},
		{errors.New("secret"), codes.Internal, "ENGINE_FAULT", "server: unexpected error"},
	} {
		st := status.Convert(rpcError(c.err))
		if st.Code() != c.code || st.Message() != c.message {
			t.Errorf("%v: %v", c.err, st)
		}
		info, ok := st.Details()[0].(*errdetails.ErrorInfo)
		if !ok || info.GetReason() != c.reason || info.GetDomain() != "leastwatt" {
			t.Errorf("%v: details %v", c.err, st.Details())
		}
	}
	if err := rpcError(own); !errors.Is(err, own) {
		t.Errorf("the transport's own error: %v", err)
	}
	if err := rpcError(nil); err != nil {
		t.Error(err)
	}
}

// TestErrorSize: what does not fit into a trailer is counted.
func TestErrorSize(t *testing.T) {
	var list []scheduler.Violation
	for i := range 200 {
		list = append(list, scheduler.Violation{Path: fmt.Sprintf("users[%d].id", i), Value: strings.Repeat("x", 60), Allowed: "y"})
	}
	out := badRequest(list)
	n := len(out.FieldViolations)
	if want := fmt.Sprintf("%d more violations; allowed: none", 200-n+1); out.FieldViolations[n-1].Description != want {
		t.Errorf("last of %d: %v, want %q", n, out.FieldViolations[n-1], want)
	}
	if size := proto.Size(out); size > maxDetailBytes {
		t.Errorf("%d bytes", size)
	}
}
