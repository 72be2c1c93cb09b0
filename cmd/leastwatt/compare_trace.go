package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"

	"github.com/spf13/cobra"

	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// slotReader reads the slots of traces for compare. Bad slots are told and left
// out.
type slotReader struct {
	trace    *trace
	flags    *compareFlags
	cmd      *cobra.Command
	most     int // slots to read
	read     int // slots read, with those left out
	rejected int
	at       atomic.Int64
}

// traceSource opens the traces and looks at their first slot.
func (f *compareFlags) traceSource(cmd *cobra.Command) (*slotSource, error) {
	if err := f.with.read(cmd.InOrStdin()); err != nil {
		return nil, err
	}
	r := &slotReader{trace: &trace{stdin: cmd.InOrStdin(), files: f.in, limit: f.readLimit}, flags: f, cmd: cmd, most: -1}
	if cmd.Flags().Changed("slots") {
		r.most = f.slots
	}
	source := &slotSource{name: strings.Join(f.in, ", "), size: r.trace.size(), position: r.at.Load}
	first, err := r.next()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: no slot to plan", source.name)
	}
	if err != nil {
		return nil, err
	}
	source.callers = len(first.Groups) > 0
	source.slots = func(yield func(*scheduler.Slot, error) bool) {
		defer r.trace.close()
		for slot, err := first, error(nil); ; slot, err = r.next() {
			source.rejected = r.rejected
			if errors.Is(err, io.EOF) || !yield(slot, err) || err != nil {
				return
			}
		}
	}
	return source, nil
}

// next returns the next good slot, or io.EOF.
func (r *slotReader) next() (*scheduler.Slot, error) {
	for r.most < 0 || r.read < r.most {
		in, err := r.trace.next()
		if err != nil {
			return nil, err
		}
		r.read++
		r.at.Store(r.trace.position())
		if slot, bad := r.decode(in); len(bad) == 0 {
			return slot, nil
		} else {
			r.reject(in, bad)
		}
	}
	return nil, io.EOF
}

// decode decodes a slot, its own strategy left out and with the seed if one is
// given.
func (r *slotReader) decode(in *pb.Slot) (*scheduler.Slot, []scheduler.Violation) {
	r.flags.with.apply(in)
	if o := in.GetOptions(); o != nil {
		o.Grouping, o.Beams, o.Power = "", "", ""
	}
	slot, bad := convert.Slot(in)
	if r.cmd.Flags().Changed("seed") {
		slot.Options.Seed = r.flags.seed
	}
	return slot, bad
}

// reject tells what is wrong with the first slots that are rejected.
func (r *slotReader) reject(in *pb.Slot, bad []scheduler.Violation) {
	r.rejected++
	switch w := r.cmd.ErrOrStderr(); {
	case r.rejected <= maxShownRejections:
		for _, v := range bad {
			fmt.Fprintf(w, "slot %d: %s: %s, allowed: %s\n", in.GetSequence(), v.Path, v.Value, v.Allowed)
		}
	case r.rejected == maxShownRejections+1:
		fmt.Fprintln(w, "more slots are rejected")
	}
}
