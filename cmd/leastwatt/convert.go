package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
	"leastwatt/scheduler"
)

// convertFlags are the flags of leastwatt convert.
type convertFlags struct {
	forceFlag
	readLimit
	out         string
	slot        int64
	rateBps     float64
	noiseW      float64
	bandwidthHz float64
	json        bool
}

func newConvertCommand() *cobra.Command {
	var flags convertFlags
	cmd := &cobra.Command{
		Use:   "convert FILE...",
		Short: "slots from one form of file to another",
		Long: `convert reads slots, from traces, protobuf JSON or NumPy's .npz and .npy, and
writes them in the form that the name of --out ends with: .json or .jsonl one
protobuf JSON object on each line, .npz the arrays channel [slot, user, subband,
antenna], rate_bps, noise_w and csi_error_variance [slot, user] and bandwidth_hz,
.npy the channel alone, and anything else a trace. .npz and .npy hold one number of
users, antennas and subbands and one bandwidth, and nothing else of a slot. A .npy
file, complex, of up to those four dimensions, gets what it lacks from flags. "-"
stands for stdin, and for JSON on stdout.

What goes wrong, a damaged slot among it, ends convert with nothing written. A file
that is there is not replaced without --force.`,
		Example: `  leastwatt convert measured.npy --rate-bps 5e6 --noise-w 1e-13 --bandwidth-hz 20e6 --out measured.trace
  leastwatt convert city.trace --slot 17 --out slot.json
  leastwatt convert city.trace --out city.npz`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return convertFiles(cmd, &flags, args) },
	}
	f := cmd.Flags()
	f.StringVar(&flags.out, "out", "", "where the slots go")
	f.Int64Var(&flags.slot, "slot", 0, "number of the one slot to take")
	f.Float64Var(&flags.rateBps, "rate-bps", 0, "rate target of every user of a .npy file")
	f.Float64Var(&flags.noiseW, "noise-w", 0, "noise of every user of a .npy file over the bandwidth")
	f.Float64Var(&flags.bandwidthHz, "bandwidth-hz", 0, "bandwidth of a .npy file")
	f.BoolVar(&flags.json, "json", false, "print how many slots there were as JSON")
	flags.addForce(f)
	flags.addLimit(f)
	return cmd
}

// slotWriter takes slots one after the other.
type slotWriter interface {
	Write(*pb.Slot) error
	Close() error
}

func convertFiles(cmd *cobra.Command, flags *convertFlags, files []string) (err error) {
	if flags.out == "" {
		return usagef("--out is missing")
	}
	if slices.ContainsFunc(files, func(name string) bool { return sameFile(name, flags.out) }) {
		return usagef("%s is read and written", flags.out)
	}
	source := &trace{stdin: cmd.InOrStdin(), files: files, limit: flags.readLimit, npy: func(file *bytes.Reader, most int64) (*channel.NPZ, error) {
		return flags.fillNPY(cmd, file, most)
	}}
	out, err := flags.create("out", flags.out, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	defer out.discard()
	bar := newProgress(cmd, source.size(), progressbar.OptionShowBytes(true))
	buffered := bufio.NewWriter(out)
	slots, err := convertAll(cmd, flags, source, buffered, bar)
	bar.finish()
	if err := errors.Join(err, buffered.Flush()); err != nil {
		return err
	}
	if err := out.commit(); err != nil {
		return err
	}
	to := cmd.OutOrStdout()
	if flags.out == "-" {
		to = cmd.ErrOrStderr()
	}
	if flags.json {
		return json.NewEncoder(to).Encode(map[string]int{"slots": slots})
	}
	_, err = fmt.Fprintf(to, "%d slots\n", slots)
	return err
}

// sameFile reports whether two names are those of one file that is there.
func sameFile(a, b string) bool {
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// convertAll writes what source has. Where it fails, what it wrote has no end that
// would call it complete.
func convertAll(cmd *cobra.Command, flags *convertFlags, source *trace, out io.Writer, bar *progress) (slots int, err error) {
	defer source.close()
	writer, err := newSlotWriter(out, flags.out)
	if err != nil {
		return 0, err
	}
	if slots, err = convertSlots(cmd, flags, source, writer, bar); err != nil {
		return slots, err
	}
	return slots, writer.Close()
}

// convertSlots writes the slots of source, or the one asked for.
func convertSlots(cmd *cobra.Command, flags *convertFlags, source *trace, writer slotWriter, bar *progress) (slots int, err error) {
	one := cmd.Flags().Changed("slot")
	for cmd.Context().Err() == nil {
		slot, err := source.next()
		bar.reach(source.position())
		switch {
		case errors.Is(err, io.EOF) && one:
			return slots, fmt.Errorf("there is no slot %d", flags.slot)
		case errors.Is(err, io.EOF):
			return slots, nil
		case err != nil:
			return slots, err
		case one && slot.GetSequence() != flags.slot:
			continue
		}
		if err := writer.Write(slot); err != nil {
			return slots, err
		}
		if slots++; one {
			return slots, nil
		}
	}
	return slots, fmt.Errorf("interrupted after %d slots", slots)
}

// fillNPY makes slots of a .npy file and of flags.
func (flags *convertFlags) fillNPY(cmd *cobra.Command, file *bytes.Reader, most int64) (*channel.NPZ, error) {
	for _, name := range []string{"rate-bps", "noise-w", "bandwidth-hz"} {
		if !cmd.Flags().Changed(name) {
			return nil, usagef("a .npy file has no --%s", name)
		}
	}
	z, err := channel.ReadNPY(file, file.Size(), most)
	if err != nil {
		return nil, err
	}
	z.BandwidthHz = flags.bandwidthHz
	for range z.Slots * z.Users {
		z.RateBps, z.NoiseW = append(z.RateBps, flags.rateBps), append(z.NoiseW, flags.noiseW)
	}
	z.CSIErrorVariance = make([]float64, z.Slots*z.Users)
	return z, nil
}

// newSlotWriter writes to out in the form of a name.
func newSlotWriter(out io.Writer, name string) (slotWriter, error) {
	form := filepath.Ext(name)
	switch {
	case name == "-" || form == ".json" || form == ".jsonl":
		return jsonWriter{out}, nil
	case form == ".npz":
		return &arrayWriter{out: out, write: channel.WriteNPZ}, nil
	case form == ".npy":
		return &arrayWriter{out: out, write: channel.WriteNPY}, nil
	}
	return tracefile.NewWriter(out, &pb.TraceHeader{Title: "converted", Writer: "leastwatt " + scheduler.Version})
}

// jsonWriter writes slots as protobuf JSON, one on each line.
type jsonWriter struct{ out io.Writer }

func (j jsonWriter) Write(slot *pb.Slot) error { return writeMessage(j.out, slot, false) }
func (jsonWriter) Close() error                { return nil }

// arrayWriter gathers slots of one shape and writes them as arrays of NumPy.
type arrayWriter struct {
	out   io.Writer
	write func(io.Writer, *channel.NPZ) error
	z     channel.NPZ
}

func (a *arrayWriter) Write(message *pb.Slot) error {
	slot, violations := convert.Slot(message)
	if len(violations) > 0 {
		v := violations[0]
		return fmt.Errorf("slot %d: %s: %s, allowed: %s", message.GetSequence(), v.Path, v.Value, v.Allowed)
	}
	z := &a.z
	c := &slot.Channel
	if z.Slots == 0 {
		z.Users, z.Subbands, z.Antennas, z.BandwidthHz = len(slot.Users), c.Subbands, c.Antennas, slot.BandwidthHz
	}
	if z.Users != len(slot.Users) || z.Subbands != c.Subbands || z.Antennas != c.Antennas || z.BandwidthHz != slot.BandwidthHz {
		return fmt.Errorf("slot %d is of another size than those before it", slot.Sequence)
	}
	z.Slots++
	z.Channel = append(z.Channel, c.Samples...)
	for _, u := range slot.Users {
		if len(u.SubbandNoiseW) > 0 {
			return fmt.Errorf("slot %d: arrays have no noise of each subband", slot.Sequence)
		}
		z.RateBps, z.NoiseW = append(z.RateBps, u.RateBps), append(z.NoiseW, u.NoiseW)
		z.CSIErrorVariance = append(z.CSIErrorVariance, u.CSIErrorVariance)
	}
	return nil
}

func (a *arrayWriter) Close() error {
	if a.z.Slots == 0 {
		return errors.New("there is no slot")
	}
	return a.write(a.out, &a.z)
}
