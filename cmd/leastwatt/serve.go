package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"

	"github.com/spf13/cobra"

	"leastwatt/scheduler"
	"leastwatt/server"
)

// serveFlags are the flags of leastwatt serve.
type serveFlags struct {
	config      server.Config // all but what is made from the rest
	listen      string
	credentials server.CredentialFiles
	sideListen  string
	side        server.SideConfig
	traceTo     string
	traceRatio  float64
	logFormat   string
	logLevel    slog.Level
	json        bool
}

func newServeCommand() *cobra.Command {
	flags := serveFlags{config: server.Config{Limits: server.DefaultLimits()}}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "serve the gRPC service",
		Long: `serve answers gRPC calls until it is told to stop (SIGTERM or SIGINT): sessions
are then told, what they hold is answered, and what is not done within
--drain-timeout is cut off.

The address it listens on goes to stdout, the log to stderr. Addresses other than
loopback need TLS (--tls-cert, --tls-key) or --listen-without-tls. With
--tls-client-ca every client must show a certificate, with --token-file every call
must carry a token, those of the health service excepted. Files of certificates
and tokens are looked at every second and loaded anew when they change; sessions
go on.

--side-listen opens a second port, in plaintext: Prometheus metrics at /metrics,
the health service of gRPC for probes, and with --profiles what pprof serves.`,
		Example: `  leastwatt serve
  leastwatt serve --listen 127.0.0.1:0 --workers 1 --json
  leastwatt serve --listen :7171 --tls-cert server.pem --tls-key server.key --token-file tokens \
      --side-listen 127.0.0.1:7172 --trace-to http://127.0.0.1:4317`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := flags.check(cmd); err != nil {
				return err
			}
			return flags.serve(cmd)
		},
	}
	f := cmd.Flags()
	c := &flags.config
	f.StringVar(&flags.listen, "listen", server.DefaultAddress, "address to listen on, HOST:PORT; port 0 takes a free one")
	f.BoolVar(&c.PlaintextAnywhere, "listen-without-tls", false, "allow addresses other than loopback without TLS")
	f.StringVar(&flags.credentials.Cert, "tls-cert", "", "certificate chain of the server, PEM")
	f.StringVar(&flags.credentials.Key, "tls-key", "", "key of the server, PEM")
	f.StringVar(&flags.credentials.ClientCA, "tls-client-ca", "", "authorities whose certificates clients must show, PEM")
	f.StringVar(&flags.credentials.Tokens, "token-file", "", "bearer tokens, one a line; lines with # do not count")
	f.IntVar(&c.Workers, "workers", 0, "slots scheduled at once; 0: one for each CPU")
	f.DurationVar(&c.DrainTimeout, "drain-timeout", 0, "how long to wait for sessions when stopping; 0: 10s")
	f.DurationVar(&c.ReceiveTimeout, "receive-timeout", 0, "how long a client may take over a message, or to open a session; 0: 30s")
	f.DurationVar(&c.MaxCompute, "max-compute", 0, "how long a slot or an audit may take, whatever its budget; 0: 10s")
	f.DurationVar(&c.GiveUpAfter, "give-up-after", 0, "how long after that a worker that does not stop is replaced; 0: 5s")
	f.DurationVar(&c.UnhealthyAfter, "unhealthy-after", 0, "how long no worker may have come free before health says NOT_SERVING; 0: as long as a slot may take, and half of --give-up-after")
	l := &c.Limits
	f.IntVar(&l.MessageBytes, "max-message-bytes", l.MessageBytes, "largest message in either direction")
	f.IntVar(&l.Antennas, "max-antennas", l.Antennas, "most antennas of a slot")
	f.IntVar(&l.Users, "max-users", l.Users, "most users of a slot")
	f.IntVar(&l.Subbands, "max-subbands", l.Subbands, "most subbands of a slot")
	f.Int64Var(&l.Slot.Bytes, "max-slot-memory", l.Slot.Bytes, "bytes of memory that a slot may need of a worker, by an estimate")
	f.Int64Var(&l.Slot.Work, "max-slot-work", l.Slot.Work, "most users^2 * subbands * antennas of a slot")
	f.Int64Var(&l.Slot.Directions, "max-directions", l.Slot.Directions, "most directions that an array tells apart, over the sphere and in protected cones")
	f.IntVar(&l.WindowSlots, "window-slots", l.WindowSlots, "slots that a session holds unanswered")
	f.IntVar(&l.SessionBytes, "session-bytes", l.SessionBytes, "bytes of slots that a session holds unanswered, but for the last one")
	f.IntVar(&l.SessionStateBytes, "max-session-state", l.SessionStateBytes, "largest memory of a session that is taken up or sent, in bytes")
	f.IntVar(&l.HeldBytes, "held-bytes", 0, "memory of messages and answers held for clients; 0: a quarter of GOMEMLIMIT, without one 1 GiB")
	f.IntVar(&l.HeldBytesPerPeer, "held-bytes-per-peer", 0, "the same for one host; 0: half of all")
	f.IntVar(&l.Connections, "max-connections", l.Connections, "most connections at a time")
	f.IntVar(&l.ConnectionsPerPeer, "max-connections-per-peer", 0, "most connections of one host; 0: half of all")
	f.IntVar(&l.Calls, "max-calls", l.Calls, "most calls at a time, of every kind")
	f.IntVar(&l.CallsPerPeer, "max-calls-per-peer", 0, "most calls of one host; 0: half of all")
	f.IntVar(&l.Sessions, "max-sessions", l.Sessions, "most sessions at a time")
	f.IntVar(&l.SessionsPerPeer, "max-sessions-per-peer", 0, "most sessions of one host; 0: half of all")
	f.IntVar(&l.SlotsInFlight, "max-slots-in-flight", l.SlotsInFlight, "most slots at a time; a session counts its window")
	f.IntVar(&l.SlotsInFlightPerPeer, "max-slots-in-flight-per-peer", 0, "most slots of one host; 0: half of all")
	f.StringVar(&flags.sideListen, "side-listen", "", "address of the side port, HOST:PORT; empty: none")
	f.BoolVar(&flags.side.PlaintextAnywhere, "side-without-tls", false, "allow addresses other than loopback for the side port, which has no TLS")
	f.BoolVar(&flags.side.Profiles, "profiles", false, "serve pprof on the side port, at /debug/pprof/; loopback only")
	f.StringVar(&flags.traceTo, "trace-to", "", "where traces go, URL of an OTLP receiver over gRPC; empty: nowhere")
	f.Float64Var(&flags.traceRatio, "trace-ratio", 1, "fraction of slots and calls that are traced, in [0, 1]")
	f.StringVar(&flags.logFormat, "log-format", "", "text or json; empty: text, with --json json")
	f.TextVar(&flags.logLevel, "log-level", slog.LevelInfo, "least `level` logged: debug, info, warn or error")
	f.BoolVar(&flags.json, "json", false, "print the address and the log as JSON")
	return cmd
}

// check holds what can be known wrong before anything runs.
func (s *serveFlags) check(cmd *cobra.Command) error {
	err := checkPositive(cmd, "max-message-bytes", "max-antennas", "max-users", "max-subbands", "window-slots", "session-bytes", "max-session-state",
		"max-slot-memory", "max-slot-work", "max-directions", "max-connections", "max-calls", "max-sessions", "max-slots-in-flight")
	if err != nil {
		return err
	}
	err = checkNotNegative(cmd, "held-bytes", "held-bytes-per-peer", "max-connections-per-peer", "max-calls-per-peer",
		"max-sessions-per-peer", "max-slots-in-flight-per-peer")
	if err != nil {
		return err
	}
	switch s.logFormat {
	case "", "text", "json":
	default:
		return usagef("--log-format %q: text or json", s.logFormat)
	}
	if !(s.traceRatio >= 0 && s.traceRatio <= 1) {
		return usagef("--trace-ratio %g: in [0, 1]", s.traceRatio)
	}
	if u, err := url.Parse(s.traceTo); s.traceTo != "" && (err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https") {
		return usagef("--trace-to %q: http://HOST:PORT or https://HOST:PORT", s.traceTo)
	}
	if s.sideListen == "" && (s.side.Profiles || s.side.PlaintextAnywhere) {
		return usagef("--profiles and --side-without-tls go with --side-listen")
	}
	return nil
}

// checkPositive holds that integer flags are at least 1.
func checkPositive(cmd *cobra.Command, names ...string) error {
	for _, name := range names {
		given := cmd.Flags().Lookup(name).Value.String()
		if n, err := strconv.ParseInt(given, 10, 64); err != nil || n < 1 {
			return usagef("--%s %s: at least 1", name, given)
		}
	}
	return nil
}

// checkNotNegative holds that integer flags are at least 0.
func checkNotNegative(cmd *cobra.Command, names ...string) error {
	for _, name := range names {
		if n, err := cmd.Flags().GetInt(name); err != nil || n < 0 {
			return usagef("--%s %d: at least 0", name, n)
		}
	}
	return nil
}

func (s *serveFlags) serve(cmd *cobra.Command) (err error) {
	options := &slog.HandlerOptions{Level: s.logLevel}
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), options))
	if s.logFormat == "json" || s.logFormat == "" && s.json {
		log = slog.New(slog.NewJSONHandler(cmd.ErrOrStderr(), options))
	}
	config := s.config
	config.Logger = log
	if config.Credentials, err = server.LoadCredentials(s.credentials, log); err != nil {
		return err
	}
	if s.credentials.Tokens != "" && s.credentials.Cert == "" && s.config.PlaintextAnywhere {
		log.Warn("without TLS, tokens can be read on the way")
	}
	stopTraces := func() {}
	if s.traceTo != "" || s.sideListen != "" {
		if config.Telemetry, stopTraces, err = newTelemetry(cmd.Context(), s.traceTo, s.traceRatio, log); err != nil {
			return err
		}
	}
	defer stopTraces()
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(server.GCPercent)
	}
	if os.Getenv("GOMAXPROCS") == "" {
		if config.Workers == 0 {
			config.Workers = runtime.GOMAXPROCS(0)
		}
		runtime.GOMAXPROCS(max(server.Processors(config.Workers), runtime.GOMAXPROCS(0)))
	}
	srv := server.New(config)
	lis, err := listen(s.listen, srv.CheckAddress, "; --listen-without-tls allows it")
	if err != nil {
		return err
	}
	var side net.Listener
	if s.sideListen != "" {
		check := func(addr net.Addr) error { return srv.CheckSide(addr, s.side) }
		hint := "; --side-without-tls allows it"
		if s.side.Profiles {
			hint = ""
		}
		if side, err = listen(s.sideListen, check, hint); err != nil {
			lis.Close()
			return err
		}
		defer serveSide(srv, side, s.side, log)()
	}
	if err := announce(cmd, lis, side, s.json); err != nil {
		lis.Close()
		return err
	}
	return srv.Serve(cmd.Context(), lis)
}

// listen listens on an address that check lets pass; the hint says what else
// would.
func listen(address string, check func(net.Addr) error, hint string) (net.Listener, error) {
	lis, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	if err := check(lis.Addr()); err != nil {
		lis.Close()
		return nil, fmt.Errorf("%w%s", err, hint)
	}
	return lis, nil
}

// serveSide serves the side port until the function it returns is called, which
// is after the service has stopped: probes are to see that it does.
func serveSide(s *server.Server, lis net.Listener, c server.SideConfig, log *slog.Logger) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := s.ServeSide(ctx, lis, c); err != nil {
			log.Error("side port", "error", err)
		}
	}()
	return func() {
		cancel()
		<-done
	}
}

// announce tells where the server listens; side may be nil.
func announce(cmd *cobra.Command, lis, side net.Listener, asJSON bool) error {
	told := struct {
		Address       string `json:"address"`
		SideAddress   string `json:"sideAddress,omitempty"`
		EngineVersion string `json:"engineVersion"`
	}{Address: lis.Addr().String(), EngineVersion: scheduler.Version}
	if side != nil {
		told.SideAddress = side.Addr().String()
	}
	if asJSON {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(told)
	}
	text := fmt.Sprintf("serving on %s\n", told.Address)
	if side != nil {
		text += fmt.Sprintf("side port on %s\n", told.SideAddress)
	}
	_, err := fmt.Fprint(cmd.OutOrStdout(), text)
	return err
}
