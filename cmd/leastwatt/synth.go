package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"slices"
	"sync"
	"text/tabwriter"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/proto"

	citycell "leastwatt/channel/cell"
	"leastwatt/channel/quay"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
	"leastwatt/scheduler"
)

// synthFlags are the flags of leastwatt synth.
type synthFlags struct {
	settings      synthSettings
	cell          cellSettings
	contamination float64
	antennas      int
	slots         int
	out, truth    string
	resume        bool
	forceFlag
	json bool
}

// cellFlags go with a scene in a city only.
var cellFlags = []string{
	"array", "element", "stack", "stack-tilt-deg", "downtilt-deg", "slant-deg", "spacing", "fading", "rice-db",
	"delay-spread-ns", "angular-spread-deg", "near-m", "far-m", "speed-mps", "interval-ms", "carrier-hz", "bandwidth-hz",
	"subbands", "rates-bps", "noise-figure-db", "pilots", "pilot-power-dbm", "pilot-noise-figure-db", "contamination-db", "age-ms", "truth",
}

func newSynthCommand() *cobra.Command {
	var flags synthFlags
	cmd := &cobra.Command{
		Use:   "synth",
		Short: "make a trace of slots from a scene",
		Long: `synth writes a trace: slots of a channel that moves, for replay, plan --slot and
inspect. The scenes are uma and umi, a sector of a city by the urban macro and
micro scenarios of 3GPP TR 38.901, and quay, the container quay of the demo, for
which all is set but its users, antennas and seed. The same flags and seed make
the same slots on any machine; slot i is the same in a trace of any length.

In a city users go on tracks of straight legs and turns. --fading says what their
channels are of: clusters (of scattered rays, and the straight path in line of
sight), straight, rayleigh or rice (the last two drawn anew in each slot). With
--pilots the channel is an estimate: from so many pilots of --pilot-power-dbm, with
those of others --contamination-db under them, and --age-ms old in the slot; then
--truth writes a second trace, of the channels as they truly were.

Until all slots are there a trace is called as --out says and .partial; it can be read.
Interrupted, synth keeps the slots it has, and --resume goes on, also with more
--slots. A file that is there is not replaced without --force. "-" stands for stdout.`,
		Example: `  leastwatt synth --scene uma --users 16 --antennas 64 --slots 1000 --speed-mps 8 --out city.trace
  leastwatt synth --scene umi --subbands 4 --rates-bps 2e6,8e6 --pilots 16 --age-ms 1 --out aged.trace --truth true.trace
  leastwatt synth --scene quay --seed 7 --slots 600 --out shift.trace --resume`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return synth(cmd, &flags) },
	}
	f := cmd.Flags()
	s := &flags.settings
	f.StringVar(&flags.out, "out", "", "where the trace goes")
	f.StringVar(&flags.truth, "truth", "", "where a trace of the true channels goes")
	f.BoolVar(&flags.resume, "resume", false, "go on with a trace of the same settings")
	flags.addForce(f)
	f.BoolVar(&flags.json, "json", false, "print the summary as JSON")
	f.IntVar(&flags.slots, "slots", 300, "slots of the trace")
	flags.addScene(f, sceneUMa)
	f.IntVar(&s.Users, "users", 16, "users")
	f.IntVar(&flags.antennas, "antennas", 64, "antennas, a power of two: a panel of as many columns as rows, or twice as many")
	f.IntVar(&s.Rows, "rows", 0, "rows of antennas, with --columns in place of --antennas")
	f.IntVar(&s.Columns, "columns", 0, "columns of antennas")
	f.StringVar(&s.Samples, "samples", "f32", "samples as f32 or f64")
	return cmd
}

// addScene adds the flags of a scene but for its size.
func (flags *synthFlags) addScene(f *pflag.FlagSet, standard string) {
	s, c := &flags.settings, &flags.cell
	f.StringVar(&s.Scene, "scene", standard, "uma, umi or quay")
	f.Int64Var(&s.Seed, "seed", 1, "seed of all that is drawn")
	f.StringVar(&c.Array, "array", "panel", "panel, or cylinder with its columns all round")
	f.StringVar(&c.Element, "element", scheduler.PatternSector65, "pattern of an element: sector65 (TR 38.901) or isotropic")
	f.IntVar(&c.Stack, "stack", 1, "elements of an antenna, one over the other and fed as one")
	f.Float64Var(&c.TiltDeg, "stack-tilt-deg", 0, "how far down the elements of an antenna are phased")
	f.Float64Var(&c.DowntiltDeg, "downtilt-deg", 6, "how far down the array is tilted")
	f.Float64Var(&c.SlantDeg, "slant-deg", 0, "slant of the antennas' polarisation to that of the users")
	f.Float64Var(&c.Spacing, "spacing", 0.5, "spacing of the elements in wavelengths")
	f.StringVar(&c.Fading, "fading", string(citycell.Clustered), "clusters, straight, rayleigh or rice")
	f.Float64Var(&c.RiceDB, "rice-db", 9, "straight over scattered power, in line of sight or with rice")
	f.Float64Var(&c.DelayNs, "delay-spread-ns", 0, "rms delay spread, with --angular-spread-deg in place of the scenario's")
	f.Float64Var(&c.AngularDeg, "angular-spread-deg", 0, "rms spread of the azimuth at the array")
	f.Float64Var(&c.NearM, "near-m", 35, "least distance of users at the start")
	f.Float64Var(&c.FarM, "far-m", 250, "largest distance of users at the start")
	f.Float64Var(&c.SpeedMps, "speed-mps", 1, "speed of the users")
	f.Float64Var(&c.IntervalMs, "interval-ms", 10, "from one slot to the next")
	f.Float64Var(&c.CarrierHz, "carrier-hz", 3.5e9, "carrier frequency")
	f.Float64Var(&c.BandwidthHz, "bandwidth-hz", 20e6, "bandwidth")
	f.IntVar(&c.Subbands, "subbands", 1, "subbands")
	f.Float64SliceVar(&c.RatesBps, "rates-bps", []float64{5e6}, "rate targets, users taking them in turn")
	f.Lookup("rates-bps").DefValue = "5e6" // pflag has [5000000.000000]
	f.Float64Var(&c.NoiseDB, "noise-figure-db", 9, "noise figure of the users")
	f.IntVar(&c.Pilots, "pilots", 0, "pilots of an estimate; 0: the channel is known exactly")
	f.Float64Var(&c.PilotPowerDBm, "pilot-power-dbm", 10, "power of a user's pilots, in a subband")
	f.Float64Var(&c.PilotNoiseDB, "pilot-noise-figure-db", 5, "noise figure of the station")
	f.Float64Var(&flags.contamination, "contamination-db", -20, "pilots of others over the user's own; none unless given")
	f.Float64Var(&c.AgeMs, "age-ms", 0, "age of the estimate in the slot")
}

// check holds what flags may be, and sorts them into the settings.
func (flags *synthFlags) check(cmd *cobra.Command) error {
	if flags.out == "" {
		return usagef("--out is missing")
	}
	if flags.truth == flags.out || sameFile(flags.truth, flags.out) {
		return usagef("--out and --truth are the same")
	}
	if flags.resume && (flags.out == "-" || flags.truth == "-") {
		return usagef("--resume goes with a file")
	}
	if flags.resume && flags.force {
		return usagef("--resume and --force exclude each other")
	}
	if err := checkPositive(cmd, "slots", "users", "antennas"); err != nil {
		return err
	}
	if flags.settings.Users > mostUsers {
		return usagef("--users %d: at most %d", flags.settings.Users, mostUsers)
	}
	if err := flags.checkSize(cmd); err != nil {
		return err
	}
	return flags.checkScene(cmd)
}

// checkScene holds what the flags of addScene may be.
func (flags *synthFlags) checkScene(cmd *cobra.Command) error {
	s, c := &flags.settings, &flags.cell
	if err := checkPositive(cmd, "stack", "subbands"); err != nil {
		return err
	}
	if c.Subbands > mostSubbands {
		return usagef("--subbands %d: at most %d", c.Subbands, mostSubbands)
	}
	for _, w := range []struct {
		flag, word string
		words      []string
	}{
		{"scene", s.Scene, []string{sceneUMa, sceneUMi, sceneQuay}},
		{"samples", s.Samples, []string{"f32", "f64"}},
		{"array", c.Array, []string{"panel", "cylinder"}},
		{"element", c.Element, []string{scheduler.PatternSector65, scheduler.PatternIsotropic}},
		{"fading", c.Fading, []string{string(citycell.Clustered), string(citycell.Straight), string(citycell.Rayleigh), string(citycell.Rice)}},
	} {
		if !slices.Contains(w.words, w.word) {
			return usagef("--%s %q: one of %v", w.flag, w.word, w.words)
		}
	}
	if s.Samples == "f32" {
		s.sampleCoder = convert.SamplesF32
	}
	if s.Scene != sceneQuay {
		s.Cell = c
		return flags.checkCell(cmd)
	}
	for _, name := range cellFlags {
		if cmd.Flags().Changed(name) {
			return usagef("--%s does not go with --scene quay", name)
		}
	}
	return nil
}

// checkSize finds the rows and columns of the array.
func (flags *synthFlags) checkSize(cmd *cobra.Command) error {
	s := &flags.settings
	if !cmd.Flags().Changed("rows") && !cmd.Flags().Changed("columns") {
		if flags.antennas&(flags.antennas-1) != 0 {
			return usagef("--antennas %d: a power of two, or --rows and --columns", flags.antennas)
		}
		s.Rows, s.Columns = quay.Grid(flags.antennas)
	}
	const most = 1 << 16
	if s.Rows < 1 || s.Columns < 1 || s.Rows > most || s.Columns > most || s.Rows*s.Columns > most {
		return usagef("--rows %d --columns %d: at least 1 each, at most %d together", s.Rows, s.Columns, most)
	}
	return nil
}

// checkCell holds the numbers of a scene in a city.
func (flags *synthFlags) checkCell(cmd *cobra.Command) error {
	c := &flags.cell
	const wayM = 50 // that an estimate may be older
	for _, n := range []struct {
		flag      string
		value     float64
		low, high float64
	}{
		{"stack-tilt-deg", c.TiltDeg, -90, 90},
		{"downtilt-deg", c.DowntiltDeg, -90, 90},
		{"slant-deg", c.SlantDeg, -89, 89},
		{"spacing", c.Spacing, 1e-3, 100},
		{"rice-db", c.RiceDB, -100, 100},
		{"delay-spread-ns", c.DelayNs, 0, 1e5},
		{"angular-spread-deg", c.AngularDeg, 0, 104},
		{"near-m", c.NearM, 10, 5000},
		{"far-m", c.FarM, c.NearM, 5000},
		{"speed-mps", c.SpeedMps, 0, 1000},
		{"interval-ms", c.IntervalMs, 1e-3, 1e6},
		{"carrier-hz", c.CarrierHz, 0.5e9, 100e9}, // where the formulas hold
		{"bandwidth-hz", c.BandwidthHz, 1, c.CarrierHz},
		{"noise-figure-db", c.NoiseDB, 0, 100},
		{"pilot-power-dbm", c.PilotPowerDBm, -200, 200},
		{"pilot-noise-figure-db", c.PilotNoiseDB, 0, 100},
		{"contamination-db", flags.contamination, -200, 200},
		{"age-ms", c.AgeMs, 0, 1e3 * wayM / math.Max(c.SpeedMps, 1e-3)},
		{"pilots", float64(c.Pilots), 0, 1e6},
	} {
		if !(n.value >= n.low && n.value <= n.high) {
			return usagef("--%s %g: from %g to %g", n.flag, n.value, n.low, n.high)
		}
	}
	for _, rate := range c.RatesBps {
		if !(rate >= 0 && rate <= math.MaxFloat64) {
			return usagef("--rates-bps %g: finite and >= 0", rate)
		}
	}
	if (c.DelayNs > 0) != (c.AngularDeg > 0) {
		return usagef("--delay-spread-ns and --angular-spread-deg go together")
	}
	if cmd.Flags().Changed("contamination-db") {
		c.Contamination = &flags.contamination
	}
	for _, name := range []string{"pilot-power-dbm", "pilot-noise-figure-db", "contamination-db", "age-ms", "truth"} {
		if cmd.Flags().Changed(name) && c.Pilots == 0 {
			return usagef("--%s goes with --pilots", name)
		}
	}
	return nil
}

func synth(cmd *cobra.Command, flags *synthFlags) error {
	if err := flags.check(cmd); err != nil {
		return err
	}
	from := flags.settings.scene()
	settings, err := flags.settings.text()
	if err != nil {
		return err
	}
	header := &pb.TraceHeader{Title: from.title(), Settings: settings, Writer: "leastwatt " + scheduler.Version}
	known, err := flags.openTrace("out", flags.out, cmd.OutOrStdout(), header)
	if err != nil {
		return err
	}
	defer known.close()
	outputs := []*traceOutput{known}
	if flags.truth != "" {
		header := proto.CloneOf(header)
		header.Title += ", true channels"
		truth, err := flags.openTrace("truth", flags.truth, cmd.OutOrStdout(), header)
		if err != nil {
			known.undo()
			return err
		}
		defer truth.close()
		outputs = append(outputs, truth)
	}
	made, err := flags.write(cmd, from, outputs)
	if err != nil {
		return err
	}
	summary := &synthSummary{Title: header.Title, Slots: known.writer.Len(), Made: made, Users: flags.settings.Users, Antennas: flags.settings.Rows * flags.settings.Columns}
	whole := known.writer.Len() >= flags.slots
	if known.file != nil {
		summary.File = flags.out
		if !whole {
			summary.File = known.file.Name()
		}
	}
	if whole {
		for _, out := range outputs {
			if err := out.finish(); err != nil {
				return err
			}
		}
	}
	if err := summary.write(cmd, flags); err != nil {
		return err
	}
	if !whole && known.file == nil {
		return fmt.Errorf("interrupted after %d of %d slots", known.writer.Len(), flags.slots)
	}
	if !whole {
		return fmt.Errorf("interrupted: %d of %d slots are in %s, --resume goes on", known.writer.Len(), flags.slots, summary.File)
	}
	return nil
}

// synthSummary is what synth prints.
type synthSummary struct {
	File     string `json:"file,omitempty"`
	Title    string `json:"title"`
	Slots    int    `json:"slots"` // of the trace
	Made     int    `json:"made"`  // of them now
	Users    int    `json:"users"`
	Antennas int    `json:"antennas"`
}

func (s *synthSummary) write(cmd *cobra.Command, flags *synthFlags) error {
	to := cmd.OutOrStdout()
	if flags.out == "-" || flags.truth == "-" {
		to = cmd.ErrOrStderr()
	}
	if flags.json {
		return json.NewEncoder(to).Encode(s)
	}
	out := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintf(out, "scene\t%s\nslots\t%d, %d of them made now\nantennas\t%d\n", s.Title, s.Slots, s.Made, s.Antennas)
	if s.File != "" {
		fmt.Fprintf(out, "trace\t%s\n", s.File)
	}
	return out.Flush()
}

// write makes the slots that the outputs lack, as many at a time as there are
// processors, until the context ends. It returns how many.
func (flags *synthFlags) write(cmd *cobra.Command, from scene, outputs []*traceOutput) (made int, err error) {
	next := flags.slots
	for _, out := range outputs {
		next = min(next, out.writer.Len())
	}
	bar := newProgress(cmd, int64(flags.slots-next), progressbar.OptionShowCount())
	defer bar.finish()
	for next < flags.slots && cmd.Context().Err() == nil {
		batch := make([][]*pb.Slot, min(runtime.GOMAXPROCS(0), flags.slots-next))
		var wg sync.WaitGroup
		for i := range batch {
			wg.Go(func() { batch[i] = flags.settings.messages(from, next+i, len(outputs)) })
		}
		wg.Wait()
		for i := range batch {
			for j, out := range outputs {
				if next+i < out.writer.Len() {
					continue
				}
				if err := out.writer.Write(batch[i][j]); err != nil {
					return made, err
				}
			}
			made++
		}
		next += len(batch)
		bar.add(int64(len(batch)))
	}
	return made, nil
}

// traceOutput is a trace that is being written.
type traceOutput struct {
	writer *tracefile.Writer
	file   *unfinished // nil: stdout
}

// openTrace starts a trace, or goes on with one of the same header. One of another is
// left as it is.
func (flags *synthFlags) openTrace(flag, name string, stdout io.Writer, header *pb.TraceHeader) (*traceOutput, error) {
	if name == "-" {
		w, err := tracefile.NewWriter(stdout, header)
		return &traceOutput{writer: w}, err
	}
	file, err := flags.openUnfinished(flag, name, flags.resume, func(there *os.File) (func(io.Writer) error, error) {
		r, err := tracefile.NewReader(there, 0)
		if err == nil && !proto.Equal(r.Header(), header) {
			err = fmt.Errorf("made by %s with other settings: %s", r.Header().GetWriter(), r.Header().GetSettings())
		}
		return nil, err
	})
	if err != nil {
		return nil, err
	}
	out := &traceOutput{file: file}
	if file.begun {
		out.writer, err = tracefile.Resume(file.File)
	} else {
		out.writer, err = tracefile.NewWriter(file, header)
	}
	if err != nil {
		file.undo()
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return out, nil
}

// finish ends the trace, which is whole, with its index. One that is not says by
// having none that it is not complete.
func (o *traceOutput) finish() error {
	if err := o.writer.Close(); err != nil || o.file == nil {
		return err
	}
	return o.file.finish()
}

// undo takes back the start of the trace.
func (o *traceOutput) undo() {
	if o.file != nil {
		o.file.undo()
	}
}

// close closes the file; what there is of it stays.
func (o *traceOutput) close() {
	if o.file != nil {
		o.file.Close()
	}
}
