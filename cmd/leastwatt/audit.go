package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

// auditFlags are the flags of leastwatt audit.
type auditFlags struct {
	slot, plan, channel string
	json                bool
}

func newAuditCommand() *cobra.Command {
	var flags auditFlags
	cmd := &cobra.Command{
		Use:   "audit",
		Short: "re-compute a plan from its weights and say where it is wrong",
		Long: `audit re-computes every SINR, rate, power, limit and floor of a plan, ours or not,
from its weights and the channel of its slot, with code that shares nothing with
the engine, and says in words what it disagrees with. The slot is protobuf JSON of
the contract's Slot or a .npz file, the plan protobuf JSON of Plan with weights.

With --channel, protobuf JSON of the contract's Channel, rates are those over that
channel, the one that truly was, and a target that it misses counts as
disagreement.

It exits with 0 when it agrees and 1 when it does not or when there is nothing to
audit. "-" stands for stdin.`,
		Example: `  leastwatt audit --slot slot.json --plan plan.json
  leastwatt plan --in slot.json --weights f64 --json | leastwatt audit --slot slot.json --plan - --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return auditFiles(cmd, &flags) },
	}
	f := cmd.Flags()
	f.StringVar(&flags.slot, "slot", "", "the slot, .json or .npz")
	f.StringVar(&flags.plan, "plan", "", "the plan, .json, with weights")
	f.StringVar(&flags.channel, "channel", "", "the channel as it truly was, .json")
	f.BoolVar(&flags.json, "json", false, "print the audit as JSON in place of the table")
	return cmd
}

func auditFiles(cmd *cobra.Command, flags *auditFlags) error {
	switch {
	case flags.slot == "":
		return usagef("--slot is missing")
	case flags.plan == "":
		return usagef("--plan is missing")
	}
	slot, err := readInput(flags.slot, cmd.InOrStdin(), nil)
	if err != nil {
		return err
	}
	req := &pb.AuditPlanRequest{Slot: slot, Plan: &pb.Plan{}}
	if err := readMessage(flags.plan, cmd.InOrStdin(), req.Plan); err != nil {
		return err
	}
	if flags.channel != "" {
		req.TrueChannel = &pb.Channel{}
		if err := readMessage(flags.channel, cmd.InOrStdin(), req.TrueChannel); err != nil {
			return err
		}
	}
	bar := newProgress(cmd, -1)
	found, err := serverHere(cmd).Audit(cmd.Context(), req)
	bar.finish()
	if err != nil {
		return err
	}
	if flags.json {
		err = writeMessage(cmd.OutOrStdout(), found, true)
	} else {
		err = printAudit(cmd.OutOrStdout(), found)
	}
	if err == nil && !found.GetAgrees() {
		return &exitError{code: exitFailed}
	}
	return err
}

// readMessage reads a file of one message as protobuf JSON.
func readMessage(name string, stdin io.Reader, m proto.Message) error {
	in, err := openInput(name, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	data, err := io.ReadAll(in)
	if err != nil {
		return err
	}
	if err := protojson.Unmarshal(data, m); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// printAudit writes an audit for people.
func printAudit(w io.Writer, a *pb.Audit) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }
	if a.GetAgrees() {
		line("audit\tagrees")
	} else {
		line("audit\tdisagrees, findings: %d", len(a.GetFindings()))
	}
	line("radiated power\t%s, mean over the slot", powerText(a.GetRadiatedPowerW()))
	if a.ConsumedPowerW != nil {
		line("power from the wall\t%s, mean over the slot", powerText(a.GetConsumedPowerW()))
	}
	if a.FloorPowerW != nil {
		line("proved floor\t%s%s", powerText(a.GetFloorPowerW()), overFloor(a.GetRadiatedPowerW(), a.GetFloorPowerW()))
	}
	if a.PeakEirpW != nil {
		line("peak EIRP\t%s", powerText(a.GetPeakEirpW()))
	}
	line("worst rate / target\t%.6f", a.GetWorstRateRatio())
	for _, f := range a.GetFindings() {
		line("%s\t%s: claimed %.6g, found %.6g", f.GetPath(), f.GetText(), f.GetClaimed(), f.GetRecomputed())
	}
	return out.Flush()
}
