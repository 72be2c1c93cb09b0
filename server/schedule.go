package server

import (
	"context"
	"fmt"
	"runtime/debug"
	"time"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// ScheduleSlot plans one slot.
func (s *Server) ScheduleSlot(ctx context.Context, req *pb.ScheduleSlotRequest) (*pb.ScheduleSlotResponse, error) {
	peer := peerOf(ctx)
	if err := s.slots.take(peer, 1); err != nil {
		return nil, rpcError(err)
	}
	defer s.slots.give(peer, 1)
	plan, err := s.Plan(ctx, req.GetSlot())
	if err != nil {
		return nil, rpcError(err)
	}
	plan = s.fit(plan)
	switch plan.GetStatus() {
	case pb.PlanStatus_PLAN_STATUS_REJECTED:
		return nil, rpcError(&rejection{reasonSlotRejected, convert.ViolationsFromProto(plan.GetViolations())})
	case pb.PlanStatus_PLAN_STATUS_FAILED:
		return nil, rpcError(errFault)
	}
	return &pb.ScheduleSlotResponse{Plan: plan}, nil
}

// ListStrategies names what options may hold.
func (s *Server) ListStrategies(context.Context, *pb.ListStrategiesRequest) (*pb.ListStrategiesResponse, error) {
	return &pb.ListStrategiesResponse{
		Groupings:  infos(scheduler.Groupings()),
		Beams:      infos(scheduler.Beams()),
		Powers:     infos(scheduler.Powers()),
		Objectives: infos(scheduler.Objectives()),
		RateTables: infos(scheduler.RateTables()),

		ConsumptionModels: infos(scheduler.ConsumptionModels()),
	}, nil
}

func infos(list []scheduler.Info) []*pb.StrategyInfo {
	var out []*pb.StrategyInfo
	for _, i := range list {
		out = append(out, &pb.StrategyInfo{Name: i.Name, Summary: i.Summary, IsDefault: i.Default})
	}
	return out
}

// Plan plans one slot in this process, without a connection: as the first of a
// session, whatever the slot holds.
func (s *Server) Plan(ctx context.Context, slot *pb.Slot) (*pb.Plan, error) {
	var e engine
	return s.answer(ctx, &e, slot, nil)
}

// answer plans a slot whatever it holds: bad input gives a REJECTED plan, with
// more added to what is wrong with the slot itself, and a fault a FAILED one. The
// engine is made where there is none, and gone after a panic. The error is the
// context's.
func (s *Server) answer(ctx context.Context, e *engine, in *pb.Slot, more []scheduler.Violation) (plan *pb.Plan, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			plan, err = s.failed(in.GetSequence(), fmt.Sprint(cause), debug.Stack()), nil
		}
	}()
	slot, bad := s.decode(in)
	if bad = append(more, bad...); len(bad) > 0 {
		return rejected(in.GetSequence(), bad), nil
	}
	if err := s.pool.enter(ctx); err != nil {
		return nil, err
	}
	defer s.pool.leave()
	return s.schedule(ctx, e, slot), nil
}

// decode turns a message into a slot and reports everything wrong with it.
func (s *Server) decode(in *pb.Slot) (*scheduler.Slot, []scheduler.Violation) {
	if in == nil {
		return nil, []scheduler.Violation{{Path: "slot", Value: "absent", Allowed: "a slot"}}
	}
	if bad := s.config.Limits.check(in); len(bad) > 0 {
		return nil, bad
	}
	return convert.Slot(in)
}

// schedule has the engine schedule a slot.
func (s *Server) schedule(ctx context.Context, e *engine, slot *scheduler.Slot) *pb.Plan {
	start := time.Now()
	if budget := slot.Options.ComputeBudgetMicros; budget > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, micros(budget))
		defer cancel()
	}
	own := *e
	*e = nil // in case of a panic
	if own == nil {
		own = s.newEngine()
	}
	plan := own.Schedule(ctx, slot)
	*e = own
	out, err := convert.PlanToProto(plan, slot.Options.Weights)
	if err != nil {
		out = s.failed(slot.Sequence, err.Error(), nil)
	}
	out.ComputeMicros = time.Since(start).Microseconds()
	return out
}

// fit puts a rejection in the place of a plan too large to send.
func (s *Server) fit(plan *pb.Plan) *pb.Plan {
	if bad := s.config.Limits.checkPlan(plan); bad != nil {
		return rejected(plan.GetSequence(), bad)
	}
	return plan
}

// rejected is the plan of a slot with something wrong.
func rejected(sequence int64, bad []scheduler.Violation) *pb.Plan {
	return &pb.Plan{
		Sequence:      sequence,
		Status:        pb.PlanStatus_PLAN_STATUS_REJECTED,
		Violations:    convert.ViolationsToProto(bad),
		EngineVersion: scheduler.Version,
	}
}

// micros returns n microseconds, or the longest duration.
func micros(n int64) time.Duration {
	const most = int64(1<<63-1) / int64(time.Microsecond)
	return time.Duration(min(n, most)) * time.Microsecond
}

// failed counts and logs a contained fault and returns the plan that tells of it.
func (s *Server) failed(sequence int64, cause string, stack []byte) *pb.Plan {
	s.fault(cause, stack, "sequence", sequence)
	return &pb.Plan{
		Sequence:      sequence,
		Status:        pb.PlanStatus_PLAN_STATUS_FAILED,
		EngineVersion: scheduler.Version,
	}
}
