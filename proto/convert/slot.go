package convert

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// SampleFormat says how complex samples are written.
type SampleFormat int

// Sample formats.
const (
	SamplesF64 SampleFormat = iota // values: float64 pairs
	SamplesF32                     // samplesF32: little-endian complex64
)

// Slot decodes a slot and checks it whole: violations of the wire and of
// scheduler.Slot.Validate in one list, each path once, in words of the field
// that carries the samples.
func Slot(in *pb.Slot) (*scheduler.Slot, []scheduler.Violation) {
	s, list := SlotFromProto(in)
	wire := list
	for _, v := range s.Validate() {
		if len(in.GetChannel().GetSamplesF32()) > 0 && len(in.GetChannel().GetValues()) == 0 {
			v.Path = strings.Replace(v.Path, "channel.values", "channel.samplesF32", 1)
		}
		if !hasPath(wire, v.Path) {
			list = append(list, v)
		}
	}
	if len(list) > scheduler.MaxViolations {
		list = list[:scheduler.MaxViolations]
		list[len(list)-1] = scheduler.Violation{Path: "...", Value: "more violations", Allowed: "none"}
	}
	return s, list
}

func hasPath(list []scheduler.Violation, path string) bool {
	for i := range list {
		if list[i].Path == path {
			return true
		}
	}
	return false
}

// SlotFromProto decodes a slot and returns what is wrong on the wire: samples
// given twice or not at all, broken lengths, an optional number present but not
// allowed, more than one receive antenna, fields unknown to this version. The
// slot is complete only without violations.
func SlotFromProto(in *pb.Slot) (*scheduler.Slot, []scheduler.Violation) {
	var w wire
	w.unknown("slot", in)
	s := &scheduler.Slot{
		Sequence:           in.GetSequence(),
		CaptureTime:        w.time("captureTime", in.GetCaptureTime()),
		SlotDurationMicros: in.GetSlotDurationMicros(),
		CarrierHz:          in.GetCarrierHz(),
		BandwidthHz:        in.GetBandwidthHz(),
		Channel:            w.channel(in.GetChannel()),
		Users:              w.users(in.GetUsers()),
		Array:              w.array(in.GetArray()),
		Limits:             w.limits(in.GetLimits()),
		Groups:             w.groups(in.GetGroups()),
	}
	if in.GetOptions() != nil {
		s.Options = w.options(in.GetOptions())
	}
	return s, w.list
}

// wire gathers violations while decoding.
type wire struct {
	list []scheduler.Violation
}

// reject adds a violation; as in scheduler, the list is bounded.
func (w *wire) reject(path, value, allowed string) {
	if len(w.list) < scheduler.MaxViolations {
		w.list = append(w.list, scheduler.Violation{Path: path, Value: value, Allowed: allowed})
	}
}

// unknown refuses fields that this version does not know: a limit sent by a
// newer client must not be dropped in silence.
func (w *wire) unknown(path string, m proto.Message) {
	if n := len(m.ProtoReflect().GetUnknown()); n > 0 {
		w.reject(path, fmt.Sprintf("%d bytes of unknown fields", n), "fields of the contract of this version")
	}
}

// unknownItem is unknown for element i of a list.
func (w *wire) unknownItem(list string, i int, m proto.Message) {
	if len(m.ProtoReflect().GetUnknown()) > 0 {
		w.unknown(fmt.Sprintf("%s[%d]", list, i), m)
	}
}

func (w *wire) time(path string, ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		return time.Time{}
	}
	if err := ts.CheckValid(); err != nil {
		w.reject(path, fmt.Sprintf("%d s %d ns", ts.GetSeconds(), ts.GetNanos()), "a valid timestamp")
		return time.Time{}
	}
	return ts.AsTime()
}

func (w *wire) channel(in *pb.Channel) scheduler.Channel {
	if in != nil {
		w.unknown("channel", in)
	}
	if n := in.GetReceiveAntennas(); n < 0 || n > 1 {
		w.reject("channel.receiveAntennas", strconv.Itoa(int(n)), "0 or 1: more is not supported by this version")
	}
	c := scheduler.Channel{
		Antennas: int(in.GetAntennas()),
		Subbands: int(in.GetSubbands()),
	}
	if c.Subbands == 0 {
		c.Subbands = 1
	}
	switch {
	case len(in.GetValues()) > 0 && len(in.GetSamplesF32()) > 0:
		w.reject("channel.samplesF32", "given together with values", "exactly one of values and samplesF32")
		c.Samples = w.pairs("channel.values", in.GetValues())
	case len(in.GetSamplesF32()) > 0:
		c.Samples = w.complex64s("channel.samplesF32", in.GetSamplesF32())
	default:
		c.Samples = w.pairs("channel.values", in.GetValues())
	}
	return c
}

// pairs decodes float64 pairs re, im.
func (w *wire) pairs(path string, in []float64) []complex128 {
	if len(in)%2 != 0 {
		w.reject(path, fmt.Sprintf("%d numbers", len(in)), "pairs re, im")
	}
	if len(in) < 2 {
		return nil
	}
	out := make([]complex128, len(in)/2)
	for i := range out {
		out[i] = complex(in[2*i], in[2*i+1])
	}
	return out
}

// complex64s decodes little-endian complex64.
func (w *wire) complex64s(path string, in []byte) []complex128 {
	if len(in)%8 != 0 {
		w.reject(path, fmt.Sprintf("%d bytes", len(in)), "8 bytes for each complex sample")
	}
	if len(in) < 8 {
		return nil
	}
	out := make([]complex128, len(in)/8)
	for i := range out {
		re := math.Float32frombits(binary.LittleEndian.Uint32(in[8*i:]))
		im := math.Float32frombits(binary.LittleEndian.Uint32(in[8*i+4:]))
		out[i] = complex(float64(re), float64(im))
	}
	return out
}

func (w *wire) users(in []*pb.User) []scheduler.User {
	if len(in) == 0 {
		return nil
	}
	out := make([]scheduler.User, len(in))
	for k, u := range in {
		w.unknownItem("users", k, u)
		out[k] = scheduler.User{
			ID:               u.GetId(),
			RateBps:          u.GetRateBps(),
			NoiseW:           u.GetNoiseW(),
			SubbandNoiseW:    u.GetSubbandNoiseW(),
			CSIErrorVariance: u.GetCsiErrorVariance(),
			Priority:         u.GetPriority(),
		}
	}
	return out
}

func (w *wire) array(in *pb.Array) *scheduler.Array {
	if in == nil {
		return nil
	}
	w.unknown("array", in)
	p := in.GetPositionsM()
	if len(p)%3 != 0 {
		w.reject("array.positionsM", fmt.Sprintf("%d numbers", len(p)), "x, y, z of each antenna")
	}
	a := &scheduler.Array{
		PositionsM:     make([][3]float64, len(p)/3),
		ElementGainDBi: in.GetElementGainDbi(),
		ElementPattern: in.GetElementPattern(),
	}
	for m := range a.PositionsM {
		a.PositionsM[m] = [3]float64(p[3*m : 3*m+3])
	}
	return a
}

func (w *wire) limits(in *pb.Limits) scheduler.Limits {
	if in == nil {
		return scheduler.Limits{}
	}
	w.unknown("limits", in)
	l := scheduler.Limits{
		TotalPowerW:   in.TotalPowerW,
		AntennaPowerW: in.GetAntennaPowerW(),
		EIRPW:         in.EirpW,
		MaxGroupSize:  w.positive("limits.maxGroupSize", in.MaxGroupSize),
		MaxGroups:     w.positive("limits.maxGroups", in.MaxGroups),
	}
	for i, d := range in.GetProtectedDirections() {
		w.unknownItem("limits.protectedDirections", i, d)
		l.ProtectedDirections = append(l.ProtectedDirections, scheduler.ProtectedDirection{
			AzimuthDeg:   d.GetAzimuthDeg(),
			ElevationDeg: d.GetElevationDeg(),
			WidthDeg:     d.GetWidthDeg(),
			EIRPW:        d.GetEirpW(),
		})
	}
	return l
}

// positive decodes an optional count: absent is 0, and 0 is refused.
func (w *wire) positive(path string, in *int32) int {
	if in == nil {
		return 0
	}
	if *in < 1 {
		w.reject(path, strconv.Itoa(int(*in)), ">= 1, or absent")
		return 0
	}
	return int(*in)
}

func (w *wire) groups(in []*pb.FixedGroup) []scheduler.FixedGroup {
	if len(in) == 0 {
		return nil
	}
	out := make([]scheduler.FixedGroup, len(in))
	for g, group := range in {
		w.unknownItem("groups", g, group)
		out[g] = scheduler.FixedGroup{
			UserIDs:  group.GetUserIds(),
			Share:    group.Share,
			Subbands: ints(group.GetSubbands()),
		}
	}
	return out
}

// SlotToProto encodes a slot. Options that are zero are left out, so that in
// a stream the session's apply. SamplesF32 rounds the samples to complex64.
func SlotToProto(s *scheduler.Slot, format SampleFormat) *pb.Slot {
	out := &pb.Slot{
		Sequence:           s.Sequence,
		SlotDurationMicros: s.SlotDurationMicros,
		CarrierHz:          s.CarrierHz,
		BandwidthHz:        s.BandwidthHz,
		Channel:            channelToProto(&s.Channel, format),
		Array:              arrayToProto(s.Array),
		Limits:             limitsToProto(&s.Limits),
	}
	if !s.CaptureTime.IsZero() {
		out.CaptureTime = timestamppb.New(s.CaptureTime)
	}
	for k := range s.Users {
		u := &s.Users[k]
		out.Users = append(out.Users, &pb.User{
			Id: u.ID, RateBps: u.RateBps, NoiseW: u.NoiseW, SubbandNoiseW: u.SubbandNoiseW,
			CsiErrorVariance: u.CSIErrorVariance, Priority: u.Priority,
		})
	}
	if s.Options != (scheduler.Options{}) {
		out.Options = OptionsToProto(s.Options)
	}
	for g := range s.Groups {
		group := &s.Groups[g]
		out.Groups = append(out.Groups, &pb.FixedGroup{
			UserIds: group.UserIDs, Share: group.Share, Subbands: int32s(group.Subbands),
		})
	}
	return out
}

func channelToProto(c *scheduler.Channel, format SampleFormat) *pb.Channel {
	out := &pb.Channel{Antennas: int32(c.Antennas), Subbands: int32(c.Subbands)}
	if format == SamplesF32 {
		out.SamplesF32 = bytesOf(c.Samples)
	} else {
		out.Values = floats(c.Samples)
	}
	return out
}

func arrayToProto(a *scheduler.Array) *pb.Array {
	if a == nil {
		return nil
	}
	out := &pb.Array{ElementGainDbi: a.ElementGainDBi, ElementPattern: a.ElementPattern}
	for _, p := range a.PositionsM {
		out.PositionsM = append(out.PositionsM, p[:]...)
	}
	return out
}

func limitsToProto(l *scheduler.Limits) *pb.Limits {
	out := &pb.Limits{
		TotalPowerW:   l.TotalPowerW,
		AntennaPowerW: l.AntennaPowerW,
		EirpW:         l.EIRPW,
		MaxGroupSize:  optional(l.MaxGroupSize),
		MaxGroups:     optional(l.MaxGroups),
	}
	for _, d := range l.ProtectedDirections {
		out.ProtectedDirections = append(out.ProtectedDirections, &pb.ProtectedDirection{
			AzimuthDeg: d.AzimuthDeg, ElevationDeg: d.ElevationDeg, WidthDeg: d.WidthDeg, EirpW: d.EIRPW,
		})
	}
	if proto.Size(out) == 0 {
		return nil
	}
	return out
}

func optional(n int) *int32 {
	if n == 0 {
		return nil
	}
	return proto.Int32(int32(n))
}

// floats writes complex numbers as pairs re, im.
func floats(in []complex128) []float64 {
	if len(in) == 0 {
		return nil
	}
	out := make([]float64, 2*len(in))
	for i, z := range in {
		out[2*i], out[2*i+1] = real(z), imag(z)
	}
	return out
}

// bytesOf writes complex numbers as little-endian complex64.
func bytesOf(in []complex128) []byte {
	if len(in) == 0 {
		return nil
	}
	out := make([]byte, 0, 8*len(in))
	for _, z := range in {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(real(z))))
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(imag(z))))
	}
	return out
}

func ints(in []int32) []int {
	if len(in) == 0 {
		return nil
	}
	out := make([]int, len(in))
	for i, x := range in {
		out[i] = int(x)
	}
	return out
}

func int32s(in []int) []int32 {
	if len(in) == 0 {
		return nil
	}
	out := make([]int32, len(in))
	for i, x := range in {
		out[i] = int32(x)
	}
	return out
}
