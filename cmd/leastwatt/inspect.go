package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/cmplxs"

	"leastwatt/proto/convert"
	tracefile "leastwatt/proto/trace"
	"leastwatt/scheduler"
)

func newInspectCommand() *cobra.Command {
	var asJSON bool
	var limit readLimit
	cmd := &cobra.Command{
		Use:   "inspect FILE...",
		Short: "tell what is in a trace",
		Long: `inspect reads the slots of one or more files, traces or any others that replay
takes, and tells what they hold: users, antennas, slots, how long they last, path
gains (mean of |h|^2 over the antennas and subbands of a user), correlation
(|h_i^H h_j| / (|h_i| |h_j|) of each two users of a slot, mean over subbands) and
the SNR of a user alone with its matched beam and 1 W. "-" stands for stdin.

Slots that are damaged or that the engine would reject are told and left out; then
it exits with 1.`,
		Example: `  leastwatt inspect city.trace
  leastwatt inspect shift.trace --json | python3 -m json.tool`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return inspect(cmd, args, limit, asJSON) },
	}
	limit.addLimit(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON in place of the table")
	return cmd
}

func inspect(cmd *cobra.Command, files []string, limit readLimit, asJSON bool) error {
	source := &trace{stdin: cmd.InOrStdin(), files: files, limit: limit}
	bar := newProgress(cmd, source.size(), progressbar.OptionShowBytes(true))
	found := &inspection{}
	err := found.readAll(cmd.Context(), source, bar)
	bar.finish()
	if err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	found.finish()
	if asJSON {
		err = errors.Join(err, json.NewEncoder(cmd.OutOrStdout()).Encode(found))
	} else {
		err = errors.Join(err, found.print(cmd.OutOrStdout()))
	}
	if err == nil && found.Damaged+found.Rejected > 0 {
		return &exitError{code: exitFailed}
	}
	return err
}

// inspection is what inspect finds. Numbers that no slot gives are absent.
type inspection struct {
	Traces      []traceSummary `json:"traces,omitempty"`
	Slots       int            `json:"slots"`
	Damaged     int            `json:"damagedSlots"`
	Rejected    int            `json:"rejectedSlots"`
	Sequence    *span          `json:"sequence,omitempty"`
	DurationS   float64        `json:"durationS,omitempty"` // from the first capture to the end of the last slot
	UserIDs     int            `json:"userIds"`             // different ones
	Users       *span          `json:"users,omitempty"`     // of a slot
	Antennas    *span          `json:"antennas,omitempty"`
	Subbands    *span          `json:"subbands,omitempty"`
	CarrierHz   *span          `json:"carrierHz,omitempty"`
	BandwidthHz *span          `json:"bandwidthHz,omitempty"`
	RateBps     *span          `json:"rateBps,omitempty"` // targets, of all users of a slot together
	PathGainDB  *quantiles     `json:"pathGainDb,omitempty"`
	Correlation *quantiles     `json:"correlation,omitempty"`
	SNRDB       *quantiles     `json:"matchedSnrDbAt1W,omitempty"`
	CSIErrorDB  *quantiles     `json:"csiErrorDb,omitempty"` // variance over |h|^2, of estimates

	ids                           map[string]bool
	first, last                   time.Time
	gains, correlations, snr, csi histogram
}

// traceSummary is what a trace says of itself.
type traceSummary struct {
	File     string          `json:"file"`
	Title    string          `json:"title,omitempty"`
	Writer   string          `json:"writer,omitempty"`
	Settings json.RawMessage `json:"settings,omitempty"`
	Complete bool            `json:"complete"` // its writer has set its end
}

// readAll reads every slot that can be read.
func (n *inspection) readAll(ctx context.Context, source *trace, bar *progress) error {
	defer source.close()
	source.closing = func(name string, slots fileSlots) {
		if t, ok := slots.(*tracefile.Reader); ok {
			n.Traces = append(n.Traces, summaryOf(name, t))
		}
	}
	for {
		if ctx.Err() != nil {
			return context.Canceled
		}
		message, err := source.next()
		bar.reach(source.position())
		damage := new(tracefile.DamageError)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.As(err, &damage):
			n.Damaged++
			fmt.Fprintln(bar, err)
			continue
		case err != nil:
			return err
		}
		slot, violations := convert.Slot(message)
		if len(violations) > 0 {
			n.Rejected++
			if n.Rejected <= maxShownRejections {
				v := violations[0]
				fmt.Fprintf(bar, "slot %d: %s: %s, allowed: %s\n", message.GetSequence(), v.Path, v.Value, v.Allowed)
			}
			continue
		}
		n.add(ctx, slot)
	}
}

func summaryOf(name string, t *tracefile.Reader) traceSummary {
	h := t.Header()
	s := traceSummary{File: name, Title: h.GetTitle(), Writer: h.GetWriter(), Complete: t.Complete()}
	if json.Valid([]byte(h.GetSettings())) {
		s.Settings = json.RawMessage(h.GetSettings())
	}
	return s
}

// add counts a slot, as far as it gets before the context ends.
func (n *inspection) add(ctx context.Context, slot *scheduler.Slot) {
	n.Slots++
	n.Sequence = n.Sequence.with(float64(slot.Sequence))
	n.Users = n.Users.with(float64(len(slot.Users)))
	n.Antennas = n.Antennas.with(float64(slot.Channel.Antennas))
	n.Subbands = n.Subbands.with(float64(slot.Channel.Subbands))
	n.BandwidthHz = n.BandwidthHz.with(slot.BandwidthHz)
	if slot.CarrierHz > 0 {
		n.CarrierHz = n.CarrierHz.with(slot.CarrierHz)
	}
	if at := slot.CaptureTime; !at.IsZero() {
		end := at.Add(time.Duration(slot.SlotDurationMicros) * time.Microsecond)
		if n.first.IsZero() || at.Before(n.first) {
			n.first = at
		}
		if end.After(n.last) {
			n.last = end
		}
	}
	rows := rowsOf(slot)
	var rate float64
	for k, u := range slot.Users {
		if n.ids == nil {
			n.ids = map[string]bool{}
		}
		n.ids[u.ID] = true
		rate += u.RateBps
		n.addUser(&slot.Users[k], rows[k], slot.Channel.Antennas)
		for i := range k {
			if ctx.Err() != nil {
				return
			}
			n.correlations.add(correlation(rows[i], rows[k]))
		}
	}
	n.RateBps = n.RateBps.with(rate)
}

// rowsOf returns the channels of a slot, [user][subband][antenna].
func rowsOf(slot *scheduler.Slot) [][][]complex128 {
	antennas := slot.Channel.Antennas
	rows := make([][][]complex128, len(slot.Users))
	for i := range len(slot.Users) * slot.Channel.Subbands {
		k := i / slot.Channel.Subbands
		rows[k] = append(rows[k], slot.Channel.Samples[i*antennas:(i+1)*antennas])
	}
	return rows
}

// addUser counts the gain, SNR and error of a user's channel h, [subband][antenna].
func (n *inspection) addUser(u *scheduler.User, h [][]complex128, antennas int) {
	var gain, snr float64 // gain: of all antennas, mean over subbands
	for f, row := range h {
		energy := square(cmplxs.Norm(row, 2))
		gain += energy / float64(len(h))
		noiseW := u.NoiseW / float64(len(h))
		if len(u.SubbandNoiseW) > 0 {
			noiseW = u.SubbandNoiseW[f]
		}
		snr += energy / noiseW / square(float64(len(h))) // 1 W over all subbands
	}
	mean := gain / float64(antennas)
	n.gains.add(decibels(mean))
	n.snr.add(decibels(snr))
	if u.CSIErrorVariance > 0 {
		n.csi.add(decibels(u.CSIErrorVariance / mean))
	}
}

// correlation returns |a^H b| / (|a| |b|), mean over the subbands where both are.
func correlation(a, b [][]complex128) float64 {
	var sum float64
	count := 0
	for f := range a {
		na, nb := cmplxs.Norm(a[f], 2), cmplxs.Norm(b[f], 2)
		if na == 0 || nb == 0 {
			continue
		}
		var inner complex128
		for m := range a[f] {
			x, y := a[f][m]/complex(na, 0), b[f][m]/complex(nb, 0)
			inner += complex(real(x), -imag(x)) * y
		}
		sum += math.Hypot(real(inner), imag(inner))
		count++
	}
	if count == 0 {
		return 0
	}
	return sum / float64(count)
}

func square(x float64) float64 { return x * x }

// finish derives what is printed.
func (n *inspection) finish() {
	n.UserIDs = len(n.ids)
	if !n.first.IsZero() {
		n.DurationS = n.last.Sub(n.first).Seconds()
	}
	n.PathGainDB, n.SNRDB, n.CSIErrorDB = n.gains.quantiles(), n.snr.quantiles(), n.csi.quantiles()
	n.Correlation = n.correlations.quantiles()
}

func (n *inspection) print(w io.Writer) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }
	for _, t := range n.Traces {
		end := "complete"
		if !t.Complete {
			end = "cut off, or being written"
		}
		line("trace\t%s, %s", t.File, end)
		if t.Title != "" {
			line("of\t%s", t.Title)
		}
		if t.Writer != "" {
			line("written by\t%s", t.Writer)
		}
	}
	line("slots\t%d, %d damaged, %d to be rejected", n.Slots, n.Damaged, n.Rejected)
	if n.Slots > 0 {
		line("numbers\t%s", n.Sequence)
		if n.DurationS > 0 {
			line("duration\t%.6g s", n.DurationS)
		}
		line("users\t%s of %d", n.Users, n.UserIDs)
		line("antennas\t%s", n.Antennas)
		line("subbands\t%s", n.Subbands)
		if n.CarrierHz != nil {
			line("carrier\t%s GHz", n.CarrierHz.per(1e9))
		}
		line("bandwidth\t%s MHz", n.BandwidthHz.per(1e6))
		line("rate targets\t%s Mbit/s together", n.RateBps.per(1e6))
		line("\tleast\t5 %%\tmedian\t95 %%\tmost")
		for _, row := range []struct {
			name string
			q    *quantiles
		}{
			{"path gain, dB", n.PathGainDB}, {"correlation", n.Correlation}, {"SNR at 1 W, dB", n.SNRDB}, {"error of estimate, dB", n.CSIErrorDB},
		} {
			if q := row.q; q != nil {
				line("%s\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f", row.name, q.Least, q.P5, q.Median, q.P95, q.Most)
			}
		}
	}
	return out.Flush()
}

// span is from the least to the most of numbers.
type span struct {
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
}

// with returns a span, nil for none, that has x in it too.
func (s *span) with(x float64) *span {
	if s == nil {
		return &span{x, x}
	}
	return &span{min(s.Least, x), max(s.Most, x)}
}

// per returns the span in units of so many.
func (s *span) per(unit float64) *span { return &span{s.Least / unit, s.Most / unit} }

func (s *span) String() string {
	if s.Least == s.Most {
		return fmt.Sprintf("%.8g", s.Least)
	}
	return fmt.Sprintf("%.8g to %.8g", s.Least, s.Most)
}

// histogram counts numbers to two decimals.
type histogram struct {
	counts      map[int]int
	total       int
	least, most float64
}

const histogramStep = 0.01

// add counts a finite number.
func (h *histogram) add(x float64) {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return
	}
	if h.total == 0 {
		h.counts, h.least, h.most = map[int]int{}, x, x
	}
	h.counts[int(math.Round(x/histogramStep))]++
	h.total++
	h.least, h.most = min(h.least, x), max(h.most, x)
}

// quantiles are those of a histogram, to its step, and exact ends.
type quantiles struct {
	Least  float64 `json:"least"`
	P5     float64 `json:"p5"`
	Median float64 `json:"median"`
	P95    float64 `json:"p95"`
	Most   float64 `json:"most"`
}

// quantiles returns nil where nothing was counted.
func (h *histogram) quantiles() *quantiles {
	if h.total == 0 {
		return nil
	}
	keys := make([]int, 0, len(h.counts))
	for key := range h.counts {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	at := func(part float64) float64 {
		left := part * float64(h.total)
		for _, key := range keys {
			if left -= float64(h.counts[key]); left <= 0 {
				return min(max(float64(key)*histogramStep, h.least), h.most)
			}
		}
		return h.most
	}
	return &quantiles{h.least, at(0.05), at(0.5), at(0.95), h.most}
}
