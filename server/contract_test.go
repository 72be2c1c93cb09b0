package server

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// fieldCase proves of one field of a message that it is honoured or refused.
type fieldCase[M any] struct {
	// bad gives the field a value that is not allowed, or any value where this
	// version does not honour the field; path is where the violation must be.
	// Nil where every value is allowed.
	bad  func(M)
	path string

	// base, where not nil, sets the scene for good, which gives the field
	// another value than the scene's. Nil where this version does not honour the
	// field.
	base, good func(M)
	// effect compares the plans without and with good.
	effect func(without, with *pb.Plan) bool
	// elsewhere names the test that proves the effect, where it does not show in
	// a plan.
	elsewhere string
}

// Effects.
func same(a, b *pb.Plan) bool {
	a, b = proto.CloneOf(a), proto.CloneOf(b)
	a.ComputeMicros, b.ComputeMicros = 0, 0
	return proto.Equal(a, b)
}

func morePower(a, b *pb.Plan) bool { return b.GetRadiatedPowerW() > a.GetRadiatedPowerW()*1.001 }
func short(p *pb.Plan) bool        { return p.GetStatus() == pb.PlanStatus_PLAN_STATUS_SHORT }
func lessPower(a, b *pb.Plan) bool { return morePower(b, a) }

func otherGroups(a, b *pb.Plan) bool { return groupsOf(a) != groupsOf(b) }

// groupsOf writes a partition down.
func groupsOf(p *pb.Plan) string {
	var groups []string
	for _, g := range p.GetGroups() {
		var ids []string
		for _, a := range g.GetAllocations() {
			ids = append(ids, a.GetUserId())
		}
		slices.Sort(ids)
		groups = append(groups, strings.Join(ids, ","))
	}
	slices.Sort(groups)
	return strings.Join(groups, " | ")
}

func rateOf(p *pb.Plan, user int) float64 { return p.GetUsers()[user].GetRateBps() }

func stepsOf(p *pb.Plan) []int32 { return p.GetGroups()[0].GetAllocations()[0].GetRateStep() }

// optionCases holds every field of Options.
var optionCases = map[string]fieldCase[*pb.Options]{
	"grouping": {
		bad: func(o *pb.Options) { o.Grouping = "x" }, path: "options.grouping",
		good: func(o *pb.Options) { o.Grouping = "together" },
		effect: func(a, b *pb.Plan) bool {
			return otherGroups(a, b) && b.GetStrategy().GetGrouping() == "together" && groupsOf(b) == "carrier,crane,hand-held"
		},
	},
	"beams": {
		bad: func(o *pb.Options) { o.Beams = "x" }, path: "options.beams",
		base:   func(o *pb.Options) { o.Grouping = "together" },
		good:   func(o *pb.Options) { o.Beams = "zero-forcing" },
		effect: func(a, b *pb.Plan) bool { return morePower(a, b) && b.GetStrategy().GetBeams() == "zero-forcing" },
	},
	"power": {
		bad: func(o *pb.Options) { o.Power = "lp" }, path: "options.power", // with optimal beams
		base:   func(o *pb.Options) { o.Beams = "zero-forcing" },
		good:   func(o *pb.Options) { o.Power = "iterative" },
		effect: func(_, b *pb.Plan) bool { return b.GetStrategy().GetPower() == "iterative" },
	},
	"objective": {
		bad: func(o *pb.Options) { o.Objective = "x" }, path: "options.objective",
		good: func(o *pb.Options) { o.Objective = "consumed" },
		effect: func(a, b *pb.Plan) bool {
			return a.ConsumedPowerW == nil && b.GetConsumedPowerW() > 20 && morePower(a, b)
		},
	},
	"consumption.model": {
		bad: func(o *pb.Options) { o.Consumption = &pb.Consumption{Model: "x"} }, path: "options.consumption.model",
		good:   func(o *pb.Options) { o.Consumption = &pb.Consumption{Model: "earth-2011-pico"} },
		effect: func(a, b *pb.Plan) bool { return a.ConsumedPowerW == nil && b.GetConsumedPowerW() > 4*6.8 },
	},
	"consumption.amplifierEfficiency": consumption("amplifierEfficiency", 2, 0.5),
	"consumption.baseW":               consumption("baseW", -1, 3),
	"consumption.baseSleepW":          consumption("baseSleepW", 2, 0.5),
	"consumption.antennaW":            consumption("antennaW", -1, 3),
	"consumption.antennaSleepW":       consumption("antennaSleepW", 2, 0.5),
	"consumption.userW":               consumption("userW", -1, 3),
	"consumption.joulesPerBit":        consumption("joulesPerBit", -1, 1e-6),
	"consumption.operationsPerJoule":  consumption("operationsPerJoule", -1, 1e6),
	"floor": {
		good: func(o *pb.Options) { o.Floor = proto.Bool(true) },
		effect: func(a, b *pb.Plan) bool {
			floor := b.GetFloorPowerW()
			return a.FloorPowerW == nil && a.GetFloorCertificate() == nil && floor > 0 && floor <= b.GetRadiatedPowerW() &&
				len(b.GetFloorCertificate().GetPrices()) == 3 && len(b.GetFloorCertificate().GetPowersW()) == 3
		},
	},
	"weights": {
		bad: func(o *pb.Options) { o.Weights = 9 }, path: "options.weights",
		good: func(o *pb.Options) { o.Weights = pb.WeightFormat_WEIGHT_FORMAT_I16 },
		effect: func(a, b *pb.Plan) bool {
			return a.GetGroups()[0].GetAllocations()[0].GetWeights() == nil &&
				len(b.GetGroups()[0].GetAllocations()[0].GetWeights().GetSamplesI16()) == 4*4
		},
	},
	"seed": {
		base:   func(o *pb.Options) { o.Grouping = "random" },
		good:   func(o *pb.Options) { o.Seed = proto.Int64(otherSeed) },
		effect: otherGroups,
	},
	"workLimit": {
		bad: func(o *pb.Options) { o.WorkLimit = proto.Int64(-1) }, path: "options.workLimit",
		good: func(o *pb.Options) { o.WorkLimit = proto.Int64(1) },
		effect: func(a, b *pb.Plan) bool {
			return !a.GetStoppedEarly() && b.GetStoppedEarly() && b.GetSolves() < a.GetSolves()
		},
	},
	"computeBudgetMicros": {
		bad: func(o *pb.Options) { o.ComputeBudgetMicros = proto.Int64(-1) }, path: "options.computeBudgetMicros",
		elsewhere: "TestComputeBudget",
	},
	"correlationThreshold": {
		bad: func(o *pb.Options) { o.CorrelationThreshold = proto.Float64(0) }, path: "options.correlationThreshold",
		base:   func(o *pb.Options) { o.Grouping = "semi-orthogonal"; o.CorrelationThreshold = proto.Float64(1) },
		good:   func(o *pb.Options) { o.CorrelationThreshold = proto.Float64(1e-6) },
		effect: func(a, b *pb.Plan) bool { return len(a.GetGroups()) == 1 && len(b.GetGroups()) == 3 },
	},
	"hysteresisDb": {
		bad: func(o *pb.Options) { o.Grouping, o.HysteresisDb = "alone", proto.Float64(1) }, path: "options.hysteresisDb",
		elsewhere: "TestHysteresis",
	},
	"backlogSlots": {
		bad: func(o *pb.Options) { o.BacklogSlots = proto.Float64(-1) }, path: "options.backlogSlots",
		elsewhere: "TestOwed",
	},
	"sinrGapDb": {
		bad: func(o *pb.Options) { o.SinrGapDb = proto.Float64(-1) }, path: "options.sinrGapDb",
		good: func(o *pb.Options) { o.SinrGapDb = proto.Float64(3) }, effect: morePower,
	},
	"rateTable": {
		bad: func(o *pb.Options) { o.RateTable = proto.String("x") }, path: "options.rateTable",
		good:   func(o *pb.Options) { o.RateTable = proto.String("cqi-64qam") },
		effect: func(a, b *pb.Plan) bool { return len(stepsOf(a)) == 0 && len(stepsOf(b)) == 1 },
	},
	"codebook.oversampling": {
		bad: func(o *pb.Options) { o.Codebook = &pb.Codebook{} }, path: "options.codebook.oversampling",
		base:   func(o *pb.Options) { withCodebook(o, &pb.Codebook{Oversampling: 1}) },
		good:   func(o *pb.Options) { o.Codebook.Oversampling = 8 },
		effect: func(a, b *pb.Plan) bool { return highestBeam(a) < 4 && highestBeam(b) >= 4 && lessPower(a, b) },
	},
	"codebook.columns": {
		bad: func(o *pb.Options) { o.Codebook = &pb.Codebook{Oversampling: 1, Columns: -1} }, path: "options.codebook.columns",
		base:   func(o *pb.Options) { withCodebook(o, &pb.Codebook{Oversampling: 1}) },
		good:   func(o *pb.Options) { o.Codebook.Columns = 2 },
		effect: func(a, b *pb.Plan) bool { return morePower(a, b) || lessPower(a, b) },
	},
	"codebook.values": {
		bad: func(o *pb.Options) { o.Codebook = &pb.Codebook{Values: []float64{math.NaN(), 0}} }, path: "options.codebook.values[0]",
		base: func(o *pb.Options) { withCodebook(o, &pb.Codebook{Oversampling: 1}) },
		good: func(o *pb.Options) { o.Codebook.Values = []float64{0, 0, 3, 0, 0, 0, 0, 0} }, // the second antenna
		effect: func(_, b *pb.Plan) bool {
			p := b.GetAntennaPowerW()
			return highestBeam(b) == 0 && p[0] == 0 && p[1] > 0 && p[2] == 0 && p[3] == 0
		},
	},
	"shareStep": {
		bad: func(o *pb.Options) { o.ShareStep = proto.Float64(2) }, path: "options.shareStep",
		base: func(o *pb.Options) { o.Grouping = "alone" },
		good: func(o *pb.Options) { o.ShareStep = proto.Float64(0.25) },
		effect: func(a, b *pb.Plan) bool {
			whole := func(p *pb.Plan) bool {
				for _, g := range p.GetGroups() {
					if math.Abs(math.Remainder(g.GetShare(), 0.25)) > 1e-12 {
						return false
					}
				}
				return true
			}
			return !whole(a) && whole(b)
		},
	},
}

// consumption is a case of a number of consumption models. On a station that
// sleeps for free in a quarter of the slot it makes a plan of the same shares
// consume more, by as much as is computed by hand.
func consumption(field string, bad, good float64) fieldCase[*pb.Options] {
	set := func(o *pb.Options, x float64) {
		m := o.Consumption.ProtoReflect()
		for i := range m.Descriptor().Fields().Len() {
			if f := m.Descriptor().Fields().Get(i); f.JSONName() == field {
				m.Set(f, protoreflect.ValueOfFloat64(x))
			}
		}
	}
	base := func(o *pb.Options) {
		o.Grouping, o.ShareStep = "together", proto.Float64(0.75)
		o.Consumption = &pb.Consumption{BaseW: proto.Float64(1), AntennaW: proto.Float64(1)}
	}
	return fieldCase[*pb.Options]{
		bad: func(o *pb.Options) { base(o); set(o, bad) }, path: "options.consumption." + field,
		base: base,
		good: func(o *pb.Options) { set(o, good) },
		effect: func(a, b *pb.Plan) bool {
			more := map[string]float64{
				"amplifierEfficiency": a.GetRadiatedPowerW(),
				"baseW":               0.75 * 2,
				"baseSleepW":          0.25 * 0.5,
				"antennaW":            0.75 * 4 * 2,
				"antennaSleepW":       0.25 * 4 * 0.5,
				"userW":               0.75 * 3 * 3,
				"joulesPerBit":        3e6 * 1e-6,
				"operationsPerJoule":  0.75 * 2 * 4 * 3 * 1e6 / 1e6,
			}[field]
			got := b.GetConsumedPowerW() - a.GetConsumedPowerW()
			return a.GetGroups()[0].GetShare() == 0.75 && more > 0 && math.Abs(got-more) < 1e-5*more
		},
	}
}

func withCodebook(o *pb.Options, b *pb.Codebook) {
	o.Beams, o.Grouping, o.Codebook = "codebook", "alone", b
}

// highestBeam returns the highest beam index of a plan, -1 for none.
func highestBeam(p *pb.Plan) int {
	highest := -1
	for _, g := range p.GetGroups() {
		for _, a := range g.GetAllocations() {
			if a.BeamIndex != nil {
				highest = max(highest, int(a.GetBeamIndex()))
			}
		}
	}
	return highest
}

// otherSeed deals the users of newSlot otherwise than seed 0 does.
const otherSeed = 2

// slotCases holds every other field of Slot.
var slotCases = map[string]fieldCase[*pb.Slot]{
	"sequence": {
		good:      func(s *pb.Slot) { s.Sequence = -7 },
		effect:    func(_, b *pb.Plan) bool { return b.GetSequence() == -7 },
		elsewhere: "TestStreamBadSlots",
	},
	"captureTime": {
		bad: func(s *pb.Slot) { s.CaptureTime = &timestamppb.Timestamp{Seconds: 1, Nanos: -1} }, path: "captureTime",
		good: func(s *pb.Slot) { s.CaptureTime = &timestamppb.Timestamp{Seconds: 1} }, effect: same,
	},
	"slotDurationMicros": {
		bad: func(s *pb.Slot) { s.SlotDurationMicros = -1 }, path: "slotDurationMicros",
		good: func(s *pb.Slot) { s.SlotDurationMicros = 500 }, effect: same,
	},
	"carrierHz": {
		bad: func(s *pb.Slot) { s.CarrierHz = -1 }, path: "carrierHz",
		good: func(s *pb.Slot) { s.CarrierHz = 1e9 }, effect: same, // of use with array only
	},
	"bandwidthHz": {
		bad: func(s *pb.Slot) { s.BandwidthHz = 0 }, path: "bandwidthHz",
		good: func(s *pb.Slot) { s.BandwidthHz *= 2 }, effect: lessPower,
	},
	"channel.antennas": {
		bad: func(s *pb.Slot) { s.Channel.Antennas = 0 }, path: "channel.antennas",
		good:   func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Values = 3, s.Channel.Values[:3*3*2] },
		effect: func(_, b *pb.Plan) bool { return len(b.GetAntennaPowerW()) == 3 },
	},
	"channel.subbands": {
		bad: func(s *pb.Slot) { s.Channel.Subbands = -1 }, path: "channel.subbands",
		good: func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Subbands = 2, 2 },
		effect: func(a, b *pb.Plan) bool {
			return len(a.GetGroups()[0].GetAllocations()[0].GetSinr()) == 1 &&
				len(b.GetGroups()[0].GetAllocations()[0].GetSinr()) == 2
		},
	},
	"channel.receiveAntennas": {
		bad: func(s *pb.Slot) { s.Channel.ReceiveAntennas = 2 }, path: "channel.receiveAntennas",
		good: func(s *pb.Slot) { s.Channel.ReceiveAntennas = 1 }, effect: same,
	},
	"channel.values": {
		bad: func(s *pb.Slot) { s.Channel.Values[5] = math.NaN() }, path: "channel.values[5]",
		good: func(s *pb.Slot) {
			for i := range s.Channel.Values {
				s.Channel.Values[i] /= 2
			}
		},
		effect: morePower,
	},
	"channel.samplesF32": {
		bad: func(s *pb.Slot) { s.Channel.SamplesF32 = make([]byte, 8*3*4) }, path: "channel.samplesF32",
		base: func(s *pb.Slot) { toF32(s, 1) },
		good: func(s *pb.Slot) { toF32(s, 0.5) }, effect: morePower,
	},
	"users[].id": {
		bad: func(s *pb.Slot) { s.Users[1].Id = "" }, path: "users[1].id",
		good:   func(s *pb.Slot) { s.Users[1].Id = "lorry" },
		effect: func(_, b *pb.Plan) bool { return strings.Contains(groupsOf(b), "lorry") && b.Users[1].Id == "lorry" },
	},
	"users[].rateBps": {
		bad: func(s *pb.Slot) { s.Users[1].RateBps = math.Inf(1) }, path: "users[1].rateBps",
		good: func(s *pb.Slot) { s.Users[1].RateBps *= 2 },
		effect: func(a, b *pb.Plan) bool {
			return morePower(a, b) && b.Users[1].RateBps >= 2*a.Users[1].TargetBps*(1-scheduler.RateTolerance)
		},
	},
	"users[].noiseW": {
		bad: func(s *pb.Slot) { s.Users[1].NoiseW = 0 }, path: "users[1].noiseW",
		good: func(s *pb.Slot) { s.Users[1].NoiseW *= 2 }, effect: morePower,
	},
	"users[].subbandNoiseW": {
		bad: func(s *pb.Slot) { s.Users[1].SubbandNoiseW = []float64{1, 1} }, path: "users[1].subbandNoiseW",
		good: func(s *pb.Slot) { s.Users[1].SubbandNoiseW = []float64{2} }, effect: morePower,
	},
	"users[].csiErrorVariance": {
		bad: func(s *pb.Slot) { s.Users[1].CsiErrorVariance = -1 }, path: "users[1].csiErrorVariance",
		good: func(s *pb.Slot) { s.Users[1].CsiErrorVariance = 0.01 }, effect: morePower,
	},
	"users[].priority": {
		bad: func(s *pb.Slot) { s.Users[1].Priority = -2 }, path: "users[1].priority",
		base:   func(s *pb.Slot) { withLimits(s).TotalPowerW = proto.Float64(0.3) },
		good:   func(s *pb.Slot) { s.Users[1].Priority = 2 },
		effect: func(a, b *pb.Plan) bool { return short(a) && short(b) && rateOf(b, 1) > 1.2*rateOf(a, 1) },
	},
	"array.positionsM": {
		bad: func(s *pb.Slot) { withArray(s).PositionsM = make([]float64, 11) }, path: "array.positionsM",
		good:   func(s *pb.Slot) { withArray(s) },
		effect: func(a, b *pb.Plan) bool { return a.PeakEirpW == nil && b.GetPeakEirpW() > 0 },
	},
	"array.elementGainDbi": {
		bad: func(s *pb.Slot) { withArray(s).ElementGainDbi = 200 }, path: "array.elementGainDbi",
		base:   func(s *pb.Slot) { withArray(s) },
		good:   func(s *pb.Slot) { withArray(s).ElementGainDbi = 10 },
		effect: func(a, b *pb.Plan) bool { return math.Abs(b.GetPeakEirpW()/a.GetPeakEirpW()-10) < 1e-6 },
	},
	"array.elementPattern": {
		bad: func(s *pb.Slot) { withArray(s).ElementPattern = "x" }, path: "array.elementPattern",
		base:   func(s *pb.Slot) { withArray(s) },
		good:   func(s *pb.Slot) { withArray(s).ElementPattern = "sector65" },
		effect: func(a, b *pb.Plan) bool { return b.GetPeakEirpW() < a.GetPeakEirpW()*(1-1e-6) },
	},
	"limits.totalPowerW": {
		bad: func(s *pb.Slot) { withLimits(s).TotalPowerW = proto.Float64(-1) }, path: "limits.totalPowerW",
		good: func(s *pb.Slot) { withLimits(s).TotalPowerW = proto.Float64(0.3) },
		effect: func(a, b *pb.Plan) bool {
			return !short(a) && short(b) && b.GetLimitsBinding()[0].GetLimit() == "totalPowerW"
		},
	},
	"limits.antennaPowerW": {
		bad: func(s *pb.Slot) { withLimits(s).AntennaPowerW = make([]float64, 3) }, path: "limits.antennaPowerW",
		good:   func(s *pb.Slot) { withLimits(s).AntennaPowerW = []float64{0, 100, 100, 100} },
		effect: func(a, b *pb.Plan) bool { return a.GetAntennaPowerW()[0] > 0 && b.GetAntennaPowerW()[0] == 0 },
	},
	"limits.eirpW": {
		bad: func(s *pb.Slot) { withLimits(s).EirpW = proto.Float64(1) }, path: "limits.eirpW", // without array
		base:   func(s *pb.Slot) { withArray(s) },
		good:   func(s *pb.Slot) { withLimits(s).EirpW = proto.Float64(3.2) },
		effect: func(a, b *pb.Plan) bool { return a.GetPeakEirpW() > 3.2 && b.GetPeakEirpW() <= 3.2 },
	},
	"limits.protectedDirections[].azimuthDeg":   direction("azimuthDeg", func(d *pb.ProtectedDirection) { d.AzimuthDeg = 400 }, func(d *pb.ProtectedDirection) { d.AzimuthDeg = 60 }),
	"limits.protectedDirections[].elevationDeg": direction("elevationDeg", func(d *pb.ProtectedDirection) { d.ElevationDeg = 91 }, func(d *pb.ProtectedDirection) { d.ElevationDeg = 80 }),
	"limits.protectedDirections[].widthDeg":     direction("widthDeg", func(d *pb.ProtectedDirection) { d.WidthDeg = 0 }, func(d *pb.ProtectedDirection) { d.WidthDeg = 40 }),
	"limits.protectedDirections[].eirpW":        direction("eirpW", func(d *pb.ProtectedDirection) { d.EirpW = -1 }, func(d *pb.ProtectedDirection) { d.EirpW = 1e-4 }),
	"limits.maxGroupSize": {
		bad: func(s *pb.Slot) { withLimits(s).MaxGroupSize = proto.Int32(0) }, path: "limits.maxGroupSize",
		base:   func(s *pb.Slot) { s.Options = &pb.Options{Grouping: "together"} },
		good:   func(s *pb.Slot) { withLimits(s).MaxGroupSize = proto.Int32(1) },
		effect: func(a, b *pb.Plan) bool { return len(a.GetGroups()) == 1 && len(b.GetGroups()) == 3 },
	},
	"limits.maxGroups": {
		bad: func(s *pb.Slot) { withLimits(s).MaxGroups = proto.Int32(0) }, path: "limits.maxGroups",
		base:   func(s *pb.Slot) { s.Options = &pb.Options{Grouping: "alone"} },
		good:   func(s *pb.Slot) { withLimits(s).MaxGroups = proto.Int32(2) },
		effect: func(a, b *pb.Plan) bool { return len(a.GetGroups()) == 3 && len(b.GetGroups()) == 2 },
	},
	"groups[].userIds": {
		bad: func(s *pb.Slot) { s.Groups = []*pb.FixedGroup{{UserIds: []string{"crane", "x"}}} }, path: "groups[0].userIds[1]",
		good: func(s *pb.Slot) { withGroups(s); s.Groups[0].UserIds = append(s.Groups[0].UserIds, "carrier") },
		effect: func(_, b *pb.Plan) bool { // a user in two groups, where that takes less power
			return strings.Contains(groupsOf(b), "hand-held") && strings.Contains(groupsOf(b), "crane") && len(b.GetGroups()) == 2
		},
	},
	"groups[].share": {
		bad: func(s *pb.Slot) { withGroups(s); s.Groups[0].Share = proto.Float64(0) }, path: "groups[0].share",
		base:   withGroups,
		good:   func(s *pb.Slot) { s.Groups[0].Share = proto.Float64(0.75) },
		effect: func(a, b *pb.Plan) bool { return b.GetGroups()[0].GetShare() == 0.75 && morePower(a, b) },
	},
	"groups[].subbands": {
		bad: func(s *pb.Slot) { withGroups(s); s.Groups[0].Subbands = []int32{2} }, path: "groups[0].subbands[0]",
		base: func(s *pb.Slot) { s.Channel.Antennas, s.Channel.Subbands = 2, 2; withGroups(s) },
		good: func(s *pb.Slot) { s.Groups[0].Subbands, s.Groups[1].Subbands = []int32{1}, []int32{0} },
		effect: func(_, b *pb.Plan) bool {
			g := b.GetGroups() // at the same time
			return g[0].GetShare() == 1 && g[1].GetShare() == 1 && slices.Equal(g[0].GetSubbands(), []int32{1})
		},
	},
}

func toF32(s *pb.Slot, scale float64) {
	slot := newSlot(s.Sequence)
	for i := range slot.Channel.Samples {
		slot.Channel.Samples[i] *= complex(scale, 0)
	}
	s.Channel = convert.SlotToProto(slot, convert.SamplesF32).Channel
}

// withArray gives s a line of antennas half a wavelength apart, if it has none.
func withArray(s *pb.Slot) *pb.Array {
	if s.Array == nil {
		s.CarrierHz = 1e9
		s.Array = &pb.Array{}
		for _, p := range channel.Linear(4, channel.WavelengthM(s.CarrierHz)/2) {
			s.Array.PositionsM = append(s.Array.PositionsM, p[:]...)
		}
	}
	return s.Array
}

func withLimits(s *pb.Slot) *pb.Limits {
	if s.Limits == nil {
		s.Limits = &pb.Limits{}
	}
	return s.Limits
}

func withDirection(s *pb.Slot) *pb.ProtectedDirection {
	withArray(s)
	d := &pb.ProtectedDirection{AzimuthDeg: 10, ElevationDeg: 1, WidthDeg: 10, EirpW: 0.3}
	withLimits(s).ProtectedDirections = []*pb.ProtectedDirection{d}
	return d
}

// direction is a case of a field of protected directions: to protect another
// place, or more of it, takes another plan.
func direction(field string, bad, good func(*pb.ProtectedDirection)) fieldCase[*pb.Slot] {
	return fieldCase[*pb.Slot]{
		bad: func(s *pb.Slot) { bad(withDirection(s)) }, path: "limits.protectedDirections[0]." + field,
		base:   func(s *pb.Slot) { withDirection(s) },
		good:   func(s *pb.Slot) { good(withDirection(s)) },
		effect: func(a, b *pb.Plan) bool { return !short(a) && a.GetRadiatedPowerW() != b.GetRadiatedPowerW() },
	}
}

func withGroups(s *pb.Slot) {
	s.Groups = []*pb.FixedGroup{{UserIds: []string{"crane"}}, {UserIds: []string{"carrier", "hand-held"}}}
}

// openCases holds every field of OpenSession besides the options.
var openCases = map[string]fieldCase[*pb.OpenSession]{
	"cellId": {
		bad: func(o *pb.OpenSession) { o.CellId = strings.Repeat("x", 257) }, path: "cellId",
		good: func(o *pb.OpenSession) { o.CellId = "quay-4" }, effect: same, // in logs only
	},
	"sessionId": {
		bad: func(o *pb.OpenSession) { o.SessionId = strings.Repeat("x", 257) }, path: "sessionId",
		elsewhere: "TestStreamBadSlots",
	},
	"lateSlotPolicy": {
		bad: func(o *pb.OpenSession) { o.LateSlotPolicy = 9 }, path: "lateSlotPolicy",
		good: func(o *pb.OpenSession) { o.LateSlotPolicy = pb.LateSlotPolicy_LATE_SLOT_POLICY_KEEP_ALL }, effect: same,
		elsewhere: "TestNewestWins",
	},
	"resumeAfterSequence": {
		good: func(o *pb.OpenSession) { o.ResumeAfterSequence = proto.Int64(1) },
		effect: func(a, b *pb.Plan) bool {
			return a.GetStatus() == pb.PlanStatus_PLAN_STATUS_MET && b.GetStatus() == pb.PlanStatus_PLAN_STATUS_REJECTED &&
				b.GetViolations()[0].GetPath() == "sequence"
		},
		elsewhere: "TestResume",
	},
	"sessionState": {
		bad: func(o *pb.OpenSession) { o.SessionState = append([]byte{stateVersion}, "damaged"...) }, path: "sessionState",
		elsewhere: "TestResume",
	},
	"wantSessionState": {
		good:   func(o *pb.OpenSession) { o.WantSessionState = true },
		effect: func(a, b *pb.Plan) bool { return len(a.GetSessionState()) == 0 && len(b.GetSessionState()) > 0 },
	},
}

// leaves lists the fields of a message that hold values, as JSON paths.
func leaves(m protoreflect.MessageDescriptor, prefix string) []string {
	var out []string
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		path := prefix + f.JSONName()
		switch {
		case f.Message() == nil || f.Message().FullName() == "google.protobuf.Timestamp":
			out = append(out, path)
		case f.IsList():
			out = append(out, leaves(f.Message(), path+"[].")...)
		default:
			out = append(out, leaves(f.Message(), path+".")...)
		}
	}
	return out
}

// TestContractComplete: a new field of the contract needs a case here.
func TestContractComplete(t *testing.T) {
	cases := map[string]bool{}
	for name := range optionCases {
		cases["slot.options."+name] = true
		cases["open.options."+name] = true
	}
	for name := range slotCases {
		cases["slot."+name] = true
	}
	for name := range openCases {
		cases["open."+name] = true
	}
	for _, path := range append(
		leaves((&pb.Slot{}).ProtoReflect().Descriptor(), "slot."),
		leaves((&pb.OpenSession{}).ProtoReflect().Descriptor(), "open.")...,
	) {
		if !cases[path] {
			t.Errorf("%s: nothing shows that it is honoured or refused", path)
		}
		delete(cases, path)
	}
	for path := range cases {
		t.Errorf("%s: no such field", path)
	}
}

// TestContractElsewhere: tests that cases lean on exist.
func TestContractElsewhere(t *testing.T) {
	files, err := filepath.Glob("*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	var source strings.Builder
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		source.Write(text)
	}
	exists := func(name string) {
		if name != "" && !strings.Contains(source.String(), "func "+name+"(") {
			t.Errorf("no test %s", name)
		}
	}
	for _, c := range optionCases {
		exists(c.elsewhere)
	}
	for _, c := range slotCases {
		exists(c.elsewhere)
	}
	for _, c := range openCases {
		exists(c.elsewhere)
	}
}

// outcome is what a server makes of a message: a plan, or violations.
type outcome struct {
	plan  *pb.Plan
	paths []string
}

// run proves one case, by way of what try makes of a message that a change has
// been made to.
func run[M any](t *testing.T, c fieldCase[M], try func(change func(M)) outcome) {
	if c.bad == nil && c.good == nil && c.elsewhere == "" {
		t.Error("nothing to show")
	}
	if c.bad != nil {
		if got := try(c.bad); !slices.Contains(got.paths, c.path) {
			t.Errorf("a bad value gives %v, violations of %q; want one of %s", got.plan, got.paths, c.path)
		}
	}
	if c.good == nil {
		return
	}
	base := c.base
	if base == nil {
		base = func(M) {}
	}
	without := try(base)
	with := try(func(m M) { base(m); c.good(m) })
	if without.plan == nil || with.plan == nil {
		t.Fatalf("refused: %q and %q", without.paths, with.paths)
	}
	if !c.effect(without.plan, with.plan) {
		t.Errorf("no effect:\n%v\n%v", without.plan, with.plan)
	}
}

// TestContract proves field by field, over real gRPC, that what a caller may
// send is honoured or refused with its path.
func TestContract(t *testing.T) {
	s := start(t, Config{}, nil)
	rpc := s.rpc(t)
	single := func(change func(*pb.Slot)) outcome {
		slot := newMessage(1)
		change(slot)
		res, err := rpc.ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: slot})
		return outcome{res.GetPlan(), violationPaths(t, err)}
	}
	session := func(change func(*pb.OpenSession)) outcome {
		open := &pb.OpenSession{}
		change(open)
		stream := s.stream(t, open)
		sendSlot(t, stream, newMessage(1))
		stream.CloseSend()
		if _, err := stream.Recv(); err != nil {
			return outcome{nil, violationPaths(t, err)}
		}
		res, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
			t.Error(err)
		}
		return outcome{res.GetPlan(), nil}
	}
	for name, c := range slotCases {
		t.Run("slot."+name, func(t *testing.T) { run(t, c, single) })
	}
	for name, c := range openCases {
		t.Run("open."+name, func(t *testing.T) { run(t, c, session) })
	}
	for name, c := range optionCases {
		t.Run("slot.options."+name, func(t *testing.T) {
			run(t, c, func(change func(*pb.Options)) outcome {
				return single(func(slot *pb.Slot) {
					slot.Options = &pb.Options{}
					change(slot.Options)
				})
			})
		})
		t.Run("open.options."+name, func(t *testing.T) {
			run(t, c, func(change func(*pb.Options)) outcome {
				return session(func(open *pb.OpenSession) {
					open.Options = &pb.Options{}
					change(open.Options)
				})
			})
		})
	}
}

// violationPaths returns the fields that a BadRequest names.
func violationPaths(t *testing.T, err error) []string {
	t.Helper()
	if err == nil {
		return nil
	}
	var paths []string
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, f := range bad.GetFieldViolations() {
				paths = append(paths, f.GetField())
			}
		}
	}
	if len(paths) == 0 {
		t.Errorf("no field is named: %v", err)
	}
	return paths
}
