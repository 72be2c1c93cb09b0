package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"github.com/spf13/pflag"

	"leastwatt/channel"
	tracefile "leastwatt/proto/trace"
)

// readLimit is the flag --max-slot-bytes of every command that reads slots. It bounds
// the memory that one slot takes, and all of a file of NumPy's, since a small file may
// unpack to any size. 0 is its default.
type readLimit int64

func (l *readLimit) addLimit(flags *pflag.FlagSet) {
	*l = tracefile.DefaultMaxBytes
	flags.Var(l, "max-slot-bytes", "memory that a slot, or a file of NumPy's, may take")
}

// String implements pflag.Value.
func (l *readLimit) String() string { return strconv.FormatInt(int64(*l), 10) }

// Type implements pflag.Value.
func (l *readLimit) Type() string { return "int" }

// Set implements pflag.Value.
func (l *readLimit) Set(text string) error {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 1 || n > math.MaxInt64/4 {
		return errors.New("a number of bytes, at least 1")
	}
	*l = readLimit(n)
	return nil
}

// bytes returns the bound.
func (l readLimit) bytes() int64 {
	if l == 0 {
		return tracefile.DefaultMaxBytes
	}
	return int64(l)
}

// explainLimit names the flag to whom it stops.
func explainLimit(err error) error {
	ofTrace, ofArrays, ofText := new(tracefile.SizeError), new(channel.SizeError), new(sizeError)
	if errors.As(err, &ofTrace) || errors.As(err, &ofArrays) || errors.As(err, &ofText) {
		return fmt.Errorf("%w: see --max-slot-bytes", err)
	}
	return err
}

// sizeError says that what is read is larger than it may be.
type sizeError struct {
	bytes   int64 // 0: not known, for nobody read it to its end
	allowed int64
}

func (e *sizeError) Error() string {
	if e.bytes == 0 {
		return fmt.Sprintf("more than %d bytes", e.allowed)
	}
	return fmt.Sprintf("%d bytes in memory, allowed: %d", e.bytes, e.allowed)
}

// limitedReader fails where more is read than is left. One who reads piece by piece
// gives it room for the next.
type limitedReader struct {
	r          io.Reader
	left, most int64
}

func newLimitedReader(r io.Reader, most int64) *limitedReader { return &limitedReader{r, most, most} }

// next gives room for the next piece.
func (l *limitedReader) next() { l.left = l.most }

func (l *limitedReader) Read(p []byte) (int, error) {
	if l.left <= 0 {
		var one [1]byte
		if n, err := io.ReadFull(l.r, one[:]); n == 0 {
			return 0, err
		}
		return 0, &sizeError{allowed: l.most}
	}
	n, err := l.r.Read(p[:min(int64(len(p)), l.left)])
	l.left -= int64(n)
	return n, err
}

// checkText tells from the text of a message in JSON whether it may take so much memory
// as it will: an element of two bytes may take hundreds.
func checkText(text []byte, most int64) error {
	const item, message = 16, 512
	total := int64(len(text)) + item*int64(bytes.Count(text, []byte(","))) + message*int64(bytes.Count(text, []byte("{")))
	if total > most {
		return &sizeError{total, most}
	}
	return nil
}
