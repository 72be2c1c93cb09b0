package main

import (
	"errors"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"leastwatt/energy"
	"leastwatt/scheduler"
)

// demoFlags are the flags of leastwatt demo.
type demoFlags struct {
	forceFlag
	slots int
	seed  int64
	out   string
	json  bool
}

// The ways of the shift, ours first, and the sizes of array. Weights come back
// as float32 pairs, and every rate is that of the weights as rounded.
var (
	shiftWays = []way{
		{name: "leastwatt on 64 antennas", antennas: 64, options: scheduler.Options{Weights: scheduler.WeightsF32, Consumption: &wall}},
		{name: "users in turn on one column", antennas: 1, column: true, options: scheduler.Options{
			Weights: scheduler.WeightsF32, Grouping: "alone", Consumption: &wall,
		}},
		{name: "zero-forcing on 64 antennas", antennas: 64, options: scheduler.Options{
			Weights: scheduler.WeightsF32, Grouping: "semi-orthogonal", Beams: scheduler.BeamsZeroForcing, Power: scheduler.PowerLP,
			Consumption: &wall,
		}},
	}
	wall       = scheduler.Consumption{Model: energy.DefaultName}
	arraySizes = []int{1, 2, 4, 8, 16, 32, 64, 128}
)

// arrayEvery is how many slots of the shift there are to one on which all sizes
// of array are tried.
const arrayEvery = 10

func newDemoCommand() *cobra.Command {
	var flags demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "one shift on a container quay, planned over gRPC and re-computed",
		Long: `demo starts a server in this process, streams one shift on a container quay to
it slot by slot, and re-computes the rates and powers of every plan from its
weights. It tells what 64 antennas radiate, and draw from the wall, against one
antenna of a usual mast, a column of stacked elements that serves its users in turn,
and against textbook zero-forcing; what each doubling of the array saves at the same
rates; and how far that is over the floor: the power that no scheme of transmission
can go below. A report of it, one page to look at and to print, goes to the folder
--out, and its figures as .png, .svg and .csv; one that is there is not replaced
without --force.`,
		Example: `  leastwatt demo
  leastwatt demo --seed 7 --slots 600 --out shift
  leastwatt demo --json | python3 -m json.tool`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return demo(cmd, flags) },
	}
	cmd.Flags().IntVar(&flags.slots, "slots", 300, "slots of the shift, half a second apart")
	cmd.Flags().Int64Var(&flags.seed, "seed", 1, "seed of the scene")
	cmd.Flags().StringVar(&flags.out, "out", "out", "folder for the report")
	cmd.Flags().BoolVar(&flags.json, "json", false, "print one JSON object in place of the tables")
	flags.addForce(cmd.Flags())
	return cmd
}

// demo runs the shift and prints what was found.
func demo(cmd *cobra.Command, flags demoFlags) error {
	if err := errors.Join(checkPositive(cmd, "slots"), flags.checkFolder("out", flags.out)); err != nil {
		return err
	}
	open, stop, err := loopback(cmd.Context())
	if err != nil {
		return err
	}
	report, err := runDemo(cmd, flags, open)
	if err := errors.Join(err, stop()); err != nil {
		return err
	}
	if flags.json {
		return writeJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout())
}

// runDemo plans the shift each way by itself, so that times can be compared,
// then the sizes of array side by side, and writes the page.
func runDemo(cmd *cobra.Command, flags demoFlags, open open) (*demoReport, error) {
	ctx := cmd.Context()
	slots, some := everyNth(flags.slots, 1), everyNth(flags.slots, arrayEvery)
	var work int64
	for _, w := range shiftWays {
		work += w.work() * int64(len(slots))
	}
	for _, w := range arrayWays() {
		work += w.work() * int64(len(some))
	}
	bar := newProgress(cmd, work)
	defer bar.finish()
	each := func(o *outcome) {
		bar.add(o.work())
		bar.found("%s: %s, worst rate / target %.4f", o.name, watts(o.slots[len(o.slots)-1].Trials[0].RadiatedPowerW), o.worstRatio())
	}
	shift, err := tryAll(ctx, shiftWays, open, flags.seed, slots, 1, each)
	if err != nil {
		return nil, err
	}
	sizes, err := tryAll(ctx, arrayWays(), open, flags.seed, some, runtime.GOMAXPROCS(0), each)
	if err != nil {
		return nil, err
	}
	view, err := protectedSlot(ctx, open, flags.seed)
	if err != nil {
		return nil, err
	}
	report := newDemoReport(flags.seed, shift, sizes)
	page, err := report.page(shift, sizes, view)
	if err != nil {
		return nil, err
	}
	report.Report, err = page.Write(flags.out, flags.force)
	return report, err
}

// arrayWays returns a way of the engine's own choosing for each size of array,
// with a floor to every plan, what it draws from the wall, and its EIRP.
func arrayWays() []way {
	ways := make([]way, len(arraySizes))
	for i, n := range arraySizes {
		ways[i] = way{name: fmt.Sprintf("%d antennas", n), antennas: n, far: true, options: scheduler.Options{
			Weights: scheduler.WeightsF32, Floor: true, Consumption: &wall,
		}}
	}
	return ways
}

// everyNth returns 0, n, 2n and so on below limit.
func everyNth(limit, n int) []int {
	var slots []int
	for i := 0; i < limit; i += n {
		slots = append(slots, i)
	}
	return slots
}
