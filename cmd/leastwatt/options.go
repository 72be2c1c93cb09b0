package main

import (
	"strings"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
)

// optionFlags are flags that take the place of single options of a slot.
type optionFlags struct {
	cmd         *cobra.Command
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
	o.cmd = cmd
	f := cmd.Flags()
	f.StringVar(&o.grouping, "grouping", "", "how users are put into groups")
	f.StringVar(&o.beams, "beams", "", "how beams are formed")
	f.StringVar(&o.power, "power", "", "how powers are found")
	f.StringVar(&o.objective, "objective", "", "what is minimised: radiated, or consumed, the power from the wall")
	f.StringVar(&o.consumption, "consumption", "", "published model of the power from the wall, such as per-antenna-2015")
	f.StringVar(&o.weights, "weights", "", "how beam weights are returned: none, f64, f32 or i16")
	f.Float64Var(&o.correlation, "correlation-threshold", 0, "largest correlation within a group, in (0, 1]")
	f.Int64Var(&o.seed, "seed", 0, "seed of random choices")
	f.Float64Var(&o.shareStep, "share-step", 0, "smallest unit of a share")
	f.BoolVar(&o.floor, "floor", false, "prove the least power that any scheme needs for these rates")
}

// apply puts the flags given in place of a slot's options.
func (o *optionFlags) apply(slot *pb.Slot) error {
	format, known := pb.WeightFormat_value["WEIGHT_FORMAT_"+strings.ToUpper(o.weights)]
	if o.cmd.Flags().Changed("weights") && (!known || format == 0) {
		return usagef("--weights %q: none, f64, f32 or i16", o.weights)
	}
	for _, f := range []struct {
		name string
		set  func(*pb.Options)
	}{
		{"grouping", func(out *pb.Options) { out.Grouping = o.grouping }},
		{"beams", func(out *pb.Options) { out.Beams = o.beams }},
		{"power", func(out *pb.Options) { out.Power = o.power }},
		{"objective", func(out *pb.Options) { out.Objective = o.objective }},
		{"consumption", func(out *pb.Options) { out.Consumption = &pb.Consumption{Model: o.consumption} }},
		{"weights", func(out *pb.Options) { out.Weights = pb.WeightFormat(format) }},
		{"correlation-threshold", func(out *pb.Options) { out.CorrelationThreshold = &o.correlation }},
		{"seed", func(out *pb.Options) { out.Seed = o.seed }},
		{"share-step", func(out *pb.Options) { out.ShareStep = o.shareStep }},
		{"floor", func(out *pb.Options) { out.Floor = o.floor }},
	} {
		if !o.cmd.Flags().Changed(f.name) {
			continue
		}
		if slot.Options == nil {
			slot.Options = &pb.Options{}
		}
		f.set(slot.Options)
	}
	return nil
}
