package server

import (
	"context"
	"errors"
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
		return nil, rpcError(faultOf(plan))
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
	return s.answer(ctx, singleCalls{}, &seat{}, slot, nil)
}

// answer plans a slot whatever it holds: bad input gives a REJECTED plan, with
// more added to what is wrong with the slot itself, and a fault a FAILED one. The
// error is the context's.
func (s *Server) answer(ctx context.Context, line any, at *seat, in *pb.Slot, more []scheduler.Violation) (*pb.Plan, error) {
	mine := *at
	var plan *pb.Plan
	err := s.work(ctx, line, func(ctx context.Context) { plan = s.compute(ctx, &mine, in, more) })
	switch {
	case errors.Is(err, errGivenUp):
		at.engine = nil // the worker has it
		return s.failed(in.GetSequence(), err.Error(), nil), nil
	case err != nil:
		return nil, err
	}
	*at = mine
	return plan, nil
}

// compute is the worker's part of answer.
func (s *Server) compute(ctx context.Context, at *seat, in *pb.Slot, more []scheduler.Violation) (plan *pb.Plan) {
	defer func() {
		if cause := recover(); cause != nil {
			plan = s.failed(in.GetSequence(), fmt.Sprint(cause), debug.Stack())
		}
	}()
	slot, bad := s.decode(in)
	if bad = append(more, bad...); len(bad) > 0 {
		return rejected(in.GetSequence(), bad)
	}
	return s.schedule(ctx, at, slot)
}

// decode turns a message into a slot and reports everything wrong with it.
func (s *Server) decode(in *pb.Slot) (*scheduler.Slot, []scheduler.Violation) {
	if in == nil {
		return nil, []scheduler.Violation{{Path: "slot", Value: "absent", Allowed: "a slot"}}
	}
	if bad := s.config.Limits.check(in); len(bad) > 0 {
		return nil, bad
	}
	slot, bad := convert.Slot(in)
	if len(bad) == 0 {
		bad = slot.Exceeds(s.config.Limits.Slot)
	}
	return slot, bad
}

// seat is what a session, or one call, has of the engine.
type seat struct {
	engine engine        // nil until it is needed, and after a panic
	late   time.Duration // by which plans come after the deadline that the engine stops at
}

// deadline returns when the engine is to stop so that the plan is there within
// the budget; at most half of the budget goes to what follows.
func (at *seat) deadline(start time.Time, budget time.Duration) time.Time {
	return start.Add(budget - min(at.late, budget/2))
}

// learn takes note of how late a plan was: quickly of more, slowly of less.
func (at *seat) learn(late time.Duration) {
	if late > at.late {
		at.late += (late - at.late) / 2
	} else {
		at.late -= (at.late - late) / 16
	}
}

// schedule has the engine schedule a slot.
func (s *Server) schedule(ctx context.Context, at *seat, slot *scheduler.Slot) *pb.Plan {
	start := time.Now()
	var deadline time.Time
	if budget := slot.Options.ComputeBudgetMicros; budget > 0 {
		var cancel context.CancelFunc
		deadline = at.deadline(start, micros(budget))
		ctx, cancel = context.WithDeadline(ctx, deadline)
		defer cancel()
	}
	e := at.engine
	at.engine = nil // in case of a panic
	if e == nil {
		e = s.newEngine()
	}
	plan := e.Schedule(ctx, slot)
	at.engine = e
	if plan.Status == scheduler.StatusFailed && len(plan.Violations) > 0 {
		s.fault(violationText(plan.Violations[0]), nil, "sequence", slot.Sequence)
	}
	out, err := convert.PlanToProto(plan, slot.Options.Weights)
	if err != nil {
		out = s.failed(slot.Sequence, err.Error(), nil)
	}
	end := time.Now()
	if !deadline.IsZero() && end.After(deadline) {
		at.learn(min(end.Sub(deadline), micros(slot.Options.ComputeBudgetMicros)/2)) // of what can be helped
	}
	out.ComputeMicros = end.Sub(start).Microseconds()
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

// faultOf returns the error that stands for a FAILED plan, with its reason where it
// has one.
func faultOf(plan *pb.Plan) error {
	if bad := convert.ViolationsFromProto(plan.GetViolations()); len(bad) > 0 {
		return fmt.Errorf("%w: %s", errFault, violationText(bad[0]))
	}
	return errFault
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
