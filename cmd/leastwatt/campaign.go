package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// campaignFlags are the flags of leastwatt campaign.
type campaignFlags struct {
	sweepFlags
	strategyFlags
	forceFlag
	out    string
	resume bool
}

func newCampaignCommand() *cobra.Command {
	var flags campaignFlags
	cmd := &cobra.Command{
		Use:   "campaign",
		Short: "strategies over many drops and array sizes, kept in a file that can be gone on with",
		Long: `campaign plans many drops of a scene with every strategy asked for at every value of
one quantity, as scale does, has the audit re-compute every plan and keeps what it
found in the file --out: the rate of every user, powers, floor. It prints for each
value and strategy how often targets were met, the radiated power, its distance from
the floor, the worst rate over its target, and what is saved against the first value
and, at the same value, against the last strategy, over drops met on both, with 95 %
confidence intervals. What it finds depends on neither workers nor interruptions, but
for the times.

A strategy is a grouping, beams and a way to find powers: all combinations of
--grouping, --beams and --power are tried, or just the --strategies named; the
engine's own where none is named. Of --antennas, --users, --weight-bits and
--csi-errors one is swept (see scale). --eirp has the audit find the largest EIRP of
every plan as well, in every direction: many times the work, the more the larger the
array.

The file has a line of JSON for the settings, then one for each drop and value. Until
all are there it is called as --out says and .partial. Interrupted, campaign keeps the
drops that are done, and --resume goes on, also after a crash, and with more --drops.
A file that is there is not replaced without --force. campaign exits with 0, and with
1 when a plan fails, the audit disagrees with one or the run is ended.`,
		Example: `  leastwatt campaign --drops 1000 --antennas 1,4,16,64 --out quay.jsonl
  leastwatt campaign --scene uma --strategies least-power,semi-orthogonal:zero-forcing:lp,alone --drops 2000 --out uma.jsonl
  leastwatt campaign --antennas 64 --users 4,8,16,32 --grouping least-power,alone --out users.jsonl --csv users.csv --resume`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runCampaign(cmd, &flags) },
	}
	f := cmd.Flags()
	flags.sweepFlags.add(f, sweptSizes)
	flags.strategyFlags.add(cmd, scheduler.Options{}.Resolve().Grouping)
	f.BoolVar(&flags.eirp, "eirp", false, "find the largest EIRP of every plan")
	f.StringVar(&flags.out, "out", "", "where results go")
	f.BoolVar(&flags.resume, "resume", false, "go on with a file of the same settings")
	flags.addForce(f)
	f.StringVar(&flags.csv, "csv", "", "where a line for each value, drop and strategy goes")
	return cmd
}

func runCampaign(cmd *cobra.Command, flags *campaignFlags) error {
	sweep, err := flags.campaign(cmd)
	if err != nil {
		return err
	}
	header, err := flags.header(cmd, sweep)
	if err != nil {
		return err
	}
	lines, err := flags.create("csv", flags.csv, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	defer lines.discard()
	file, err := flags.openResults(header)
	if err != nil {
		return err
	}
	defer file.Close()
	if file.torn != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "%s: last line left out, that drop is planned again: %v\n", flags.out, file.torn)
	}
	sweep.Done = file.done
	bar := newProgress(cmd, int64(len(sweep.Values)*sweep.Drops-file.slots()), progressbar.OptionShowCount())
	sweep.Each = func(value int, slot *campaign.Slot) error {
		bar.add(1)
		return campaign.Append(file, header, value, slot)
	}
	result, runErr := sweep.Do(cmd.Context())
	bar.finish()
	report := newCampaignReport(flags.out, header, result)
	report.Stopped = runErr != nil
	if report.Stopped {
		report.File = file.Name()
	} else if err := file.finish(); err != nil {
		return err
	}
	if err := errors.Join(result.WriteCSV(lines, true), lines.end(!report.Stopped, cmd.ErrOrStderr())); err != nil {
		return err
	}
	if err := showTable(cmd, flags.csv, flags.json, report); err != nil {
		return err
	}
	switch {
	case report.Stopped && cmd.Context().Err() != nil:
		return fmt.Errorf("interrupted: %d of %d slots are in %s, --resume goes on", report.Slots, len(sweep.Values)*sweep.Drops, report.File)
	case report.Stopped:
		return fmt.Errorf("%s: %w", report.File, runErr)
	case !report.good():
		return &exitError{code: exitFailed}
	}
	return nil
}

// campaign checks the flags and returns what they ask for.
func (f *campaignFlags) campaign(cmd *cobra.Command) (*campaign.Sweep, error) {
	switch {
	case f.out == "":
		return nil, usagef("--out is missing")
	case f.out == "-":
		return nil, usagef("--out -: a file, so that it can be gone on with")
	case f.resume && f.force:
		return nil, usagef("--resume and --force exclude each other")
	case f.csv == f.out || sameFile(f.csv, f.out):
		return nil, usagef("--out and --csv are the same")
	}
	sweep, err := f.sweep(cmd)
	if err != nil {
		return nil, err
	}
	if once := slices.Compact(slices.Sorted(slices.Values(sweep.Values))); len(once) < len(sweep.Values) {
		return nil, usagef("--%s %v: each once", sweep.Quantity, sweep.Values)
	}
	if f.eirp && f.array() == nil {
		return nil, usagef("--eirp does not go with --array cylinder, --stack and --slant-deg")
	}
	strategies, skipped, err := f.strategies(cmd, namesOf(scheduler.Groupings()), []string{""})
	tell(cmd, skipped)
	sweep.Strategies = strategies
	return sweep, err
}

// campaignSettings are what slots depend on, beside the quantity that is swept.
type campaignSettings struct {
	Scene      *synthSettings `json:"scene"`
	Antennas   []int          `json:"antennas"`
	Users      []int          `json:"users"`
	WeightBits []int          `json:"weightBits"`
	CSIErrors  []float64      `json:"csiErrors"`
	EIRP       bool           `json:"eirp"`
}

// header returns the first line of the file.
func (f *sweepFlags) header(cmd *cobra.Command, sweep *campaign.Sweep) (*campaign.Header, error) {
	settings, err := json.Marshal(&campaignSettings{
		Scene: &f.scene.settings, Antennas: f.antennas, Users: f.users, WeightBits: f.weightBits, CSIErrors: f.csiErrors, EIRP: f.eirp,
	})
	return &campaign.Header{
		Engine: scheduler.Version, Command: f.commandLine(cmd), Seed: f.scene.settings.Seed, Scene: f.title(), Settings: settings,
		Quantity: sweep.Quantity, Values: sweep.Values, Strategies: sweep.Strategies, Drops: sweep.Drops, Consumption: f.consumption, Floor: sweep.Floor,
	}, err
}

// resultsFile is a file of results that is being written.
type resultsFile struct {
	*unfinished
	done *campaign.SweepResult // that was there; nil for none
	torn error                 // what is wrong with its last line
}

// openResults starts a file, or goes on with one of the same settings. One of others
// is left as it is.
func (f *campaignFlags) openResults(header *campaign.Header) (*resultsFile, error) {
	out := new(resultsFile)
	file, err := f.openUnfinished("out", f.out, f.resume, func(there *os.File) (func(io.Writer) error, error) {
		return out.look(there, header)
	})
	if err != nil {
		return nil, err
	}
	out.unfinished = file
	if out.done == nil {
		err = campaign.WriteHeader(file, header)
	} else {
		_, err = file.Seek(0, io.SeekEnd)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.out, errors.Join(err, file.Close()))
	}
	return out, nil
}

// look reads what is there. Where it is of fewer drops, or its end is torn, another
// header and the lines that are whole are to go in its place.
func (f *resultsFile) look(file *os.File, header *campaign.Header) (rewrite func(io.Writer) error, err error) {
	if info, err := file.Stat(); err != nil || info.Size() == 0 {
		return nil, err
	}
	there, err := campaign.Read(file)
	if err != nil {
		return nil, err
	}
	before := *header
	if there.Header.Drops < header.Drops {
		before.Drops = there.Header.Drops // more may be asked for
	}
	if err := there.Header.Differs(&before); err != nil {
		return nil, fmt.Errorf("made with other settings: %w", err)
	}
	f.done, f.torn = there.Result, there.Torn
	if before.Drops == header.Drops && f.torn == nil {
		return nil, nil
	}
	return func(w io.Writer) error {
		lines := bufio.NewReader(io.NewSectionReader(file, 0, there.Size))
		if _, err := lines.ReadBytes('\n'); err != nil {
			return err
		}
		if err := campaign.WriteHeader(w, header); err != nil {
			return err
		}
		_, err := io.Copy(w, lines)
		return err
	}, nil
}

// slots returns how many slots were there.
func (f *resultsFile) slots() int {
	n := 0
	if f.done != nil {
		for i := range f.done.Points {
			n += len(f.done.Points[i].Slots)
		}
	}
	return n
}
