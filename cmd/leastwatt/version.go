package main

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"runtime"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// notices are the licences of all that is linked in; make notices collects them.
//
//go:embed notices.txt
var notices string

func newVersionCommand() *cobra.Command {
	var asJSON, licences bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "print the version of the engine and of the contract, or the licences of others",
		Example: `  leastwatt version --json
  leastwatt version --licences`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if licences && asJSON {
				return usagef("--licences and --json exclude each other")
			}
			if licences {
				_, err := io.WriteString(cmd.OutOrStdout(), notices)
				return err
			}
			v := struct {
				EngineVersion string `json:"engineVersion"`
				Contract      string `json:"contract"`
				Go            string `json:"go"`
			}{
				scheduler.Version,
				string(pb.File_leastwatt_v1_slot_proto.Package()),
				fmt.Sprintf("%s %s/%s", runtime.Version(), runtime.GOOS, runtime.GOARCH),
			}
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(v)
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "leastwatt %s, contract %s, %s\n", v.EngineVersion, v.Contract, v.Go)
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.Flags().BoolVar(&licences, "licences", false, "print the licences of all software that this program contains")
	return cmd
}
