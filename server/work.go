package server

import (
	"context"
	"errors"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	pb "leastwatt/proto/leastwatt/v1"
)

// errGivenUp stands for a computation that did not stop when it was told to.
var errGivenUp = errors.New("server: the computation did not stop in time and was given up")

// work has a worker compute something when its turn comes: within MaxCompute for
// calls, without a bound of its own for those in this process. The error is the
// context's where the turn did not come, and errGivenUp where the computation goes
// on beyond what it was told; what it writes then is nobody's.
func (s *Server) work(ctx context.Context, line any, compute func(context.Context)) error {
	who := turn{peerOf(ctx), line}
	if err := s.takeTurn(ctx, who); err != nil {
		return err
	}
	var cancel context.CancelFunc
	if callOf(ctx) != nil {
		ctx, cancel = context.WithTimeout(ctx, s.config.MaxCompute)
	} else {
		ctx, cancel = context.WithCancel(ctx)
	}
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		compute(ctx)
	}()
	select {
	case <-done:
		s.pool.leave(who)
		return nil
	case <-ctx.Done():
	}
	timer := time.NewTimer(s.config.GiveUpAfter)
	defer timer.Stop()
	select {
	case <-done:
		s.pool.leave(who)
		return nil
	case <-timer.C:
	}
	s.pool.giveUp(who)
	s.config.Logger.Error("worker given up", "peer", who.peer)
	go func() {
		<-done
		s.pool.back()
		s.config.Logger.Warn("worker given up has stopped", "peer", who.peer)
	}()
	return errGivenUp
}

// takeTurn waits for a worker. Nothing is computed for a peer that holds more
// memory than it may: it would hold the answer too.
func (s *Server) takeTurn(ctx context.Context, who turn) error {
	for {
		if _, err := s.memory.take(ctx, who.peer, 0); err != nil {
			return err
		}
		if err := s.pool.enter(ctx, who); err != nil {
			return err
		}
		if s.memory.allows(who.peer) {
			return nil
		}
		s.pool.leave(who)
	}
}

// LivenessService is the name under which the health service says whether the
// process is of any more use: NOT_SERVING once as many computations have been given
// up as there are workers, and go on. Unlike the others it goes on SERVING while the
// server drains.
const LivenessService = "liveness"

// watchHealth keeps what the health service says true until the context ends.
func (s *Server) watchHealth(ctx context.Context) {
	tick := time.NewTicker(min(max(s.config.UnhealthyAfter/20, time.Millisecond), time.Second))
	defer tick.Stop()
	for {
		s.tellHealth()
		select {
		case <-tick.C:
		case <-ctx.Done():
			s.tellHealth()
			return
		}
	}
}

// tellHealth says whether there are workers for those who call.
func (s *Server) tellHealth() {
	stuck, _ := s.pool.lost()
	alive := stuck < s.config.Workers
	serving := alive && s.pool.stalled() < s.config.UnhealthyAfter && s.stopping.Err() == nil
	if was := s.healthy.Swap(serving); was != serving && s.stopping.Err() == nil {
		s.config.Logger.Warn("health", "serving", serving, "stalled", s.pool.stalled(), "workers given up", stuck)
	}
	s.health.SetServingStatus("", servingStatus(serving))
	s.health.SetServingStatus(pb.SlotSchedulerService_ServiceDesc.ServiceName, servingStatus(serving))
	s.health.SetServingStatus(LivenessService, servingStatus(alive))
}

func servingStatus(yes bool) healthpb.HealthCheckResponse_ServingStatus {
	if yes {
		return healthpb.HealthCheckResponse_SERVING
	}
	return healthpb.HealthCheckResponse_NOT_SERVING
}
