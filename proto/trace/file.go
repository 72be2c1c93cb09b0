package trace

import (
	"errors"
	"fmt"
	"io"
	"slices"

	pb "leastwatt/proto/leastwatt/v1"
)

// File reads any slot of a trace.
type File struct {
	r        io.ReaderAt
	size     int64
	header   *pb.TraceHeader
	index    *pb.TraceIndex
	unpacker *unpacker
	complete bool
}

// Open reads the index of a trace of a given size, or goes over it from marker to
// marker where it has none: then the slots are those that were there, as far as
// markers tell. maxBytes is that of NewReader.
func Open(r io.ReaderAt, size, maxBytes int64) (*File, error) {
	start, err := NewReader(io.NewSectionReader(r, 0, size), maxBytes)
	if err != nil {
		return nil, err
	}
	f := &File{r: r, size: size, header: start.Header(), unpacker: start.unpacker}
	if f.index = f.readIndex(); f.index != nil {
		f.complete = true
		return f, nil
	}
	f.index = &pb.TraceIndex{}
	for {
		at := start.at
		sequence, err := start.skip()
		if damage := new(DamageError); errors.As(err, &damage) {
			continue
		}
		if errors.Is(err, io.EOF) {
			f.complete = start.Complete()
			return f, nil
		}
		if err != nil {
			return nil, err
		}
		f.index.Sequences = append(f.index.Sequences, sequence)
		f.index.Offsets = append(f.index.Offsets, at)
	}
}

// readIndex returns the index, or nil where there is none that can be right.
func (f *File) readIndex() *pb.TraceIndex {
	var end [markerSize]byte
	if n, _ := f.r.ReadAt(end[:], f.size-markerSize); n < markerSize {
		return nil
	}
	m, ok := parseMarker(end[:])
	if !ok || m.kind != kindEnd || m.number < 0 || m.number > f.size-2*markerSize {
		return nil
	}
	at := f.at(m.number)
	m, err := at.marker()
	index := &pb.TraceIndex{}
	if err != nil || m.kind != kindIndex || at.body(m, index) != nil || len(index.Sequences) != len(index.Offsets) {
		return nil
	}
	return index
}

// at reads from a place on.
func (f *File) at(offset int64) *Reader {
	return newReader(io.NewSectionReader(f.r, offset, f.size-offset), offset, f.unpacker)
}

// Header returns what the trace says of itself.
func (f *File) Header() *pb.TraceHeader { return f.header }

// Len returns how many slots there are.
func (f *File) Len() int { return len(f.index.Offsets) }

// Complete reports whether the writer of the trace has set its end.
func (f *File) Complete() bool { return f.complete }

// Find returns the place, from 0, of the first slot of a sequence.
func (f *File) Find(sequence int64) (place int, found bool) {
	place = slices.Index(f.index.Sequences, sequence)
	return place, place >= 0
}

// Slot returns the slot at a place from 0 to Len() - 1, or a *DamageError.
func (f *File) Slot(place int) (*pb.Slot, error) {
	if place < 0 || place >= f.Len() {
		return nil, fmt.Errorf("trace: place %d of a trace of %d slots", place, f.Len())
	}
	r := f.at(f.index.Offsets[place])
	r.slots = place
	slot, err := r.Next()
	if err == nil && slot.GetSequence() != f.index.Sequences[place] {
		err = &DamageError{Slot: place + 1, Offset: f.index.Offsets[place], Err: errSequence}
	}
	if errors.Is(err, io.EOF) { // an index that leads elsewhere
		err = &DamageError{Slot: place + 1, Offset: f.index.Offsets[place], Err: errKind}
	}
	if err != nil {
		return nil, err
	}
	return slot, nil
}
