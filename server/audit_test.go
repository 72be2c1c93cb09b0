package server

import (
	"slices"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"leastwatt/client"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// planned is a slot with a plan of this server for it, weights and floor included.
func planned(t *testing.T, s *started) (*scheduler.Slot, *pb.AuditPlanRequest) {
	t.Helper()
	slot := newSlot(1)
	slot.Options.Weights, slot.Options.Floor = scheduler.WeightsI16, true
	plan, err := s.dial(t, client.Config{}).Schedule(t.Context(), slot)
	if err != nil {
		t.Fatal(err)
	}
	message, err := convert.PlanToProto(plan, scheduler.WeightsI16)
	if err != nil {
		t.Fatal(err)
	}
	return slot, &pb.AuditPlanRequest{Slot: convert.SlotToProto(slot, convert.SamplesF64), Plan: message}
}

// TestAuditPlan: a plan that went over the wire and back stands up to the audit, a
// changed one does not, and over a worse channel its rates do not.
func TestAuditPlan(t *testing.T) {
	s := start(t, Config{}, nil)
	slot, req := planned(t, s)
	rpc := s.rpc(t)
	audit := func() *pb.Audit {
		t.Helper()
		res, err := rpc.AuditPlan(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return res.GetAudit()
	}
	a := audit()
	if !a.GetAgrees() || len(a.GetFindings()) > 0 || a.GetWorstRateRatio() < 1-scheduler.RateTolerance || len(a.GetUsers()) != 3 ||
		a.GetFloorPowerW() < req.GetPlan().GetFloorPowerW() || a.OverFloorDb == nil {
		t.Errorf("audit %v", a)
	}

	for k := range slot.Channel.Samples {
		slot.Channel.Samples[k] *= 0.9
	}
	req.TrueChannel = convert.SlotToProto(slot, convert.SamplesF32).Channel
	if b := audit(); b.GetAgrees() || b.GetWorstRateRatio() > 0.99 || b.GetRadiatedPowerW() != a.GetRadiatedPowerW() {
		t.Errorf("audit over a worse channel %v", b)
	}

	req.TrueChannel = nil
	req.Plan.RadiatedPowerW *= 1.01
	if b := audit(); b.GetAgrees() || len(b.GetFindings()) != 1 || b.GetFindings()[0].GetPath() != "radiatedPowerW" ||
		b.GetFindings()[0].GetText() == "" || b.GetFindings()[0].GetRecomputed() != a.GetRadiatedPowerW() {
		t.Errorf("audit of a changed plan %v", b)
	}
}

// TestAuditPlanBad: what cannot be audited is refused with its path.
func TestAuditPlanBad(t *testing.T) {
	s := start(t, Config{Limits: Limits{Groups: 3}}, nil)
	_, good := planned(t, s)
	for name, c := range map[string]struct {
		spoil func(*pb.AuditPlanRequest)
		path  string
	}{
		"no slot":      {func(r *pb.AuditPlanRequest) { r.Slot = nil }, "slot"},
		"no plan":      {func(r *pb.AuditPlanRequest) { r.Plan = nil }, "plan"},
		"bad slot":     {func(r *pb.AuditPlanRequest) { r.Slot.Users[1].NoiseW = -1 }, "users[1].noiseW"},
		"rejected":     {func(r *pb.AuditPlanRequest) { r.Plan.Status = pb.PlanStatus_PLAN_STATUS_REJECTED }, "plan"},
		"no weights":   {func(r *pb.AuditPlanRequest) { r.Plan.Groups[0].Allocations[0].Weights = nil }, "plan"},
		"half weights": {func(r *pb.AuditPlanRequest) { r.Plan.Groups[0].Allocations[0].Weights.SamplesI16 = make([]byte, 3) }, "plan"},
		"many groups":  {func(r *pb.AuditPlanRequest) { r.Plan.Groups = make([]*pb.Group, 4) }, "plan.groups"},
		"true channel": {func(r *pb.AuditPlanRequest) { r.TrueChannel = &pb.Channel{Antennas: 4, Values: make([]float64, 3)} }, "trueChannel.values"},
		"other size":   {func(r *pb.AuditPlanRequest) { r.TrueChannel = &pb.Channel{Antennas: 3, Values: make([]float64, 18)} }, "plan"},
	} {
		t.Run(name, func(t *testing.T) {
			req := proto.CloneOf(good)
			c.spoil(req)
			_, err := s.rpc(t).AuditPlan(t.Context(), req)
			if status.Code(err) != codes.InvalidArgument || !slices.Contains(violationPaths(t, err), c.path) {
				t.Errorf("error %v, want one at %s", err, c.path)
			}
		})
	}
}
