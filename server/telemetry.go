package server

import (
	"context"
	"math"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc/filters"
	"go.opentelemetry.io/otel/attribute"
	metricnoop "go.opentelemetry.io/otel/metric/noop"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Telemetry is what can be seen of one server from outside: metrics, and traces
// where there is somebody to take them. It sees what goes in and out on the wire
// and nothing inside. A server without it spends nothing on it.
type Telemetry struct {
	registry *prometheus.Registry
	provider trace.TracerProvider // nil without traces
	tracer   trace.Tracer         // nil without traces

	slots    map[pb.PlanStatus]prometheus.Counter
	compute  prometheus.Histogram
	answer   prometheus.Histogram
	power    prometheus.Histogram
	floor    prometheus.Histogram
	waiting  prometheus.Gauge
	sessions prometheus.Gauge
	opened   prometheus.Counter
	cells    *prometheus.GaugeVec
}

// tracerName names this package in traces.
const tracerName = "leastwatt/server"

// NewTelemetry returns the telemetry of one server; a nil provider means no
// traces.
func NewTelemetry(provider trace.TracerProvider) *Telemetry {
	t := &Telemetry{
		registry: prometheus.NewRegistry(),
		provider: provider,
		slots:    map[pb.PlanStatus]prometheus.Counter{},
		compute: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "leastwatt_compute_seconds",
			Help:    "Time spent on a slot, without waiting.",
			Buckets: prometheus.ExponentialBuckets(20e-6, 2, 20), // to 10 s
		}),
		answer: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "leastwatt_answer_seconds",
			Help:    "Time from a slot received to its answer sent.",
			Buckets: prometheus.ExponentialBuckets(20e-6, 2, 20),
		}),
		power: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "leastwatt_radiated_watts",
			Help:    "Radiated power of plans, mean over the slot.",
			Buckets: prometheus.ExponentialBuckets(1e-6, math.Sqrt(10), 19), // to 1 kW
		}),
		floor: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "leastwatt_over_floor_decibels",
			Help:    "Radiated power over the proved floor, of plans with a floor.",
			Buckets: []float64{0.01, 0.03, 0.1, 0.2, 0.5, 1, 1.5, 2, 3, 4, 6, 8, 10, 15, 20},
		}),
		waiting: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "leastwatt_slots_waiting",
			Help: "Slots received and not yet answered, those being computed included.",
		}),
		sessions: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "leastwatt_sessions",
			Help: "Sessions now open.",
		}),
		opened: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "leastwatt_sessions_opened_total",
			Help: "Sessions opened since the start.",
		}),
		cells: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "leastwatt_cell_radiated_watts",
			Help: "Radiated power of the last plan of each cell with an open session.",
		}, []string{"cell"}),
	}
	slots := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "leastwatt_slots_total",
		Help: "Slots answered, by status of the plan.",
	}, []string{"status"})
	for value, name := range pb.PlanStatus_name {
		if status := pb.PlanStatus(value); status != pb.PlanStatus_PLAN_STATUS_UNSPECIFIED {
			label := strings.ToLower(strings.TrimPrefix(name, "PLAN_STATUS_"))
			t.slots[status] = slots.WithLabelValues(label)
		}
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Name:        "leastwatt_build_info",
		Help:        "1, with the version of the engine.",
		ConstLabels: prometheus.Labels{"engine_version": scheduler.Version},
	})
	build.Set(1)
	t.registry.MustRegister(slots, t.compute, t.answer, t.power, t.floor, t.waiting, t.sessions, t.opened, t.cells, build,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	if provider != nil {
		t.tracer = provider.Tracer(tracerName)
	}
	return t
}

// attach adds what the server itself counts.
func (t *Telemetry) attach(s *Server) {
	if t == nil {
		return
	}
	t.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{
		Name: "leastwatt_faults_total",
		Help: "Faults of the engine that were contained.",
	}, func() float64 { return float64(s.Faults()) }))
	gauge := func(name, help string, value func() float64) {
		t.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	t.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{
		Name: "leastwatt_workers_given_up_total",
		Help: "Workers that did not stop when told to, and were replaced.",
	}, func() float64 { _, ever := s.pool.lost(); return float64(ever) }))
	gauge("leastwatt_workers_stuck", "Workers given up that have not stopped yet.", func() float64 { stuck, _ := s.pool.lost(); return float64(stuck) })
	gauge("leastwatt_turns_waiting", "Slots and audits that wait for a worker.", func() float64 { return float64(s.pool.waiting()) })
	gauge("leastwatt_calls", "Calls now open, of every kind.", func() float64 { return float64(s.calls.inUse()) })
	gauge("leastwatt_connections", "Connections now open.", func() float64 { return float64(s.connections.inUse()) })
	gauge("leastwatt_held_bytes", "Memory of messages and answers held for clients.", func() float64 { return float64(s.memory.held()) })
	c := s.config.Credentials
	if c == nil {
		return
	}
	t.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{
		Name: "leastwatt_calls_refused_total",
		Help: "Calls refused for want of a known token.",
	}, func() float64 { return float64(c.refused.Load()) }))
	if c.hasTLS() {
		t.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "leastwatt_certificate_expiry_timestamp_seconds",
			Help: "When the server's certificate expires, in Unix time.",
		}, func() float64 { return float64(c.expiry().Unix()) }))
	}
}

// serverOptions returns what makes a server of gRPC show itself.
func (t *Telemetry) serverOptions() []grpc.ServerOption {
	if t == nil {
		return nil
	}
	options := []grpc.ServerOption{grpc.ChainUnaryInterceptor(t.unary), grpc.ChainStreamInterceptor(t.stream)}
	if t.tracer != nil {
		options = append(options, grpc.StatsHandler(otelgrpc.NewServerHandler(
			otelgrpc.WithTracerProvider(t.provider),
			otelgrpc.WithMeterProvider(metricnoop.NewMeterProvider()),
			otelgrpc.WithPropagators(propagation.TraceContext{}),
			otelgrpc.WithFilter(filters.Not(filters.HealthCheck())),
		)))
	}
	return options
}

// unary sees single slots; the span of the call takes what is to be said of them.
func (t *Telemetry) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	slot, ok := req.(*pb.ScheduleSlotRequest)
	if !ok {
		return next(ctx, req)
	}
	t.waiting.Inc()
	defer t.waiting.Dec()
	start := time.Now()
	res, err := next(ctx, req)
	var plan *pb.Plan
	switch status.Code(err) {
	case codes.OK:
		plan = res.(*pb.ScheduleSlotResponse).GetPlan()
	case codes.InvalidArgument:
		plan = &pb.Plan{Status: pb.PlanStatus_PLAN_STATUS_REJECTED}
	case codes.Internal:
		plan = &pb.Plan{Status: pb.PlanStatus_PLAN_STATUS_FAILED}
	default: // cancelled, too late: no answer
		return res, err
	}
	t.answered(plan, time.Since(start))
	if span := trace.SpanFromContext(ctx); span.IsRecording() {
		span.SetAttributes(slotAttributes(slot.GetSlot())...)
		span.SetAttributes(planAttributes(plan)...)
	}
	return res, err
}

// stream sees sessions.
func (t *Telemetry) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	if info.FullMethod != pb.SlotSchedulerService_StreamSlots_FullMethodName {
		return next(srv, stream)
	}
	seen := &seenStream{ServerStream: stream, t: t}
	defer seen.end()
	return next(srv, seen)
}

// answered counts one plan.
func (t *Telemetry) answered(plan *pb.Plan, after time.Duration) {
	if c := t.slots[plan.GetStatus()]; c != nil {
		c.Inc()
	}
	t.answer.Observe(after.Seconds())
	switch plan.GetStatus() {
	case pb.PlanStatus_PLAN_STATUS_MET, pb.PlanStatus_PLAN_STATUS_SHORT:
		t.compute.Observe(float64(plan.GetComputeMicros()) * 1e-6)
		t.power.Observe(plan.GetRadiatedPowerW())
		if floor := plan.GetFloorPowerW(); floor > 0 {
			t.floor.Observe(10 * math.Log10(plan.GetRadiatedPowerW()/floor))
		}
	}
}

// seenSlot is a slot on its way through the server.
type seenSlot struct {
	sequence int64
	received time.Time
	span     trace.Span // nil without traces
}

// seenStream sees the messages of one session. One goroutine receives while
// another sends.
type seenStream struct {
	grpc.ServerStream
	t *Telemetry

	mu      sync.Mutex
	open    bool
	cell    string     // of the first message
	waiting []seenSlot // in the order received, which is that of the answers
}

// RecvMsg is for gRPC.
func (s *seenStream) RecvMsg(m any) error {
	err := s.ServerStream.RecvMsg(m)
	if req, ok := m.(*pb.StreamSlotsRequest); ok && err == nil {
		switch kind := req.GetKind().(type) {
		case *pb.StreamSlotsRequest_Open:
			s.mu.Lock()
			if !s.open {
				s.cell = kind.Open.GetCellId()
			}
			s.mu.Unlock()
		case *pb.StreamSlotsRequest_Slot:
			s.received(kind.Slot)
		}
	}
	return err
}

// SendMsg is for gRPC.
func (s *seenStream) SendMsg(m any) error {
	err := s.ServerStream.SendMsg(m)
	if res, ok := m.(*pb.StreamSlotsResponse); ok && err == nil {
		switch kind := res.GetKind().(type) {
		case *pb.StreamSlotsResponse_Opened:
			s.mu.Lock()
			s.open = true
			s.mu.Unlock()
			s.t.opened.Inc()
			s.t.sessions.Inc()
		case *pb.StreamSlotsResponse_Plan:
			s.answered(kind.Plan)
		case *pb.StreamSlotsResponse_Dropped:
			s.answered(&pb.Plan{Sequence: kind.Dropped.GetSequence(), Status: pb.PlanStatus_PLAN_STATUS_DROPPED})
		}
	}
	return err
}

// received notes a slot. A session lasts for days and its span is told of at its
// end only: every slot has a trace of its own, linked to it.
func (s *seenStream) received(slot *pb.Slot) {
	seen := seenSlot{sequence: slot.GetSequence(), received: time.Now()}
	if s.t.tracer != nil {
		_, seen.span = s.t.tracer.Start(s.Context(), "leastwatt.v1.Slot",
			trace.WithNewRoot(), trace.WithLinks(trace.LinkFromContext(s.Context())))
		if seen.span.IsRecording() {
			seen.span.SetAttributes(slotAttributes(slot)...)
		}
	}
	s.mu.Lock()
	s.waiting = append(s.waiting, seen)
	s.mu.Unlock()
	s.t.waiting.Inc()
}

// answered takes a slot off those that wait, and with it any before it.
func (s *seenStream) answered(plan *pb.Plan) {
	slot, cell, found := s.take(plan.GetSequence())
	if !found {
		return
	}
	s.t.answered(plan, time.Since(slot.received))
	if slot.span != nil {
		if slot.span.IsRecording() {
			slot.span.SetAttributes(planAttributes(plan)...)
		}
		slot.span.End()
	}
	switch plan.GetStatus() {
	case pb.PlanStatus_PLAN_STATUS_MET, pb.PlanStatus_PLAN_STATUS_SHORT:
		s.t.cells.WithLabelValues(cell).Set(plan.GetRadiatedPowerW())
	}
}

func (s *seenStream) take(sequence int64) (slot seenSlot, cell string, found bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, w := range s.waiting {
		if w.sequence == sequence {
			s.forget(s.waiting[:i])
			s.waiting = append(s.waiting[:0], s.waiting[i+1:]...)
			s.t.waiting.Dec()
			return w, s.cell, true
		}
	}
	return seenSlot{}, "", false
}

// forget ends slots that get no answer.
func (s *seenStream) forget(slots []seenSlot) {
	for _, slot := range slots {
		s.t.waiting.Dec()
		if slot.span != nil {
			slot.span.End()
		}
	}
}

// end forgets the session.
func (s *seenStream) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.forget(s.waiting)
	s.waiting = nil
	if s.open {
		s.t.sessions.Dec()
		s.t.cells.DeleteLabelValues(s.cell)
	}
}

func slotAttributes(slot *pb.Slot) []attribute.KeyValue {
	return []attribute.KeyValue{
		attribute.Int64("leastwatt.sequence", slot.GetSequence()),
		attribute.Int("leastwatt.users", len(slot.GetUsers())),
		attribute.Int("leastwatt.antennas", int(slot.GetChannel().GetAntennas())),
		attribute.Int("leastwatt.subbands", int(slot.GetChannel().GetSubbands())),
	}
}

func planAttributes(plan *pb.Plan) []attribute.KeyValue {
	return []attribute.KeyValue{
		attribute.String("leastwatt.status", strings.TrimPrefix(plan.GetStatus().String(), "PLAN_STATUS_")),
		attribute.Int64("leastwatt.compute_micros", plan.GetComputeMicros()),
		attribute.Int64("leastwatt.solves", plan.GetSolves()),
		attribute.Int("leastwatt.groups", len(plan.GetGroups())),
		attribute.Float64("leastwatt.radiated_watts", plan.GetRadiatedPowerW()),
	}
}
