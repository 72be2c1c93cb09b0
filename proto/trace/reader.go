package trace

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

// DamageError says that a slot of a trace cannot be read. Those before it could
// be, and those after it may.
type DamageError struct {
	Slot   int   // place in the trace, from 1
	Offset int64 // where it starts, in bytes from the start of the trace
	Err    error // io.ErrUnexpectedEOF where the trace ends within the slot, a *SizeError where it is too large
}

// Error names the slot.
func (e *DamageError) Error() string {
	if errors.Is(e.Err, io.ErrUnexpectedEOF) {
		return fmt.Sprintf("trace: slot %d, at byte %d, is cut off", e.Slot, e.Offset)
	}
	if large := new(SizeError); errors.As(e.Err, &large) {
		return fmt.Sprintf("trace: slot %d, at byte %d, is too large: %v", e.Slot, e.Offset, large)
	}
	return fmt.Sprintf("trace: slot %d, at byte %d, is damaged: %v", e.Slot, e.Offset, e.Err)
}

// Unwrap returns what was found.
func (e *DamageError) Unwrap() error { return e.Err }

var (
	errMarker   = errors.New("its marker is broken")
	errSequence = errors.New("its sequence is not that of its marker")
	errKind     = errors.New("a message of another kind stands there")
)

// IsTrace reports whether a file that starts with prefix, 12 bytes or more, is a
// trace.
func IsTrace(prefix []byte) bool {
	start := marker{kind: kindHeader}.append(nil)[:12]
	return bytes.HasPrefix(prefix, start)
}

// Reader reads a trace from its start on.
type Reader struct {
	below    *below
	in       *bufio.Reader
	at       int64
	slots    int // read or lost
	header   pb.TraceHeader
	unpacker *unpacker
	frame    bytes.Buffer
	complete bool
}

// below is the reader of a trace's bytes; it remembers what goes wrong with it.
type below struct {
	r   io.Reader
	err error
}

func (b *below) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		b.err = err
	}
	return n, err
}

// NewReader reads the header of a trace. maxBytes bounds the memory of each of its
// messages, which a small frame may fill; 0 means DefaultMaxBytes. A slot that is larger
// is a *DamageError that wraps a *SizeError.
func NewReader(r io.Reader, maxBytes int64) (*Reader, error) {
	unpacker, err := newUnpacker(maxBytes)
	if err != nil {
		return nil, fmt.Errorf("trace: %w", err)
	}
	out := newReader(r, 0, unpacker)
	m, err := out.marker()
	if err == nil && m.kind != kindHeader {
		err = errKind
	}
	if err == nil {
		err = out.body(m, &out.header)
	}
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	if out.below.err != nil {
		err = out.below.err
	}
	if err != nil {
		return nil, fmt.Errorf("trace: header: %w", err)
	}
	return out, nil
}

// newReader reads from a place where a marker is to stand.
func newReader(r io.Reader, at int64, unpacker *unpacker) *Reader {
	b := &below{r: r}
	return &Reader{below: b, in: bufio.NewReaderSize(b, 1<<16), at: at, unpacker: unpacker}
}

// Header returns what the trace says of itself.
func (r *Reader) Header() *pb.TraceHeader { return &r.header }

// Offset returns how many bytes have been read.
func (r *Reader) Offset() int64 { return r.at }

// Complete reports whether the trace was read to an end that its writer set.
func (r *Reader) Complete() bool { return r.complete }

// Next returns the next slot, io.EOF where there is none, or a *DamageError, after
// which it may be called again. What goes wrong with the reader below is returned
// as it is.
func (r *Reader) Next() (*pb.Slot, error) {
	slot := &pb.Slot{}
	err := r.next(func(m marker) error {
		if err := r.body(m, slot); err != nil {
			return err
		}
		if slot.GetSequence() != m.number {
			return errSequence
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return slot, nil
}

// skip passes over the next slot and returns its sequence. Errors are those of
// Next, but nothing is decompressed.
func (r *Reader) skip() (sequence int64, err error) {
	err = r.next(func(m marker) error {
		sequence = m.number
		return r.discard(m.frameBytes)
	})
	return sequence, err
}

// next reads a marker and has take read what follows that of a slot.
func (r *Reader) next(take func(marker) error) error {
	if r.complete {
		return io.EOF
	}
	start := r.at
	m, err := r.marker()
	switch {
	case errors.Is(err, io.EOF):
		return io.EOF
	case errors.Is(err, errMarker):
		r.search()
	case err != nil:
	case m.kind == kindSlot:
		err = take(m)
	case m.kind == kindIndex, m.kind == kindEnd:
		r.complete = true
		return io.EOF
	default:
		if err = r.discard(m.frameBytes); err == nil {
			err = errKind
		}
	}
	if r.below.err != nil {
		return r.below.err
	}
	r.slots++
	if err != nil {
		return &DamageError{Slot: r.slots, Offset: start, Err: err}
	}
	return nil
}

// marker reads a marker: io.EOF at the end, errMarker where something else stands.
func (r *Reader) marker() (marker, error) {
	b, err := r.in.Peek(markerSize)
	if len(b) == 0 {
		return marker{}, err
	}
	if len(b) < markerSize {
		r.discard(len(b))
		return marker{}, io.ErrUnexpectedEOF
	}
	m, ok := parseMarker(b)
	if !ok {
		return m, errMarker
	}
	return m, r.discard(markerSize)
}

// search goes to the next marker, or to the end.
func (r *Reader) search() {
	for {
		r.discard(1)
		b, _ := r.in.Peek(markerSize)
		if len(b) < markerSize {
			r.discard(len(b))
			return
		}
		if _, ok := parseMarker(b); ok {
			return
		}
	}
}

// body reads the frame of a marker into a message.
func (r *Reader) body(m marker, into proto.Message) error {
	if err := r.unpacker.check(m); err != nil {
		return errors.Join(err, r.discard(m.frameBytes))
	}
	r.frame.Reset()
	n, err := io.CopyN(&r.frame, r.in, int64(m.frameBytes))
	r.at += n
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	if err != nil {
		return err
	}
	return r.unpacker.unpack(m, r.frame.Bytes(), into)
}

// discard passes over n bytes.
func (r *Reader) discard(n int) error {
	n, err := r.in.Discard(n)
	r.at += int64(n)
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
