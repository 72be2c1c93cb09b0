package channel

import (
	"archive/zip"
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"

	"codeberg.org/sbinet/npyio/npy"
)

// DefaultMaxBytes is what the arrays of a file may take in memory unless told
// otherwise.
const DefaultMaxBytes = 256 << 20

// SizeError says that the arrays of a file take more memory than they may.
type SizeError struct {
	Bytes   int64 // of all arrays up to the one that is too large
	Allowed int64
}

// Error names both sizes.
func (e *SizeError) Error() string {
	return fmt.Sprintf("%d bytes unpacked, allowed: %d", e.Bytes, e.Allowed)
}

// room is the memory that the arrays of a file may take.
type room struct{ taken, most int64 }

func newRoom(most int64) *room {
	if most == 0 {
		most = DefaultMaxBytes
	}
	return &room{most: most}
}

// take takes the memory of an array of items of a size in bytes, or none.
func (r *room) take(size int, shape ...int) error {
	total := int64(size)
	for _, n := range shape {
		if n != 0 && total > math.MaxInt64/int64(n) {
			total = math.MaxInt64
		} else {
			total *= int64(n)
		}
	}
	if total > r.most-r.taken {
		return &SizeError{r.taken + min(total, math.MaxInt64-r.taken), r.most}
	}
	r.taken += total
	return nil
}

// array is a NumPy array in C order: of complex or of real numbers.
type array struct {
	kind      string // as NumPy writes it, without byte order
	shape     []int
	complexes []complex128
	numbers   []float64
}

// readArray reads one .npy file of the archive.
func readArray(f *zip.File, room *room) (*array, error) {
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if f.UncompressedSize64 > math.MaxInt64 {
		return nil, &SizeError{math.MaxInt64, room.most}
	}
	return decodeArray(r, int64(f.UncompressedSize64), room)
}

// maxHeaderBytes bounds the header of an array, which states its own length.
const maxHeaderBytes = 64 << 10

// decodeArray reads an .npy file of a given size. Its memory is taken from room before
// any is allocated.
func decodeArray(in io.Reader, size int64, room *room) (a *array, err error) {
	defer func() {
		if recover() != nil { // of the header's parser
			a, err = nil, fmt.Errorf("broken header")
		}
	}()
	buffered := bufio.NewReaderSize(in, 1<<16)
	// Version 2 headers state their length in 32 bits, which the parser allocates.
	start, _ := buffered.Peek(12)
	if len(start) == 12 && start[6] == 2 && binary.LittleEndian.Uint32(start[8:]) > maxHeaderBytes {
		return nil, fmt.Errorf("broken header")
	}
	counted := &counter{r: buffered}
	header, err := npy.NewReader(counted)
	if err != nil {
		return nil, err
	}
	d := header.Header.Descr
	name := strings.Trim(d.Type, "'")
	a = &array{kind: strings.TrimLeft(name, "<>=|"), shape: d.Shape}
	kind, known := kinds[a.kind]
	if !known {
		return nil, fmt.Errorf("type %s is not supported", a.kind)
	}
	count, err := kind.take(room, d.Shape, d.Fortran)
	if err != nil {
		return nil, err
	}
	if rest := size - counted.n; rest != int64(count)*int64(kind.bytes) {
		return nil, fmt.Errorf("%d bytes of data, not %d", rest, int64(count)*int64(kind.bytes))
	}
	if err := a.read(buffered, kind, count, strings.HasPrefix(name, ">")); err != nil {
		return nil, err
	}
	if _, err := buffered.ReadByte(); err != io.EOF { // where an archive checks its sum
		return nil, fmt.Errorf("no end where its header says: %v", err)
	}
	if d.Fortran {
		a.complexes = cOrder(a.complexes, a.shape)
		a.numbers = cOrder(a.numbers, a.shape)
	}
	return a, nil
}

// counter counts the bytes that are read.
type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// kind is a type of items that is read.
type kind struct {
	bytes   int
	complex bool
	part    func(order binary.ByteOrder, b []byte) float64 // a number, or a part of one
}

var kinds = map[string]kind{
	"c8":  {8, true, float4},
	"c16": {16, true, float8},
	"f4":  {4, false, float4},
	"f8":  {8, false, float8},
	"i1":  {1, false, func(_ binary.ByteOrder, b []byte) float64 { return float64(int8(b[0])) }},
	"i2":  {2, false, func(o binary.ByteOrder, b []byte) float64 { return float64(int16(o.Uint16(b))) }},
	"i4":  {4, false, func(o binary.ByteOrder, b []byte) float64 { return float64(int32(o.Uint32(b))) }},
	"i8":  {8, false, func(o binary.ByteOrder, b []byte) float64 { return float64(int64(o.Uint64(b))) }},
	"u1":  {1, false, func(_ binary.ByteOrder, b []byte) float64 { return float64(b[0]) }},
	"u2":  {2, false, func(o binary.ByteOrder, b []byte) float64 { return float64(o.Uint16(b)) }},
	"u4":  {4, false, func(o binary.ByteOrder, b []byte) float64 { return float64(o.Uint32(b)) }},
	"u8":  {8, false, func(o binary.ByteOrder, b []byte) float64 { return float64(o.Uint64(b)) }},
}

func float4(o binary.ByteOrder, b []byte) float64 {
	return float64(math.Float32frombits(o.Uint32(b)))
}
func float8(o binary.ByteOrder, b []byte) float64 { return math.Float64frombits(o.Uint64(b)) }

// take takes the memory of an array of a shape, twice of one that is to be turned
// round, and returns the number of its items.
func (k kind) take(room *room, shape []int, turned bool) (int, error) {
	count, item := 1, 8
	if k.complex {
		item = 16
	}
	if turned {
		item *= 2
	}
	for _, n := range shape {
		if n < 0 {
			return 0, fmt.Errorf("shape %v", shape)
		}
		count *= n
	}
	return count, room.take(item, shape...)
}

// read reads so many items.
func (a *array) read(in io.Reader, k kind, count int, bigEndian bool) error {
	order := binary.ByteOrder(binary.LittleEndian)
	if bigEndian {
		order = binary.BigEndian
	}
	if k.complex {
		a.complexes = make([]complex128, count)
	} else {
		a.numbers = make([]float64, count)
	}
	item := make([]byte, k.bytes)
	for i := range count {
		if _, err := io.ReadFull(in, item); err != nil {
			return err
		}
		if k.complex {
			a.complexes[i] = complex(k.part(order, item), k.part(order, item[k.bytes/2:]))
		} else {
			a.numbers[i] = k.part(order, item)
		}
	}
	return nil
}

// cOrder turns an array whose first index runs fastest into one whose last does.
func cOrder[T any](in []T, shape []int) []T {
	if in == nil {
		return nil
	}
	out := make([]T, len(in))
	for i := range out {
		from, stride, rest := 0, len(in), i
		for d := len(shape) - 1; d >= 0; d-- {
			stride /= max(shape[d], 1)
			from += rest % shape[d] * stride
			rest /= shape[d]
		}
		out[i] = in[from]
	}
	return out
}
