package server

import (
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/proto/measure"
	"leastwatt/scheduler"
)

// honest returns messages as clients send them, near the limits on sizes.
func honest() map[string]proto.Message {
	users := func(n int) []*pb.User {
		var list []*pb.User
		for i := range n {
			list = append(list, &pb.User{Id: fmt.Sprint("u", i), RateBps: 1e6, NoiseW: 1e-13})
		}
		return list
	}
	many := &pb.Slot{BandwidthHz: 1e7, Users: users(512), Channel: &pb.Channel{Antennas: 1, SamplesF32: make([]byte, 8*512)}}
	grouped := &pb.Slot{BandwidthHz: 1e7, Users: users(8), Channel: &pb.Channel{Antennas: 4, Subbands: 512, Values: make([]float64, 2*8*4*512)}}
	for range 1024 {
		g := &pb.FixedGroup{UserIds: []string{"u1", "u2", "u3"}}
		for f := range int32(512) {
			g.Subbands = append(g.Subbands, f)
		}
		grouped.Groups = append(grouped.Groups, g)
	}
	wide := &pb.Slot{BandwidthHz: 1e7, Users: users(16), Channel: &pb.Channel{Antennas: 512, Subbands: 4, Values: make([]float64, 2*16*512*4)},
		Options: &pb.Options{Codebook: &pb.Codebook{Values: make([]float64, 2*512*512)}}}
	plan := &pb.Plan{}
	for range 200 {
		g := &pb.Group{Share: 0.1}
		for i := range 8 {
			g.Allocations = append(g.Allocations, &pb.Allocation{UserId: fmt.Sprint("u", i), Sinr: make([]float64, 4), RateBps: 1,
				PowerW: 1, RateStep: []int32{1, 2, 3, 4}, Weights: &pb.Weights{Values: make([]float64, 2*4*8)}})
		}
		plan.Groups = append(plan.Groups, g)
	}
	return map[string]proto.Message{
		"small":   &pb.ScheduleSlotRequest{Slot: newMessage(1)},
		"users":   &pb.ScheduleSlotRequest{Slot: many},
		"groups":  &pb.ScheduleSlotRequest{Slot: grouped},
		"wide":    &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: wide}},
		"audit":   &pb.AuditPlanRequest{Slot: wide, Plan: plan},
		"open":    &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{CellId: "a", SessionState: make([]byte, 1<<20)}}},
		"options": &pb.ScheduleSlotRequest{Slot: &pb.Slot{Options: convert.OptionsToProto(scheduler.Options{}.Resolve())}},
	}
}

// TestMeasureHonest: the estimate of a message that clients send is not below
// what decoding it allocates, and passes.
func TestMeasureHonest(t *testing.T) {
	for name, m := range honest() {
		b, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		fresh := m.ProtoReflect().New().Interface()
		size, err := measure.DecodedBytes(b, m.ProtoReflect().Descriptor(), decodedMost(len(b)))
		if err != nil {
			t.Errorf("%s, %d bytes: %v", name, len(b), err)
			continue
		}
		if got := allocated(func() { proto.Unmarshal(b, fresh) }); got > uint64(size)+16<<10 {
			t.Errorf("%s: %d bytes decoded allocate %d, estimated %d", name, len(b), got, size)
		}
	}
}

// allocated returns the bytes that a function allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// repeated returns a field of bytes type many times over.
func repeated(field protowire.Number, value []byte, times int) []byte {
	one := protowire.AppendBytes(protowire.AppendTag(nil, field, protowire.BytesType), value)
	return []byte(strings.Repeat(string(one), times))
}

// TestMeasureHostile: messages that would take many times their length are
// refused, and refusing them allocates next to nothing.
func TestMeasureHostile(t *testing.T) {
	const n = 1 << 20
	slot := func(field protowire.Number, value []byte) []byte {
		return repeated(1, repeated(field, value, n), 1)
	}
	for name, c := range map[string]struct {
		bytes []byte
		into  proto.Message
		want  error
	}{
		"empty users":         {slot(7, nil), &pb.ScheduleSlotRequest{}, measure.ErrExpands},
		"empty groups":        {slot(11, nil), &pb.ScheduleSlotRequest{}, measure.ErrExpands},
		"empty ids":           {slot(11, repeated(1, nil, 8)), &pb.ScheduleSlotRequest{}, measure.ErrExpands},
		"empty allocations":   {repeated(2, repeated(11, repeated(4, nil, n), 1), 1), &pb.AuditPlanRequest{}, measure.ErrExpands},
		"empty directions":    {repeated(1, repeated(9, repeated(4, nil, n), 1), 1), &pb.ScheduleSlotRequest{}, measure.ErrExpands},
		"unknown":             {repeated(100, nil, n), &pb.ScheduleSlotRequest{}, nil},
		"broken":              {[]byte{0x0a, 0xff}, &pb.ScheduleSlotRequest{}, measure.ErrMalformed},
		"a group of the wire": {[]byte{0x0b, 0x0c}, &pb.ScheduleSlotRequest{}, measure.ErrMalformed},
	} {
		var err error
		got := allocated(func() { _, err = decode(c.bytes, c.into) })
		var large *tooLarge
		var bad *rejection
		switch {
		case c.want == nil && err != nil,
			errors.Is(c.want, measure.ErrExpands) && !errors.As(err, &large),
			errors.Is(c.want, measure.ErrMalformed) && !errors.As(err, &bad):
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		if got > 2*uint64(decodedMost(len(c.bytes))) { // lists double as they grow
			t.Errorf("%s: %d bytes allocate %d", name, len(c.bytes), got)
		}
	}
}

// TestNesting: no message that the server takes can hold one of its own type.
func TestNesting(t *testing.T) {
	var walk func(m protoreflect.MessageDescriptor, above []protoreflect.FullName)
	walk = func(m protoreflect.MessageDescriptor, above []protoreflect.FullName) {
		if slices.Contains(above, m.FullName()) {
			t.Fatalf("%v nests in itself: %v", m.FullName(), above)
		}
		for i := range m.Fields().Len() {
			if inner := m.Fields().Get(i).Message(); inner != nil {
				walk(inner, append(slices.Clone(above), m.FullName()))
			}
		}
	}
	for _, m := range []proto.Message{&pb.StreamSlotsRequest{}, &pb.ScheduleSlotRequest{}, &pb.AuditPlanRequest{}, &pb.ListStrategiesRequest{},
		&healthpb.HealthCheckRequest{}, &reflectionpb.ServerReflectionRequest{}} {
		walk(m.ProtoReflect().Descriptor(), nil)
	}
}
