package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler/audit"
)

// auditFlags are the flags of leastwatt audit.
type auditFlags struct {
	slot          slotFlags
	options       optionFlags
	plan, channel string
	json          bool
}

func newAuditCommand() *cobra.Command {
	var flags auditFlags
	cmd := &cobra.Command{
		Use:   "audit",
		Short: "re-compute a plan from its weights and say where it is wrong",
		Long: `audit re-computes every SINR, rate, power, limit and floor of a plan, ours or not,
from its weights and the channel of its slot, with code that shares nothing with
the engine, and says in words what it disagrees with. The slot is what plan takes:
protobuf JSON of the contract's Slot, a .npz file, or slot --slot of a trace. The
plan is protobuf JSON of Plan with weights, or that of the slot's number among more,
one after the other, as replay --out writes them.

With --channel rates are those over that channel, the one that truly was, and a
target that it misses counts as disagreement. It is protobuf JSON of the contract's
Channel, or a trace of true channels as synth --truth writes, of which that of the
slot of the same number is taken. What the slot was planned --with, or which model of
--consumption, is told again here.

It exits with 0 when it agrees and 1 when it does not or when there is nothing to
audit. "-" stands for stdin.`,
		Example: `  leastwatt audit --in slot.json --plan plan.json
  leastwatt audit --in aged.trace --slot 17 --plan plans.jsonl --channel true.trace
  leastwatt plan --in slot.json --weights f64 --json | leastwatt audit --in slot.json --plan - --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return auditFiles(cmd, &flags) },
	}
	flags.slot.add(cmd)
	flags.options.addAudited(cmd)
	f := cmd.Flags()
	f.StringVar(&flags.plan, "plan", "", "the plan, .json, with weights")
	f.StringVar(&flags.channel, "channel", "", "the channel as it truly was, .json or a trace")
	f.BoolVar(&flags.json, "json", false, "print the audit as JSON in place of the table")
	return cmd
}

func auditFiles(cmd *cobra.Command, flags *auditFlags) error {
	if flags.plan == "" {
		return usagef("--plan is missing")
	}
	if err := checkStdin(flags.slot.in, flags.plan, flags.channel, flags.options.with.file); err != nil {
		return err
	}
	slot, err := flags.slot.readWith(&flags.options)
	if err != nil {
		return err
	}
	req := &pb.AuditPlanRequest{Slot: slot}
	if req.Plan, err = planFor(flags.plan, cmd.InOrStdin(), slot.GetSequence(), flags.slot.bytes()); err != nil {
		return err
	}
	if flags.channel != "" {
		if req.TrueChannel, err = readChannel(flags.channel, cmd.InOrStdin(), slot.GetSequence(), flags.slot.bytes()); err != nil {
			return err
		}
	}
	if !hasWeights(req.Plan) {
		return fmt.Errorf("%s: the plan has no weights: leastwatt plan has them with --weights f32", flags.plan)
	}
	bar := newProgress(cmd, -1)
	found, err := serverHere(cmd, 1).Audit(cmd.Context(), req)
	bar.finish()
	if err != nil {
		return auditError(err)
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

// planFor reads the plan of the slot of a number from a file of plans as protobuf
// JSON, one after the other as replay writes them. One that is alone may be without a number.
func planFor(name string, stdin io.Reader, number, most int64) (*pb.Plan, error) {
	in, err := openInput(name, stdin)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	text := newLimitedReader(in, most)
	decoder := json.NewDecoder(text)
	var last *pb.Plan
	for n := 1; ; n++ {
		text.next()
		var raw json.RawMessage
		err := decoder.Decode(&raw)
		switch {
		case errors.Is(err, io.EOF) && n == 1:
			return nil, fmt.Errorf("%s: there is no plan", name)
		case errors.Is(err, io.EOF) && n == 2 && last.GetSequence() == 0:
			return last, nil
		case errors.Is(err, io.EOF):
			return nil, fmt.Errorf("%s: there is no plan of slot %d", name, number)
		}
		last = &pb.Plan{}
		if err == nil {
			err = checkText(raw, most)
		}
		if err == nil {
			err = protojson.Unmarshal(raw, last)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: plan %d: %w", name, n, explainLimit(err))
		}
		if last.GetSequence() == number {
			return last, nil
		}
	}
}

// auditError takes from an error of an audit that a server found it.
func auditError(err error) error { return errors.New(strings.TrimPrefix(err.Error(), "server: ")) }

// hasWeights tells whether every allocation of a plan has weights.
func hasWeights(plan *pb.Plan) bool {
	for _, g := range plan.GetGroups() {
		for _, a := range g.GetAllocations() {
			if a.GetWeights() == nil {
				return false
			}
		}
	}
	return true
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
		line("%s\t%s", f.GetPath(), findingText(f))
	}
	return out.Flush()
}

// findingText says in words what a finding is.
func findingText(f *pb.Finding) string {
	return audit.Finding{Claimed: f.GetClaimed(), Recomputed: f.GetRecomputed(), Text: f.GetText(), IsLimit: f.GetIsLimit()}.Words()
}
