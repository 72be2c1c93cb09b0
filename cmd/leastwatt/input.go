package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
)

// openInput opens a file for reading; "-" is stdin.
func openInput(name string, stdin io.Reader) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(stdin), nil
	}
	return os.Open(name)
}

// checkStdin tells whether stdin stands for one file at most.
func checkStdin(names ...string) error {
	n := 0
	for _, name := range names {
		if name == "-" {
			n++
		}
	}
	if n > 1 {
		return usagef("stdin is read once: \"-\" stands for one file")
	}
	return nil
}

// slotFlags are the flags that name the one slot a command reads: a file of protobuf
// JSON, arrays of NumPy or a trace, and the slot's number, where there are more.
type slotFlags struct {
	readLimit
	cmd    *cobra.Command
	in     string
	number int64
}

func (s *slotFlags) add(cmd *cobra.Command) {
	s.cmd = cmd
	cmd.Flags().StringVar(&s.in, "in", "", "the slot, .json or .npz, or a trace")
	cmd.Flags().Int64Var(&s.number, "slot", 0, "number of the slot, where the file has more than one")
	s.addLimit(cmd.Flags())
}

// read reads the slot.
func (s *slotFlags) read() (*pb.Slot, error) {
	if s.in == "" {
		return nil, usagef("--in is missing")
	}
	var number *int64
	if s.cmd.Flags().Changed("slot") {
		number = &s.number
	}
	in, err := openInput(s.in, s.cmd.InOrStdin())
	if err != nil {
		return nil, err
	}
	defer in.Close()
	slot, err := pickSlot(in, number, s.bytes())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.in, explainLimit(err))
	}
	return slot, nil
}

// readWith reads the slot and puts the options that are asked for in place of its own.
func (s *slotFlags) readWith(options *optionFlags) (*pb.Slot, error) {
	if err := options.checkNames(); err != nil {
		return nil, err
	}
	if err := options.read(); err != nil {
		return nil, err
	}
	slot, err := s.read()
	if err != nil {
		return nil, err
	}
	options.apply(slot)
	return slot, nil
}

// readChannel reads a channel: protobuf JSON of one, or that of the slot of a number
// of any file of slots.
func readChannel(name string, stdin io.Reader, number, most int64) (*pb.Channel, error) {
	in, err := openInput(name, stdin)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	channel, err := pickChannel(in, number, most)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, explainLimit(err))
	}
	return channel, nil
}

func pickChannel(in io.Reader, number, most int64) (*pb.Channel, error) {
	if file, ok := in.(*os.File); ok {
		if slot, err := seekSlot(file, number, most); slot != nil || err != nil {
			return slot.GetChannel(), err
		}
	}
	slots, err := newFileSlots(in, most, nil)
	if err != nil {
		return nil, err
	}
	if j, ok := slots.(*jsonSlots); ok {
		if channel, err := j.channel(); channel != nil || err != nil {
			return channel, err
		}
	}
	slot, err := nextSlot(slots, &number)
	return slot.GetChannel(), err
}

// pickSlot returns the slot of a number, or the only one.
func pickSlot(in io.Reader, number *int64, most int64) (*pb.Slot, error) {
	if file, ok := in.(*os.File); ok && number != nil {
		if slot, err := seekSlot(file, *number, most); slot != nil || err != nil {
			return slot, err
		}
	}
	slots, err := newFileSlots(in, most, nil)
	if err != nil {
		return nil, err
	}
	return nextSlot(slots, number)
}

// nextSlot returns the next slot of a number, or the only one.
func nextSlot(slots fileSlots, number *int64) (*pb.Slot, error) {
	var only *pb.Slot
	for {
		slot, err := slots.Next()
		switch {
		case errors.Is(err, io.EOF) && number != nil:
			return nil, fmt.Errorf("there is no slot %d", *number)
		case errors.Is(err, io.EOF) && only == nil:
			return nil, errors.New("there is no slot")
		case errors.Is(err, io.EOF):
			return only, nil
		case err != nil:
			return nil, err
		case number == nil && only != nil:
			return nil, fmt.Errorf("there are more slots than that of number %d: choose one with --slot", only.GetSequence())
		case number == nil:
			only = slot
		case slot.GetSequence() == *number:
			return slot, nil
		}
	}
}

// seekSlot returns the slot of a number of a trace; nil, at the start of the file,
// where it is no trace that can be gone about in.
func seekSlot(file *os.File, number, most int64) (*pb.Slot, error) {
	info, err := file.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return nil, err
	}
	var start [sniffBytes]byte
	if n, _ := file.ReadAt(start[:], 0); !tracefile.IsTrace(start[:n]) {
		return nil, nil
	}
	f, err := tracefile.Open(file, info.Size(), most)
	if err != nil {
		return nil, err
	}
	place, found := f.Find(number)
	if !found {
		return nil, fmt.Errorf("there is no slot %d among %d", number, f.Len())
	}
	return f.Slot(place)
}

// trace reads slots one after the other from files, one slot or many in each.
type trace struct {
	stdin io.Reader
	files []string // left
	name  string   // of the open file
	file  io.ReadCloser
	slots fileSlots // of the open file
	read  int64     // bytes of the files already closed

	limit   readLimit
	npy     makeSlots                          // of .npy files; nil: they are refused
	closing func(name string, slots fileSlots) // told of each file when it has been read; may be nil
}

// next returns the next slot, or io.EOF. After a *tracefile.DamageError it may be
// called again.
func (t *trace) next() (*pb.Slot, error) {
	for {
		if t.file == nil {
			if len(t.files) == 0 {
				return nil, io.EOF
			}
			if err := t.open(); err != nil {
				return nil, err
			}
		}
		slot, err := t.slots.Next()
		if errors.Is(err, io.EOF) {
			t.close()
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", t.name, explainLimit(err))
		}
		return slot, nil
	}
}

// open opens the next file.
func (t *trace) open() error {
	t.name, t.files = t.files[0], t.files[1:]
	file, err := openInput(t.name, t.stdin)
	if err != nil {
		return err
	}
	slots, err := newFileSlots(file, t.limit.bytes(), t.npy)
	if err != nil {
		file.Close()
		return fmt.Errorf("%s: %w", t.name, explainLimit(err))
	}
	t.file, t.slots = file, slots
	return nil
}

// position returns how many bytes have been read.
func (t *trace) position() int64 {
	if t.slots == nil {
		return t.read
	}
	return t.read + t.slots.Offset()
}

// close closes the open file.
func (t *trace) close() {
	if t.file != nil {
		if t.closing != nil {
			t.closing(t.name, t.slots)
		}
		t.read += t.slots.Offset()
		t.file.Close()
		t.file, t.slots = nil, nil
	}
}

// size returns the bytes of the files, or -1 where that is not known.
func (t *trace) size() int64 {
	var total int64
	for _, name := range t.files {
		info, err := os.Stat(name)
		if name == "-" || err != nil || !info.Mode().IsRegular() {
			return -1
		}
		total += info.Size()
	}
	return total
}
