package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/pprof"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// SideConfig sets up the side port.
type SideConfig struct {
	// PlaintextAnywhere lets the side port listen on addresses other than
	// loopback. It never has TLS and asks for no token.
	PlaintextAnywhere bool
	// Profiles adds what net/http/pprof serves, on loopback addresses only.
	Profiles bool
}

// ServeSide serves the side port until the context ends and closes the listener:
// metrics at /metrics, the health service of gRPC in plaintext, for probes that
// know neither TLS nor tokens, and profiles where asked for.
func (s *Server) ServeSide(ctx context.Context, lis net.Listener, c SideConfig) error {
	if err := s.CheckSide(lis.Addr(), c); err != nil {
		lis.Close()
		return err
	}
	probes := grpc.NewServer(grpc.MaxRecvMsgSize(smallMessageBytes))
	healthpb.RegisterHealthServer(probes, s.health)
	protocols := &http.Protocols{}
	protocols.SetHTTP1(true)
	protocols.SetUnencryptedHTTP2(true) // gRPC's
	side := &http.Server{
		Handler:           s.sideHandler(probes, c.Profiles),
		Protocols:         protocols,
		ReadHeaderTimeout: 10 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    maxHeaderBytes,
	}
	stopped := make(chan struct{})
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		defer close(stopped)
		<-ctx.Done()
		side.Close()
		probes.Stop()
	}()
	err := side.Serve(lis)
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	cancel()
	<-stopped
	return err
}

// CheckSide refuses addresses on which the side port must not listen.
func (s *Server) CheckSide(addr net.Addr, c SideConfig) error {
	switch {
	case s.config.Telemetry == nil:
		return errors.New("server: a side port without telemetry")
	case loopback(addr):
		return nil
	case c.Profiles:
		return fmt.Errorf("server: %s is not a loopback address: no profiles there", addr)
	case !c.PlaintextAnywhere:
		return fmt.Errorf("server: %s is not a loopback address and the side port has no TLS", addr)
	}
	return nil
}

func (s *Server) sideHandler(probes http.Handler, profiles bool) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(s.config.Telemetry.registry, promhttp.HandlerOpts{}))
	mux.Handle("POST /"+healthpb.Health_ServiceDesc.ServiceName+"/", probes)
	if profiles {
		mux.HandleFunc("GET /debug/pprof/", pprof.Index)
		mux.HandleFunc("GET /debug/pprof/cmdline", pprof.Cmdline)
		mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
		mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
		mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
	}
	return mux
}
