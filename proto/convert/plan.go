package convert

import (
	"encoding/binary"
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// PlanToProto encodes a plan, with weights in the format that its rates were
// evaluated on. It fails when a weight is not a number of that format: rates
// and limits would then be those of other weights.
func PlanToProto(p *scheduler.Plan, format scheduler.WeightFormat) (*pb.Plan, error) {
	out := &pb.Plan{
		Sequence:          p.Sequence,
		Status:            pb.PlanStatus(p.Status),
		StoppedEarly:      p.StoppedEarly,
		Violations:        ViolationsToProto(p.Violations),
		UnservableUserIds: p.UnservableUserIDs,
		CommonFraction:    p.CommonFraction,
		FractionProved:    p.FractionProved,
		RadiatedPowerW:    p.RadiatedPowerW,
		FloorPowerW:       p.FloorPowerW,
		AntennaPowerW:     p.AntennaPowerW,
		PeakEirpW:         p.PeakEIRPW,
		ComputeMicros:     p.ComputeMicros,
		Solves:            p.Solves,
		EngineVersion:     p.EngineVersion,
		SessionState:      p.SessionState,
		ConsumedPowerW:    p.ConsumedPowerW,
	}
	for _, l := range p.LimitsBinding {
		out.LimitsBinding = append(out.LimitsBinding, &pb.BindingLimit{
			Limit: l.Limit, Index: int32(l.Index), NeededW: l.NeededW,
		})
	}
	if p.Strategy != (scheduler.Strategy{}) {
		out.Strategy = &pb.Strategy{
			Grouping: p.Strategy.Grouping, Beams: p.Strategy.Beams, Power: p.Strategy.Power,
		}
	}
	if c := p.FloorCertificate; c != nil {
		out.FloorCertificate = &pb.FloorCertificate{Prices: c.Prices, PowersW: c.PowersW}
	}
	for g := range p.Groups {
		group, err := groupToProto(&p.Groups[g], format)
		if err != nil {
			return nil, fmt.Errorf("convert: groups[%d]: %w", g, err)
		}
		out.Groups = append(out.Groups, group)
	}
	out.Users = ratesToProto(p.Users)
	if p.Options != (scheduler.Options{}) {
		out.Options = EffectiveOptions(p.Options)
	}
	return out, nil
}

func ratesToProto(list []scheduler.UserRate) []*pb.UserRate {
	var out []*pb.UserRate
	for _, u := range list {
		out = append(out, &pb.UserRate{Id: u.ID, TargetBps: u.TargetBps, RateBps: u.RateBps, BacklogBps: u.BacklogBps})
	}
	return out
}

// ViolationsToProto encodes violations.
func ViolationsToProto(list []scheduler.Violation) []*pb.Violation {
	var out []*pb.Violation
	for _, v := range list {
		out = append(out, &pb.Violation{Path: v.Path, Value: v.Value, Allowed: v.Allowed})
	}
	return out
}

func groupToProto(g *scheduler.Group, format scheduler.WeightFormat) (*pb.Group, error) {
	out := &pb.Group{
		Share:          g.Share,
		Subbands:       int32s(g.Subbands),
		RadiatedPowerW: g.RadiatedPowerW,
	}
	if format == scheduler.WeightsI16 {
		out.WeightScale = g.WeightScale
	}
	for i := range g.Allocations {
		a := &g.Allocations[i]
		w, err := weightsToProto(a.Weights, format, g.WeightScale)
		if err != nil {
			return nil, fmt.Errorf("allocations[%d]: %w", i, err)
		}
		b := &pb.Allocation{
			UserId: a.UserID, Sinr: a.SINR, RateBps: a.RateBps, PowerW: a.PowerW,
			Weights: w, RateStep: int32s(a.RateStep),
		}
		if a.BeamIndex >= 0 {
			b.BeamIndex = proto.Int32(int32(a.BeamIndex))
		}
		out.Allocations = append(out.Allocations, b)
	}
	return out, nil
}

func weightsToProto(w []complex128, format scheduler.WeightFormat, scale float64) (*pb.Weights, error) {
	if len(w) == 0 || format == scheduler.WeightsNone {
		return nil, nil
	}
	switch format {
	case scheduler.WeightsF32:
		for i, z := range w {
			if complex128(complex64(z)) != z {
				return nil, fmt.Errorf("weight %d is %g, not a complex64", i, z)
			}
		}
		return &pb.Weights{SamplesF32: bytesOf(w)}, nil
	case scheduler.WeightsI16:
		b, err := int16s(w, scale)
		return &pb.Weights{SamplesI16: b}, err
	}
	return &pb.Weights{Values: floats(w)}, nil
}

// int16s writes weights as little-endian int16 pairs of counts of scale.
func int16s(w []complex128, scale float64) ([]byte, error) {
	out := make([]byte, 0, 4*len(w))
	for i, z := range w {
		for _, x := range [2]float64{real(z), imag(z)} {
			var count float64
			if x != 0 {
				count = math.RoundToEven(x / scale)
			}
			if !(math.Abs(count) <= math.MaxInt16) || count*scale != x {
				return nil, fmt.Errorf("weight %d is %g, not an int16 times %g", i, z, scale)
			}
			out = binary.LittleEndian.AppendUint16(out, uint16(int16(count)))
		}
	}
	return out, nil
}

// PlanFromProto decodes a plan. It fails when weights are given twice, their length
// is no whole number of samples, or options are not those of the contract.
func PlanFromProto(in *pb.Plan) (*scheduler.Plan, error) {
	p := &scheduler.Plan{
		Sequence:          in.GetSequence(),
		Status:            scheduler.Status(in.GetStatus()),
		StoppedEarly:      in.GetStoppedEarly(),
		Violations:        ViolationsFromProto(in.GetViolations()),
		UnservableUserIDs: in.GetUnservableUserIds(),
		CommonFraction:    in.CommonFraction,
		FractionProved:    in.GetFractionProved(),
		Strategy: scheduler.Strategy{
			Grouping: in.GetStrategy().GetGrouping(),
			Beams:    in.GetStrategy().GetBeams(),
			Power:    in.GetStrategy().GetPower(),
		},
		RadiatedPowerW: in.GetRadiatedPowerW(),
		FloorPowerW:    in.FloorPowerW,
		AntennaPowerW:  in.GetAntennaPowerW(),
		PeakEIRPW:      in.PeakEirpW,
		ComputeMicros:  in.GetComputeMicros(),
		Solves:         in.GetSolves(),
		EngineVersion:  in.GetEngineVersion(),
		SessionState:   in.GetSessionState(),
		ConsumedPowerW: in.ConsumedPowerW,
	}
	for _, l := range in.GetLimitsBinding() {
		p.LimitsBinding = append(p.LimitsBinding, scheduler.BindingLimit{
			Limit: l.GetLimit(), Index: int(l.GetIndex()), NeededW: l.GetNeededW(),
		})
	}
	if c := in.GetFloorCertificate(); c != nil {
		p.FloorCertificate = &scheduler.FloorCertificate{Prices: c.GetPrices(), PowersW: c.GetPowersW()}
	}
	for g, group := range in.GetGroups() {
		out, err := groupFromProto(group)
		if err != nil {
			return nil, fmt.Errorf("convert: groups[%d]: %w", g, err)
		}
		p.Groups = append(p.Groups, out)
	}
	options, bad := OptionsFromProto(in.GetOptions())
	if len(bad) > 0 {
		return nil, fmt.Errorf("convert: %s: %s, allowed: %s", bad[0].Path, bad[0].Value, bad[0].Allowed)
	}
	p.Options = options
	for _, u := range in.GetUsers() {
		p.Users = append(p.Users, scheduler.UserRate{
			ID: u.GetId(), TargetBps: u.GetTargetBps(), RateBps: u.GetRateBps(), BacklogBps: u.GetBacklogBps(),
		})
	}
	return p, nil
}

// ViolationsFromProto decodes violations.
func ViolationsFromProto(list []*pb.Violation) []scheduler.Violation {
	var out []scheduler.Violation
	for _, v := range list {
		out = append(out, scheduler.Violation{Path: v.GetPath(), Value: v.GetValue(), Allowed: v.GetAllowed()})
	}
	return out
}

func groupFromProto(in *pb.Group) (scheduler.Group, error) {
	g := scheduler.Group{
		Share:          in.GetShare(),
		Subbands:       ints(in.GetSubbands()),
		RadiatedPowerW: in.GetRadiatedPowerW(),
		WeightScale:    in.GetWeightScale(),
	}
	for i, a := range in.GetAllocations() {
		w, err := weightsFromProto(a.GetWeights(), g.WeightScale)
		if err != nil {
			return g, fmt.Errorf("allocations[%d]: %w", i, err)
		}
		b := scheduler.Allocation{
			UserID: a.GetUserId(), BeamIndex: -1, SINR: a.GetSinr(), RateBps: a.GetRateBps(),
			PowerW: a.GetPowerW(), Weights: w, RateStep: ints(a.GetRateStep()),
		}
		if a.BeamIndex != nil {
			b.BeamIndex = int(*a.BeamIndex)
		}
		g.Allocations = append(g.Allocations, b)
	}
	return g, nil
}

func weightsFromProto(in *pb.Weights, scale float64) ([]complex128, error) {
	given := 0
	for _, n := range []int{len(in.GetValues()), len(in.GetSamplesF32()), len(in.GetSamplesI16())} {
		if n > 0 {
			given++
		}
	}
	if given > 1 {
		return nil, fmt.Errorf("weights given in %d formats", given)
	}
	if b := in.GetSamplesI16(); len(b) > 0 {
		return fromInt16s(b, scale)
	}
	var w wire
	out := w.pairs("values", in.GetValues())
	if len(in.GetSamplesF32()) > 0 {
		out = w.complex64s("samplesF32", in.GetSamplesF32())
	}
	if len(w.list) > 0 {
		return nil, fmt.Errorf("weights.%s: %s, not %s", w.list[0].Path, w.list[0].Value, w.list[0].Allowed)
	}
	return out, nil
}

func fromInt16s(b []byte, scale float64) ([]complex128, error) {
	if len(b)%4 != 0 {
		return nil, fmt.Errorf("weights.samplesI16: %d bytes, not 4 for each weight", len(b))
	}
	out := make([]complex128, len(b)/4)
	for i := range out {
		re := int16(binary.LittleEndian.Uint16(b[4*i:]))
		im := int16(binary.LittleEndian.Uint16(b[4*i+2:]))
		out[i] = complex(float64(re)*scale, float64(im)*scale)
	}
	return out, nil
}
