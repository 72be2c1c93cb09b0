package convert

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Generators of whatever the types can hold; the values need make no sense.
var (
	number = rapid.Float64()
	count  = rapid.IntRange(0, 9)
	names  = rapid.SliceOfN(rapid.String(), 1, 4)
)

func optionalNumber(t *rapid.T, label string) *float64 {
	if !rapid.Bool().Draw(t, label+" given") {
		return nil
	}
	x := number.Draw(t, label)
	return &x
}

// list draws n numbers; none is nil, as it is off the wire.
func list(t *rapid.T, label string, n int) []float64 {
	if n == 0 {
		return nil
	}
	return rapid.SliceOfN(number, n, n).Draw(t, label)
}

func ordinals(t *rapid.T, label string) []int {
	return nonEmpty(rapid.SliceOfN(rapid.IntRange(0, 511), 0, 3).Draw(t, label))
}

func nonEmpty[T any](s []T) []T {
	if len(s) == 0 {
		return nil
	}
	return s
}

// samples draws complex numbers that a float32 holds.
func samples(t *rapid.T, label string, n int) []complex128 {
	out := make([]complex128, n)
	for i := range out {
		out[i] = complex(float64(rapid.Float32().Draw(t, label)), float64(rapid.Float32().Draw(t, label)))
	}
	return nonEmpty(out)
}

func drawOptions(t *rapid.T) scheduler.Options {
	o := scheduler.Options{
		Grouping:             rapid.String().Draw(t, "grouping"),
		Beams:                rapid.String().Draw(t, "beams"),
		Power:                rapid.String().Draw(t, "power"),
		Objective:            rapid.String().Draw(t, "objective"),
		Floor:                rapid.Bool().Draw(t, "floor"),
		Weights:              rapid.SampledFrom([]scheduler.WeightFormat{0, 1, 2, 3}).Draw(t, "weights"),
		Seed:                 rapid.Int64().Draw(t, "seed"),
		WorkLimit:            rapid.Int64().Draw(t, "work limit"),
		ComputeBudgetMicros:  rapid.Int64().Draw(t, "budget"),
		CorrelationThreshold: number.Draw(t, "threshold"),
		HysteresisDB:         number.Draw(t, "hysteresis"),
		BacklogSlots:         number.Draw(t, "backlog slots"),
		SINRGapDB:            number.Draw(t, "gap"),
		RateTable:            rapid.String().Draw(t, "table"),
		ShareStep:            number.Draw(t, "step"),
	}
	if rapid.Bool().Draw(t, "codebook given") {
		o.Codebook = &scheduler.Codebook{
			Oversampling: count.Draw(t, "oversampling"),
			Columns:      count.Draw(t, "columns"),
			Beams:        samples(t, "beam", count.Draw(t, "beams")),
		}
	}
	if rapid.Bool().Draw(t, "consumption given") {
		o.Consumption = &scheduler.Consumption{
			Model:               rapid.String().Draw(t, "model"),
			AmplifierEfficiency: optionalNumber(t, "efficiency"),
			BaseW:               optionalNumber(t, "base"),
			BaseSleepW:          optionalNumber(t, "base asleep"),
			AntennaW:            optionalNumber(t, "antenna"),
			AntennaSleepW:       optionalNumber(t, "antenna asleep"),
			UserW:               optionalNumber(t, "user"),
			JoulesPerBit:        optionalNumber(t, "bit"),
			OperationsPerJoule:  optionalNumber(t, "operations"),
		}
	}
	return o
}

func drawSlot(t *rapid.T) *scheduler.Slot {
	s := &scheduler.Slot{
		Sequence:           rapid.Int64().Draw(t, "sequence"),
		SlotDurationMicros: rapid.Int64().Draw(t, "duration"),
		CarrierHz:          number.Draw(t, "carrier"),
		BandwidthHz:        number.Draw(t, "bandwidth"),
		Channel: scheduler.Channel{
			Antennas: count.Draw(t, "antennas"),
			Subbands: rapid.IntRange(1, 9).Draw(t, "subbands"),
			Samples:  samples(t, "sample", rapid.IntRange(1, 20).Draw(t, "samples")),
		},
		Limits: scheduler.Limits{
			TotalPowerW:   optionalNumber(t, "total"),
			AntennaPowerW: list(t, "antenna power", count.Draw(t, "antenna limits")),
			EIRPW:         optionalNumber(t, "eirp"),
			MaxGroupSize:  count.Draw(t, "group size"),
			MaxGroups:     count.Draw(t, "groups"),
		},
		Options: drawOptions(t),
	}
	if rapid.Bool().Draw(t, "time given") {
		s.CaptureTime = time.Unix(rapid.Int64Range(0, 1<<32).Draw(t, "s"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).UTC()
	}
	for range count.Draw(t, "users") {
		s.Users = append(s.Users, scheduler.User{
			ID: rapid.String().Draw(t, "id"), RateBps: number.Draw(t, "rate"), NoiseW: number.Draw(t, "noise"),
			SubbandNoiseW:    list(t, "subband noise", count.Draw(t, "noises")),
			CSIErrorVariance: number.Draw(t, "error"), Priority: number.Draw(t, "priority"),
		})
	}
	if rapid.Bool().Draw(t, "array given") {
		s.Array = &scheduler.Array{
			PositionsM:     make([][3]float64, count.Draw(t, "positions")),
			ElementGainDBi: number.Draw(t, "gain"),
			ElementPattern: rapid.String().Draw(t, "pattern"),
		}
		for m := range s.Array.PositionsM {
			copy(s.Array.PositionsM[m][:], list(t, "position", 3))
		}
	}
	for range count.Draw(t, "directions") {
		s.Limits.ProtectedDirections = append(s.Limits.ProtectedDirections, scheduler.ProtectedDirection{
			AzimuthDeg: number.Draw(t, "azimuth"), ElevationDeg: number.Draw(t, "elevation"),
			WidthDeg: number.Draw(t, "width"), EIRPW: number.Draw(t, "eirp"),
		})
	}
	for range count.Draw(t, "fixed groups") {
		s.Groups = append(s.Groups, scheduler.FixedGroup{
			UserIDs: names.Draw(t, "ids"), Share: optionalNumber(t, "share"), Subbands: ordinals(t, "subbands"),
		})
	}
	return s
}

// overTheWire encodes and decodes a message.
func overTheWire[M any, P interface {
	*M
	proto.Message
}](t interface{ Fatal(...any) }, in P) P {
	b, err := proto.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	out := P(new(M))
	if err := proto.Unmarshal(b, out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestSlotRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawSlot(t)
		format := rapid.SampledFrom([]SampleFormat{SamplesF64, SamplesF32}).Draw(t, "format")
		got, bad := SlotFromProto(overTheWire(t, SlotToProto(want, format)))
		if len(bad) > 0 {
			t.Fatalf("violations: %v", bad)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})
}

func TestOptionsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawOptions(t)
		got, bad := OptionsFromProto(overTheWire(t, OptionsToProto(want)))
		if len(bad) > 0 {
			t.Fatalf("violations: %v", bad)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})
}

// TestRoundTripCovers holds that no field of a slot and its options is forgotten
// in both directions: a message with every field set comes back as it was.
func TestRoundTripCovers(t *testing.T) {
	want := &pb.Slot{}
	fillMessage(want.ProtoReflect())
	want.Channel.SamplesF32 = nil // one of the two
	want.Channel.ReceiveAntennas = 0
	s, bad := SlotFromProto(want)
	if len(bad) > 0 {
		t.Fatalf("violations: %v", bad)
	}
	if got := SlotToProto(s, SamplesF64); !proto.Equal(want, got) {
		t.Errorf("want %v\ngot  %v", want, got)
	}
	plan := &pb.Plan{}
	fillMessage(plan.ProtoReflect())
	for _, g := range plan.Groups {
		g.WeightScale = 0
		for _, a := range g.Allocations {
			a.Weights.SamplesF32, a.Weights.SamplesI16 = nil, nil // one of the three
		}
	}
	p, err := PlanFromProto(plan)
	if err != nil {
		t.Fatal(err)
	}
	got, err := PlanToProto(p, scheduler.WeightsF64)
	if err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(plan, got) {
		t.Errorf("want %v\ngot  %v", plan, got)
	}
}

// fillMessage sets every field to something other than zero.
func fillMessage(m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.IsList() {
			l := m.Mutable(f).List()
			for range 6 { // pairs and triples alike
				if f.Kind() == protoreflect.MessageKind {
					fillMessage(l.AppendMutable().Message())
				} else {
					l.Append(something(f))
				}
			}
			continue
		}
		if f.Kind() == protoreflect.MessageKind {
			fillMessage(m.Mutable(f).Message())
			continue
		}
		m.Set(f, something(f))
	}
}

func something(f protoreflect.FieldDescriptor) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOf(true)
	case protoreflect.StringKind:
		return protoreflect.ValueOf("x")
	case protoreflect.BytesKind:
		return protoreflect.ValueOf([]byte("12345678"))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOf(int32(2))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOf(int64(2))
	case protoreflect.EnumKind:
		return protoreflect.ValueOf(protoreflect.EnumNumber(2))
	}
	return protoreflect.ValueOf(0.5)
}

func drawPlan(t *rapid.T) (*scheduler.Plan, scheduler.WeightFormat) {
	format := rapid.SampledFrom([]scheduler.WeightFormat{
		scheduler.WeightsNone, scheduler.WeightsF64, scheduler.WeightsF32, scheduler.WeightsI16,
	}).Draw(t, "format")
	p := &scheduler.Plan{
		Sequence:       rapid.Int64().Draw(t, "sequence"),
		Status:         scheduler.Status(rapid.IntRange(0, 5).Draw(t, "status")),
		StoppedEarly:   rapid.Bool().Draw(t, "early"),
		Strategy:       scheduler.Strategy{Grouping: rapid.String().Draw(t, "grouping"), Beams: rapid.String().Draw(t, "beams"), Power: rapid.String().Draw(t, "power")},
		RadiatedPowerW: number.Draw(t, "power"),
		FloorPowerW:    optionalNumber(t, "floor"),
		ConsumedPowerW: optionalNumber(t, "consumed"),
		CommonFraction: optionalNumber(t, "fraction"),
		FractionProved: rapid.Bool().Draw(t, "proved"),
		AntennaPowerW:  list(t, "antenna power", count.Draw(t, "antennas")),
		PeakEIRPW:      optionalNumber(t, "eirp"),
		ComputeMicros:  rapid.Int64().Draw(t, "micros"),
		Solves:         rapid.Int64().Draw(t, "solves"),
		EngineVersion:  rapid.String().Draw(t, "version"),
		SessionState:   nonEmpty(rapid.SliceOf(rapid.Byte()).Draw(t, "state")),

		UnservableUserIDs: nonEmpty(rapid.SliceOf(rapid.String()).Draw(t, "unservable")),
	}
	for range count.Draw(t, "violations") {
		p.Violations = append(p.Violations, scheduler.Violation{
			Path: rapid.String().Draw(t, "path"), Value: rapid.String().Draw(t, "value"), Allowed: rapid.String().Draw(t, "allowed"),
		})
	}
	for range count.Draw(t, "limits") {
		p.LimitsBinding = append(p.LimitsBinding, scheduler.BindingLimit{
			Limit: rapid.String().Draw(t, "limit"), Index: count.Draw(t, "index"), NeededW: number.Draw(t, "needed"),
		})
	}
	if rapid.Bool().Draw(t, "certificate given") {
		p.FloorCertificate = &scheduler.FloorCertificate{Prices: list(t, "prices", 2), PowersW: list(t, "powers", 2)}
	}
	for range rapid.IntRange(0, 3).Draw(t, "groups") {
		p.Groups = append(p.Groups, drawGroup(t, format))
	}
	for range count.Draw(t, "rates") {
		p.Users = append(p.Users, scheduler.UserRate{
			ID: rapid.String().Draw(t, "id"), TargetBps: number.Draw(t, "target"), RateBps: number.Draw(t, "rate"),
			BacklogBps: number.Draw(t, "backlog"),
		})
	}
	return p, format
}

func drawGroup(t *rapid.T, format scheduler.WeightFormat) scheduler.Group {
	g := scheduler.Group{
		Share: number.Draw(t, "share"), Subbands: ordinals(t, "subbands"), RadiatedPowerW: number.Draw(t, "power"),
	}
	if format == scheduler.WeightsI16 {
		g.WeightScale = rapid.Float64Range(1e-30, 1e30).Draw(t, "scale")
	}
	for range rapid.IntRange(0, 3).Draw(t, "allocations") {
		g.Allocations = append(g.Allocations, scheduler.Allocation{
			UserID:    rapid.String().Draw(t, "user"),
			BeamIndex: rapid.IntRange(-1, 9).Draw(t, "beam"),
			SINR:      list(t, "sinr", count.Draw(t, "bands")),
			RateBps:   number.Draw(t, "rate"),
			PowerW:    number.Draw(t, "power"),
			Weights:   drawWeights(t, format, g.WeightScale),
			RateStep:  ordinals(t, "step"),
		})
	}
	return g
}

func drawWeights(t *rapid.T, format scheduler.WeightFormat, scale float64) []complex128 {
	n := rapid.IntRange(1, 8).Draw(t, "weights")
	switch format {
	case scheduler.WeightsNone:
		return nil
	case scheduler.WeightsF32:
		return samples(t, "weight", n)
	}
	out := make([]complex128, n)
	for i := range out {
		if format == scheduler.WeightsF64 {
			out[i] = complex(number.Draw(t, "re"), number.Draw(t, "im"))
			continue
		}
		// An int16 has no -32768 here: counts reach equally far on both sides.
		counts := rapid.IntRange(-math.MaxInt16, math.MaxInt16)
		out[i] = complex(float64(counts.Draw(t, "re"))*scale, float64(counts.Draw(t, "im"))*scale)
	}
	return out
}

// TestPlanRoundTrip holds for weights of every format that the plan that arrives
// is bit for bit the plan that was made.
func TestPlanRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want, format := drawPlan(t)
		message, err := PlanToProto(want, format)
		if err != nil {
			t.Fatal(err)
		}
		got, err := PlanFromProto(overTheWire(t, message))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})
}

// TestWeightsNotRepresentable: rates are those of the weights as encoded, so
// weights that the encoding cannot hold are an error.
func TestWeightsNotRepresentable(t *testing.T) {
	for _, c := range []struct {
		weight complex128
		format scheduler.WeightFormat
		scale  float64
	}{
		{0.1, scheduler.WeightsF32, 0},
		{complex(0, math.NaN()), scheduler.WeightsF32, 0},
		{0.55, scheduler.WeightsI16, 0.1},
		{complex(0, 40000), scheduler.WeightsI16, 1},
		{1, scheduler.WeightsI16, 0},
		{complex(math.NaN(), 0), scheduler.WeightsI16, 1},
		{complex(math.Inf(1), 0), scheduler.WeightsI16, 1},
	} {
		p := &scheduler.Plan{Groups: []scheduler.Group{{
			WeightScale: c.scale,
			Allocations: []scheduler.Allocation{{Weights: []complex128{c.weight}}},
		}}}
		if out, err := PlanToProto(p, c.format); err == nil {
			t.Errorf("%v in format %v: %v", c.weight, c.format, out)
		}
	}
	silent := &scheduler.Plan{Groups: []scheduler.Group{{Allocations: []scheduler.Allocation{{Weights: make([]complex128, 2)}}}}}
	if _, err := PlanToProto(silent, scheduler.WeightsI16); err != nil {
		t.Errorf("weights of 0: %v", err)
	}
}

func TestPlanFromProtoBroken(t *testing.T) {
	for name, w := range map[string]*pb.Weights{
		"two formats":   {Values: []float64{1, 2}, SamplesF32: make([]byte, 8)},
		"odd values":    {Values: []float64{1}},
		"broken f32":    {SamplesF32: make([]byte, 12)},
		"broken i16":    {SamplesI16: make([]byte, 6)},
		"three formats": {Values: []float64{1, 2}, SamplesF32: make([]byte, 8), SamplesI16: make([]byte, 4)},
	} {
		p := &pb.Plan{Groups: []*pb.Group{{Allocations: []*pb.Allocation{{Weights: w}}}}}
		if _, err := PlanFromProto(p); err == nil || !strings.Contains(err.Error(), "groups[0]: allocations[0]: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// goodSlot returns a message of one user and one antenna with nothing wrong.
func goodSlot() *pb.Slot {
	return &pb.Slot{
		BandwidthHz: 1e6,
		Channel:     &pb.Channel{Antennas: 1, Values: []float64{1e-5, 0}},
		Users:       []*pb.User{{Id: "crane", RateBps: 1e6, NoiseW: 1e-13}},
	}
}

func TestSlotViolations(t *testing.T) {
	unknown := protoreflect.RawFields{0x98, 0x06, 0x01} // field 99 = 1
	for _, c := range []struct {
		change func(*pb.Slot)
		paths  string
	}{
		{func(*pb.Slot) {}, ""},
		{func(s *pb.Slot) { s.Channel.Subbands, s.Channel.ReceiveAntennas = 1, 1 }, ""},
		{func(s *pb.Slot) { s.Channel.Values = nil; s.Channel.SamplesF32 = bytesOf([]complex128{1e-5}) }, ""},
		{func(s *pb.Slot) { s.Channel = nil }, "channel.antennas"},
		{func(s *pb.Slot) { s.Channel.Values = nil }, "channel.values"},
		{func(s *pb.Slot) { s.Channel.Values = []float64{1} }, "channel.values"},
		{func(s *pb.Slot) { s.Channel.Values = []float64{1, 1, 1} }, "channel.values"},
		{func(s *pb.Slot) { s.Channel.SamplesF32 = make([]byte, 8) }, "channel.samplesF32"},
		{func(s *pb.Slot) { s.Channel.Values = nil; s.Channel.SamplesF32 = make([]byte, 12) }, "channel.samplesF32 channel.samplesF32[0]"},
		{func(s *pb.Slot) { s.Channel.Values = nil; s.Channel.SamplesF32 = make([]byte, 16) }, "channel.samplesF32"},
		{func(s *pb.Slot) {
			s.Channel.Values = nil
			s.Channel.SamplesF32 = bytesOf([]complex128{complex(0, math.Inf(1))})
		}, "channel.samplesF32[1]"},
		{func(s *pb.Slot) { s.Channel.ReceiveAntennas = 2 }, "channel.receiveAntennas"},
		{func(s *pb.Slot) { s.Channel.ReceiveAntennas = -1 }, "channel.receiveAntennas"},
		{func(s *pb.Slot) { s.Channel.Subbands = -1 }, "channel.subbands"},
		{func(s *pb.Slot) { s.CaptureTime = &timestamppb.Timestamp{Nanos: -1} }, "captureTime"},
		{func(s *pb.Slot) {
			s.CarrierHz = 1e9
			s.Array = &pb.Array{PositionsM: []float64{1, 2, 3, 4}}
		}, "array.positionsM"},
		{func(s *pb.Slot) { s.Limits = &pb.Limits{MaxGroupSize: proto.Int32(0), MaxGroups: proto.Int32(-1)} },
			"limits.maxGroupSize limits.maxGroups"},
		{func(s *pb.Slot) { s.Options = &pb.Options{Weights: 9} }, "options.weights"},
		{func(s *pb.Slot) { s.Options = &pb.Options{CorrelationThreshold: proto.Float64(0)} }, "options.correlationThreshold"},
		{func(s *pb.Slot) { s.Options = &pb.Options{Codebook: &pb.Codebook{Values: []float64{1}}} },
			"options.codebook.values options.codebook.oversampling"},
		{func(s *pb.Slot) { s.ProtoReflect().SetUnknown(unknown) }, "slot"},
		{func(s *pb.Slot) { s.Channel.ProtoReflect().SetUnknown(unknown) }, "channel"},
		{func(s *pb.Slot) { s.Users[0].ProtoReflect().SetUnknown(unknown) }, "users[0]"},
		{func(s *pb.Slot) { s.Limits = &pb.Limits{}; s.Limits.ProtoReflect().SetUnknown(unknown) }, "limits"},
		{func(s *pb.Slot) { s.Options = &pb.Options{}; s.Options.ProtoReflect().SetUnknown(unknown) }, "options"},
		{func(s *pb.Slot) {
			s.Groups = []*pb.FixedGroup{{UserIds: []string{"crane"}}}
			s.Groups[0].ProtoReflect().SetUnknown(unknown)
		}, "groups[0]"},
	} {
		in := goodSlot()
		c.change(in)
		_, bad := Slot(in)
		var got []string
		for _, v := range bad {
			got = append(got, v.Path)
		}
		if strings.Join(got, " ") != c.paths {
			t.Errorf("want %q, got %q", c.paths, strings.Join(got, " "))
		}
	}
}

func TestSlotViolationsEnd(t *testing.T) {
	in := goodSlot()
	in.Users[0].RateBps = -1
	for range 100 {
		u := &pb.User{Id: "twin", NoiseW: 1}
		u.ProtoReflect().SetUnknown(protoreflect.RawFields{0x98, 0x06, 0x01})
		in.Users = append(in.Users, u)
	}
	_, bad := Slot(in)
	if len(bad) != scheduler.MaxViolations || bad[len(bad)-1].Path != "..." {
		t.Errorf("%d violations, the last %v", len(bad), bad[len(bad)-1])
	}
}
