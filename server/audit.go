package server

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// AuditPlan re-computes a plan.
func (s *Server) AuditPlan(ctx context.Context, req *pb.AuditPlanRequest) (*pb.AuditPlanResponse, error) {
	peer := peerOf(ctx)
	if err := s.slots.take(peer, 1); err != nil {
		return nil, rpcError(err)
	}
	defer s.slots.give(peer, 1)
	out, err := s.Audit(ctx, req)
	if err != nil {
		return nil, rpcError(err)
	}
	return &pb.AuditPlanResponse{Audit: out}, nil
}

// Audit re-computes a plan in this process, without a connection. Bad input is an
// error that names its fields. An audit takes a worker's turn as a slot does, under
// the same bounds, and there is no part of one: out of time it is the context's
// error.
func (s *Server) Audit(ctx context.Context, req *pb.AuditPlanRequest) (*pb.Audit, error) {
	var out *pb.Audit
	var failed error
	err := s.work(ctx, singleCalls{}, func(ctx context.Context) { out, failed = s.recompute(ctx, req) })
	switch {
	case errors.Is(err, errGivenUp):
		s.fault(err.Error(), nil)
		return nil, errFault
	case err != nil:
		return nil, err
	}
	return out, failed
}

// recompute is the worker's part of Audit.
func (s *Server) recompute(ctx context.Context, req *pb.AuditPlanRequest) (out *pb.Audit, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			s.failed(req.GetSlot().GetSequence(), fmt.Sprint(cause), debug.Stack())
			out, err = nil, errFault
		}
	}()
	slot, plan, truth, err := s.decodeAudit(req)
	if err != nil {
		return nil, err
	}
	result, err := audit.Run(ctx, slot, plan, truth)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.Is(err, audit.ErrNoWeights):
		return nil, badAudit("plan", err, "a plan with weights: options.weights asks for them")
	case err != nil:
		return nil, badAudit("plan", err, "a plan that answers the slot")
	}
	return convert.AuditToProto(result), nil
}

// decodeAudit turns a request into what an audit takes; truth is nil where the
// slot's channel is the true one.
func (s *Server) decodeAudit(req *pb.AuditPlanRequest) (*scheduler.Slot, *scheduler.Plan, *scheduler.Channel, error) {
	slot, bad := s.decode(req.GetSlot())
	if req.GetPlan() == nil {
		bad = append(bad, scheduler.Violation{Path: "plan", Value: "absent", Allowed: "a plan"})
	}
	if n, most := len(req.GetPlan().GetGroups()), s.config.Limits.Groups; n > most {
		bad = append(bad, scheduler.Violation{
			Path: "plan.groups", Value: fmt.Sprint(n), Allowed: fmt.Sprintf("at most %d: this server's limit on groups", most),
		})
	}
	var truth *scheduler.Channel
	if req.GetTrueChannel() != nil {
		channel, wrong := convert.ChannelFromProto(req.GetTrueChannel())
		for _, v := range wrong {
			v.Path = "trueChannel" + v.Path[len("channel"):]
			bad = append(bad, v)
		}
		truth = channel
	}
	if len(bad) > 0 {
		return nil, nil, nil, &rejection{reasonAuditRejected, bad}
	}
	plan, err := convert.PlanFromProto(req.GetPlan())
	if err != nil {
		return nil, nil, nil, badAudit("plan", err, "weights in one format")
	}
	return slot, plan, truth, nil
}

func badAudit(path string, err error, allowed string) error {
	return &rejection{reasonAuditRejected, []scheduler.Violation{{Path: path, Value: err.Error(), Allowed: allowed}}}
}
