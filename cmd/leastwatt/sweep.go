package main

import (
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/energy"
	"leastwatt/scheduler"
)

// sweepFlags are the flags of commands that sweep one quantity over drops of a scene.
type sweepFlags struct {
	scene       synthFlags
	antennas    []int
	users       []int
	weightBits  []int
	csiErrors   []float64
	drops       int
	consumption string
	floor       bool
	eirp        bool // slots have the geometry of their array
	workers     int
	csv         string
	json        bool
}

// Quantities that are swept, in the words of its flags.
const (
	sweptAntennas = campaign.Antennas
	sweptUsers    = "users"
	sweptBits     = "weight-bits"
	sweptErrors   = "csi-errors"
)

// sweptSizes are the arrays of a sweep of antennas that names none.
var sweptSizes = []int{1, 2, 4, 8, 16, 32, 64, 128, 256}

// drawnTruths is how many true channels judge the rates of a plan for an estimate.
const drawnTruths = 100

// weightFormats are those of weights by their bits.
var weightFormats = map[int]scheduler.WeightFormat{64: scheduler.WeightsF64, 32: scheduler.WeightsF32, 16: scheduler.WeightsI16}

// The most of an array that is swept, and of a scene.
const (
	mostAntennas = 1 << 12
	mostUsers    = 1 << 10
	mostSubbands = 1 << 12
)

// add adds the flags; antennas are those of arrays unless told otherwise.
func (f *sweepFlags) add(flags *pflag.FlagSet, antennas []int) {
	f.scene.addScene(flags, sceneQuay)
	flags.IntSliceVar(&f.antennas, sweptAntennas, antennas, "antennas; 64 unless given where another quantity is swept")
	flags.IntSliceVar(&f.users, sweptUsers, []int{16}, "users")
	flags.IntSliceVar(&f.weightBits, sweptBits, []int{64}, "bits of each part of a weight: 64, 32, 16")
	flags.Float64SliceVar(&f.csiErrors, sweptErrors, nil, "part of the channels' mean square that is error, from 0 to below 1 (default none)")
	flags.Lookup(sweptErrors).DefValue = ""
	flags.IntVar(&f.drops, "drops", 10, "drops, each a scene of another seed")
	flags.StringVar(&f.consumption, "consumption", energy.DefaultName, consumptionHelp())
	flags.BoolVar(&f.floor, "floor", true, "prove the floor of every slot")
	flags.IntVar(&f.workers, "workers", runtime.GOMAXPROCS(0), "plans made at a time")
	flags.BoolVar(&f.json, "json", false, "print the tables as JSON")
}

// consumptionHelp is the help of --consumption.
func consumptionHelp() string {
	return "published model of the power from the wall (efficiency of amplifiers in those of 2017 from memory): " + strings.Join(namesOf(scheduler.ConsumptionModels()), ", ")
}

// checkConsumption tells whether a model is known.
func checkConsumption(name string) error {
	if energy.ByName(name) == nil {
		return usagef("--consumption %q is not one of those that --help lists", name)
	}
	return nil
}

// sweep checks the flags and returns what they ask for, but for strategies.
func (f *sweepFlags) sweep(cmd *cobra.Command) (*campaign.Sweep, error) {
	f.scene.settings.Samples = "f64"
	if err := f.scene.checkScene(cmd); err != nil {
		return nil, err
	}
	if err := f.check(cmd); err != nil {
		return nil, err
	}
	out := &campaign.Sweep{Quantity: sweptAntennas, Drops: f.drops, Workers: f.workers, Floor: f.floor}
	if len(f.csiErrors) > 0 {
		out.TruthPairs = drawnTruths / 2
	}
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
func (f *sweepFlags) check(cmd *cobra.Command) error {
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
		if !(e >= 0 && e < 1) {
			return usagef("--csi-errors %g: at least 0 and below 1, a part of the channels' mean square", e)
		}
	}
	return checkConsumption(f.consumption)
}

func increasing(values []int) bool {
	return slices.IsSorted(values) && len(slices.Compact(slices.Clone(values))) == len(values)
}

// slot returns the slot of a drop with one quantity set to a value, the others to
// the first of theirs.
func (f *sweepFlags) slot(quantity string, value float64, drop int) *scheduler.Slot {
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
	scene := settings.scene()
	slot, truth := scene.slot(0)
	slot.Array = nil // to find EIRP takes many times as long as to plan
	if f.eirp {
		slot.Array = scene.geometry()
	}
	slot.Options = scheduler.Options{
		Weights: weightFormats[bits], Seed: settings.Seed,
		Consumption: &scheduler.Consumption{Model: f.consumption},
	}
	if len(csiErrors) > 0 {
		splitErrors(slot, truth, csiErrors[0])
	}
	return slot
}

// splitErrors splits the true channel of each user into an estimate and an error that
// has the part e of its mean square.
func splitErrors(slot *scheduler.Slot, truth []complex128, e float64) {
	c := &slot.Channel
	c.Samples = make([]complex128, len(truth))
	perUser := c.Subbands * c.Antennas
	for k := range slot.Users {
		from, to := k*perUser, (k+1)*perUser
		slot.Users[k].CSIErrorVariance = channel.Split(c.Samples[from:to], truth[from:to], e)
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

// array returns the geometry of the array; nil where the engine cannot take it.
func (f *sweepFlags) array() *scheduler.Array {
	settings := f.scene.settings
	settings.Rows, settings.Columns, settings.Users = 1, 1, 1
	return settings.scene().geometry()
}

// title says what the drops are of, whatever the value.
func (f *sweepFlags) title() string {
	settings := f.scene.settings
	settings.Rows, settings.Columns, settings.Users = 1, 1, f.users[0]
	title := settings.scene().title()
	if first, last := f.users[0], f.users[len(f.users)-1]; first != last {
		title = strings.Replace(title, fmt.Sprintf("%d users", first), fmt.Sprintf("%d to %d users", first, last), 1)
	}
	return title
}

// commandLine returns the command with the flags that are set, and its seed, in
// words for a shell.
func (f *sweepFlags) commandLine(cmd *cobra.Command) string {
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
