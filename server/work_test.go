package server

import (
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"leastwatt/client"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// deaf returns engines that hear nothing of their context in slots of negative
// numbers, until they are released.
func deaf(release <-chan struct{}) func() engine {
	return func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			if slot.Sequence < 0 {
				<-release
			}
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	}
}

// health asks for the status of a service.
func (s *started) told(t *testing.T, service string) healthpb.HealthCheckResponse_ServingStatus {
	t.Helper()
	res, err := s.health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
	if err != nil {
		t.Fatal(err)
	}
	return res.GetStatus()
}

// TestGivenUp: workers that do not stop are given up, one by one, and each call
// is answered and the next served; health says when as many are stuck as there are
// workers, and metrics count them.
func TestGivenUp(t *testing.T) {
	release := make(chan struct{})
	telemetry := NewTelemetry(nil)
	s := start(t, Config{Workers: 2, MaxCompute: 10 * time.Millisecond, GiveUpAfter: 10 * time.Millisecond, UnhealthyAfter: time.Hour, Telemetry: telemetry}, deaf(release))
	c := s.dial(t, client.Config{})
	session, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	if err := session.Send(newSlot(-5)); err != nil {
		t.Fatal(err)
	}
	if plan, err := session.Recv(); err != nil || plan.Status != scheduler.StatusFailed {
		t.Errorf("a slot whose worker is stuck: %v, %v", plan, err)
	}
	if stuck, ever := s.pool.lost(); stuck != 1 || ever != 1 {
		t.Errorf("%d stuck, %d ever", stuck, ever)
	}
	if s.told(t, LivenessService) != healthpb.HealthCheckResponse_SERVING {
		t.Error("not alive with one of two workers stuck")
	}
	if _, err := c.Schedule(t.Context(), newSlot(-4)); status.Code(err) != codes.Internal {
		t.Errorf("a call whose worker is stuck: %v", err)
	}
	waitFor(t, func() bool { return s.told(t, LivenessService) == healthpb.HealthCheckResponse_NOT_SERVING })
	waitFor(t, func() bool { return s.told(t, "") == healthpb.HealthCheckResponse_NOT_SERVING })
	for i := range int64(5) { // served all the same
		if err := session.Send(newSlot(i)); err != nil {
			t.Fatal(err)
		}
		if plan, err := session.Recv(); err != nil || plan.Status != scheduler.StatusMet {
			t.Errorf("slot %d: %v, %v", i, plan, err)
		}
	}
	_, page := get(t, s.side(t, SideConfig{}), "/metrics")
	expectMetrics(t, page, map[string]float64{"leastwatt_workers_given_up_total": 2, "leastwatt_workers_stuck": 2, "leastwatt_faults_total": 2})
	close(release)
	waitFor(t, func() bool { stuck, _ := s.pool.lost(); return stuck == 0 })
	waitFor(t, func() bool { return s.told(t, LivenessService) == healthpb.HealthCheckResponse_SERVING })
}

// TestHealthTruth: while no worker comes free for long, health says so, on every
// service but liveness, and takes it back.
func TestHealthTruth(t *testing.T) {
	release := make(chan struct{})
	s := start(t, Config{Workers: 1, UnhealthyAfter: 20 * time.Millisecond}, deaf(release))
	done := make(chan error)
	go func() {
		_, err := s.Plan(t.Context(), newMessage(-1))
		done <- err
	}()
	service := pb.SlotSchedulerService_ServiceDesc.ServiceName
	waitFor(t, func() bool {
		return s.told(t, "") == healthpb.HealthCheckResponse_NOT_SERVING && s.told(t, service) == healthpb.HealthCheckResponse_NOT_SERVING
	})
	if s.told(t, LivenessService) != healthpb.HealthCheckResponse_SERVING {
		t.Error("busy is not dead")
	}
	close(release)
	if err := <-done; err != nil {
		t.Error(err)
	}
	waitFor(t, func() bool { return s.told(t, "") == healthpb.HealthCheckResponse_SERVING })
}

// TestAuditBounds: an audit counts as a slot in flight, takes a worker's turn and
// stops when its time is over.
func TestAuditBounds(t *testing.T) {
	gate, entered := make(chan struct{}), make(chan int64, 1)
	s := start(t, Config{Workers: 1, Limits: Limits{SlotsInFlight: 1, SlotsInFlightPerPeer: 1}}, gated(gate, entered))
	rpc := s.rpc(t)
	done := make(chan error)
	go func() {
		_, err := s.Plan(context.WithoutCancel(t.Context()), newMessage(1))
		done <- err
	}()
	<-entered
	req := &pb.AuditPlanRequest{Slot: newMessage(1), Plan: &pb.Plan{Status: pb.PlanStatus_PLAN_STATUS_MET}}
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	if _, err := s.Audit(ctx, req); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("it does not wait for a worker: %v", err)
	}
	go func() { // of another host: it has the spare worker
		_, err := rpc.ScheduleSlot(context.WithoutCancel(t.Context()), &pb.ScheduleSlotRequest{Slot: newMessage(1)})
		done <- err
	}()
	<-entered
	_, err := rpc.AuditPlan(t.Context(), req)
	checkExhausted(t, "audit", err, "at most 1 slots in flight in all")
	close(gate)
	for range 2 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}

	short := start(t, Config{MaxCompute: 1}, nil)
	if _, err := short.rpc(t).AuditPlan(t.Context(), req); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("an audit out of time: %v", err)
	}
}

// TestDrainIdle: neither those who watch the health of a server nor calls that
// have not begun, nor connections without calls, handshakes or manners hold up its
// end.
func TestDrainIdle(t *testing.T) {
	s := start(t, Config{DrainTimeout: 10 * time.Minute, ReceiveTimeout: 10 * time.Minute}, nil)
	conn := s.conn(t)
	watch, err := healthpb.NewHealthClient(conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if res, err := watch.Recv(); err != nil || res.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("%v, %v", res, err)
	}
	if _, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewSlotSchedulerServiceClient(conn).StreamSlots(t.Context()); err != nil { // never opened
		t.Fatal(err)
	}
	go rawBody(t.Context(), s.address, scheduleSlot, frame(0, 100, nil))
	for _, sent := range []string{"", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\x00\x00\x00\x04\x00\x00\x00\x00\x00"} {
		raw, err := net.Dial("tcp", s.address)
		if err != nil {
			t.Fatal(err)
		}
		defer raw.Close()
		if _, err := raw.Write([]byte(sent)); err != nil {
			t.Fatal(err)
		}
	}
	waitFor(t, func() bool { return s.calls.inUse() == 4 && s.connections.inUse() == 4 })
	s.stop()
	select {
	case err := <-s.done:
		if err != nil {
			t.Error(err)
		}
		s.done <- nil
	case <-time.After(2 * time.Minute):
		t.Fatal("the server does not end")
	}
	for {
		if _, err = watch.Recv(); err != nil {
			break
		}
	}
	if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "stopping") {
		t.Errorf("the watch ends with %v", err)
	}
}
