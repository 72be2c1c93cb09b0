package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
	"leastwatt/scheduler"
)

// What .npz files, which are zip archives, and .npy files start with.
var (
	npzMagic = []byte("PK\x03\x04")
	npyMagic = []byte("\x93NUMPY")
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
	cmd    *cobra.Command
	in     string
	number int64
}

func (s *slotFlags) add(cmd *cobra.Command) {
	s.cmd = cmd
	cmd.Flags().StringVar(&s.in, "in", "", "the slot, .json or .npz, or a trace")
	cmd.Flags().Int64Var(&s.number, "slot", 0, "number of the slot, where the file has more than one")
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
	slot, err := pickSlot(in, number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.in, err)
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
func readChannel(name string, stdin io.Reader, number int64) (*pb.Channel, error) {
	in, err := openInput(name, stdin)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	channel, err := pickChannel(in, number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return channel, nil
}

func pickChannel(in io.Reader, number int64) (*pb.Channel, error) {
	if file, ok := in.(*os.File); ok {
		if slot, err := seekSlot(file, number); slot != nil || err != nil {
			return slot.GetChannel(), err
		}
	}
	slots, err := newFileSlots(in, nil)
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
func pickSlot(in io.Reader, number *int64) (*pb.Slot, error) {
	if file, ok := in.(*os.File); ok && number != nil {
		if slot, err := seekSlot(file, *number); slot != nil || err != nil {
			return slot, err
		}
	}
	slots, err := newFileSlots(in, nil)
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
func seekSlot(file *os.File, number int64) (*pb.Slot, error) {
	info, err := file.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return nil, err
	}
	var start [sniffBytes]byte
	if n, _ := file.ReadAt(start[:], 0); !tracefile.IsTrace(start[:n]) {
		return nil, nil
	}
	f, err := tracefile.Open(file, info.Size())
	if err != nil {
		return nil, err
	}
	place, found := f.Find(number)
	if !found {
		return nil, fmt.Errorf("there is no slot %d among %d", number, f.Len())
	}
	return f.Slot(place)
}

// fileSlots reads the slots of one file.
type fileSlots interface {
	// Next returns the next slot, or io.EOF.
	Next() (*pb.Slot, error)
	// Offset returns how many bytes have been read.
	Offset() int64
}

// sniffBytes tell one form of file from another.
const sniffBytes = 12

// newFileSlots reads a trace, arrays of NumPy or protobuf JSON, whichever it is;
// npy, where it is not nil, makes slots of a .npy file.
func newFileSlots(in io.Reader, npy func([]byte) (*channel.NPZ, error)) (fileSlots, error) {
	buffered := bufio.NewReader(in)
	start, err := buffered.Peek(sniffBytes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch {
	case tracefile.IsTrace(start):
		return tracefile.NewReader(buffered)
	case bytes.HasPrefix(start, npzMagic):
		return readArrays(buffered, func(data []byte) (*channel.NPZ, error) {
			return channel.ReadNPZ(bytes.NewReader(data), int64(len(data)))
		})
	case bytes.HasPrefix(start, npyMagic) && npy == nil:
		return nil, errors.New("a .npy file has no rates: leastwatt convert adds them")
	case bytes.HasPrefix(start, npyMagic):
		return readArrays(buffered, npy)
	}
	return &jsonSlots{decoder: json.NewDecoder(buffered)}, nil
}

// jsonSlots reads slots as protobuf JSON, one after the other.
type jsonSlots struct {
	decoder *json.Decoder
	slots   int
	ahead   json.RawMessage // read by channel
}

func (j *jsonSlots) Offset() int64 { return j.decoder.InputOffset() }

func (j *jsonSlots) Next() (*pb.Slot, error) {
	raw, err := j.ahead, error(nil)
	if j.ahead = nil; raw == nil {
		err = j.decoder.Decode(&raw)
	}
	if errors.Is(err, io.EOF) {
		return nil, io.EOF
	}
	j.slots++
	slot := &pb.Slot{}
	if err == nil {
		err = protojson.Unmarshal(raw, slot)
	}
	if err != nil {
		return nil, fmt.Errorf("slot %d: %w", j.slots, err)
	}
	return slot, nil
}

// channel returns the channel that stands where slots may; nil where they do.
func (j *jsonSlots) channel() (*pb.Channel, error) {
	err := j.decoder.Decode(&j.ahead)
	if errors.Is(err, io.EOF) {
		return nil, nil
	}
	channel := &pb.Channel{}
	if err == nil && protojson.Unmarshal(j.ahead, channel) != nil {
		return nil, nil
	}
	return channel, err
}

// readArrays reads all of a file and makes slots of it.
func readArrays(in io.Reader, read func([]byte) (*channel.NPZ, error)) (fileSlots, error) {
	data, err := io.ReadAll(in)
	if err != nil {
		return nil, err
	}
	z, err := read(data)
	return &arraySlots{z: z, bytes: int64(len(data))}, err
}

// arraySlots makes slots of arrays of NumPy, numbered from 0. Users are named by
// their number.
type arraySlots struct {
	z     *channel.NPZ
	slots int
	bytes int64
}

func (a *arraySlots) Offset() int64 { return a.bytes }

func (a *arraySlots) Next() (*pb.Slot, error) {
	z := a.z
	if a.slots == z.Slots {
		return nil, io.EOF
	}
	size := z.Users * z.Subbands * z.Antennas
	slot := &scheduler.Slot{
		Sequence:    int64(a.slots),
		BandwidthHz: z.BandwidthHz,
		Channel:     scheduler.Channel{Antennas: z.Antennas, Subbands: z.Subbands, Samples: z.Channel[a.slots*size : (a.slots+1)*size]},
	}
	for k := range z.Users {
		at := a.slots*z.Users + k
		slot.Users = append(slot.Users, scheduler.User{
			ID: fmt.Sprint(k), RateBps: z.RateBps[at], NoiseW: z.NoiseW[at], CSIErrorVariance: z.CSIErrorVariance[at],
		})
	}
	a.slots++
	return convert.SlotToProto(slot, convert.SamplesF64), nil
}

// trace reads slots one after the other from files, one slot or many in each.
type trace struct {
	stdin io.Reader
	files []string // left
	name  string   // of the open file
	file  io.ReadCloser
	slots fileSlots // of the open file
	read  int64     // bytes of the files already closed

	npy     func([]byte) (*channel.NPZ, error) // makes slots of .npy files; nil: they are refused
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
			return nil, fmt.Errorf("%s: %w", t.name, err)
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
	slots, err := newFileSlots(file, t.npy)
	if err != nil {
		file.Close()
		return fmt.Errorf("%s: %w", t.name, err)
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
