package convert

import (
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// ChannelFromProto decodes a channel and returns what is wrong on the wire.
func ChannelFromProto(in *pb.Channel) (*scheduler.Channel, []scheduler.Violation) {
	var w wire
	c := w.channel(in)
	return &c, w.list
}

// AuditToProto encodes an audit.
func AuditToProto(r *audit.Result) *pb.Audit {
	out := &pb.Audit{
		Agrees:         r.Agrees(),
		RadiatedPowerW: r.RadiatedPowerW,
		Users:          ratesToProto(r.Users),
		AntennaPowerW:  r.AntennaPowerW,
		PeakEirpW:      r.PeakEIRPW,
		FloorPowerW:    r.FloorPowerW,
		ConsumedPowerW: r.ConsumedPowerW,
		OverFloorDb:    r.OverFloorDB,
		WorstRateRatio: r.WorstRateRatio,
	}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, &pb.Finding{
			Path: f.Path, Claimed: f.Claimed, Recomputed: f.Recomputed, Text: f.Text, IsLimit: f.IsLimit,
		})
	}
	return out
}
