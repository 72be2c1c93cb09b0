package trace

import (
	"errors"
	"fmt"
	"io"
	"os"

	pb "leastwatt/proto/leastwatt/v1"
)

// Writer writes a trace. Each slot goes out with one call of the writer below, so
// that a trace can be read while it is written.
type Writer struct {
	w      io.Writer
	at     int64
	packer *packer
	index  pb.TraceIndex
	err    error // of the first call that failed
}

// NewWriter starts a trace on w with a header.
func NewWriter(w io.Writer, header *pb.TraceHeader) (*Writer, error) {
	out := &Writer{w: w}
	var err error
	if out.packer, err = newPacker(); err != nil {
		return nil, fmt.Errorf("trace: %w", err)
	}
	unit, err := out.packer.pack(kindHeader, 0, header)
	if err != nil {
		return nil, fmt.Errorf("trace: header: %w", err)
	}
	return out, out.write(unit)
}

// Resume goes on with the trace of a file, after the last slot that can be read
// in one go from the start: what follows it, damage or an index, is cut off. Slots are
// read whatever their size, up to that of the format.
func Resume(file *os.File) (*Writer, error) {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	r, err := NewReader(file, maxBytes)
	if err != nil {
		return nil, err
	}
	out := &Writer{w: file, at: r.at}
	for {
		start := r.at
		slot, err := r.Next()
		if damage := new(DamageError); errors.Is(err, io.EOF) || errors.As(err, &damage) {
			break
		}
		if err != nil {
			return nil, err
		}
		out.index.Sequences = append(out.index.Sequences, slot.GetSequence())
		out.index.Offsets = append(out.index.Offsets, start)
		out.at = r.at
	}
	if err := file.Truncate(out.at); err != nil {
		return nil, err
	}
	if _, err := file.Seek(out.at, io.SeekStart); err != nil {
		return nil, err
	}
	out.packer, err = newPacker()
	return out, err
}

// Len returns how many slots the trace has.
func (w *Writer) Len() int { return len(w.index.Offsets) }

// Write adds a slot.
func (w *Writer) Write(slot *pb.Slot) error {
	if w.err != nil {
		return w.err
	}
	unit, err := w.packer.pack(kindSlot, slot.GetSequence(), slot)
	if err != nil {
		return fmt.Errorf("trace: slot %d: %w", w.Len()+1, err)
	}
	w.index.Sequences = append(w.index.Sequences, slot.GetSequence())
	w.index.Offsets = append(w.index.Offsets, w.at)
	return w.write(unit)
}

// Close writes the index. It does not close the writer below.
func (w *Writer) Close() error {
	if w.err != nil {
		return w.err
	}
	at := w.at
	unit, err := w.packer.pack(kindIndex, 0, &w.index)
	if err != nil {
		return fmt.Errorf("trace: index: %w", err)
	}
	if err := w.write(marker{kind: kindEnd, number: at}.append(unit)); err != nil { // at once: both or neither
		return err
	}
	w.err = errors.New("trace: closed")
	return nil
}

func (w *Writer) write(unit []byte) error {
	n, err := w.w.Write(unit)
	w.at += int64(n)
	w.err = err
	return err
}
