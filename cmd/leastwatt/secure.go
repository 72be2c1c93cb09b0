package main

import (
	"github.com/spf13/cobra"

	"leastwatt/client"
)

// addSecurity adds the flags of a command that speaks to a server.
func addSecurity(cmd *cobra.Command, s *client.Security) {
	f := cmd.Flags()
	f.BoolVar(&s.TLS, "tls", false, "use TLS, with the system's authorities")
	f.StringVar(&s.CAFile, "tls-ca", "", "use TLS with these authorities for the server, PEM")
	f.StringVar(&s.ServerName, "tls-server-name", "", "name in the server's certificate; empty: that of --to")
	f.StringVar(&s.CertFile, "tls-cert", "", "certificate to show the server, PEM")
	f.StringVar(&s.KeyFile, "tls-key", "", "its key, PEM")
	f.StringVar(&s.TokenFile, "token-file", "", "file with the bearer token for the server")
}
