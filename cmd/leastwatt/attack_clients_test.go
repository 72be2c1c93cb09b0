package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

// attackKind is a kind of attack: so many clients that do the same, again and
// again, until the context ends.
type attackKind struct {
	name    string
	clients int
	attack  func(ctx context.Context, client int)
	pause   time.Duration
}

func (a *attack) kinds() []attackKind {
	const ms = time.Millisecond
	bomb := compressed(60 << 20)
	var users []byte
	for range 1 << 20 {
		users = protowire.AppendBytes(protowire.AppendTag(users, 7, protowire.BytesType), nil)
	}
	users = protowire.AppendBytes(protowire.AppendTag(nil, 1, protowire.BytesType), users)
	slot := func(s *pb.Slot) func(context.Context, int) {
		return func(ctx context.Context, _ int) { a.call(ctx, s) }
	}
	return []attackKind{
		{"gzip, no token", 40, func(ctx context.Context, _ int) { a.raw(ctx, "", "gzip", frame(1, len(bomb), bomb), true) }, 20 * ms},
		{"gzip", 40, func(ctx context.Context, _ int) { a.raw(ctx, attackToken, "gzip", frame(1, len(bomb), bomb), true) }, 20 * ms},
		{"unfinished, no token", 200, func(ctx context.Context, _ int) { a.raw(ctx, "", "", frame(0, 8<<20, make([]byte, 1<<20)), true) }, 50 * ms},
		{"unfinished", 200, func(ctx context.Context, _ int) {
			a.raw(ctx, attackToken, "", frame(0, 8<<20-1, make([]byte, 8<<20-2)), false)
		}, 50 * ms},
		{"a million users", 40, func(ctx context.Context, _ int) { a.raw(ctx, attackToken, "", frame(0, len(users), users), true) }, 20 * ms},
		{"large health", 40, func(ctx context.Context, _ int) { a.health(ctx) }, 20 * ms},
		{"antennas apart", 8, slot(a.slots.spread), ms},
		{"256 cones", 8, slot(a.slots.cones), ms},
		{"large slots", 16, slot(a.slots.large), ms},
		{"audits", 8, a.audit, ms},
		{"64 sessions", 64, a.flood, ms},
		{"512 calls", 512, slot(a.slots.busy), ms},
		{"unopened", 300, a.unopened, 50 * ms},
		{"watches", 300, a.watch, 50 * ms},
		{"connections", 400, a.connect, 50 * ms},
		{"unread", 64, a.unread, 50 * ms},
		{"session states", 32, a.state, 5 * ms},
	}
}

// dial returns a client of a host of the loopback network.
func (a *attack) dial(host string) *grpc.ClientConn {
	from := &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(host)}}
	conn, err := grpc.NewClient(a.address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, to string) (net.Conn, error) { return from.DialContext(ctx, "tcp", to) }))
	if err != nil {
		a.Fatal(err)
	}
	return conn
}

func withToken(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+attackToken)
}

type slotStream = grpc.BidiStreamingClient[pb.StreamSlotsRequest, pb.StreamSlotsResponse]

// openSession opens a session.
func openSession(ctx context.Context, conn *grpc.ClientConn, open *pb.OpenSession) (slotStream, error) {
	stream, err := pb.NewSlotSchedulerServiceClient(conn).StreamSlots(withToken(ctx))
	if err != nil {
		return nil, err
	}
	stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: open}})
	_, err = stream.Recv() // tells what went wrong
	return stream, err
}

// exchange sends a slot and returns its plan.
func exchange(stream slotStream, slot *pb.Slot) (*pb.Plan, error) {
	stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}})
	res, err := stream.Recv()
	return res.GetPlan(), err
}

// frame is a message on the wire, or the beginning of one of n bytes.
func frame(compressed byte, n int, b []byte) []byte {
	return append(binary.BigEndian.AppendUint32([]byte{compressed}, uint32(n)), b...)
}

// compressed returns n zeros in little.
func compressed(n int) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	z.Write(make([]byte, n))
	z.Close()
	return b.Bytes()
}

// stuckBody is bytes, and then nothing until the context ends.
type stuckBody struct {
	io.Reader
	ctx context.Context
}

func (b *stuckBody) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == io.EOF {
		<-b.ctx.Done()
		err = b.ctx.Err()
	}
	return n, err
}

// raw makes a call by hand, which ends or does not.
func (a *attack) raw(ctx context.Context, token, encoding string, sent []byte, ends bool) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	protocols := &http.Protocols{}
	protocols.SetUnencryptedHTTP2(true)
	from := &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(attackerHost)}}
	transport := &http.Transport{Protocols: protocols, DialContext: from.DialContext}
	defer transport.CloseIdleConnections()
	var body io.Reader = &stuckBody{bytes.NewReader(sent), ctx}
	if ends {
		body = bytes.NewReader(sent)
	}
	req, err := http.NewRequestWithContext(ctx, "POST", "http://"+a.address+pb.SlotSchedulerService_ScheduleSlot_FullMethodName, body)
	if err != nil {
		return
	}
	req.Header.Set("content-type", "application/grpc")
	if token != "" {
		req.Header.Set("authorization", "Bearer "+token)
	}
	if encoding != "" {
		req.Header.Set("grpc-encoding", encoding)
	}
	if res, err := transport.RoundTrip(req); err == nil {
		cancel()
		res.Body.Close()
	}
}

// call has a slot planned.
func (a *attack) call(ctx context.Context, slot *pb.Slot) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	for range 20 {
		if ctx.Err() != nil {
			return
		}
		pb.NewSlotSchedulerServiceClient(conn).ScheduleSlot(withToken(ctx), &pb.ScheduleSlotRequest{Slot: slot})
	}
}

// audit has a plan re-computed that takes long: of one user in many groups.
func (a *attack) audit(ctx context.Context, _ int) {
	slot := proto.CloneOf(a.slots.cones)
	plan := &pb.Plan{Status: pb.PlanStatus_PLAN_STATUS_MET}
	for range 200 {
		plan.Groups = append(plan.Groups, &pb.Group{Share: 0.005, Allocations: []*pb.Allocation{
			{UserId: "u0", Sinr: []float64{1}, Weights: &pb.Weights{Values: slot.Channel.Values[:128]}},
		}})
	}
	conn := a.dial(attackerHost)
	defer conn.Close()
	pb.NewSlotSchedulerServiceClient(conn).AuditPlan(withToken(ctx), &pb.AuditPlanRequest{Slot: slot, Plan: plan})
}

// health asks for the health of a service with a name of 4 MiB.
func (a *attack) health(ctx context.Context) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{Service: string(make([]byte, 4<<20))})
}

// flood streams slots as fast as they go.
func (a *attack) flood(ctx context.Context, client int) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	stream, err := openSession(ctx, conn, &pb.OpenSession{CellId: fmt.Sprint("cell", client)})
	if err != nil {
		return
	}
	go func() {
		slot := proto.CloneOf(a.slots.busy)
		for slot.Sequence = 1; ; slot.Sequence++ {
			if stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}) != nil {
				return
			}
		}
	}()
	for err == nil {
		_, err = stream.Recv()
	}
}

// unopened begins a session and does not open it.
func (a *attack) unopened(ctx context.Context, _ int) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	if stream, err := pb.NewSlotSchedulerServiceClient(conn).StreamSlots(withToken(ctx)); err == nil {
		stream.Recv()
	}
}

// watch watches the health of the server, without a token.
func (a *attack) watch(ctx context.Context, _ int) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	stream, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{})
	for err == nil {
		_, err = stream.Recv()
	}
}

// connect holds a connection without a word.
func (a *attack) connect(ctx context.Context, _ int) {
	from := &net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(attackerHost)}}
	conn, err := from.DialContext(ctx, "tcp", a.address)
	if err != nil {
		return
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	io.Copy(io.Discard, conn)
}

// unread asks for large plans and reads none.
func (a *attack) unread(ctx context.Context, _ int) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	stream, err := openSession(ctx, conn, &pb.OpenSession{})
	if err != nil {
		return
	}
	slot := proto.CloneOf(a.slots.busy)
	slot.Options = &pb.Options{Weights: pb.WeightFormat_WEIGHT_FORMAT_F64}
	slot.Users = slot.Users[:1]
	slot.Channel.Values = slot.Channel.Values[:2*32*4]
	for range 500 { // the same user in many groups: 1 MiB of weights for 30 KiB
		slot.Groups = append(slot.Groups, &pb.FixedGroup{UserIds: []string{"u0"}, Share: proto.Float64(0.002)})
	}
	for slot.Sequence = 1; ; slot.Sequence++ {
		if stream.Send(&pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Slot{Slot: slot}}) != nil {
			return
		}
	}
}

// state opens sessions with a memory of 4 MiB.
func (a *attack) state(ctx context.Context, _ int) {
	conn := a.dial(attackerHost)
	defer conn.Close()
	if _, err := openSession(ctx, conn, &pb.OpenSession{SessionState: make([]byte, 4<<20), WantSessionState: true}); err == nil {
		<-ctx.Done()
	}
}
