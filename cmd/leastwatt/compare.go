package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"runtime"
	"slices"
	"strings"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// compareFlags are the flags of leastwatt compare.
type compareFlags struct {
	strategyFlags
	forceFlag
	readLimit
	in          []string
	with        overlayFlag
	sets        []string
	slots       int
	seed        int64
	consumption string
	floor       bool
	workers     int
	csv, plot   string
	json        bool
}

// quaySlots is what compare leaves out unless it is named: no small slots.
const quaySlots = "quay"

func newCompareCommand() *cobra.Command {
	var flags compareFlags
	cmd := &cobra.Command{
		Use:   "compare",
		Short: "compare strategies on the same slots",
		Long: `compare plans the same slots with every strategy asked for, has the audit
re-compute every plan, and prints for each strategy its power in W, in dB over the
floor that no scheme of transmission can go below and over the best strategy of
the run, whether rates were met, groups and times. A strategy is a grouping, beams
and a way to find powers; all combinations are tried but those that do not go
together, which are told, or just the --strategies named. Where slots name a model of
the power from the wall, or --consumption does, that power is printed too.

Slots come from traces, or files of protobuf JSON ("-" is stdin), or are drawn by
seed:

` + setList() + `
A strategy that lives elsewhere takes part with its groups: put them into the
field groups of every slot of the trace, [{"userIds": ["a", "b"]}, ...], with
shares or without. They are compared as the grouping ` + campaign.CallersGroups + `; all others
group for themselves.

Ctrl-C ends the run with what is done until then; its files then are called as --csv
and --plot say and .partial. A file that is there is not replaced without --force.
compare exits with 0, and with 1 when a slot is rejected, a strategy fails, the audit
disagrees with a plan or the run is ended.`,
		Example: `  leastwatt compare --slots 50 --plot groupings.png --csv groupings.csv
  leastwatt compare --in shift.jsonl --grouping together,alone,semi-orthogonal --beams optimal,zero-forcing
  leastwatt compare --set quay --grouping semi-orthogonal --beams matched,regularized --power lp,iterative --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return compare(cmd, &flags) },
	}
	f := cmd.Flags()
	f.StringSliceVar(&flags.in, "in", nil, "traces, or files of slots, .json or .npz")
	flags.with.add(cmd)
	f.StringSliceVar(&flags.sets, "set", nil, "sets of slots (default all but quay)")
	f.IntVar(&flags.slots, "slots", 20, "slots of each set; of traces all are taken unless it is given")
	f.Int64Var(&flags.seed, "seed", 1, "seed of the sets, and of random choices")
	flags.add(cmd, "all: "+strings.Join(namesOf(scheduler.Groupings()), ", "))
	f.StringVar(&flags.consumption, "consumption", "", consumptionHelp()+" (default that of the slots, if any)")
	f.BoolVar(&flags.floor, "floor", true, "prove the floor of every slot")
	f.IntVar(&flags.workers, "workers", runtime.GOMAXPROCS(0), "plans made at a time")
	f.StringVar(&flags.csv, "csv", "", "where a line for each slot and strategy goes")
	f.StringVar(&flags.plot, "plot", "", "where plots of cumulative distributions go, .png or .svg")
	f.BoolVar(&flags.json, "json", false, "print the tables as JSON")
	flags.addForce(f)
	flags.addLimit(f)
	return cmd
}

// setList lists the sets of slots, one a line.
func setList() string {
	var b strings.Builder
	for _, s := range campaign.Sets() {
		fmt.Fprintf(&b, "  %-20s %s\n", s.Name, s.Summary)
	}
	return b.String()
}

func compare(cmd *cobra.Command, flags *compareFlags) error {
	if err := flags.check(cmd); err != nil {
		return err
	}
	sources, err := flags.sources(cmd)
	if err != nil {
		return err
	}
	known := append(namesOf(scheduler.Groupings()), campaign.CallersGroups)
	standard := known
	if !sources[0].callers {
		standard = known[:len(known)-1]
	}
	strategies, skipped, err := flags.strategies(cmd, known, standard)
	if err != nil {
		return err
	}
	tell(cmd, skipped)
	files, err := flags.createTable(cmd, flags.csv, flags.plot)
	if err != nil {
		return err
	}
	defer files.discard()
	report := &compareReport{Seed: flags.seed, Workers: flags.workers, Floor: flags.floor, Skipped: skipped}
	runErr := flags.run(cmd, sources, strategies, report)
	report.Stopped = runErr != nil && cmd.Context().Err() != nil
	lines := func(w io.Writer) error { return campaign.WriteCSV(w, report.results) }
	draw := report.plot
	if report.slots() == 0 {
		draw = nil
	}
	if err := files.write(runErr == nil, lines, draw); err != nil {
		return err
	}
	if err := showTable(cmd, flags.csv, flags.json, report); err != nil {
		return err
	}
	switch {
	case report.Stopped:
		return errors.New("ended before all slots were done")
	case runErr != nil:
		return runErr
	case !report.good():
		return &exitError{code: exitFailed}
	}
	return nil
}

// check checks flags that stand alone.
func (f *compareFlags) check(cmd *cobra.Command) error {
	switch {
	case len(f.in) > 0 && len(f.sets) > 0:
		return usagef("--in and --set exclude each other")
	case f.with.file != "" && len(f.in) == 0:
		return usagef("--with goes with --in")
	}
	if err := checkStdin(append(f.in, f.with.file)...); err != nil {
		return err
	}
	if err := checkPlot(f.plot); err != nil {
		return err
	}
	if f.csv == "-" && f.json {
		return usagef("--csv - and --json both write to stdout")
	}
	if cmd.Flags().Changed("consumption") {
		if err := checkConsumption(f.consumption); err != nil {
			return err
		}
	}
	return checkPositive(cmd, "slots", "workers")
}

// run tries the strategies on every source of slots and adds to the report what
// came of it, also when it ends early.
func (f *compareFlags) run(cmd *cobra.Command, sources []*slotSource, strategies []scheduler.Strategy, report *compareReport) error {
	bar := f.newProgress(cmd, sources)
	defer bar.finish()
	for _, source := range sources {
		r := campaign.Run{
			Set: source.name, Strategies: strategies, Workers: f.workers, Floor: f.floor,
			Each: func(*campaign.Slot) error { source.tell(bar); return nil },
		}
		result, err := r.Do(cmd.Context(), f.modelled(source.slots))
		report.RejectedSlots += source.rejected
		if len(result.Slots) > 0 || err == nil {
			report.add(source, result)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// modelled yields slots with the consumption model asked for, if any.
func (f *compareFlags) modelled(slots iter.Seq2[*scheduler.Slot, error]) iter.Seq2[*scheduler.Slot, error] {
	if f.consumption == "" {
		return slots
	}
	return func(yield func(*scheduler.Slot, error) bool) {
		for slot, err := range slots {
			if slot != nil {
				slot.Options.Consumption = &scheduler.Consumption{Model: f.consumption}
			}
			if !yield(slot, err) {
				return
			}
		}
	}
}

// slotSource is where slots come from.
type slotSource struct {
	name     string
	summary  string
	slots    iter.Seq2[*scheduler.Slot, error]
	callers  bool         // slots bring groups of their own
	rejected int          // slots that are no slots; read when slots has ended
	size     int64        // of the whole, in bytes of traces or in slots; -1: not known
	position func() int64 // reached; nil: one more with every slot
}

// tell tells how far the source has been read.
func (s *slotSource) tell(bar *progress) {
	if s.position == nil {
		bar.add(1)
	} else {
		bar.reach(s.position())
	}
}

// sources returns the traces, taken as one, or the sets.
func (f *compareFlags) sources(cmd *cobra.Command) ([]*slotSource, error) {
	if len(f.in) > 0 {
		s, err := f.traceSource(cmd)
		return []*slotSource{s}, err
	}
	all := campaign.Sets()
	names := f.sets
	if len(names) == 0 {
		for _, s := range all {
			if s.Name != quaySlots {
				names = append(names, s.Name)
			}
		}
	}
	var out []*slotSource
	for _, name := range names {
		i := slices.IndexFunc(all, func(s campaign.Set) bool { return s.Name == name })
		if i < 0 {
			return nil, usagef("--set %q is not one of those that --help lists", name)
		}
		out = append(out, &slotSource{name: name, summary: all[i].Summary, slots: all[i].Slots(f.seed, f.slots), size: int64(f.slots)})
	}
	return out, nil
}

// newProgress returns the progress over sources.
func (f *compareFlags) newProgress(cmd *cobra.Command, sources []*slotSource) *progress {
	var size int64
	for _, s := range sources {
		size += s.size
	}
	if sources[0].position != nil {
		return newProgress(cmd, size, progressbar.OptionShowBytes(true))
	}
	return newProgress(cmd, size, progressbar.OptionShowCount())
}
