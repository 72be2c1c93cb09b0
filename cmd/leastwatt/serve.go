package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net"

	"github.com/spf13/cobra"

	"leastwatt/scheduler"
	"leastwatt/server"
)

func newServeCommand() *cobra.Command {
	var listen string
	var asJSON bool
	config := server.Config{Limits: server.DefaultLimits()}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "serve the gRPC service",
		Long: `serve answers gRPC calls until it is told to stop (SIGTERM or SIGINT): sessions
are then told, what they hold is answered, and what is not done within
--drain-timeout is cut off.

The address it listens on goes to stdout, the log to stderr. There is no TLS:
addresses other than loopback need --listen-without-tls.`,
		Example: `  leastwatt serve
  leastwatt serve --listen 127.0.0.1:0 --workers 1 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := checkPositive(cmd, "max-message-bytes", "max-antennas", "max-users", "max-subbands", "window-slots"); err != nil {
				return err
			}
			return serve(cmd, config, listen, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&listen, "listen", server.DefaultAddress, "address to listen on, HOST:PORT; port 0 takes a free one")
	f.BoolVar(&config.PlaintextAnywhere, "listen-without-tls", false, "allow addresses other than loopback")
	f.IntVar(&config.Workers, "workers", 0, "slots scheduled at once; 0: one for each CPU")
	f.DurationVar(&config.DrainTimeout, "drain-timeout", 0, "how long to wait for sessions when stopping; 0: 10s")
	l := &config.Limits
	f.IntVar(&l.MessageBytes, "max-message-bytes", l.MessageBytes, "largest message in either direction")
	f.IntVar(&l.Antennas, "max-antennas", l.Antennas, "most antennas of a slot")
	f.IntVar(&l.Users, "max-users", l.Users, "most users of a slot")
	f.IntVar(&l.Subbands, "max-subbands", l.Subbands, "most subbands of a slot")
	f.IntVar(&l.WindowSlots, "window-slots", l.WindowSlots, "slots that a session holds unanswered")
	f.BoolVar(&asJSON, "json", false, "print the address and the log as JSON")
	return cmd
}

// checkPositive holds that integer flags are at least 1.
func checkPositive(cmd *cobra.Command, names ...string) error {
	for _, name := range names {
		if n, err := cmd.Flags().GetInt(name); err != nil || n < 1 {
			return usagef("--%s %d: at least 1", name, n)
		}
	}
	return nil
}

func serve(cmd *cobra.Command, config server.Config, listen string, asJSON bool) error {
	config.Logger = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	if asJSON {
		config.Logger = slog.New(slog.NewJSONHandler(cmd.ErrOrStderr(), nil))
	}
	s := server.New(config)
	lis, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	if err := s.CheckAddress(lis.Addr()); err != nil {
		lis.Close()
		return fmt.Errorf("%w; --listen-without-tls allows it", err)
	}
	if err := announce(cmd, lis.Addr().String(), asJSON); err != nil {
		lis.Close()
		return err
	}
	return s.Serve(cmd.Context(), lis)
}

// announce tells where the server listens.
func announce(cmd *cobra.Command, address string, asJSON bool) error {
	if asJSON {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(struct {
			Address       string `json:"address"`
			EngineVersion string `json:"engineVersion"`
		}{address, scheduler.Version})
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "serving on %s\n", address)
	return err
}
