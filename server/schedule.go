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
	plan, err := s.answer(ctx, req.GetSlot(), nil)
	if err != nil {
		return nil, rpcError(err)
	}
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
	}, nil
}

func infos(list []scheduler.Info) []*pb.StrategyInfo {
	var out []*pb.StrategyInfo
	for _, i := range list {
		out = append(out, &pb.StrategyInfo{Name: i.Name, Summary: i.Summary, IsDefault: i.Default})
	}
	return out
}

// Plan plans one slot in this process, without a connection: as a session would,
// whatever the slot holds.
func (s *Server) Plan(ctx context.Context, slot *pb.Slot) (*pb.Plan, error) {
	return s.answer(ctx, slot, nil)
}

// answer plans a slot whatever it holds: bad input gives a REJECTED plan, with
// more added to what is wrong with the slot itself, and a fault a FAILED one. The
// error is the context's.
func (s *Server) answer(ctx context.Context, in *pb.Slot, more []scheduler.Violation) (plan *pb.Plan, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			plan, err = s.failed(in.GetSequence(), fmt.Sprint(cause), debug.Stack()), nil
		}
	}()
	slot, bad := s.decode(in)
	if bad = append(more, bad...); len(bad) > 0 {
		return rejected(in.GetSequence(), bad), nil
	}
	select {
	case e := <-s.engines:
		return s.schedule(ctx, e, slot), nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
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

// schedule has e schedule a slot and gives e back to the idle ones, or a new
// engine in its place where e panics.
func (s *Server) schedule(ctx context.Context, e engine, slot *scheduler.Slot) *pb.Plan {
	whole := false
	defer func() {
		if !whole {
			e = s.newEngine()
		}
		s.engines <- e
	}()
	start := time.Now()
	if budget := slot.Options.ComputeBudgetMicros; budget > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, micros(budget))
		defer cancel()
	}
	plan := e.Schedule(ctx, slot)
	whole = true
	out, err := convert.PlanToProto(plan, slot.Options.Weights)
	if err != nil {
		out = s.failed(slot.Sequence, err.Error(), nil)
	}
	if bad := s.config.Limits.checkPlan(out); bad != nil {
		out = rejected(slot.Sequence, bad)
	}
	out.ComputeMicros = time.Since(start).Microseconds()
	return out
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
	s.faults.Add(1)
	s.config.Logger.Error("fault contained", "sequence", sequence, "cause", cause, "stack", string(stack))
	return &pb.Plan{
		Sequence:      sequence,
		Status:        pb.PlanStatus_PLAN_STATUS_FAILED,
		EngineVersion: scheduler.Version,
	}
}
