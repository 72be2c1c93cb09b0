package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"google.golang.org/grpc/status"

	"leastwatt/client"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/server"
)

// maxShownRejections bounds how many rejected slots are told in full.
const maxShownRejections = 10

// replayFlags are the flags of leastwatt replay.
type replayFlags struct {
	forceFlag
	readLimit
	to       string
	out      string
	renumber bool
	audit    bool
	truth    string
	giveUp   time.Duration
	json     bool
	security client.Security
	options  optionFlags
}

func newReplayCommand() *cobra.Command {
	var flags replayFlags
	cmd := &cobra.Command{
		Use:   "replay FILE...",
		Short: "stream slots to a server",
		Long: `replay streams the slots of one or more files to a server, in one session and as
fast as it answers, and prints a summary. The files are traces, or hold slots as
protobuf JSON, one after the other, or as arrays of NumPy; "-" stands for stdin.
Slot numbers must rise over all files, or be made to with --renumber. A damaged
slot of a trace ends it, after those before it. A server that is gone is waited for as
long as --give-up-after says, and the session goes on there.

With --audit every plan is re-computed here from its weights as it comes, as audit
does: how many the audit agrees with, and the worst rate over its target. Weights are
asked for, as f32 unless the slots or --weights say otherwise. With --truth, a trace
of the true channels of these slots as synth --truth writes, rates are those over
them, and a target that is missed there is a disagreement.

A file that is there is not replaced without --force. What a replay that is ended has
of plans goes to the name of --out and .partial, and --out stays as it was.

It exits with 1 when a slot was rejected or failed, or the audit disagrees with a plan.`,
		Example: `  leastwatt replay shift.trace --out plans.jsonl
  leastwatt replay aged.trace --audit --truth true.trace --out plans.jsonl
  leastwatt replay --to 127.0.0.1:7171 --renumber --grouping alone drop-*.json --json`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return replay(cmd, &flags, args) },
	}
	f := cmd.Flags()
	f.StringVar(&flags.to, "to", server.DefaultAddress, "address of the server, HOST:PORT")
	f.StringVar(&flags.out, "out", "", "where the plans go, one JSON object on each line")
	f.BoolVar(&flags.renumber, "renumber", false, "number the slots from 1 on")
	f.BoolVar(&flags.audit, "audit", false, "re-compute every plan from its weights")
	f.StringVar(&flags.truth, "truth", "", "trace of the true channels, to audit every plan over")
	f.DurationVar(&flags.giveUp, "give-up-after", time.Minute, "how long to wait for a server that is gone; 0: not at all")
	f.BoolVar(&flags.json, "json", false, "print the summary as JSON")
	flags.addForce(f)
	flags.addLimit(f)
	addSecurity(cmd, &flags.security)
	flags.options.add(cmd)
	return cmd
}

// check holds what the flags may be.
func (f *replayFlags) check(files []string) error {
	if (f.audit || f.truth != "") && f.options.weights == "none" {
		return usagef("--weights none leaves nothing to audit")
	}
	if f.giveUp < 0 {
		return usagef("--give-up-after %v: at least 0", f.giveUp)
	}
	if _, _, err := net.SplitHostPort(f.to); err != nil {
		return usagef("--to %q: HOST:PORT", f.to)
	}
	if err := checkStdin(append(files, f.truth, f.options.with.file)...); err != nil {
		return err
	}
	return f.options.read()
}

func replay(cmd *cobra.Command, flags *replayFlags, files []string) error {
	if err := flags.check(files); err != nil {
		return err
	}
	out, err := flags.create("out", flags.out, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	defer out.discard()
	wait := client.Reconnect{GiveUpAfter: flags.giveUp}
	if flags.giveUp == 0 {
		wait.GiveUpAfter = -1
	}
	c, err := client.Dial(flags.to, client.Config{Security: flags.security, Reconnect: wait})
	if err != nil {
		return err
	}
	defer c.Close()
	session, err := c.Stream(cmd.Context(), client.Open{CellID: "replay"})
	if err != nil {
		return fmt.Errorf("%s: %w", flags.to, plainError(err))
	}
	defer session.Close()
	plans := bufio.NewWriter(out)
	summary, err := flags.stream(cmd, session, files, plans)
	err = errors.Join(plainError(err), plans.Flush())
	if err == nil || summary.Slots > 0 {
		err = errors.Join(err, out.end(err == nil, cmd.ErrOrStderr()), flags.show(cmd, summary))
	}
	if err != nil {
		return err
	}
	if !summary.good() {
		return &exitError{code: exitFailed}
	}
	return nil
}

// stream replays the files in a session and writes the plans. Of what ends it early it
// returns an error, with the summary of what was answered until then.
func (f *replayFlags) stream(cmd *cobra.Command, session *client.Session, files []string, plans io.Writer) (*replaySummary, error) {
	source := &trace{stdin: cmd.InOrStdin(), files: files, limit: f.readLimit}
	bar := newProgress(cmd, source.size(), progressbar.OptionShowBytes(true))
	defer bar.finish()
	tally := &tally{stderr: bar}
	audit := newPlanAudit(cmd, f)
	start := time.Now()
	err := stream(cmd.Context(), session, source, f, audit, bar, func(plan *pb.Plan) error {
		tally.add(plan)
		if audit != nil {
			audit.take(cmd.Context(), plan)
		}
		if f.out == "" {
			return nil
		}
		return writeMessage(plans, plan, false)
	})
	var audited *auditSummary
	if audit != nil {
		audited = audit.summary()
	}
	summary := tally.summary(time.Since(start))
	summary.Audit, summary.Reconnects = audited, session.Reconnects()
	return summary, err
}

// show prints the summary: to stderr where plans go to stdout.
func (f *replayFlags) show(cmd *cobra.Command, summary *replaySummary) error {
	table := cmd.OutOrStdout()
	if f.out == "-" {
		table = cmd.ErrOrStderr()
	}
	if f.json {
		return json.NewEncoder(table).Encode(summary)
	}
	return summary.print(table)
}

// stream sends a trace and hands every plan to take. It returns when all are
// there, or with the first thing that goes wrong.
func stream(ctx context.Context, session *client.Session, source *trace, flags *replayFlags,
	audit *planAudit, bar *progress, take func(*pb.Plan) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	sent := make(chan struct{})
	go func() {
		err := sendAll(ctx, session, source, flags, audit, bar)
		if err != nil && !errors.Is(err, io.EOF) { // of EOF, the receiver knows why
			cancel(err)
			session.Close() // so that nobody waits for plans
		}
		close(sent)
	}()
	err := receiveAll(session, take)
	if err != nil {
		cancel(err)
		session.Close() // so that nobody goes on sending slots
	}
	// What the sender finds explains what the receiver sees.
	<-sent
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	return err
}

func sendAll(ctx context.Context, session *client.Session, source *trace, flags *replayFlags, audit *planAudit, bar *progress) error {
	defer source.close()
	for n := int64(1); ; n++ {
		if err := context.Cause(ctx); err != nil {
			return err
		}
		slot, err := source.next()
		if errors.Is(err, io.EOF) {
			return session.CloseSend()
		}
		if err != nil {
			return err
		}
		number := slot.GetSequence()
		if flags.renumber {
			slot.Sequence = n
		}
		flags.options.apply(slot)
		if audit != nil {
			if err := audit.expect(ctx, slot, number); err != nil {
				return err
			}
		}
		if err := session.SendMessage(slot); err != nil {
			return err
		}
		bar.reach(source.position())
	}
}

func receiveAll(session *client.Session, take func(*pb.Plan) error) error {
	for {
		plan, err := session.RecvMessage()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := take(plan); err != nil {
			return err
		}
	}
}

// tally adds up plans.
type tally struct {
	stderr  io.Writer
	count   map[pb.PlanStatus]int
	powerW  float64 // sum over the plans made
	worst   float64 // delivered / target; 0 before the first
	floored float64 // sum of powers over the plans with a floor
	floorW  float64 // sum of their floors
	rated   bool    // worst is of a user
	micros  []int64
	planned int
}

func (t *tally) add(plan *pb.Plan) {
	if t.count == nil {
		t.count = map[pb.PlanStatus]int{}
	}
	status := plan.GetStatus()
	t.count[status]++
	switch status {
	case pb.PlanStatus_PLAN_STATUS_MET, pb.PlanStatus_PLAN_STATUS_SHORT:
	case pb.PlanStatus_PLAN_STATUS_REJECTED:
		t.reject(plan)
		return
	default:
		fmt.Fprintf(t.stderr, "slot %d: %s\n", plan.GetSequence(), statusWord(status))
		for _, v := range plan.GetViolations() {
			fmt.Fprintf(t.stderr, "slot %d: %s\n", plan.GetSequence(), violationLine(v))
		}
		return
	}
	t.planned++
	t.powerW += plan.GetRadiatedPowerW()
	t.micros = append(t.micros, plan.GetComputeMicros())
	if plan.FloorPowerW != nil {
		t.floored += plan.GetRadiatedPowerW()
		t.floorW += plan.GetFloorPowerW()
	}
	for _, u := range plan.GetUsers() {
		if u.GetTargetBps() <= 0 {
			continue
		}
		if ratio := u.GetRateBps() / u.GetTargetBps(); !t.rated || ratio < t.worst {
			t.rated, t.worst = true, ratio
		}
	}
}

// reject tells what is wrong with the first slots that are rejected.
func (t *tally) reject(plan *pb.Plan) {
	switch n := t.count[pb.PlanStatus_PLAN_STATUS_REJECTED]; {
	case n <= maxShownRejections:
		for _, v := range plan.GetViolations() {
			fmt.Fprintf(t.stderr, "slot %d: %s\n", plan.GetSequence(), violationLine(v))
		}
	case n == maxShownRejections+1:
		fmt.Fprintln(t.stderr, "more slots are rejected")
	}
}

// replaySummary is what replay prints. Numbers that no slot gives are absent.
type replaySummary struct {
	Slots              int      `json:"slots"`
	Met                int      `json:"met"`
	Short              int      `json:"short"`
	Rejected           int      `json:"rejected"`
	Failed             int      `json:"failed"`
	WorstRateRatio     *float64 `json:"worstRateRatio,omitempty"` // delivered / target
	MeanRadiatedPowerW *float64 `json:"meanRadiatedPowerW,omitempty"`
	MeanRadiatedDBm    *float64 `json:"meanRadiatedPowerDbm,omitempty"`
	OverFloorDB        *float64 `json:"overFloorDb,omitempty"` // of the plans with a floor, mean power over mean floor
	ComputeMicrosP50   *int64   `json:"computeMicrosP50,omitempty"`
	ComputeMicrosP99   *int64   `json:"computeMicrosP99,omitempty"`
	SlotsPerSecond     float64  `json:"slotsPerSecond"`
	Reconnects         int      `json:"reconnects"` // to a server that was gone

	Audit *auditSummary `json:"audit,omitempty"`
}

// plainError takes a gRPC status that is all of an error for its code and words.
func plainError(err error) error {
	if s, ok := err.(interface{ GRPCStatus() *status.Status }); ok {
		return fmt.Errorf("%v: %s", s.GRPCStatus().Code(), s.GRPCStatus().Message())
	}
	return err
}

// good tells whether every slot has a plan that nothing was found against.
func (s *replaySummary) good() bool {
	return s.Rejected+s.Failed == 0 && (s.Audit == nil || s.Audit.Disagree == 0)
}

func (t *tally) summary(elapsed time.Duration) *replaySummary {
	s := &replaySummary{
		Met:      t.count[pb.PlanStatus_PLAN_STATUS_MET],
		Short:    t.count[pb.PlanStatus_PLAN_STATUS_SHORT],
		Rejected: t.count[pb.PlanStatus_PLAN_STATUS_REJECTED],
	}
	for _, n := range t.count {
		s.Slots += n
	}
	s.Failed = s.Slots - s.Met - s.Short - s.Rejected
	s.SlotsPerSecond = float64(s.Slots) / elapsed.Seconds()
	if t.rated {
		s.WorstRateRatio = &t.worst
	}
	if t.planned > 0 {
		mean := t.powerW / float64(t.planned)
		s.MeanRadiatedPowerW = &mean
		if level := dBm(mean); mean > 0 {
			s.MeanRadiatedDBm = &level
		}
		if over := decibels(t.floored / t.floorW); t.floorW > 0 {
			s.OverFloorDB = &over
		}
		slices.Sort(t.micros)
		p50, p99 := percentile(t.micros, 50), percentile(t.micros, 99)
		s.ComputeMicrosP50, s.ComputeMicrosP99 = &p50, &p99
	}
	return s
}

// percentile returns the smallest of sorted numbers that at least p in a hundred
// do not exceed.
func percentile(sorted []int64, p int) int64 {
	return sorted[int(math.Ceil(float64(len(sorted)*p)/100))-1]
}

func (s *replaySummary) print(w io.Writer) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }
	line("slots\t%d: %d met, %d short, %d rejected, %d failed", s.Slots, s.Met, s.Short, s.Rejected, s.Failed)
	if s.WorstRateRatio != nil {
		line("worst rate / target\t%.6f", *s.WorstRateRatio)
	}
	if s.MeanRadiatedPowerW != nil {
		line("mean radiated power\t%s", powerText(*s.MeanRadiatedPowerW))
		if s.OverFloorDB != nil {
			line("over proved floor\t%.2f dB", *s.OverFloorDB)
		}
		line("time per slot\tp50 %d us, p99 %d us", *s.ComputeMicrosP50, *s.ComputeMicrosP99)
	}
	if s.Audit != nil {
		s.Audit.print(out)
	}
	line("slots per second\t%.0f", s.SlotsPerSecond)
	if s.Reconnects > 0 {
		line("reconnected\t%d times", s.Reconnects)
	}
	return out.Flush()
}
