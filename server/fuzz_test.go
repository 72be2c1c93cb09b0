package server

import (
	"context"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// fuzzLimits keep slots small, so that many are tried.
var fuzzLimits = Limits{Antennas: 16, Users: 8, Subbands: 4, ProtectedDirections: 4}

// fuzzSeeds change a good slot in what the contract has to offer.
var fuzzSeeds = []func(*pb.Slot){
	func(*pb.Slot) {},
	func(s *pb.Slot) { toF32(s, 1) },
	withGroups,
	func(s *pb.Slot) { withGroups(s); s.Groups[0].Share = proto.Float64(0.5) },
	func(s *pb.Slot) { s.Options = &pb.Options{Beams: "matched", Power: "iterative", Grouping: "together"} },
	func(s *pb.Slot) {
		s.Options = &pb.Options{Beams: "zero-forcing", Power: "lp", Grouping: "random", Seed: proto.Int64(3)}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{Beams: "regularized", Weights: pb.WeightFormat_WEIGHT_FORMAT_F32}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_I16, Grouping: "alone", ShareStep: proto.Float64(0.1)}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{RateTable: proto.String("cqi-64qam"), SinrGapDb: proto.Float64(1), ComputeBudgetMicros: proto.Int64(100)}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{Floor: proto.Bool(true), WorkLimit: proto.Int64(20), HysteresisDb: proto.Float64(0.5)}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{Beams: "codebook", Codebook: &pb.Codebook{Oversampling: 2, Columns: 2}}
	},
	func(s *pb.Slot) {
		s.Options = &pb.Options{Beams: "codebook", Grouping: "together", RateTable: proto.String("cqi-64qam"),
			Codebook: &pb.Codebook{Values: []float64{1, 2, 0, 0, 1e-300, 0, 0, 1e300, 0, 0, 0, 1, 1, 0, 0, 0}}}
	},
	func(s *pb.Slot) { s.Options = &pb.Options{Floor: proto.Bool(true)} },
	func(s *pb.Slot) {
		s.Options = &pb.Options{Floor: proto.Bool(true)}
		s.Users[0].NoiseW, s.Users[1].NoiseW = 1e-25, 1e25
	},
	func(s *pb.Slot) { s.Options = &pb.Options{Floor: proto.Bool(true)}; s.Users[0].RateBps = 1e8 },
	func(s *pb.Slot) {
		s.Options = &pb.Options{Floor: proto.Bool(true)}
		copy(s.Channel.Values[8:16], s.Channel.Values[:8])
	},
	func(s *pb.Slot) { s.Options = &pb.Options{CorrelationThreshold: proto.Float64(0.3)} },
	func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Subbands = 2, 2 },
	func(s *pb.Slot) { s.Users[0].RateBps = 1e8; s.Users[1].CsiErrorVariance = 0.1 },
	func(s *pb.Slot) { s.Users[0].RateBps = 0; s.Users[2].RateBps = 1e-9; s.Users[1].Priority = 2 },
	func(s *pb.Slot) { copy(s.Channel.Values[8:16], s.Channel.Values[:8]) }, // two alike
	func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Values = 1, s.Channel.Values[:6] },
	func(s *pb.Slot) { s.Users[0].NoiseW, s.Users[1].NoiseW = 1e-25, 1e25 },
	func(s *pb.Slot) { s.Channel.Values[0] = 1e14; s.Channel.Values[8] = 1e-14 },
	func(s *pb.Slot) { withLimits(s).TotalPowerW = proto.Float64(1) },
	func(s *pb.Slot) { // groups on subbands of their own and together, a user in all
		s.Channel.Antennas, s.Channel.Subbands = 2, 2
		withGroups(s)
		s.Groups[0].Subbands, s.Groups[1].Subbands = []int32{1}, []int32{0}
		s.Groups = append(s.Groups, &pb.FixedGroup{UserIds: []string{"crane"}})
		s.Groups[1].UserIds = append(s.Groups[1].UserIds, "crane")
	},
	func(s *pb.Slot) { withLimits(s).AntennaPowerW = []float64{0, 1, 0.1, 1} },
	func(s *pb.Slot) { withLimits(s).AntennaPowerW = make([]float64, 4) }, // nothing on the air
	func(s *pb.Slot) { withArray(s); withLimits(s).EirpW = proto.Float64(1) },
	func(s *pb.Slot) { withDirection(s) },
	func(s *pb.Slot) { withLimits(s).MaxGroupSize = proto.Int32(2); s.Limits.MaxGroups = proto.Int32(2) },
}

// FuzzSlot sends whatever bytes decode to a slot through checks, conversion and
// the engine: no fault, no number in a plan that is not finite, no plan without
// a status.
func FuzzSlot(f *testing.F) {
	for _, change := range fuzzSeeds {
		slot := newMessage(1)
		change(slot)
		b, err := proto.Marshal(slot)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	s, log := fuzzServer()
	f.Fuzz(func(t *testing.T, b []byte) {
		slot := &pb.Slot{}
		if proto.Unmarshal(b, slot) != nil {
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		plan, err := s.Plan(ctx, slot)
		if err != nil {
			t.Fatal(err)
		}
		checkPlan(t, plan, log)
	})
}

// fuzzServer returns a server, and where it logs.
func fuzzServer() (*Server, *strings.Builder) {
	log := &strings.Builder{}
	handler := slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelError})
	return newServer(Config{Workers: 1, Limits: fuzzLimits, Logger: slog.New(handler)},
		func() engine { return scheduler.NewEngine() }), log
}

// checkPlan holds what is true of every plan.
func checkPlan(t *testing.T, plan *pb.Plan, log *strings.Builder) {
	t.Helper()
	if plan.Status == pb.PlanStatus_PLAN_STATUS_FAILED || plan.Status == pb.PlanStatus_PLAN_STATUS_UNSPECIFIED {
		t.Errorf("status %v\n%s", plan.Status, log.String())
	}
	if rejected := plan.Status == pb.PlanStatus_PLAN_STATUS_REJECTED; rejected == (len(plan.Violations) == 0) {
		t.Errorf("%v with %d violations", plan.Status, len(plan.Violations))
	}
	checkFinite(t, plan.ProtoReflect())
}

// FuzzSession plays whatever bytes decode to the messages of one stream: what
// FuzzSlot holds for every plan, and one answer for every slot, in order, up to
// the message that breaks the order of the stream.
func FuzzSession(f *testing.F) {
	slot := func(n int64, change func(*pb.Slot)) *pb.StreamSlotsRequest {
		m := newMessage(n)
		change(m)
		return &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: m}}
	}
	open := func(o *pb.OpenSession) *pb.StreamSlotsRequest {
		return &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: o}}
	}
	ack := &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Ack{Ack: &pb.AckPlans{Sequence: 1}}}
	moves := func(s *pb.Slot) { s.Channel.Values[0] += 0.1 }
	for _, requests := range [][]*pb.StreamSlotsRequest{
		{open(&pb.OpenSession{}), slot(1, fuzzSeeds[0]), ack, slot(2, moves)},
		{open(&pb.OpenSession{WantSessionState: true}), slot(1, fuzzSeeds[0]), slot(2, moves), slot(1, moves)},
		{open(&pb.OpenSession{LateSlotPolicy: pb.LateSlotPolicy_LATE_SLOT_POLICY_NEWEST_WINS}), slot(1, moves), slot(2, moves), slot(3, moves)},
		{open(&pb.OpenSession{ResumeAfterSequence: proto.Int64(1), SessionState: sealState(scheduler.NewEngine(), "")}), slot(2, moves)},
		{open(&pb.OpenSession{Options: &pb.Options{Grouping: "alone", HysteresisDb: proto.Float64(1)}}), slot(1, fuzzSeeds[0]), slot(2, moves), {}},
	} {
		var b []byte
		for _, r := range requests {
			m, err := proto.Marshal(r)
			if err != nil {
				f.Fatal(err)
			}
			b = protowire.AppendBytes(b, m)
		}
		f.Add(b)
	}
	s, log := fuzzServer()
	f.Fuzz(func(t *testing.T, b []byte) {
		requests, slots := playable(b)
		r := &recorder{ctx: t.Context(), requests: requests}
		err := rpcError(playAll(s, r))
		if code := status.Code(err); code != codes.OK && code != codes.InvalidArgument {
			t.Fatal(err)
		}
		if err == nil && len(r.sent) != 1+len(slots) || len(r.sent) > 1+len(slots) {
			t.Fatalf("%d answers to %d slots, %v", len(r.sent), len(slots), err)
		}
		for i, res := range r.sent {
			switch kind := res.GetKind().(type) {
			case *pb.StreamSlotsResponse_Plan:
				checkPlan(t, kind.Plan, log)
				if kind.Plan.GetSequence() != slots[i-1] {
					t.Errorf("answer %d is to slot %d, not %d", i, kind.Plan.GetSequence(), slots[i-1])
				}
			case *pb.StreamSlotsResponse_Dropped:
				if kind.Dropped.GetSequence() != slots[i-1] || kind.Dropped.GetNewerSequence() <= slots[i-1] {
					t.Errorf("answer %d to slot %d is %v", i, slots[i-1], kind.Dropped)
				}
			default:
				if i > 0 || res.GetOpened() == nil {
					t.Errorf("answer %d is %v", i, res)
				}
			}
		}
	})
}

// playAll answers the requests of a stream as its handler would, with all of them
// there at once and in one goroutine, so that a run is like the next.
func playAll(s *Server, r *recorder) error {
	ses := &session{server: s, stream: r}
	if err := ses.open(); err != nil {
		return err
	}
	for _, req := range r.requests {
		ses.queue.put(req, proto.Size(req))
	}
	ses.queue.end(nil)
	return ses.answerAll()
}

// playable decodes at most 16 messages, each with its length before it, and the
// numbers of the slots among them.
func playable(b []byte) (requests []*pb.StreamSlotsRequest, slots []int64) {
	for len(requests) < 16 {
		m, n := protowire.ConsumeBytes(b)
		r := &pb.StreamSlotsRequest{}
		if n < 0 || proto.Unmarshal(m, r) != nil {
			return requests, slots
		}
		b = b[n:]
		requests = append(requests, r)
		if slot := r.GetSlot(); slot != nil {
			slots = append(slots, slot.GetSequence())
		}
	}
	return requests, slots
}

// checkFinite holds that every number of a message is finite.
func checkFinite(t interface{ Errorf(string, ...any) }, m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		values := []protoreflect.Value{v}
		if f.IsList() {
			values = values[:0]
			for i := range v.List().Len() {
				values = append(values, v.List().Get(i))
			}
		}
		for _, v := range values {
			switch f.Kind() {
			case protoreflect.MessageKind:
				checkFinite(t, v.Message())
			case protoreflect.DoubleKind:
				if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
					t.Errorf("%s is %g", f.FullName(), x)
				}
			}
		}
		return true
	})
}

// TestWildSlots draws slots that pass the checks but go to their edges: gains,
// rates and errors over hundreds of dB, users alike, every strategy. What
// FuzzSlot holds, holds for them too, and none is rejected.
func TestWildSlots(t *testing.T) {
	var log strings.Builder
	s := newServer(Config{Workers: 1, Logger: slog.New(slog.NewTextHandler(&log, nil))},
		func() engine { return scheduler.NewEngine() })
	rapid.Check(t, func(t *rapid.T) {
		slot := drawWildSlot(t)
		plan, err := s.Plan(context.Background(), slot)
		if err != nil {
			t.Fatal(err)
		}
		switch plan.Status {
		case pb.PlanStatus_PLAN_STATUS_MET, pb.PlanStatus_PLAN_STATUS_SHORT:
		default:
			t.Errorf("%v: %v %s", plan.Status, plan.Violations, log.String())
		}
		checkFinite(t, plan.ProtoReflect())
	})
}

func drawWildSlot(t *rapid.T) *pb.Slot {
	power := func(label string, lowest, highest float64) float64 {
		return math.Pow(10, rapid.Float64Range(lowest, highest).Draw(t, label))
	}
	name := func(label string, infos []scheduler.Info) string {
		var names []string
		for _, i := range infos {
			names = append(names, i.Name)
		}
		return rapid.SampledFrom(names).Draw(t, label)
	}
	users, antennas := rapid.IntRange(1, 4).Draw(t, "users"), rapid.IntRange(1, 5).Draw(t, "antennas")
	subbands := rapid.IntRange(1, 3).Draw(t, "subbands")
	slot := &pb.Slot{
		BandwidthHz: power("bandwidth", -3, 12),
		Channel:     &pb.Channel{Antennas: int32(antennas), Subbands: int32(subbands)},
		Options: &pb.Options{
			Grouping:  name("grouping", scheduler.Groupings()),
			Beams:     name("beams", scheduler.Beams()),
			Weights:   pb.WeightFormat(rapid.IntRange(0, 4).Draw(t, "weights")),
			ShareStep: proto.Float64(rapid.SampledFrom([]float64{0, 0.01, 1.0 / 14, 0.5, 1}).Draw(t, "step")),
		},
	}
	if rapid.Bool().Draw(t, "gap given") {
		slot.Options.SinrGapDb = proto.Float64(rapid.Float64Range(0, 100).Draw(t, "gap"))
	}
	if rapid.Bool().Draw(t, "table given") {
		slot.Options.RateTable = proto.String(name("table", scheduler.RateTables()))
	}
	if rapid.Bool().Draw(t, "consumption given") {
		slot.Options.Objective = name("objective", scheduler.Objectives())
		slot.Options.Consumption = &pb.Consumption{
			Model:               name("model", scheduler.ConsumptionModels()),
			AmplifierEfficiency: proto.Float64(power("efficiency", -6, 0)),
			UserW:               proto.Float64(power("user", -20, 12)),
		}
	}
	if rapid.Bool().Draw(t, "size given") {
		slot.Limits = &pb.Limits{MaxGroupSize: proto.Int32(rapid.Int32Range(1, 4).Draw(t, "size"))}
	}
	if slot.Options.Beams != scheduler.BeamsOptimal {
		slot.Options.Power = rapid.SampledFrom([]string{scheduler.PowerLP, scheduler.PowerIterative}).Draw(t, "power")
	}
	if rapid.Bool().Draw(t, "codebook given") {
		slot.Options.Codebook = drawCodebook(t, antennas)
	}
	for k := range users {
		u := &pb.User{Id: string(rune('a' + k)), NoiseW: power("noise", -30, 10)}
		if rapid.Bool().Draw(t, "active") {
			u.RateBps = slot.BandwidthHz * power("efficiency", -14.9, rapid.SampledFrom([]float64{0.5, 1.99}).Draw(t, "most"))
		}
		if rapid.Bool().Draw(t, "error") {
			u.CsiErrorVariance = u.NoiseW * power("error", -40, 25)
		}
		slot.Users = append(slot.Users, u)
		// One sample of a subband carries the gain, the others are anything below
		// it.
		row := make([]float64, 2*antennas*subbands)
		var amplitude float64
		for i := range row {
			if i%(2*antennas) == 0 {
				amplitude = math.Sqrt(u.NoiseW) * power("amplitude", -14.9, 14)
				row[i] = amplitude
				continue
			}
			row[i] = amplitude * rapid.Float64Range(-1, 1).Draw(t, "sample")
		}
		if k > 0 && rapid.Bool().Draw(t, "alike") {
			copy(row, slot.Channel.Values)
			for i := range row {
				row[i] *= math.Sqrt(u.NoiseW / slot.Users[0].NoiseW)
			}
		}
		slot.Channel.Values = append(slot.Channel.Values, row...)
	}
	if rapid.Bool().Draw(t, "groups given") {
		slot.Groups = drawGroups(t, users, subbands)
		if s, bad := convert.SlotFromProto(slot); len(bad) > 0 || s.Validate() != nil {
			slot.Groups = nil // shares that do not fit, or what does not go with them
		}
	}
	return slot
}

// drawGroups draws groups of any users on any subbands; the last has all users.
func drawGroups(t *rapid.T, users, subbands int) []*pb.FixedGroup {
	var out []*pb.FixedGroup
	n := rapid.IntRange(1, 3).Draw(t, "groups")
	for g := range n {
		group := &pb.FixedGroup{}
		for k := range users {
			if g == n-1 || rapid.Bool().Draw(t, "member") {
				group.UserIds = append(group.UserIds, string(rune('a'+k)))
			}
		}
		for f := range subbands {
			if rapid.Bool().Draw(t, "on subband") {
				group.Subbands = append(group.Subbands, int32(f))
			}
		}
		if rapid.Bool().Draw(t, "share given") {
			group.Share = proto.Float64(rapid.SampledFrom([]float64{1e-9, 0.01, 1.0 / 14, 0.3}).Draw(t, "share"))
		}
		if len(group.UserIds) > 0 {
			out = append(out, group)
		}
	}
	return out
}

// drawCodebook draws a grid, or beams over hundreds of dB none of which is zero.
func drawCodebook(t *rapid.T, antennas int) *pb.Codebook {
	b := &pb.Codebook{Oversampling: rapid.Int32Range(1, 9).Draw(t, "oversampling")}
	if rapid.Bool().Draw(t, "plane") {
		b.Columns = rapid.SampledFrom([]int32{1, int32(antennas)}).Draw(t, "columns")
	}
	if rapid.Bool().Draw(t, "own beams") {
		for range rapid.IntRange(1, 6).Draw(t, "beams") {
			b.Values = append(b.Values, math.Pow(10, rapid.Float64Range(-300, 300).Draw(t, "amplitude")))
			for range 2*antennas - 1 {
				b.Values = append(b.Values, rapid.SampledFrom([]float64{0, 1e-300, -1, 1e300}).Draw(t, "number"))
			}
		}
	}
	return b
}
