package server

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel/attribute"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"leastwatt/client"
	"leastwatt/internal/testcert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// side starts the side port of a server and returns its address.
func (s *started) side(t *testing.T, c SideConfig) string {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.ServeSide(ctx, lis, c) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("ServeSide: %v", err)
		}
	})
	return lis.Addr().String()
}

// get fetches a page of a side port.
func get(t *testing.T, address, path string) (code int, body string) {
	t.Helper()
	transport := &http.Transport{DisableKeepAlives: true}
	res, err := (&http.Client{Transport: transport}).Get("http://" + address + path)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

// metric returns one sample of a page of metrics; absent gives NaN as found.
func metric(t *testing.T, page, name string) (value float64, found bool) {
	t.Helper()
	for line := range strings.Lines(page) {
		if text, ok := strings.CutPrefix(strings.TrimSpace(line), name+" "); ok {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v, true
		}
	}
	return 0, false
}

// expectMetrics compares samples of a page; a negative value means absent.
func expectMetrics(t *testing.T, page string, want map[string]float64) {
	t.Helper()
	for name, w := range want {
		if got, found := metric(t, page, name); found != (w >= 0) || found && got != w {
			t.Errorf("%s: %g, found %v, want %g", name, got, found, w)
		}
	}
}

// TestMetrics counts what a session and single calls leave behind.
func TestMetrics(t *testing.T) {
	s := start(t, Config{Telemetry: NewTelemetry(nil)}, nil)
	side := s.side(t, SideConfig{})
	stream := s.stream(t, &pb.OpenSession{CellId: `quay "4"`})
	recv(t, stream)
	var last *pb.Plan
	for i, bad := range []bool{false, true, false} {
		slot := newMessage(int64(i))
		if bad {
			slot.BandwidthHz = -1
		}
		sendSlot(t, stream, slot)
		if plan := recv(t, stream).GetPlan(); !bad {
			last = plan
		}
	}
	floored := newMessage(1)
	floored.Options = &pb.Options{Floor: proto.Bool(true)}
	if _, err := s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: floored}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.rpc(t).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{}); err == nil {
		t.Fatal("no slot is planned")
	}
	_, page := get(t, side, "/metrics")
	expectMetrics(t, page, map[string]float64{
		`leastwatt_slots_total{status="met"}`:                                     3,
		`leastwatt_slots_total{status="rejected"}`:                                2,
		`leastwatt_slots_total{status="short"}`:                                   0,
		`leastwatt_slots_total{status="dropped"}`:                                 0,
		`leastwatt_slots_total{status="failed"}`:                                  0,
		`leastwatt_compute_seconds_count`:                                         3,
		`leastwatt_answer_seconds_count`:                                          5,
		`leastwatt_radiated_watts_count`:                                          3,
		`leastwatt_over_floor_decibels_count`:                                     1,
		`leastwatt_slots_waiting`:                                                 0,
		`leastwatt_sessions`:                                                      1,
		`leastwatt_sessions_opened_total`:                                         1,
		`leastwatt_faults_total`:                                                  0,
		`leastwatt_cell_radiated_watts{cell="quay \"4\""}`:                        last.GetRadiatedPowerW(),
		fmt.Sprintf(`leastwatt_build_info{engine_version=%q}`, scheduler.Version): 1,
		`leastwatt_calls_refused_total`:                                           -1,
		`leastwatt_certificate_expiry_timestamp_seconds`:                          -1,
		`leastwatt_slots_total{status="unspecified"}`:                             -1,
	})
	if sum, _ := metric(t, page, "leastwatt_compute_seconds_sum"); !(sum > 0 && sum < 60) {
		t.Errorf("compute time %g s", sum)
	}
	for _, name := range []string{"go_goroutines", "process_resident_memory_bytes"} {
		if v, _ := metric(t, page, name); !(v > 0) {
			t.Errorf("%s: %g", name, v)
		}
	}

	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the session is gone", func() bool {
		_, page = get(t, side, "/metrics")
		n, _ := metric(t, page, "leastwatt_sessions")
		return n == 0
	})
	expectMetrics(t, page, map[string]float64{
		`leastwatt_cell_radiated_watts{cell="quay \"4\""}`: -1,
		`leastwatt_sessions_opened_total`:                  1,
	})
}

// TestMetricsWaiting: slots count as waiting from received to answered, and no
// longer than their session.
func TestMetricsWaiting(t *testing.T) {
	release := make(chan struct{})
	s := start(t, Config{Workers: 1, Telemetry: NewTelemetry(nil)}, func() engine {
		return engineFunc(func(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan {
			select {
			case <-release:
			case <-ctx.Done():
			}
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet}
		})
	})
	side := s.side(t, SideConfig{})
	waiting := func(want float64) {
		t.Helper()
		eventually(t, fmt.Sprintf("%g slots waiting", want), func() bool {
			_, page := get(t, side, "/metrics")
			n, _ := metric(t, page, "leastwatt_slots_waiting")
			return n == want
		})
	}
	stream := s.stream(t, &pb.OpenSession{})
	recv(t, stream)
	for n := range 3 {
		sendSlot(t, stream, newMessage(int64(n)))
	}
	waiting(3)
	release <- struct{}{}
	recv(t, stream)
	waiting(2)

	c, err := client.Dial(s.address, client.Config{})
	if err != nil {
		t.Fatal(err)
	}
	session, err := c.Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	if err := session.SendMessage(newMessage(1)); err != nil {
		t.Fatal(err)
	}
	waiting(3)
	c.Close()
	waiting(2)
	close(release)
	recv(t, stream)
	recv(t, stream)
	waiting(0)
}

// TestMetricsOfPlans: a power of ten times the floor is 10 dB over it; plans
// without a status of their own, or without a floor, count for nothing there.
func TestMetricsOfPlans(t *testing.T) {
	s := start(t, Config{Telemetry: NewTelemetry(nil)}, nil)
	micros := int64(30)
	for _, plan := range []*pb.Plan{
		{Status: pb.PlanStatus_PLAN_STATUS_MET, RadiatedPowerW: 2, FloorPowerW: proto.Float64(0.2), ComputeMicros: micros},
		{Status: pb.PlanStatus_PLAN_STATUS_SHORT, RadiatedPowerW: 2, FloorPowerW: proto.Float64(0)},
		{Status: pb.PlanStatus_PLAN_STATUS_DROPPED},
		{Status: pb.PlanStatus_PLAN_STATUS_UNSPECIFIED},
		{Status: 99},
	} {
		s.config.Telemetry.answered(plan, 50*time.Microsecond)
	}
	_, page := get(t, s.side(t, SideConfig{}), "/metrics")
	expectMetrics(t, page, map[string]float64{
		`leastwatt_slots_total{status="met"}`:          1,
		`leastwatt_slots_total{status="short"}`:        1,
		`leastwatt_slots_total{status="dropped"}`:      1,
		`leastwatt_over_floor_decibels_sum`:            10,
		`leastwatt_over_floor_decibels_count`:          1,
		`leastwatt_radiated_watts_sum`:                 4,
		`leastwatt_compute_seconds_sum`:                float64(micros) * 1e-6,
		`leastwatt_compute_seconds_bucket{le="2e-05"}`: 1, // the SHORT one
		`leastwatt_compute_seconds_bucket{le="4e-05"}`: 2,
		`leastwatt_answer_seconds_bucket{le="4e-05"}`:  0,
		`leastwatt_answer_seconds_bucket{le="8e-05"}`:  5,
	})
}

// TestSide: the side port answers what a probe in plaintext asks, while the
// service itself wants TLS and a token, and has no profiles unless asked.
func TestSide(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	credentials, err := LoadCredentials(CredentialFiles{
		Cert: cert, Key: key, Tokens: writeFile(t, filepath.Join(t.TempDir(), "t"), goodToken),
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := start(t, Config{Credentials: credentials, Telemetry: NewTelemetry(nil)}, nil)
	bare, full := s.side(t, SideConfig{}), s.side(t, SideConfig{Profiles: true})
	if err := ask(t, s.address, client.Security{CAFile: ca.File}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("no token: %v", err)
	}
	_, page := get(t, bare, "/metrics")
	expectMetrics(t, page, map[string]float64{
		"leastwatt_calls_refused_total":                  1,
		"leastwatt_certificate_expiry_timestamp_seconds": float64(credentials.expiry().Unix()),
	})
	for path, codes := range map[string][2]int{
		"/metrics":             {200, 200},
		"/debug/pprof/":        {404, 200},
		"/debug/pprof/heap":    {404, 200},
		"/debug/pprof/cmdline": {404, 200},
		"/":                    {404, 404},
	} {
		for i, address := range []string{bare, full} {
			if code, _ := get(t, address, path); code != codes[i] {
				t.Errorf("%s: %d, want %d", path, code, codes[i])
			}
		}
	}
	conn, err := grpc.NewClient(bare, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	probe := func() healthpb.HealthCheckResponse_ServingStatus {
		res, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{
			Service: pb.SlotSchedulerService_ServiceDesc.ServiceName,
		})
		if err != nil {
			t.Fatal(err)
		}
		return res.GetStatus()
	}
	if got := probe(); got != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health: %v", got)
	}
	// Nothing but health is to be had in plaintext.
	_, err = pb.NewSlotSchedulerServiceClient(conn).ListStrategies(t.Context(), &pb.ListStrategiesRequest{})
	if status.Code(err) == codes.OK {
		t.Error("the side port serves slots")
	}
	watch, err := healthpb.NewHealthClient(conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil { // an open stream: stopping must not wait for it
		t.Fatal(err)
	}
	s.stop()
	if err := <-s.done; err != nil {
		t.Fatal(err)
	}
	s.done <- nil
	if got := probe(); got != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("health after the end: %v", got)
	}
}

func TestCheckSide(t *testing.T) {
	with := New(Config{Telemetry: NewTelemetry(nil)})
	local, open := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)}, &net.TCPAddr{IP: net.IPv4zero}
	for _, c := range []struct {
		server *Server
		addr   net.Addr
		config SideConfig
		says   string
	}{
		{with, local, SideConfig{}, ""},
		{with, local, SideConfig{Profiles: true}, ""},
		{with, open, SideConfig{}, "has no TLS"},
		{with, open, SideConfig{PlaintextAnywhere: true}, ""},
		{with, open, SideConfig{PlaintextAnywhere: true, Profiles: true}, "no profiles"},
		{New(Config{}), local, SideConfig{}, "without telemetry"},
	} {
		err := c.server.CheckSide(c.addr, c.config)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%v, %+v: %v, want %q", c.addr, c.config, err, c.says)
		}
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := New(Config{}).ServeSide(t.Context(), lis, SideConfig{}); err == nil {
		t.Error("the check is not in force")
	}
}

// TestTraces: a call has a span in its caller's trace; a slot of a session has a
// trace of its own with a link to the session's; health checks leave none.
func TestTraces(t *testing.T) {
	exporter := tracetest.NewInMemoryExporter()
	provider := sdktrace.NewTracerProvider(sdktrace.WithSyncer(exporter))
	s := start(t, Config{Telemetry: NewTelemetry(provider)}, nil)
	const parent = "4bf92f3577b34da6a3ce929d0e0e4736" // the example of W3C Trace Context, section 3.2
	ctx := metadata.AppendToOutgoingContext(t.Context(), "traceparent", "00-"+parent+"-00f067aa0ba902b7-01")
	if _, err := s.rpc(t).ScheduleSlot(ctx, &pb.ScheduleSlotRequest{Slot: newMessage(5)}); err != nil {
		t.Fatal(err)
	}
	if _, err := healthpb.NewHealthClient(s.conn(t)).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Fatal(err)
	}
	stream := s.stream(t, &pb.OpenSession{})
	recv(t, stream)
	sendSlot(t, stream, newMessage(6))
	recv(t, stream)
	bad := newMessage(7)
	bad.Users = nil
	sendSlot(t, stream, bad)
	recv(t, stream)
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "four spans", func() bool { return len(exporter.GetSpans()) >= 4 })
	spans := map[string][]tracetest.SpanStub{}
	for _, span := range exporter.GetSpans() {
		spans[span.Name] = append(spans[span.Name], span)
	}
	call, session, slots := spans["leastwatt.v1.SlotSchedulerService/ScheduleSlot"], spans["leastwatt.v1.SlotSchedulerService/StreamSlots"], spans["leastwatt.v1.Slot"]
	if len(call) != 1 || len(session) != 1 || len(slots) != 2 || len(spans) != 3 {
		t.Fatalf("spans %v", spans)
	}
	if got := call[0].SpanContext.TraceID().String(); got != parent {
		t.Errorf("the call is in trace %s", got)
	}
	has := func(span tracetest.SpanStub, key string, want attribute.Value) {
		t.Helper()
		for _, a := range span.Attributes {
			if string(a.Key) == key && a.Value == want {
				return
			}
		}
		t.Errorf("span %s has no %s = %v: %v", span.Name, key, want.String(), span.Attributes)
	}
	has(call[0], "leastwatt.sequence", attribute.Int64Value(5))
	has(call[0], "leastwatt.status", attribute.StringValue("MET"))
	for i, span := range slots {
		if span.SpanContext.TraceID() == session[0].SpanContext.TraceID() || span.Parent.IsValid() {
			t.Errorf("slot %d is in the session's trace", i)
		}
		if len(span.Links) != 1 || span.Links[0].SpanContext.SpanID() != session[0].SpanContext.SpanID() {
			t.Errorf("slot %d links to %v", i, span.Links)
		}
		has(span, "leastwatt.sequence", attribute.Int64Value(int64(6+i)))
		has(span, "leastwatt.antennas", attribute.IntValue(4))
	}
	has(slots[0], "leastwatt.users", attribute.IntValue(3))
	has(slots[0], "leastwatt.status", attribute.StringValue("MET"))
	has(slots[1], "leastwatt.status", attribute.StringValue("REJECTED"))
}

// TestSeenStream: answers out of the common order lose and keep no slot.
func TestSeenStream(t *testing.T) {
	telemetry := NewTelemetry(nil)
	side := start(t, Config{Telemetry: telemetry}, nil).side(t, SideConfig{})
	s := &seenStream{t: telemetry}
	for _, n := range []int64{1, 2, 2, 3} {
		s.received(&pb.Slot{Sequence: n})
	}
	left := func(want ...int64) {
		t.Helper()
		var got []int64
		for _, w := range s.waiting {
			got = append(got, w.sequence)
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("waiting %v, want %v", got, want)
		}
		_, page := get(t, side, "/metrics")
		expectMetrics(t, page, map[string]float64{"leastwatt_slots_waiting": float64(len(want))})
	}
	s.answered(&pb.Plan{Sequence: 9})
	left(1, 2, 2, 3)
	s.answered(&pb.Plan{Sequence: 2}) // 1 will get no answer
	left(2, 3)
	s.answered(&pb.Plan{Sequence: 2})
	s.answered(&pb.Plan{Sequence: 3})
	left()
}

// BenchmarkTelemetry: what telemetry costs a slot of a session.
func BenchmarkTelemetry(b *testing.B) {
	plan := &pb.Plan{Status: pb.PlanStatus_PLAN_STATUS_MET, RadiatedPowerW: 1, ComputeMicros: 50}
	slot := &pb.Slot{}
	s := &seenStream{t: NewTelemetry(nil), cell: "quay"}
	b.ReportAllocs()
	for b.Loop() {
		s.received(slot)
		s.answered(plan)
	}
}
