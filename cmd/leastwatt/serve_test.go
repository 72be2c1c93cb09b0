package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"leastwatt/client"
	"leastwatt/internal/testcert"
)

// fetch fetches a page of a side port.
func fetch(t *testing.T, address, path string) (code int, body string) {
	t.Helper()
	res, err := http.Get("http://" + address + path)
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

// TestServeSide scrapes the side port of a process that has planned three slots.
func TestServeSide(t *testing.T) {
	s := serveProcess(t, "--side-listen", "127.0.0.1:0", "--log-format", "json", "--log-level", "warn")
	leastwatt(t, traceOf(1, 2, 2), "replay", "--to", s.address, "-").expect(t, exitFailed, "2 met", "")
	code, page := fetch(t, s.side, "/metrics")
	for _, line := range []string{
		`leastwatt_slots_total{status="met"} 2`,
		`leastwatt_slots_total{status="rejected"} 1`,
		`leastwatt_compute_seconds_count 2`,
		`leastwatt_radiated_watts_count 2`,
		`leastwatt_sessions_opened_total 1`,
		`leastwatt_slots_waiting 0`,
	} {
		if code != 200 || !strings.Contains(page, line+"\n") {
			t.Errorf("%d, no %q in\n%s", code, line, page)
		}
	}
	if code, _ := fetch(t, s.side, "/debug/pprof/"); code != 404 {
		t.Errorf("pprof is on: %d", code)
	}
	conn, err := grpc.NewClient(s.side, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || health.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health on the side port: %v, %v", health, err)
	}
	s.stop(t)
	if s.log.Len() > 0 {
		t.Errorf("at level warn it logs %s", s.log)
	}

	s = serveProcess(t, "--side-listen", "127.0.0.1:0", "--profiles", "--log-format", "json")
	if code, page := fetch(t, s.side, "/debug/pprof/cmdline"); code != 200 || !strings.Contains(page, "--profiles") {
		t.Errorf("pprof: %d, %q", code, page)
	}
	s.stop(t)
	for line := range strings.Lines(s.log.String()) {
		var entry struct{ Level, Msg string }
		if err := json.Unmarshal([]byte(line), &entry); err != nil || entry.Level != "INFO" || entry.Msg == "" {
			t.Errorf("log line %q: %v", line, err)
		}
	}
}

// TestServeSecure: a process with mutual TLS and tokens serves those who have
// both, and its log at level debug holds neither token nor key.
func TestServeSecure(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	mine, myKey := ca.Issue(t, "client", time.Hour)
	const token, wrong = "token-of-the-harness-7f3a", "token-of-nobody-at-all"
	tokens, bad := write(t, "tokens", token+"\n"), write(t, "wrong", wrong)
	s := serveProcess(t, "--tls-cert", cert, "--tls-key", key, "--tls-client-ca", ca.File, "--token-file", tokens, "--log-level", "debug")
	replay := func(args ...string) result {
		return leastwatt(t, traceOf(1), append([]string{"replay", "--to", s.address, "-"}, args...)...)
	}
	known := []string{"--tls-ca", ca.File, "--tls-cert", mine, "--tls-key", myKey}
	replay(append(known, "--token-file", tokens)...).expect(t, exitDone, "1 met", "")
	replay(append(known, "--token-file", bad)...).expect(t, exitFailed, "", "a known bearer token is needed")
	replay(known...).expect(t, exitFailed, "", "a known bearer token is needed")
	replay("--tls-ca", ca.File, "--token-file", tokens).expect(t, exitFailed, "", "Unavailable")
	replay().expect(t, exitFailed, "", "Unavailable")
	replay("--tls", "--token-file", tokens).expect(t, exitFailed, "", "unknown authority")
	replay("--tls-key", myKey).expect(t, exitFailed, "", "certificate and key go together")
	s.stop(t)
	for _, secret := range []string{token, wrong, "PRIVATE KEY"} {
		if strings.Contains(s.log.String(), secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
}

// TestServeRefuses: what a process does not begin with.
func TestServeRefuses(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	for _, c := range []struct {
		args   []string
		stderr string
	}{
		{[]string{"--listen", "0.0.0.0:0"}, "there is no TLS; --listen-without-tls allows it"},
		{[]string{"--listen", "0.0.0.0:0", "--token-file", write(t, "tokens", "0123456789abcdef")}, "there is no TLS"},
		{[]string{"--side-listen", "0.0.0.0:0"}, "has no TLS; --side-without-tls allows it"},
		{[]string{"--side-listen", "0.0.0.0:0", "--tls-cert", cert, "--tls-key", key}, "has no TLS; --side-without-tls allows it"},
		{[]string{"--side-listen", "0.0.0.0:0", "--side-without-tls", "--profiles"}, "no profiles there\n"},
		{[]string{"--tls-cert", cert}, "certificate and key go together"},
		{[]string{"--token-file", filepath.Join(t.TempDir(), "none")}, "no such file"},
	} {
		leastwatt(t, "", append([]string{"serve", "--listen", "127.0.0.1:0"}, c.args...)...).expect(t, exitFailed, "", c.stderr)
	}
	// Tokens in the open are the operator's wish, and it says what that means.
	open := serveProcess(t, "--listen", "0.0.0.0:0", "--listen-without-tls", "--token-file", write(t, "tokens", "0123456789abcdef"))
	open.stop(t)
	if !strings.Contains(open.log.String(), "tokens can be read on the way") {
		t.Errorf("no warning in\n%s", open.log)
	}
	// With TLS, or with its word, it listens anywhere.
	s := serveProcess(t, "--listen", "0.0.0.0:0", "--tls-cert", cert, "--tls-key", key, "--side-listen", "0.0.0.0:0", "--side-without-tls")
	if host, _, err := net.SplitHostPort(s.address); err != nil || host == "127.0.0.1" {
		t.Errorf("it serves on %s", s.address)
	}
}

// TestServeLimits: each limit on use is in force.
func TestServeLimits(t *testing.T) {
	for _, c := range []struct{ flag, says string }{
		{"--max-sessions", "at most 1 sessions in all"},
		{"--max-sessions-per-peer", "at most 1 sessions of one peer"},
		{"--max-slots-in-flight", "at most 1 slots in flight in all"},
		{"--max-slots-in-flight-per-peer", "at most 1 slots in flight of one peer"},
	} {
		s := serveProcess(t, "--window-slots", "1", c.flag, "1")
		cl, err := client.Dial(s.address, client.Config{})
		if err != nil {
			t.Fatal(err)
		}
		defer cl.Close()
		first, err := cl.Stream(t.Context(), client.Open{})
		if err != nil {
			t.Fatal(err)
		}
		defer first.Close()
		if got := first.Opened().WindowSlots; got != 1 {
			t.Errorf("%s: a window of %d slots", c.flag, got)
		}
		_, err = cl.Stream(t.Context(), client.Open{})
		if status.Code(err) != codes.ResourceExhausted || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.flag, err)
		}
	}
}

// otlp is a receiver of traces that keeps what it gets.
type otlp struct {
	mu   sync.Mutex
	seen bytes.Buffer
}

// serve answers any call with an empty message.
func (o *otlp) serve(_ any, stream grpc.ServerStream) error {
	method, _ := grpc.MethodFromServerStream(stream)
	export := &emptypb.Empty{} // all its fields are unknown, and kept
	if err := stream.RecvMsg(export); err != nil {
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.seen.WriteString(method)
	o.seen.Write(export.ProtoReflect().GetUnknown())
	return stream.SendMsg(&emptypb.Empty{})
}

// TestServeTraces: the traces of a process reach an OTLP receiver, the last of
// them when it stops.
func TestServeTraces(t *testing.T) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	receiver := &otlp{}
	srv := grpc.NewServer(grpc.UnknownServiceHandler(receiver.serve))
	go srv.Serve(lis)
	defer srv.Stop()
	s := serveProcess(t, "--trace-to", "http://"+lis.Addr().String())
	leastwatt(t, traceOf(1), "replay", "--to", s.address, "-").expect(t, exitDone, "1 met", "")
	s.stop(t)
	receiver.mu.Lock()
	defer receiver.mu.Unlock()
	for _, piece := range []string{
		"/opentelemetry.proto.collector.trace.v1.TraceService/Export", "leastwatt.v1.Slot", "leastwatt.status", "MET",
		"leastwatt.v1.SlotSchedulerService/StreamSlots", "service.name",
	} {
		if !bytes.Contains(receiver.seen.Bytes(), []byte(piece)) {
			t.Errorf("no %q among %d bytes of traces", piece, receiver.seen.Len())
		}
	}

	// Without a receiver it serves all the same and says so.
	s = serveProcess(t, "--trace-to", "http://127.0.0.1:1")
	leastwatt(t, traceOf(1), "replay", "--to", s.address, "-").expect(t, exitDone, "1 met", "")
	s.stop(t)
	if !strings.Contains(s.log.String(), "level=WARN msg=traces") {
		t.Errorf("the log tells nothing of lost traces:\n%s", s.log)
	}
}
