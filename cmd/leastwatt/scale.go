package main

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"leastwatt/campaign"
	"leastwatt/energy"
	"leastwatt/scheduler"
)

// scaleFlags are the flags of leastwatt scale.
type scaleFlags struct {
	scene       synthFlags
	antennas    []int
	users       []int
	weightBits  []int
	csiErrors   []float64
	drops       int
	strategy    scheduler.Strategy
	consumption string
	floor       bool
	workers     int
	csv, plot   string
	json        bool
}

// Quantities that scale sweeps, in the words of its flags.
const (
	sweptAntennas = campaign.Antennas
	sweptUsers    = "users"
	sweptBits     = "weight-bits"
	sweptErrors   = "csi-errors"
)

// weightFormats are those of weights by their bits.
var weightFormats = map[int]scheduler.WeightFormat{64: scheduler.WeightsF64, 32: scheduler.WeightsF32, 16: scheduler.WeightsI16}

// The most of an array and of a scene of scale.
const (
	mostAntennas = 1 << 12
	mostUsers    = 1 << 10
)

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
--weight-bits, of the weights as returned: 64, 32 or 16; or --csi-errors, the
variance of the error of each user's channel over its mean square, which goes in
place of what --pilots make of it.

Ctrl-C ends the run with what is done until then. scale exits with 0, and with 1
when a plan fails, the audit disagrees with one or the run is ended.`,
		Example: `  leastwatt scale --plot scale.png
  leastwatt scale --scene uma --users 8 --antennas 1,4,16,64,256 --drops 30 --csv drops.csv
  leastwatt scale --antennas 64 --csi-errors 0,0.001,0.01,0.1
  leastwatt scale --antennas 64 --weight-bits 64,32,16 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return scale(cmd, &flags) },
	}
	f := cmd.Flags()
	flags.scene.addScene(f, sceneQuay)
	f.IntSliceVar(&flags.antennas, sweptAntennas, []int{1, 2, 4, 8, 16, 32, 64, 128, 256}, "antennas; 64 unless given where another quantity is swept")
	f.IntSliceVar(&flags.users, sweptUsers, []int{16}, "users")
	f.IntSliceVar(&flags.weightBits, sweptBits, []int{64}, "bits of each part of a weight: 64, 32, 16")
	f.Float64SliceVar(&flags.csiErrors, sweptErrors, nil, "variance of the channels' error over their mean square")
	f.IntVar(&flags.drops, "drops", 10, "drops, each a scene of another seed")
	f.StringVar(&flags.strategy.Grouping, "grouping", "", "how users are put into groups")
	f.StringVar(&flags.strategy.Beams, "beams", "", "how beams are formed")
	f.StringVar(&flags.strategy.Power, "power", "", "how powers are found")
	f.StringVar(&flags.consumption, "consumption", energy.DefaultName, "published model of the power from the wall: "+strings.Join(namesOf(scheduler.ConsumptionModels()), ", "))
	f.BoolVar(&flags.floor, "floor", true, "prove the floor of every slot")
	f.IntVar(&flags.workers, "workers", runtime.GOMAXPROCS(0), "plans made at a time")
	f.StringVar(&flags.csv, "csv", "", "where a line for each value and drop goes")
	f.StringVar(&flags.plot, "plot", "", "where the plot goes, .png or .svg")
	f.BoolVar(&flags.json, "json", false, "print the tables as JSON")
	return cmd
}

func scale(cmd *cobra.Command, flags *scaleFlags) error {
	sweep, err := flags.sweep(cmd)
	if err != nil {
		return err
	}
	lines, err := createOutput(flags.csv, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	bar := newLateBar(cmd.ErrOrStderr(), int64(len(sweep.Values)*sweep.Drops), progressbar.OptionShowCount())
	sweep.Each = func(int, *campaign.Slot) error { bar.step(nil); return nil }
	result, runErr := sweep.Do(cmd.Context())
	bar.finish()
	if err := errors.Join(result.WriteCSV(lines, false), lines.Close()); err != nil {
		return err
	}
	report := newScaleReport(flags.commandLine(cmd), flags, result)
	report.Stopped = runErr != nil
	if err := flags.show(cmd, report); err != nil {
		return err
	}
	switch {
	case report.Stopped:
		return errors.New("ended before all drops were done")
	case !report.good():
		return &exitError{code: exitFailed}
	}
	return nil
}

// show prints the report and draws the plot.
func (f *scaleFlags) show(cmd *cobra.Command, found *scaleReport) error {
	if f.plot != "" && found.planned() {
		if err := found.plot(f.plot); err != nil {
			return err
		}
	}
	table := cmd.OutOrStdout()
	if f.csv == "-" {
		table = cmd.ErrOrStderr()
	}
	if f.json {
		encoder := json.NewEncoder(table)
		encoder.SetIndent("", "  ")
		return encoder.Encode(found)
	}
	return found.print(table)
}

// sweep checks the flags and returns what they ask for.
func (f *scaleFlags) sweep(cmd *cobra.Command) (*campaign.Sweep, error) {
	f.scene.settings.Samples = "f64"
	if err := f.scene.checkScene(cmd); err != nil {
		return nil, err
	}
	if err := f.check(cmd); err != nil {
		return nil, err
	}
	out := &campaign.Sweep{Quantity: sweptAntennas, Drops: f.drops, Strategies: []scheduler.Strategy{f.strategy}, Workers: f.workers, Floor: f.floor}
	asked := 0
	for _, q := range []struct {
		flag   string
		values []float64
	}{
		{sweptAntennas, floats(f.antennas)}, {sweptUsers, floats(f.users)}, {sweptBits, floats(f.weightBits)}, {sweptErrors, f.csiErrors},
	} {
		if len(q.values) > 1 && (q.flag != sweptAntennas || cmd.Flags().Changed(sweptAntennas)) {
			out.Quantity, out.Values = q.flag, q.values
			asked++
		}
	}
	switch {
	case asked > 1:
		return nil, usagef("--antennas, --users, --weight-bits and --csi-errors: one of them may have several values")
	case asked == 0:
		out.Values = floats(f.antennas)
	case out.Quantity != sweptAntennas && !cmd.Flags().Changed(sweptAntennas):
		f.antennas = []int{64}
	}
	out.Slot = func(value float64, drop int) *scheduler.Slot { return f.slot(out.Quantity, value, drop) }
	return out, nil
}

func floats(values []int) []float64 {
	var out []float64
	for _, v := range values {
		out = append(out, float64(v))
	}
	return out
}

// check holds what the flags of the sweep may be.
func (f *scaleFlags) check(cmd *cobra.Command) error {
	if ext := filepath.Ext(f.plot); f.plot != "" && ext != ".png" && ext != ".svg" {
		return usagef("--plot %s: .png or .svg", f.plot)
	}
	if f.csv == "-" && f.json {
		return usagef("--csv - and --json both write to stdout")
	}
	if err := checkPositive(cmd, "drops", "workers"); err != nil {
		return err
	}
	for _, list := range []struct {
		flag   string
		values []int
		most   int
	}{{sweptAntennas, f.antennas, mostAntennas}, {sweptUsers, f.users, mostUsers}} {
		if len(list.values) == 0 || !increasing(list.values) || list.values[0] < 1 || list.values[len(list.values)-1] > list.most {
			return usagef("--%s %v: from 1 to %d, each more than the one before", list.flag, list.values, list.most)
		}
	}
	for _, bits := range f.weightBits {
		if _, known := weightFormats[bits]; !known {
			return usagef("--weight-bits %d: 64, 32 or 16", bits)
		}
	}
	if len(f.weightBits) == 0 {
		return usagef("--weight-bits: 64, 32 or 16")
	}
	for _, e := range f.csiErrors {
		if !(e >= 0 && e <= 100) {
			return usagef("--csi-errors %g: from 0 to 100", e)
		}
	}
	if energy.ByName(f.consumption) == nil {
		return usagef("--consumption %q is not one of those that --help lists", f.consumption)
	}
	if bad := campaign.Applies(f.strategy); len(bad) > 0 {
		return usagef("%s: %s, allowed: %s", bad[0].Path, bad[0].Value, bad[0].Allowed)
	}
	return nil
}

func increasing(values []int) bool {
	return slices.IsSorted(values) && len(slices.Compact(slices.Clone(values))) == len(values)
}

// slot returns the slot of a drop with one quantity set to a value, the others to
// the first of theirs.
func (f *scaleFlags) slot(quantity string, value float64, drop int) *scheduler.Slot {
	antennas, bits := f.antennas[0], f.weightBits[0]
	settings := f.scene.settings
	settings.Seed += int64(drop)
	settings.Users = f.users[0]
	csiErrors := f.csiErrors
	switch quantity {
	case sweptAntennas:
		antennas = int(value)
	case sweptUsers:
		settings.Users = int(value)
	case sweptBits:
		bits = int(value)
	case sweptErrors:
		csiErrors = []float64{value}
	}
	settings.Rows, settings.Columns = panelOf(antennas)
	slot, _ := settings.scene().slot(0)
	slot.Array = nil // which nothing here depends on
	slot.Options = scheduler.Options{
		Weights: weightFormats[bits], Seed: settings.Seed,
		Consumption: &scheduler.Consumption{Model: f.consumption},
	}
	if len(csiErrors) > 0 {
		setErrors(slot, csiErrors[0])
	}
	return slot
}

// setErrors sets the variance of the error of each user's channel to so many times
// its mean square.
func setErrors(slot *scheduler.Slot, relative float64) {
	c := &slot.Channel
	for k := range slot.Users {
		var square float64
		for f := range c.Subbands {
			for _, h := range c.At(k, f) {
				square += real(h)*real(h) + imag(h)*imag(h)
			}
		}
		slot.Users[k].CSIErrorVariance = relative * square / float64(c.Subbands*c.Antennas)
	}
}

// panelOf returns the most square panel of so many antennas that is not higher
// than wide.
func panelOf(antennas int) (rows, columns int) {
	for n := 1; n*n <= antennas; n++ {
		if antennas%n == 0 {
			rows = n
		}
	}
	return rows, antennas / rows
}

// commandLine returns the command with the flags that are set, and its seed, in
// words for a shell.
func (f *scaleFlags) commandLine(cmd *cobra.Command) string {
	words := []string{cmd.CommandPath()}
	cmd.Flags().VisitAll(func(flag *pflag.Flag) {
		if !flag.Changed && flag.Name != "seed" {
			return
		}
		value := flag.Value.String()
		// pflag has no more than 6 decimals of these.
		if list, ok := map[string][]float64{sweptErrors: f.csiErrors, "rates-bps": f.scene.cell.RatesBps}[flag.Name]; ok {
			value = joined(list)
		} else if list, ok := flag.Value.(pflag.SliceValue); ok {
			value = strings.Join(list.GetSlice(), ",")
		}
		word := "--" + flag.Name + "=" + value
		if strings.ContainsFunc(word, func(r rune) bool { return !strings.ContainsRune(plainRunes, r) }) {
			word = "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
		}
		words = append(words, word)
	})
	return strings.Join(words, " ")
}

func joined(values []float64) string {
	var words []string
	for _, v := range values {
		words = append(words, strconv.FormatFloat(v, 'g', -1, 64))
	}
	return strings.Join(words, ",")
}

// plainRunes need no quotes in a shell.
const plainRunes = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_=+,./:"
