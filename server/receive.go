package server

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/proto/measure"
	"leastwatt/scheduler"
)

const (
	// smallMessageBytes bounds messages to other services than the scheduler: health
	// may be asked without a token.
	smallMessageBytes = 4 << 10
	// readBytes is how much of a message is asked for at a time.
	readBytes = 1 << 20
	// sparedBytes is what a message may take in memory beyond a multiple of its
	// length: short ones are nearly all overhead.
	sparedBytes = 128 << 10
	// expansion is the multiple. Samples take what they take on the wire; users and
	// allocations of a few antennas take four times as much.
	expansion = 4
)

// decodedMost is the most memory that a message of n bytes may take once decoded.
// Empty elements of a list would take sixty times their length.
func decodedMost(n int) int { return expansion*n + sparedBytes }

// errLate ends a call whose message does not come.
var errLate = errors.New("server: no whole message within the time allowed")

// errCompressed refuses compressed messages.
var errCompressed = errors.New("server: messages are taken without compression")

// errNoWire stands for a gRPC whose streams are not what this server reads from.
var errNoWire = errors.New("server: this version of gRPC is not the one that the server was made for")

// tooLarge refuses a message; another one of the same kind may pass.
type tooLarge struct {
	bytes   int
	allowed string
}

func (e *tooLarge) Error() string {
	return fmt.Sprintf("server: a message of %d bytes; allowed: %s", e.bytes, e.allowed)
}

// wire is what the messages of a call are read from. gRPC's own streams are one.
// Its server would read and decode a message before anybody can ask how much
// memory that takes.
type wire interface {
	ReadMessageHeader(header []byte) error
	Read(n int) (mem.BufferSlice, error)
	RecvCompress() string
}

// inbox receives the messages of one call, and counts each against the memory of
// its peer before the first byte of it is read. One goroutine receives at a time.
type inbox struct {
	server  *Server
	ctx     context.Context
	wire    wire
	call    *call
	most    int  // bytes of a message
	patient bool // waits for as long as it takes for a message to begin, but the first

	begun bool        // a message was received
	late  atomic.Bool // the time allowed ran out
}

// newInbox returns the inbox of a call. It refuses compression: samples of a
// channel are noise, and nothing is gained by it but a way to send little that
// takes much.
func (s *Server) newInbox(ctx context.Context, method string) (*inbox, error) {
	call := callOf(ctx)
	wire, ok := grpc.ServerTransportStreamFromContext(ctx).(wire)
	if call == nil || !ok {
		return nil, errNoWire
	}
	if name := wire.RecvCompress(); name != "" && name != "identity" {
		return nil, errCompressed
	}
	in := &inbox{server: s, ctx: ctx, wire: wire, call: call, most: smallMessageBytes}
	if strings.HasPrefix(method, "/"+pb.SlotSchedulerService_ServiceDesc.ServiceName+"/") {
		in.most = s.config.Limits.MessageBytes
	}
	in.patient = method == pb.SlotSchedulerService_StreamSlots_FullMethodName
	return in, nil
}

// receive receives a message. The error is io.EOF when there are no more, or a
// status.
func (in *inbox) receive(m any) error {
	message, ok := m.(proto.Message)
	if !ok {
		return rpcError(fmt.Errorf("server: %T is no message", m))
	}
	err := in.next(message)
	var full *exhausted
	switch {
	case err == nil || err == io.EOF:
		return err
	case in.late.Load() && !errors.As(err, &full):
		return rpcError(errLate)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return status.Error(codes.Internal, "server: the stream ends within a message")
	}
	return rpcError(err)
}

func (in *inbox) next(m proto.Message) error {
	waits := in.patient && in.begun
	if !waits {
		defer in.deadline()()
	}
	var header [5]byte // whether it is compressed, and its length
	if err := in.wire.ReadMessageHeader(header[:]); err != nil {
		return err
	}
	in.begun = true
	n := int(binary.BigEndian.Uint32(header[1:]))
	switch {
	case header[0] != 0:
		return errCompressed
	case n > in.most:
		return &tooLarge{n, fmt.Sprintf("at most %d: this server's limit on messages", in.most)}
	}
	taken, err := in.call.account.take(in.ctx, n+decodedMost(n))
	if err != nil {
		if in.late.Load() {
			return &exhausted{"bytes of messages and answers", "of one peer", in.server.memory.mostPerPeer}
		}
		return err
	}
	if waits { // that there was no memory is not the client's fault
		defer in.deadline()()
	}
	in.call.taken = 0
	defer func() { in.call.account.give(taken - in.call.taken) }()
	b, err := in.read(n)
	if err != nil {
		return err
	}
	size, err := decode(b, m)
	if err != nil {
		return err
	}
	in.call.taken = min(size, taken)
	return nil
}

// deadline has the call end if the function it returns is not called in time. A
// server that stops does not wait for long.
func (in *inbox) deadline() (stop func()) {
	var over atomic.Bool // one way or the other
	late := func() {
		if over.CompareAndSwap(false, true) {
			in.late.Store(true)
			in.call.cancel()
		}
	}
	timer := time.AfterFunc(in.server.config.ReceiveTimeout, late)
	stopAfter := context.AfterFunc(in.server.stopping, func() { timer.Reset(min(lingering, in.server.config.ReceiveTimeout)) })
	return func() {
		over.Store(true)
		stopAfter()
		timer.Stop()
	}
}

// read reads n bytes.
func (in *inbox) read(n int) ([]byte, error) {
	b := make([]byte, 0, n)
	for len(b) < n {
		data, err := in.wire.Read(min(n-len(b), readBytes))
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return nil, err
		}
		for _, part := range data {
			b = append(b, part.ReadOnlyData()...)
		}
		data.Free()
	}
	return b, nil
}

// decode decodes a message whose size in memory, which it returns, is in
// proportion to its length.
func decode(b []byte, m proto.Message) (int, error) {
	size, err := measure.DecodedBytes(b, m.ProtoReflect().Descriptor(), decodedMost(len(b)))
	if errors.Is(err, measure.ErrExpands) {
		return 0, &tooLarge{len(b), fmt.Sprintf("at most %d bytes of memory once it is decoded", decodedMost(len(b)))}
	}
	if err == nil {
		err = proto.Unmarshal(b, m)
	}
	if err != nil {
		return 0, messageRejected(err.Error(), fmt.Sprintf("a %s", m.ProtoReflect().Descriptor().FullName()))
	}
	return size, nil
}

func messageRejected(value, allowed string) error {
	return &rejection{reasonMessageRejected, []scheduler.Violation{{Path: "message", Value: value, Allowed: allowed}}}
}

// registrar registers services whose single calls are received by an inbox.
type registrar struct {
	*grpc.Server
	server *Server
}

// RegisterService implements grpc.ServiceRegistrar.
func (r registrar) RegisterService(service *grpc.ServiceDesc, impl any) {
	own := *service
	own.Methods = make([]grpc.MethodDesc, len(service.Methods))
	for i, m := range service.Methods {
		name := "/" + service.ServiceName + "/" + m.MethodName
		own.Methods[i] = grpc.MethodDesc{MethodName: m.MethodName, Handler: r.server.single(name, m.Handler)}
	}
	r.Server.RegisterService(&own, impl)
}

// single makes the handler of a single call receive its message by an inbox and
// count its answer as on its way.
func (s *Server) single(method string, next grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, _ func(any) error, interceptor grpc.UnaryServerInterceptor) (any, error) {
		in, err := s.newInbox(ctx, method)
		if err != nil {
			return nil, rpcError(err)
		}
		defer in.call.account.close()
		res, err := next(srv, ctx, func(m any) error {
			err := in.receive(m)
			if err == io.EOF {
				return rpcError(messageRejected("absent", "one message"))
			}
			return err
		}, interceptor)
		if m, ok := res.(proto.Message); ok && err == nil {
			in.call.conn.queue(proto.Size(m))
		}
		return res, err
	}
}

// receiveStream has a stream receive its messages by an inbox and count its
// answers as on their way.
func (s *Server) receiveStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	in, err := s.newInbox(stream.Context(), info.FullMethod)
	if err != nil {
		return rpcError(err)
	}
	if in.patient {
		defer in.call.account.close()
		err = next(srv, &receivedStream{stream, in})
	} else {
		err = s.untilStopping(in, func() error { return next(srv, &receivedStream{stream, in}) })
	}
	if in.late.Load() {
		return rpcError(errLate)
	}
	return err
}

// untilStopping handles a stream that has no end of its own, such as one that
// watches the server's health, until the server stops.
func (s *Server) untilStopping(in *inbox, handle func() error) error {
	done := make(chan error, 1)
	s.readers.Go(func() {
		defer in.call.account.close()
		var err error
		defer func() { done <- err }()
		defer s.contain(&err)
		err = handle()
	})
	select {
	case err := <-done:
		return err
	case <-s.stopping.Done():
		return rpcError(errStopping)
	}
}

// receivedStream is a stream with an inbox.
type receivedStream struct {
	grpc.ServerStream
	inbox *inbox
}

// RecvMsg is for gRPC.
func (r *receivedStream) RecvMsg(m any) error { return r.inbox.receive(m) }

// SendMsg is for gRPC.
func (r *receivedStream) SendMsg(m any) error {
	if m, ok := m.(proto.Message); ok {
		r.inbox.call.conn.queue(proto.Size(m))
	}
	return r.ServerStream.SendMsg(m)
}
