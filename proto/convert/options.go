package convert

import (
	"cmp"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// MergeOptions returns the options of a slot in a session: field by field, what the
// slot sets, and otherwise what the session sets. Either may be nil. Messages within
// go as a whole, and are shared with what was given, not copied.
func MergeOptions(session, slot *pb.Options) *pb.Options {
	if session == nil || slot == nil {
		return cmp.Or(slot, session)
	}
	merged := &pb.Options{}
	out := merged.ProtoReflect()
	for _, in := range []*pb.Options{session, slot} {
		in.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			out.Set(f, v)
			return true
		})
		out.SetUnknown(append(out.GetUnknown(), in.ProtoReflect().GetUnknown()...))
	}
	return merged
}

// EffectiveOptions encodes options for a plan: every number is present, 0 too, so that
// nothing of it depends on defaults.
func EffectiveOptions(o scheduler.Options) *pb.Options {
	out := OptionsToProto(o)
	message := out.ProtoReflect()
	fields := message.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		// A correlation threshold of 0 stands for the grouping's own.
		if f.HasOptionalKeyword() && !message.Has(f) && f.Name() != "correlation_threshold" {
			message.Set(f, f.Default())
		}
	}
	return out
}

// OptionsFromProto decodes options and returns what is wrong on the wire.
func OptionsFromProto(in *pb.Options) (scheduler.Options, []scheduler.Violation) {
	var w wire
	o := w.options(in)
	return o, w.list
}

func (w *wire) options(in *pb.Options) scheduler.Options {
	if in == nil {
		return scheduler.Options{}
	}
	w.unknown("options", in)
	o := scheduler.Options{
		Grouping:             in.GetGrouping(),
		Beams:                in.GetBeams(),
		Power:                in.GetPower(),
		Objective:            in.GetObjective(),
		Floor:                in.GetFloor(),
		Weights:              w.weightFormat(in.GetWeights()),
		Seed:                 in.GetSeed(),
		WorkLimit:            in.GetWorkLimit(),
		ComputeBudgetMicros:  in.GetComputeBudgetMicros(),
		CorrelationThreshold: in.GetCorrelationThreshold(),
		HysteresisDB:         in.GetHysteresisDb(),
		BacklogSlots:         in.GetBacklogSlots(),
		SINRGapDB:            in.GetSinrGapDb(),
		RateTable:            in.GetRateTable(),
		ShareStep:            in.GetShareStep(),
	}
	if in.CorrelationThreshold != nil && o.CorrelationThreshold == 0 {
		w.reject("options.correlationThreshold", "0", "in (0, 1], or absent")
	}
	if b := in.GetCodebook(); b != nil {
		w.unknown("options.codebook", b)
		o.Codebook = &scheduler.Codebook{
			Oversampling: int(b.GetOversampling()),
			Columns:      int(b.GetColumns()),
			Beams:        w.pairs("options.codebook.values", b.GetValues()),
		}
	}
	if c := in.GetConsumption(); c != nil {
		w.unknown("options.consumption", c)
		o.Consumption = &scheduler.Consumption{
			Model:               c.GetModel(),
			AmplifierEfficiency: c.AmplifierEfficiency,
			BaseW:               c.BaseW,
			BaseSleepW:          c.BaseSleepW,
			AntennaW:            c.AntennaW,
			AntennaSleepW:       c.AntennaSleepW,
			UserW:               c.UserW,
			JoulesPerBit:        c.JoulesPerBit,
			OperationsPerJoule:  c.OperationsPerJoule,
		}
	}
	return o
}

var weightFormats = map[pb.WeightFormat]scheduler.WeightFormat{
	pb.WeightFormat_WEIGHT_FORMAT_UNSPECIFIED: scheduler.WeightsNone,
	pb.WeightFormat_WEIGHT_FORMAT_NONE:        scheduler.WeightsNone,
	pb.WeightFormat_WEIGHT_FORMAT_F64:         scheduler.WeightsF64,
	pb.WeightFormat_WEIGHT_FORMAT_F32:         scheduler.WeightsF32,
	pb.WeightFormat_WEIGHT_FORMAT_I16:         scheduler.WeightsI16,
}

func (w *wire) weightFormat(in pb.WeightFormat) scheduler.WeightFormat {
	f, known := weightFormats[in]
	if !known {
		w.reject("options.weights", strconv.Itoa(int(in)),
			"WEIGHT_FORMAT_NONE, WEIGHT_FORMAT_F64, WEIGHT_FORMAT_F32, WEIGHT_FORMAT_I16")
	}
	return f
}

// OptionsToProto encodes options. What is zero is left out, so that in a slot of a
// stream the session's applies.
func OptionsToProto(o scheduler.Options) *pb.Options {
	out := &pb.Options{
		Grouping:             o.Grouping,
		Beams:                o.Beams,
		Power:                o.Power,
		Objective:            o.Objective,
		Floor:                given(o.Floor),
		Weights:              pb.WeightFormat(o.Weights) + pb.WeightFormat_WEIGHT_FORMAT_NONE,
		Seed:                 given(o.Seed),
		WorkLimit:            given(o.WorkLimit),
		ComputeBudgetMicros:  given(o.ComputeBudgetMicros),
		CorrelationThreshold: given(o.CorrelationThreshold),
		HysteresisDb:         given(o.HysteresisDB),
		BacklogSlots:         given(o.BacklogSlots),
		SinrGapDb:            given(o.SINRGapDB),
		RateTable:            given(o.RateTable),
		ShareStep:            given(o.ShareStep),
	}
	if b := o.Codebook; b != nil {
		out.Codebook = &pb.Codebook{
			Oversampling: int32(b.Oversampling), Columns: int32(b.Columns), Values: floats(b.Beams),
		}
	}
	if c := o.Consumption; c != nil {
		out.Consumption = &pb.Consumption{
			Model:               c.Model,
			AmplifierEfficiency: c.AmplifierEfficiency,
			BaseW:               c.BaseW,
			BaseSleepW:          c.BaseSleepW,
			AntennaW:            c.AntennaW,
			AntennaSleepW:       c.AntennaSleepW,
			UserW:               c.UserW,
			JoulesPerBit:        c.JoulesPerBit,
			OperationsPerJoule:  c.OperationsPerJoule,
		}
	}
	return out
}

// given returns a number that is not its zero; nil otherwise.
func given[T comparable](x T) *T {
	if x == *new(T) {
		return nil
	}
	return &x
}
