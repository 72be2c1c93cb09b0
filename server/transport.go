package server

import (
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"
)

const (
	maxHeaderBytes   = 16 << 10         // of the metadata of one call
	connWindowBytes  = 1 << 20          // on their way on one connection; what streams hold is bounded by their own windows
	handshakeTimeout = 10 * time.Second // of a new connection
	pingInterval     = 30 * time.Second // of a silent connection: is the client still there?
	pingTimeout      = 15 * time.Second
	minPingInterval  = 5 * time.Second // clients that ping more often are cut off
)

// transport returns how the server treats connections. Windows are fixed, so that
// what a stream holds unread is bounded.
func (s *Server) transport() []grpc.ServerOption {
	l := &s.config.Limits
	return []grpc.ServerOption{
		grpc.MaxRecvMsgSize(l.MessageBytes),
		grpc.MaxConcurrentStreams(uint32(l.StreamsPerConnection)),
		grpc.MaxHeaderListSize(maxHeaderBytes),
		grpc.ConnectionTimeout(handshakeTimeout),
		grpc.StaticStreamWindowSize(int32(l.StreamWindowBytes)),
		grpc.StaticConnWindowSize(connWindowBytes),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: minPingInterval, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: pingInterval, Timeout: pingTimeout}),
		grpc.WaitForHandlers(true),
		grpc.ChainUnaryInterceptor(s.containUnary),
		grpc.ChainStreamInterceptor(s.containStream, s.receiveStream),
		grpc.InTapHandle(s.admit),
	}
}
