package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// optionFlags are flags that take the place of single options of a slot, and of more
// of it with --with.
type optionFlags struct {
	cmd         *cobra.Command
	with        overlayFlag
	grouping    string
	beams       string
	power       string
	weights     string
	correlation float64
	seed        int64
	shareStep   float64
	floor       bool
	objective   string
	consumption string
}

func (o *optionFlags) add(cmd *cobra.Command) {
	o.addAudited(cmd)
	addStrategy(cmd, &o.grouping, &o.beams, &o.power)
	f := cmd.Flags()
	f.StringVar(&o.objective, "objective", "", "what is minimised: radiated (default), or consumed, the power from the wall")
	f.StringVar(&o.weights, "weights", "", "how beam weights are returned: none (default), f64, f32 or i16")
	f.Float64Var(&o.correlation, "correlation-threshold", 0, "largest correlation within a group, in (0, 1]")
	f.Int64Var(&o.seed, "seed", 0, "seed of random choices")
	f.Float64Var(&o.shareStep, "share-step", 0, "smallest unit of a share, a fraction of the slot; 0: none")
	f.BoolVar(&o.floor, "floor", false, "prove the least power that any scheme needs for these rates")
}

// addAudited adds the flags of what an audit goes by.
func (o *optionFlags) addAudited(cmd *cobra.Command) {
	o.cmd = cmd
	o.with.add(cmd)
	cmd.Flags().StringVar(&o.consumption, "consumption", "", consumptionHelp())
}

// addStrategy adds the flags of one strategy.
func addStrategy(cmd *cobra.Command, grouping, beams, power *string) {
	f := cmd.Flags()
	standard := scheduler.Options{}.Resolve()
	add := func(value *string, name, what string, list []scheduler.Info, standard string) {
		f.StringVar(value, name, "", fmt.Sprintf("%s: %s (default %s)", what, strings.Join(namesOf(list), ", "), standard))
	}
	add(grouping, "grouping", "how users are put into groups", scheduler.Groupings(), standard.Grouping)
	add(beams, "beams", "how beams are formed", scheduler.Beams(), standard.Beams)
	add(power, "power", "how powers are found", scheduler.Powers(), "that of the beams")
}

// read checks what can be checked without a slot, and reads the file of --with.
func (o *optionFlags) read() error {
	if format, known := o.format(); o.cmd.Flags().Changed("weights") && (!known || format == 0) {
		return usagef("--weights %q: none, f64, f32 or i16", o.weights)
	}
	return o.with.read(o.cmd.InOrStdin())
}

func (o *optionFlags) format() (pb.WeightFormat, bool) {
	format, known := pb.WeightFormat_value["WEIGHT_FORMAT_"+strings.ToUpper(o.weights)]
	return pb.WeightFormat(format), known
}

// checkNames holds names against those that are known in this process.
func (o *optionFlags) checkNames() error {
	for _, w := range []struct {
		flag, name string
		known      []scheduler.Info
	}{
		{"grouping", o.grouping, scheduler.Groupings()},
		{"beams", o.beams, scheduler.Beams()},
		{"power", o.power, scheduler.Powers()},
		{"objective", o.objective, scheduler.Objectives()},
		{"consumption", o.consumption, scheduler.ConsumptionModels()},
	} {
		if names := namesOf(w.known); o.cmd.Flags().Changed(w.flag) && !slices.Contains(names, w.name) {
			return usagef("--%s %q: %s", w.flag, w.name, strings.Join(names, ", "))
		}
	}
	return nil
}

// apply puts the flags given in place of what a slot has.
func (o *optionFlags) apply(slot *pb.Slot) {
	o.with.apply(slot)
	format, _ := o.format()
	for _, f := range []struct {
		name string
		set  func(*pb.Options)
	}{
		{"grouping", func(out *pb.Options) { out.Grouping = o.grouping }},
		{"beams", func(out *pb.Options) { out.Beams = o.beams }},
		{"power", func(out *pb.Options) { out.Power = o.power }},
		{"objective", func(out *pb.Options) { out.Objective = o.objective }},
		{"consumption", func(out *pb.Options) { out.Consumption = &pb.Consumption{Model: o.consumption} }},
		{"weights", func(out *pb.Options) { out.Weights = format }},
		{"correlation-threshold", func(out *pb.Options) { out.CorrelationThreshold = &o.correlation }},
		{"seed", func(out *pb.Options) { out.Seed = &o.seed }},
		{"share-step", func(out *pb.Options) { out.ShareStep = &o.shareStep }},
		{"floor", func(out *pb.Options) { out.Floor = &o.floor }},
	} {
		if !o.cmd.Flags().Changed(f.name) {
			continue
		}
		if slot.Options == nil {
			slot.Options = &pb.Options{}
		}
		f.set(slot.Options)
	}
}
