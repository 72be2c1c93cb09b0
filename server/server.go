package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// Server is the service. It serves one listener, once.
type Server struct {
	pb.UnimplementedSlotSchedulerServiceServer

	config    Config // resolved
	newEngine func() engine
	pool      *pool
	sessions  *quota
	slots     *quota  // in flight
	calls     *quota  // unfinished, of any kind
	memory    *ledger // of messages received and answers on their way

	connections *quota
	conns       sync.Map // [address] *countedConn

	stopping context.Context // done when the server stops
	stop     context.CancelFunc
	healthy  atomic.Bool
	readers  sync.WaitGroup
	faults   atomic.Int64
	grpc     *grpc.Server
	health   *health.Server
}

// engine is what the server needs of scheduler.Engine; one that remembers is
// also a memory.
type engine interface {
	Schedule(ctx context.Context, slot *scheduler.Slot) *scheduler.Plan
}

// New returns a server ready to Serve.
func New(c Config) *Server {
	return newServer(c, func() engine { return scheduler.NewEngineWithin(c.Limits.Slot) })
}

func newServer(c Config, newEngine func() engine) *Server {
	c = c.resolve()
	s := &Server{
		config:    c,
		newEngine: newEngine,
		pool:      newPool(c.Workers),
		sessions:  newQuota("sessions", c.Limits.Sessions, c.Limits.SessionsPerPeer),
		slots:     newQuota("slots in flight", c.Limits.SlotsInFlight, c.Limits.SlotsInFlightPerPeer),
		calls:     newQuota("calls", c.Limits.Calls, c.Limits.CallsPerPeer),
		memory:    newLedger(c.Limits.HeldBytes, c.Limits.HeldBytesPerPeer),
		health:    health.NewServer(),

		connections: newQuota("connections", c.Limits.Connections, c.Limits.ConnectionsPerPeer),
	}
	s.stopping, s.stop = context.WithCancel(context.Background())
	s.healthy.Store(true)
	options := append(s.transport(), c.Credentials.serverOptions()...)
	s.grpc = grpc.NewServer(append(options, c.Telemetry.serverOptions()...)...)
	services := registrar{s.grpc, s}
	pb.RegisterSlotSchedulerServiceServer(services, s)
	healthpb.RegisterHealthServer(services, s.health)
	s.tellHealth()
	reflection.Register(services)
	c.Telemetry.attach(s)
	return s
}

// Faults returns how many faults have been contained: panics, and plans that
// could not be written down.
func (s *Server) Faults() int64 { return s.faults.Load() }

// Serve answers calls on a listener until the context ends, then tells the
// sessions, waits for them and returns nil. It closes the listener.
func (s *Server) Serve(ctx context.Context, lis net.Listener) error {
	if err := s.CheckAddress(lis.Addr()); err != nil {
		lis.Close()
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer s.config.Credentials.watch(ctx)()
	defer cancel()
	s.readers.Go(func() { s.watchHealth(ctx) })
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		<-ctx.Done()
		s.drain()
	}()
	s.config.Logger.Info("serving", "address", lis.Addr().String(), "workers", s.config.Workers)
	err := s.grpc.Serve(&door{lis, s})
	if errors.Is(err, grpc.ErrServerStopped) { // stopped before it began
		err = nil
	}
	cancel()
	<-stopped
	s.readers.Wait()
	s.config.Logger.Info("stopped", "faults", s.Faults())
	return err
}

// CheckAddress keeps a server without TLS to addresses that only this machine
// can reach.
func (s *Server) CheckAddress(addr net.Addr) error {
	if loopback(addr) || s.config.Credentials.hasTLS() || s.config.PlaintextAnywhere {
		return nil
	}
	return fmt.Errorf("server: %s is not a loopback address and there is no TLS", addr)
}

// lingering is how long a server that stops waits for clients that have nothing
// more to get: for a message that has begun to arrive, and for connections to be
// closed once no call is left.
const lingering = time.Second

// drain stops the server: sessions are told and answer what they hold. What is
// not done after DrainTimeout is cut off, and so are connections without calls.
func (s *Server) drain() {
	s.config.Logger.Info("draining", "timeout", s.config.DrainTimeout)
	s.stop()
	s.tellHealth()
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		s.grpc.GracefulStop()
	}()
	s.awaitCalls(stopped)
	s.conns.Range(func(_, c any) bool { // those without a handshake are unknown to gRPC
		c.(*countedConn).Close()
		return true
	})
	s.grpc.Stop()
	<-stopped
}

// awaitCalls returns when all has stopped, when no call has been left for a while,
// or after DrainTimeout.
func (s *Server) awaitCalls(stopped <-chan struct{}) {
	end := time.Now().Add(s.config.DrainTimeout)
	tick := time.NewTicker(lingering / 50)
	defer tick.Stop()
	last := time.Now() // when a call or an answer was last seen
	for {
		select {
		case <-stopped:
			return
		case now := <-tick.C:
			if s.calls.inUse() > 0 || s.memory.held() > 0 {
				last = now
			}
			if now.After(end) || now.Sub(last) > lingering {
				return
			}
		}
	}
}
