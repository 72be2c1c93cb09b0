package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"leastwatt/campaign"
	"leastwatt/report"
	"leastwatt/scheduler"
)

// reportFlags are the flags of leastwatt report.
type reportFlags struct {
	sweepFlags
	strategyFlags
	forceFlag
	out     string
	protect []float64
}

// Standards of a report that makes a campaign of its own: ours first, what a large
// array is measured against, and one antenna among the values.
var reportStrategies = []scheduler.Strategy{
	{},
	{Grouping: "semi-orthogonal", Beams: scheduler.BeamsZeroForcing, Power: scheduler.PowerLP},
	{Grouping: "alone"},
}

func newReportCommand() *cobra.Command {
	var flags reportFlags
	cmd := &cobra.Command{
		Use:   "report [FILE]",
		Short: "one page that shows what an array saves, and that it is not paid for in service",
		Long: `report writes one page of HTML that needs nothing else, and its figures as .png,
.svg and .csv: radiated power against antennas with the floor and the line of 1/M,
delivered against asked-for rates, the distribution of power for each strategy, who
shares the air in one slot and where its beams point, power from the wall by cause,
the distances of exposure levels, and the command and seed that make it all again.

It is drawn from the results of a campaign in FILE, or from one of its own with the
flags of campaign. The pictures of a slot are of the first drop at the last value;
--protect holds EIRP in a cone of it under a limit and shows the cone. A report that
is there is not replaced without --force.`,
		Example: `  leastwatt report --out out
  leastwatt report quay.jsonl --protect 50,0,10,30 --out out
  leastwatt report --scene uma --users 8 --antennas 1,4,16,64 --drops 50 --out uma`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return runReport(cmd, &flags, args) },
	}
	f := cmd.Flags()
	flags.sweepFlags.add(f, arraySizes)
	flags.strategyFlags.add(cmd, "the engine's own, semi-orthogonal with zero-forcing, alone")
	f.StringVar(&flags.out, "out", "out", "folder for the page and its figures")
	flags.addForce(f)
	f.Float64SliceVar(&flags.protect, "protect", nil, "cone with a limit on EIRP: azimuth, elevation, full width in degrees, dB under the largest without")
	f.Lookup("protect").DefValue = ""
	return cmd
}

func runReport(cmd *cobra.Command, flags *reportFlags, args []string) error {
	if err := errors.Join(flags.checkProtect(), flags.checkFolder("out", flags.out)); err != nil {
		return err
	}
	header, result, err := flags.results(cmd, args)
	if err != nil {
		return err
	}
	found := newScaleReport(header, flags.antennas[0], result)
	if !found.planned() {
		return errors.New("no drop met every target: nothing to report")
	}
	page, err := flags.page(cmd, header, result, found)
	if err != nil {
		return err
	}
	name, err := page.Write(flags.out, flags.force)
	if err != nil {
		return err
	}
	if flags.json {
		return writeJSON(cmd.OutOrStdout(), struct {
			Report string `json:"report"`
			Title  string `json:"title"`
			Answer string `json:"answer"`
			*scaleReport
		}{name, page.Title, page.Answer, found})
	}
	p := &printer{w: cmd.OutOrStdout()}
	p.f("%s\n\n%s\n\n%s\n\nThe report: %s\n", page.Title, wrap(page.Answer, 92), wrap(page.Caution, 92), name)
	return p.err
}

// checkProtect holds what --protect may be.
func (f *reportFlags) checkProtect() error {
	p := f.protect
	if len(p) == 0 || len(p) == 4 && p[0] >= -180 && p[0] <= 180 && p[1] >= -90 && p[1] <= 90 && p[2] > 0 && p[2] <= 360 && p[3] > 0 && p[3] <= 100 {
		return nil
	}
	return usagef("--protect %v: azimuth from -180 to 180, elevation from -90 to 90, width above 0 to 360 degrees, above 0 to 100 dB", p)
}

// results reads the results of a campaign, or makes one.
func (f *reportFlags) results(cmd *cobra.Command, args []string) (*campaign.Header, *campaign.SweepResult, error) {
	if len(args) == 1 {
		header, result, err := f.read(cmd, args[0])
		if err != nil {
			return nil, nil, err
		}
		return header, result, nil
	}
	sweep, err := f.sweep(cmd)
	if err != nil {
		return nil, nil, err
	}
	strategies, skipped, err := f.strategies(cmd, namesOf(scheduler.Groupings()), []string{""})
	if err != nil {
		return nil, nil, err
	}
	tell(cmd, skipped)
	if sweep.Strategies = strategies; !f.strategyFlags.changed(cmd) {
		sweep.Strategies = reportStrategies
	}
	header, err := f.header(cmd, sweep)
	if err != nil {
		return nil, nil, err
	}
	bar := newProgress(cmd, int64(len(sweep.Values)*sweep.Drops), progressbar.OptionShowCount())
	sweep.Each = func(int, *campaign.Slot) error { bar.add(1); return nil }
	result, err := sweep.Do(cmd.Context())
	bar.finish()
	if cmd.Context().Err() != nil {
		return nil, nil, errors.New("interrupted: campaign keeps what is done in a file, from which report can be made")
	}
	return header, result, err
}

// changedFlag returns a flag that is given and is none of those; empty for none.
func changedFlag(cmd *cobra.Command, except ...string) string {
	name := ""
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if name == "" && !slices.Contains(except, f.Name) {
			name = f.Name
		}
	})
	return name
}

// read reads a file of results, and sets the flags to what made it.
func (f *reportFlags) read(cmd *cobra.Command, name string) (*campaign.Header, *campaign.SweepResult, error) {
	if flag := changedFlag(cmd, "out", "force", "protect", "json"); flag != "" {
		return nil, nil, usagef("--%s does not go with a file, which has settings of its own", flag)
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	defer file.Close()
	there, err := campaign.Read(file)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: not the results of a campaign: %w", name, err)
	}
	if there.Torn != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "%s: last line left out: %v\n", name, there.Torn)
	}
	if err := f.restore(cmd, &there.Header); err != nil {
		return nil, nil, fmt.Errorf("%s: settings: not those of a campaign of this program: %w", name, err)
	}
	return &there.Header, there.Result, nil
}

// restore sets the flags to what made a file of results, which may be anything.
func (f *reportFlags) restore(cmd *cobra.Command, h *campaign.Header) error {
	var settings campaignSettings
	if err := json.Unmarshal(h.Settings, &settings); err != nil {
		return err
	}
	if settings.Scene == nil || (settings.Scene.Cell == nil) != (settings.Scene.Scene == sceneQuay) {
		return errors.New("no scene")
	}
	f.scene.settings, f.antennas, f.users = *settings.Scene, settings.Antennas, settings.Users
	f.weightBits, f.csiErrors, f.consumption, f.floor = settings.WeightBits, settings.CSIErrors, h.Consumption, h.Floor
	if settings.Scene.Cell != nil {
		f.scene.cell = *settings.Scene.Cell
	}
	// Wrong flags of this command they are not.
	if err := errors.Join(f.scene.checkScene(cmd), f.check(cmd)); err != nil {
		return errors.New(err.Error())
	}
	values := map[string][]float64{
		sweptAntennas: floats(f.antennas), sweptUsers: floats(f.users), sweptBits: floats(f.weightBits), sweptErrors: f.csiErrors,
	}[h.Quantity]
	if !slices.Equal(values, h.Values) {
		return fmt.Errorf("%s: %v, and values %v", h.Quantity, values, h.Values)
	}
	for _, s := range h.Strategies {
		if bad := campaign.Applies(s); len(bad) > 0 {
			return fmt.Errorf("%s: %s, allowed: %s", bad[0].Path, bad[0].Value, bad[0].Allowed)
		}
	}
	return nil
}

// page returns the report.
func (f *reportFlags) page(cmd *cobra.Command, header *campaign.Header, result *campaign.SweepResult, found *scaleReport) (*report.Page, error) {
	evidence := report.Evidence{
		Scale: report.Scale{Quantity: result.Quantity, Points: found.Points}, Model: header.Consumption, Samples: samplesOf(result),
	}
	last := len(result.Values) - 1
	ctx := cmd.Context()
	bar := newProgress(cmd, f.work(result))
	defer bar.finish()
	bar.found("EIRP and pictures")
	view, err := f.view(ctx, bar, result, last)
	if err != nil {
		return nil, err
	}
	evidence.View = view.SlotView
	evidence.CarrierHz = evidence.View.Slot.CarrierHz
	if evidence.EIRP, err = f.eirps(ctx, bar, result); err != nil {
		return nil, err
	}
	figures, err := evidence.Figures()
	if err != nil {
		return nil, err
	}
	setup := found.setup(header)
	if p := f.protect; len(p) > 0 {
		setup = append(setup, report.Fact{Name: "Protected", Value: fmt.Sprintf("in the slot of the pictures of groups and beams: %g degrees about azimuth %g, elevation %g, to %g dB under the largest EIRP without, which costs %.1f dB of that slot's radiated power", p[2], p[0], p[1], p[3], view.costDB)})
	}
	return &report.Page{
		Title:    found.headline(f.users),
		Question: "How much less does a larger array radiate for the same users at the same rates, how near is that to what physics permits, and is the saving not paid for in service?",
		Answer:   found.answer(),
		Key:      found.keyFacts(evidence.Samples),
		Setup:    setup,
		Figures:  figures,
		Method:   []string{found.method(), report.ConsumedMethod, report.FloorMethod},
		Caution:  report.Caution,
		Command:  header.Command,
		Seed:     header.Seed,
		Version:  header.Engine,
	}, nil
}

// samplesOf returns every strategy at the last value, ours first, and ours at the
// first value.
func samplesOf(result *campaign.SweepResult) []report.Sample {
	var out []report.Sample
	add := func(value, strategy int) {
		p := &result.Points[value]
		s := report.Sample{
			Name:   fmt.Sprintf("%s, %s", report.StrategyName(result.Strategies[strategy]), sweptText(result.Quantity, result.Values[value])),
			PowerW: p.PowerW(strategy),
		}
		for i := range p.Slots {
			s.Rates = append(s.Rates, p.Slots[i].Trials[strategy].Users...)
		}
		out = append(out, s)
	}
	last := len(result.Values) - 1
	for s := range result.Strategies {
		add(last, s)
	}
	if last > 0 {
		add(0, 0)
	}
	return out
}

// work returns how many antennas the slots have that page plans: to find EIRP takes
// so much longer, the more there are.
func (f *reportFlags) work(result *campaign.SweepResult) int64 {
	antennas := func(value int) int64 {
		if result.Quantity == campaign.Antennas {
			return int64(result.Values[value])
		}
		return int64(f.antennas[0])
	}
	views := antennas(len(result.Values) - 1)
	if len(f.protect) > 0 {
		views *= 2
	}
	for i, p := range f.byAntennas(result) {
		if p.PeakEIRPW == nil {
			views += antennas(i)
		}
	}
	return views
}

// planned plans a slot with the first strategy; the audit has to agree.
func planned(ctx context.Context, bar *progress, slot *scheduler.Slot, s scheduler.Strategy) (*scheduler.Plan, campaign.Trial, error) {
	slot.Options.Grouping, slot.Options.Beams, slot.Options.Power = s.Grouping, s.Beams, s.Power
	plan := scheduler.NewEngine().Schedule(ctx, slot)
	if err := context.Cause(ctx); err != nil {
		return nil, campaign.Trial{}, err
	}
	trial, _, err := judge(slot, plan)
	bar.add(int64(slot.Channel.Antennas))
	return plan, trial, err
}

// farSlot returns the first drop at a value, with the geometry of its array where
// the engine can take it.
func (f *reportFlags) farSlot(quantity string, value float64) *scheduler.Slot {
	far := f.sweepFlags
	far.eirp = true
	return far.slot(quantity, value, 0)
}

// view plans the first drop at a value, twice where a cone is to be protected: its
// limit depends on what goes there without.
func (f *reportFlags) view(ctx context.Context, bar *progress, result *campaign.SweepResult, value int) (*heldSlot, error) {
	slot := f.farSlot(result.Quantity, result.Values[value])
	plan, trial, err := planned(ctx, bar, slot, result.Strategies[0])
	if err != nil {
		return nil, fmt.Errorf("the first drop: %w", err)
	}
	out := &heldSlot{SlotView: &report.SlotView{Slot: slot, Plan: plan}}
	if p := f.protect; len(p) > 0 {
		if trial.PeakEIRPW == nil {
			return nil, usagef("--protect does not go with this array, whose EIRP is not known")
		}
		slot.Limits.ProtectedDirections = []scheduler.ProtectedDirection{{
			AzimuthDeg: p[0], ElevationDeg: p[1], WidthDeg: p[2], EIRPW: below(*trial.PeakEIRPW, p[3]),
		}}
		held, with, err := planned(ctx, bar, slot, result.Strategies[0])
		if err != nil {
			return nil, fmt.Errorf("the first drop with --protect: %w", err)
		}
		out.Plan, out.costDB = held, decibels(with.RadiatedPowerW/trial.RadiatedPowerW)
	}
	return out, nil
}

// byAntennas returns what came of the first strategy with each size of array; nothing
// where the array's EIRP is not known or another quantity is swept.
func (f *reportFlags) byAntennas(result *campaign.SweepResult) []campaign.SweepPoint {
	if result.Quantity != campaign.Antennas || f.array() == nil {
		return nil
	}
	return result.Summaries(0)
}

// eirps returns the largest EIRP by antennas: of all drops where the results have
// it, else of the first drop.
func (f *reportFlags) eirps(ctx context.Context, bar *progress, result *campaign.SweepResult) ([]report.EIRP, error) {
	var out []report.EIRP
	for i, p := range f.byAntennas(result) {
		peakW := p.PeakEIRPW
		if peakW == nil {
			_, trial, err := planned(ctx, bar, f.farSlot(result.Quantity, result.Values[i]), result.Strategies[0])
			if err != nil {
				return nil, fmt.Errorf("EIRP with %g antennas: %w", result.Values[i], err)
			}
			peakW = trial.PeakEIRPW
		}
		if peakW != nil {
			out = append(out, report.EIRP{Antennas: int(result.Values[i]), PeakW: *peakW})
		}
	}
	return out, nil
}
