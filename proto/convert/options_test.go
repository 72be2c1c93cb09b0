package convert

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// TestMergeOptions holds of every field of Options that a slot's value counts where
// it is set, zero too where zero is a choice, and the session's where it is not.
func TestMergeOptions(t *testing.T) {
	fields := (&pb.Options{}).ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		with := func(set bool, v protoreflect.Value) *pb.Options {
			o := &pb.Options{Grouping: "alone", Power: "lp"} // of other fields
			if o.ProtoReflect().Clear(f); set {
				o.ProtoReflect().Set(f, v)
			}
			return o
		}
		session, own := something(f), f.Default()
		switch f.Kind() {
		case protoreflect.MessageKind: // a whole goes in place of a whole
			a, b := (&pb.Options{}).ProtoReflect().NewField(f), (&pb.Options{}).ProtoReflect().NewField(f)
			fillMessage(a.Message())
			inner := b.Message().Descriptor().Fields().Get(0)
			b.Message().Set(inner, something(inner))
			session, own = a, b
		default:
			if !f.HasPresence() {
				session, own = f.Default(), something(f) // not set, to proto3
			}
		}
		for _, c := range []struct {
			name             string
			ofSession, ofOwn bool
			want             *pb.Options
		}{
			{"neither", false, false, with(false, own)},
			{"the session", true, false, with(true, session)},
			{"the slot", false, true, with(true, own)},
			{"both", true, true, with(true, own)},
		} {
			got := MergeOptions(with(c.ofSession, session), with(c.ofOwn, own))
			if !proto.Equal(got, c.want) {
				t.Errorf("%s set by %s: %v, want %v", f.Name(), c.name, got, c.want)
			}
		}
	}
	some := &pb.Options{Seed: proto.Int64(3)}
	if got := MergeOptions(nil, nil); got != nil {
		t.Errorf("options out of nothing: %v", got)
	}
	if a, b := MergeOptions(some, nil), MergeOptions(nil, some); !proto.Equal(a, some) || !proto.Equal(b, some) {
		t.Errorf("with nil: %v and %v, want %v", a, b, some)
	}
}

// TestMergeOptionsKeeps: what is merged stays as it was, and fields that this version
// does not know are still there to be refused.
func TestMergeOptionsKeeps(t *testing.T) {
	unknown := protoreflect.RawFields{0x98, 0x3f, 1} // field 1011
	session := &pb.Options{Grouping: "alone", Consumption: &pb.Consumption{Model: "earth-2011-pico"}}
	slot := &pb.Options{Grouping: "together"}
	slot.ProtoReflect().SetUnknown(unknown)
	before := []proto.Message{proto.Clone(session), proto.Clone(slot)}
	got := MergeOptions(session, slot)
	if !slices.Equal(got.ProtoReflect().GetUnknown(), unknown) {
		t.Errorf("unknown fields %x, want %x", got.ProtoReflect().GetUnknown(), unknown)
	}
	if !proto.Equal(session, before[0]) || !proto.Equal(slot, before[1]) {
		t.Errorf("merging changed %v or %v", session, slot)
	}
}

// TestEffectiveOptions: nothing is left open but the threshold, whose absence means
// the grouping's own.
func TestEffectiveOptions(t *testing.T) {
	got := EffectiveOptions(scheduler.Options{Beams: "matched"}.Resolve())
	fields := got.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.HasOptionalKeyword() && got.ProtoReflect().Has(f) == (f.Name() == "correlation_threshold") {
			t.Errorf("%s: present %t", f.Name(), got.ProtoReflect().Has(f))
		}
	}
	if got.GetGrouping() != scheduler.DefaultGrouping || got.GetBeams() != "matched" || got.GetWeights() != pb.WeightFormat_WEIGHT_FORMAT_NONE {
		t.Errorf("not resolved: %v", got)
	}
}
