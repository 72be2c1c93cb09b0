package main

import (
	"errors"
	"io"
	"strings"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// scaleFlags are the flags of leastwatt scale.
type scaleFlags struct {
	sweepFlags
	forceFlag
	strategy scheduler.Strategy
	plot     string
}

func newScaleCommand() *cobra.Command {
	var flags scaleFlags
	cmd := &cobra.Command{
		Use:   "scale",
		Short: "what more antennas save, in radiated power and from the wall",
		Long: `scale plans the same users at the same rates with arrays of more and more antennas
and prints for each the radiated power, its distance from the floor that no scheme
of transmission can go below, the saving against the smallest array with its 95 %
confidence interval, and the power from the wall by cause: where that is least, and
what takes over beyond. Every plan is re-computed by the audit.

A drop is the first slot of a scene (see synth) with a seed of its own: --seed,
--seed + 1 and so on. Arrays are panels, with as many columns as rows where that
goes, and more columns elsewhere.

One quantity is swept, the flag with several values: --antennas; --users;
--weight-bits, of the weights as returned: 64, 32 or 16; or --csi-errors, the part
of each user's mean square that is error, from 0 to below 1, in place of what
--pilots make of it. Of the true channel h the estimate is sqrt(1-e) h; rates are
means over 100 true channels drawn, the estimate and an error each; and the floor is
that of the estimate, taken as exact.

Ctrl-C ends the run with what is done until then; its files then are called as --csv
and --plot say and .partial. A file that is there is not replaced without --force.
scale exits with 0, and with 1 when a plan fails, the audit disagrees with one or the
run is ended.`,
		Example: `  leastwatt scale --plot scale.png
  leastwatt scale --scene uma --users 8 --antennas 1,4,16,64,256 --drops 30 --csv drops.csv
  leastwatt scale --antennas 64 --csi-errors 0,0.001,0.01,0.1
  leastwatt scale --antennas 64 --weight-bits 64,32,16 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return scale(cmd, &flags) },
	}
	f := cmd.Flags()
	flags.add(f, sweptSizes)
	addStrategy(cmd, &flags.strategy.Grouping, &flags.strategy.Beams, &flags.strategy.Power)
	f.StringVar(&flags.csv, "csv", "", "where a line for each value and drop goes")
	f.StringVar(&flags.plot, "plot", "", "where the plot goes, .png or .svg")
	flags.addForce(f)
	return cmd
}

func scale(cmd *cobra.Command, flags *scaleFlags) error {
	if err := checkPlot(flags.plot); err != nil {
		return err
	}
	if bad := campaign.Applies(flags.strategy); len(bad) > 0 {
		return usagef("--%s %s: %s", strings.TrimPrefix(bad[0].Path, "options."), bad[0].Value, bad[0].Allowed)
	}
	sweep, err := flags.sweep(cmd)
	if err != nil {
		return err
	}
	sweep.Strategies = []scheduler.Strategy{flags.strategy}
	header, err := flags.header(cmd, sweep)
	if err != nil {
		return err
	}
	files, err := flags.createTable(cmd, flags.csv, flags.plot)
	if err != nil {
		return err
	}
	defer files.discard()
	bar := newProgress(cmd, int64(len(sweep.Values)*sweep.Drops), progressbar.OptionShowCount())
	sweep.Each = func(int, *campaign.Slot) error { bar.add(1); return nil }
	result, runErr := sweep.Do(cmd.Context())
	bar.finish()
	found := newScaleReport(header, flags.antennas[0], result)
	found.Stopped, found.TrueChannels = runErr != nil, 2*sweep.TruthPairs
	lines := func(w io.Writer) error { return result.WriteCSV(w, false) }
	draw := found.plot
	if !found.planned() {
		draw = nil
	}
	if err := files.write(!found.Stopped, lines, draw); err != nil {
		return err
	}
	if err := showTable(cmd, flags.csv, flags.json, found); err != nil {
		return err
	}
	switch {
	case found.Stopped:
		return errors.New("ended before all drops were done")
	case !found.good():
		return &exitError{code: exitFailed}
	}
	return nil
}
