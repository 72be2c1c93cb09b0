package server

import (
	"context"
	"fmt"
	"runtime/debug"

	"google.golang.org/grpc"
)

// containUnary answers a panic in the handler of a call with INTERNAL.
func (s *Server) containUnary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (res any, err error) {
	defer s.contain(&err)
	return handler(ctx, req)
}

// containStream answers a panic in the handler of a stream with INTERNAL.
func (s *Server) containStream(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
	defer s.contain(&err)
	return handler(srv, stream)
}

// contain, deferred, turns a panic into an error.
func (s *Server) contain(err *error) {
	if cause := recover(); cause != nil {
		s.fault(fmt.Sprint(cause), debug.Stack())
		*err = rpcError(errFault)
	}
}

// fault counts and logs a contained fault.
func (s *Server) fault(cause string, stack []byte, about ...any) {
	s.faults.Add(1)
	s.config.Logger.Error("fault contained", append(about, "cause", cause, "stack", string(stack))...)
}
