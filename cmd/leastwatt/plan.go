package main

import (
	"fmt"
	"io"
	"log/slog"
	"math"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/server"
)

// planFlags are the flags of leastwatt plan.
type planFlags struct {
	forceFlag
	slot    slotFlags
	out     string
	json    bool
	options optionFlags
}

func newPlanCommand() *cobra.Command {
	var flags planFlags
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "plan one slot from a file",
		Long: `plan reads a slot, plans it in this process and prints a table. The slot is
protobuf JSON of the contract's Slot, or a .npz file of NumPy with the arrays
channel (complex, [user, subband, antenna] or [user, antenna]), rate_bps,
noise_w (one number, or one per user), bandwidth_hz and, where the channel is an
estimate, csi_error_variance. Of a trace, or any other file of more than one slot,
--slot chooses one by its number. --with names a file of protobuf JSON of a Slot: what
it has, such as limits, the array and options, goes in place of what the slot has.
"-" stands for stdin and stdout.

A file that is there is not replaced without --force, and not when the slot is
rejected. Ctrl-C ends the search, and the plan is the best so far. It exits with 0 when
every target is met, 3 when something binds and 1 when the slot is rejected: what is
wrong goes to stderr, one line for each.`,
		Example: `  leastwatt plan --in slot.json --weights f32 --out plan.json
  leastwatt plan --in shift.trace --slot 17 --floor
  leastwatt plan --in slot.npz --with limits.json --weights i16 --out limited.json
  leastwatt plan --in slot.npz --beams zero-forcing --power lp --weights f32 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return plan(cmd, &flags) },
	}
	flags.slot.add(cmd)
	f := cmd.Flags()
	f.StringVar(&flags.out, "out", "", "where the plan goes as JSON")
	f.BoolVar(&flags.json, "json", false, "print the plan as JSON in place of the table")
	flags.addForce(f)
	flags.options.add(cmd)
	return cmd
}

func plan(cmd *cobra.Command, flags *planFlags) error {
	if err := checkStdin(flags.slot.in, flags.options.with.file); err != nil {
		return err
	}
	out, err := flags.create("out", flags.out, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	defer out.discard()
	slot, err := flags.slot.readWith(&flags.options)
	if err != nil {
		return err
	}
	bar := newProgress(cmd, -1)
	made, err := serverHere(cmd, 1).Plan(cmd.Context(), slot)
	bar.finish()
	if err != nil {
		return err
	}
	if err := flags.write(cmd.OutOrStdout(), out, slot, made); err != nil {
		return err
	}
	switch made.GetStatus() {
	case pb.PlanStatus_PLAN_STATUS_MET:
		return nil
	case pb.PlanStatus_PLAN_STATUS_SHORT:
		return &exitError{code: exitShort}
	case pb.PlanStatus_PLAN_STATUS_REJECTED, pb.PlanStatus_PLAN_STATUS_FAILED:
		if len(made.GetViolations()) == 0 {
			break
		}
		for _, v := range made.GetViolations() {
			fmt.Fprintln(cmd.ErrOrStderr(), violationLine(v))
		}
		return &exitError{code: exitFailed}
	}
	return fmt.Errorf("the engine failed on this slot: please report it")
}

// serverHere is a server in this process, for slots of any size, so many at a time.
func serverHere(cmd *cobra.Command, workers int) *server.Server {
	const most = math.MaxInt32
	return server.New(server.Config{
		Workers: workers,
		Limits:  server.Limits{Antennas: most, Users: most, Subbands: most, Groups: most, ProtectedDirections: most},
		Logger:  slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil)),
	})
}

// write writes the plan to its file, unless there is none, and what people or machines
// are to see of it, unless that is the file.
func (f *planFlags) write(stdout io.Writer, out *output, slot *pb.Slot, made *pb.Plan) error {
	if f.out != "" {
		if err := writeMessage(out, made, true); err != nil {
			return err
		}
	}
	if hasPlan(made) || !out.replaces() {
		if err := out.commit(); err != nil {
			return err
		}
	}
	switch {
	case f.out == "-":
		return nil
	case f.json:
		return writeMessage(stdout, made, true)
	case len(made.GetViolations()) > 0:
		return nil // said on stderr
	}
	if err := printPlan(stdout, made); err != nil {
		return err
	}
	return printExposure(stdout, slot, made)
}

// hasPlan reports whether a slot has a plan, good or not so good.
func hasPlan(p *pb.Plan) bool {
	return p.GetStatus() == pb.PlanStatus_PLAN_STATUS_MET || p.GetStatus() == pb.PlanStatus_PLAN_STATUS_SHORT
}
