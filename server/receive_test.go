package server

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	_ "google.golang.org/grpc/encoding/gzip"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// body is the body of a raw call: bytes, and then nothing, for ever.
type body struct {
	io.Reader
	ctx context.Context
}

func (b *body) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == io.EOF {
		<-b.ctx.Done()
		return n, b.ctx.Err()
	}
	return n, err
}

// frame is a message on the wire, or the beginning of one of n bytes.
func frame(compressed byte, n int, b []byte) []byte {
	return append(binary.BigEndian.AppendUint32([]byte{compressed}, uint32(n)), b...)
}

// rawCall makes a call by hand: the body is sent as it is and does not end. It
// returns the code and the message of the answer.
func rawCall(t *testing.T, address, method string, header map[string]string, sent []byte) (code, message string) {
	t.Helper()
	protocols := &http.Protocols{}
	protocols.SetUnencryptedHTTP2(true)
	transport := &http.Transport{Protocols: protocols}
	defer transport.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "POST", "http://"+address+method, &body{bytes.NewReader(sent), ctx})
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("content-type", "application/grpc")
	for k, v := range header {
		req.Header.Set(k, v)
	}
	res, err := transport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { cancel(); res.Body.Close() }() // in this order: the body does not end by itself
	io.Copy(io.Discard, res.Body)
	for _, h := range []http.Header{res.Header, res.Trailer} {
		if h.Get("grpc-status") != "" {
			return h.Get("grpc-status"), h.Get("grpc-message")
		}
	}
	return "", ""
}

const scheduleSlot = pb.SlotSchedulerService_ScheduleSlot_FullMethodName

// TestTokenBeforeBytes: who has no token is refused though nothing of the
// message has come, and holds no memory.
func TestTokenBeforeBytes(t *testing.T) {
	s, _ := guarded(t, CredentialFiles{Tokens: writeFile(t, t.TempDir()+"/tokens", goodToken)})
	for _, method := range []string{scheduleSlot, pb.SlotSchedulerService_StreamSlots_FullMethodName, "/no.such/Method"} {
		if code, message := rawCall(t, s.address, method, nil, nil); code != "16" {
			t.Errorf("%s: %s, %s", method, code, message)
		}
	}
	if code, message := rawCall(t, s.address, "/grpc.health.v1.Health/Check", nil, frame(0, 1<<20, make([]byte, 100))); code != "8" {
		t.Errorf("1 MiB for health: %s, %s", code, message)
	}
	if n := s.memory.held(); n != 0 {
		t.Errorf("%d bytes held", n)
	}
}

// TestUnfinished: a call whose message does not come, or not as a whole, ends
// when the time allowed is over; so does a session that is not opened.
func TestUnfinished(t *testing.T) {
	s := start(t, Config{ReceiveTimeout: 50 * time.Millisecond}, nil)
	for name, c := range map[string]struct {
		method string
		sent   []byte
	}{
		"nothing":         {scheduleSlot, nil},
		"half a header":   {scheduleSlot, []byte{0, 0}},
		"half a message":  {scheduleSlot, frame(0, 1<<20, make([]byte, 1000))},
		"half an opening": {pb.SlotSchedulerService_StreamSlots_FullMethodName, frame(0, 100, make([]byte, 10))},
		"no opening":      {pb.SlotSchedulerService_StreamSlots_FullMethodName, nil},
		"half a slot":     {pb.SlotSchedulerService_StreamSlots_FullMethodName, append(frame(0, 2, []byte{0x0a, 0}), frame(0, 100, make([]byte, 10))...)},
		"health":          {"/grpc.health.v1.Health/Check", nil},
		"watching":        {"/grpc.health.v1.Health/Watch", nil},
		"reflection":      {"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", nil},
	} {
		if code, message := rawCall(t, s.address, c.method, nil, c.sent); code != "4" {
			t.Errorf("%s: %s, %s", name, code, message)
		}
	}
	waitFor(t, func() bool {
		return s.calls.inUse() == 0 && s.memory.held() == 0 && s.sessions.inUse() == 0 && s.slots.inUse() == 0
	})

	// A session that is open may be silent for longer.
	stream := s.stream(t, &pb.OpenSession{})
	recv(t, stream)
	time.Sleep(150 * time.Millisecond)
	sendSlot(t, stream, newMessage(1))
	if plan := recv(t, stream).GetPlan(); plan.GetStatus() != pb.PlanStatus_PLAN_STATUS_MET {
		t.Errorf("after a silence: %v", plan)
	}
}

// TestUnfinishedCounts: calls that have no message yet count per peer and in all,
// and so do connections.
func TestUnfinishedCounts(t *testing.T) {
	s := start(t, Config{Limits: Limits{CallsPerPeer: 3, ConnectionsPerPeer: 2}}, nil)
	conn := s.conn(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	desc := &grpc.StreamDesc{ClientStreams: true}
	for range 3 {
		if _, err := conn.NewStream(ctx, desc, scheduleSlot); err != nil {
			t.Fatal(err)
		}
	}
	waitFor(t, func() bool { return s.calls.inUse() == 3 })
	_, err := pb.NewSlotSchedulerServiceClient(conn).ListStrategies(t.Context(), &pb.ListStrategiesRequest{})
	checkExhausted(t, "calls", err, "at most 3 calls of one peer")
	cancel()
	waitFor(t, func() bool { return s.calls.inUse() == 0 })
	if _, err := pb.NewSlotSchedulerServiceClient(conn).ListStrategies(t.Context(), &pb.ListStrategiesRequest{}); err != nil {
		t.Errorf("after they have gone: %v", err)
	}

	second, err := net.Dial("tcp", s.address)
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	waitFor(t, func() bool { return s.connections.inUse() == 2 })
	third, err := net.Dial("tcp", s.address)
	if err != nil {
		t.Fatal(err)
	}
	defer third.Close()
	third.SetDeadline(time.Now().Add(2 * time.Minute))
	if n, err := third.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("a third connection: %d bytes, %v", n, err)
	}
	second.Close()
	waitFor(t, func() bool { return s.connections.inUse() == 1 })
}

// TestCompressed: compression is refused, before anything is expanded.
func TestCompressed(t *testing.T) {
	s := start(t, Config{}, nil)
	rpc := s.rpc(t)
	_, err := rpc.ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: newMessage(1)}, grpc.UseCompressor("gzip"))
	if status.Code(err) != codes.Unimplemented || reasonOf(err) != reasonCompressed {
		t.Errorf("a call: %v", err)
	}
	stream, err := rpc.StreamSlots(t.Context(), grpc.UseCompressor("gzip"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); status.Code(err) != codes.Unimplemented {
		t.Errorf("a session: %v", err)
	}
	if _, err := healthpb.NewHealthClient(s.conn(t)).Check(t.Context(), &healthpb.HealthCheckRequest{}, grpc.UseCompressor("gzip")); status.Code(err) != codes.Unimplemented {
		t.Errorf("health: %v", err)
	}
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	z.Write(make([]byte, 60<<20))
	z.Close()
	if got := allocated(func() {
		if code, message := rawCall(t, s.address, scheduleSlot, map[string]string{"grpc-encoding": "gzip"}, frame(1, bomb.Len(), bomb.Bytes())); code != "12" {
			t.Errorf("64 KiB of gzip: %s, %s", code, message)
		}
	}); got > 8<<20 {
		t.Errorf("64 KiB of gzip allocated %d bytes", got)
	}
	if code, _ := rawCall(t, s.address, scheduleSlot, nil, frame(1, 10, make([]byte, 10))); code != "12" {
		t.Errorf("a compressed message without its encoding: %s", code)
	}
}

// TestHostileMessage: what would expand into many elements is refused, and so is
// what is no message.
func TestHostileMessage(t *testing.T) {
	s := start(t, Config{}, nil)
	for name, c := range map[string]struct {
		sent []byte
		want string
	}{
		"a million users": {repeated(1, repeated(7, nil, 1<<20), 1), "8"},
		"junk":            {[]byte{0x0a, 0xff, 0xff}, "3"},
	} {
		if code, message := rawCall(t, s.address, scheduleSlot, nil, frame(0, len(c.sent), c.sent)); code != c.want {
			t.Errorf("%s: %s, %s", name, code, message)
		}
	}
}

// TestHeldBytes: what one host sends and does not finish, and what it asks for and
// does not read, fills the memory that it may take and no more; a client of
// another host is served.
func TestHeldBytes(t *testing.T) {
	s := start(t, Config{Limits: Limits{HeldBytes: 8 << 20, MessageBytes: 1 << 20}}, nil)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan struct{})
	for range 20 {
		go func() {
			defer func() { done <- struct{}{} }()
			rawBody(ctx, s.address, scheduleSlot, frame(0, 1<<20, make([]byte, 1000)))
		}()
	}
	waitFor(t, func() bool { return s.calls.inUse() == 20 && s.memory.held() == s.memory.mostPerPeer })
	other, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()), fromAddress("127.0.0.2"))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if _, err := pb.NewSlotSchedulerServiceClient(other).ScheduleSlot(t.Context(), &pb.ScheduleSlotRequest{Slot: newMessage(1)}); err != nil {
		t.Errorf("a client of another host: %v", err)
	}
	cancel()
	for range 20 {
		<-done
	}
	waitFor(t, func() bool { return s.calls.inUse() == 0 && s.memory.held() == 0 })
}

// rawBody makes a call by hand and reads no answer before the context ends.
func rawBody(ctx context.Context, address, method string, sent []byte) {
	protocols := &http.Protocols{}
	protocols.SetUnencryptedHTTP2(true)
	transport := &http.Transport{Protocols: protocols}
	defer transport.CloseIdleConnections()
	req, err := http.NewRequestWithContext(ctx, "POST", "http://"+address+method, &body{bytes.NewReader(sent), ctx})
	if err != nil {
		return
	}
	req.Header.Set("content-type", "application/grpc")
	if res, err := transport.RoundTrip(req); err == nil {
		<-ctx.Done()
		res.Body.Close()
	}
}

// fromAddress has a client call from an address of the loopback network.
func fromAddress(host string) grpc.DialOption {
	return grpc.WithContextDialer(func(ctx context.Context, to string) (net.Conn, error) {
		d := &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(host)}}
		return d.DialContext(ctx, "tcp", to)
	})
}

// TestUnread: answers that a client asks for and does not read count until they
// are written, and no more are made for its host than it may hold.
func TestUnread(t *testing.T) {
	limits := Limits{HeldBytes: 4 << 20, MessageBytes: 1 << 20, WindowSlots: 2}
	s := start(t, Config{Limits: limits}, largeAnswers(600<<10))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	rpc := s.rpc(t)
	for range 12 {
		stream, err := rpc.StreamSlots(ctx)
		if err != nil {
			t.Fatal(err)
		}
		send(t, stream, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}})
		for i := range int64(4) {
			slot := newMessage(i)
			slot.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_F64}
			sendSlot(t, stream, slot)
		}
	}
	most := s.memory.mostPerPeer + (s.config.Workers+2)*(1<<20)
	over := 0
	for end := time.Now().Add(time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		over = max(over, s.memory.held())
	}
	if over > most || over < s.memory.mostPerPeer/2 {
		t.Errorf("%d bytes held, one peer may hold %d", over, s.memory.mostPerPeer)
	}
	cancel()
	waitFor(t, func() bool { return s.sessions.inUse() == 0 && s.calls.inUse() == 0 })
}

// largeAnswers returns engines whose plans have weights of n bytes.
func largeAnswers(n int) func() engine {
	return func() engine {
		return engineFunc(func(_ context.Context, slot *scheduler.Slot) *scheduler.Plan {
			return &scheduler.Plan{Sequence: slot.Sequence, Status: scheduler.StatusMet, Groups: []scheduler.Group{
				{Allocations: []scheduler.Allocation{{Weights: make([]complex128, n/16)}}},
			}}
		})
	}
}
