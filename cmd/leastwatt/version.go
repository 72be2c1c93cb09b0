package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

func newVersionCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "print the version of the engine and of the contract",
		Example: "  leastwatt version --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
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
	return cmd
}
