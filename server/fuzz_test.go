package server

import (
	"context"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// FuzzSlot sends whatever bytes decode to a slot through checks, conversion and
// the engine: no fault, no number in a plan that is not finite, no plan without
// a status. Slots are kept small, and the time short, so that many are tried.
func FuzzSlot(f *testing.F) {
	for _, change := range []func(*pb.Slot){
		func(*pb.Slot) {},
		func(s *pb.Slot) { toF32(s, 1) },
		withGroups,
		func(s *pb.Slot) { withGroups(s); s.Groups[0].Share = proto.Float64(0.5) },
		func(s *pb.Slot) { s.Options = &pb.Options{Beams: "matched", Power: "iterative", Grouping: "together"} },
		func(s *pb.Slot) {
			s.Options = &pb.Options{Beams: "zero-forcing", Power: "lp", Grouping: "random", Seed: 3}
		},
		func(s *pb.Slot) {
			s.Options = &pb.Options{Beams: "regularized", Weights: pb.WeightFormat_WEIGHT_FORMAT_F32}
		},
		func(s *pb.Slot) {
			s.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_I16, Grouping: "alone", ShareStep: 0.1}
		},
		func(s *pb.Slot) { s.Users[0].RateBps = 1e8; s.Users[1].CsiErrorVariance = 0.1 },
		func(s *pb.Slot) { s.Users[0].RateBps = 0; s.Users[2].RateBps = 1e-9 },
		func(s *pb.Slot) { copy(s.Channel.Values[8:16], s.Channel.Values[:8]) }, // two alike
		func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Values = 1, s.Channel.Values[:6] },
		func(s *pb.Slot) { s.Users[0].NoiseW, s.Users[1].NoiseW = 1e-25, 1e25 },
		func(s *pb.Slot) { s.Channel.Values[0] = 1e14; s.Channel.Values[8] = 1e-14 },
		func(s *pb.Slot) { s.Options = &pb.Options{Floor: true} },
		func(s *pb.Slot) {
			s.Options = &pb.Options{Floor: true}
			s.Users[0].NoiseW, s.Users[1].NoiseW = 1e-25, 1e25
		},
		func(s *pb.Slot) { s.Options = &pb.Options{Floor: true}; s.Users[0].RateBps = 1e8 },
		func(s *pb.Slot) {
			s.Options = &pb.Options{Floor: true}
			copy(s.Channel.Values[8:16], s.Channel.Values[:8])
		},
	} {
		slot := newMessage(1)
		change(slot)
		b, err := proto.Marshal(slot)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	limits := Limits{Antennas: 16, Users: 8, Subbands: 4}
	f.Fuzz(func(t *testing.T, b []byte) {
		slot := &pb.Slot{}
		if proto.Unmarshal(b, slot) != nil {
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		var log strings.Builder
		s := newServer(Config{Workers: 1, Limits: limits, Logger: slog.New(slog.NewTextHandler(&log, nil))},
			func() engine { return scheduler.NewEngine() })
		plan, err := s.answer(ctx, slot, nil)
		if err != nil {
			t.Fatal(err)
		}
		if plan.Status == pb.PlanStatus_PLAN_STATUS_FAILED || plan.Status == pb.PlanStatus_PLAN_STATUS_UNSPECIFIED {
			t.Errorf("status %v\n%s", plan.Status, log.String())
		}
		if rejected := plan.Status == pb.PlanStatus_PLAN_STATUS_REJECTED; rejected == (len(plan.Violations) == 0) {
			t.Errorf("%v with %d violations", plan.Status, len(plan.Violations))
		}
		checkFinite(t, plan.ProtoReflect())
	})
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
		plan, err := s.answer(context.Background(), slot, nil)
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
			ShareStep: rapid.SampledFrom([]float64{0, 0.01, 1.0 / 14, 0.5, 1}).Draw(t, "step"),
		},
	}
	if rapid.Bool().Draw(t, "gap given") {
		slot.Options.SinrGapDb = rapid.Float64Range(0, 100).Draw(t, "gap")
	}
	if rapid.Bool().Draw(t, "table given") {
		slot.Options.RateTable = name("table", scheduler.RateTables())
	}
	if rapid.Bool().Draw(t, "size given") {
		slot.Limits = &pb.Limits{MaxGroupSize: proto.Int32(rapid.Int32Range(1, 4).Draw(t, "size"))}
	}
	if slot.Options.Beams != scheduler.BeamsOptimal {
		slot.Options.Power = rapid.SampledFrom([]string{scheduler.PowerLP, scheduler.PowerIterative}).Draw(t, "power")
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
	return slot
}
