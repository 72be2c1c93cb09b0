package channel

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"strings"

	"codeberg.org/sbinet/npyio/npy"
)

// NPZ is one slot in NumPy's .npz form: what
//
//	numpy.savez(file, channel=H, rate_bps=R, noise_w=N, bandwidth_hz=B)
//
// writes. Values are as in the file; only shapes and types are checked.
type NPZ struct {
	Users    int
	Subbands int
	Antennas int
	// Channel is the array channel, complex64 or complex128, of shape [user,
	// subband, antenna], or [user, antenna] for one subband.
	Channel []complex128
	// RateBps is the array rate_bps of shape [user].
	RateBps []float64
	// NoiseW is the array noise_w of shape [user], or one number for all.
	NoiseW []float64
	// BandwidthHz is the number bandwidth_hz.
	BandwidthHz float64
	// CSIErrorVariance is the array csi_error_variance of shape [user], or one
	// number for all; 0 where the file has none.
	CSIErrorVariance []float64
}

// maxArrayBytes bounds one array of a file.
const maxArrayBytes = 1 << 30

// ReadNPZ reads a .npz file of a given size. Arrays other than those of NPZ are
// an error: nothing in a file is ignored.
func ReadNPZ(r io.ReaderAt, size int64) (*NPZ, error) {
	archive, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("channel: no .npz file: %w", err)
	}
	arrays := map[string]*array{}
	for _, f := range archive.File {
		name := strings.TrimSuffix(f.Name, ".npy")
		switch name {
		case "channel", "rate_bps", "noise_w", "bandwidth_hz", "csi_error_variance":
		default:
			return nil, fmt.Errorf("channel: array %q is none of channel, rate_bps, noise_w, bandwidth_hz, csi_error_variance", name)
		}
		if arrays[name] != nil {
			return nil, fmt.Errorf("channel: array %s is there twice", name)
		}
		if arrays[name], err = readArray(f); err != nil {
			return nil, fmt.Errorf("channel: array %s: %w", name, err)
		}
	}
	out := &NPZ{}
	if err := out.fill(arrays); err != nil {
		return nil, fmt.Errorf("channel: %w", err)
	}
	return out, nil
}

// fill sorts the arrays of a file into place.
func (z *NPZ) fill(arrays map[string]*array) error {
	h := arrays["channel"]
	switch {
	case h == nil:
		return fmt.Errorf("array channel is missing")
	case h.complexes == nil:
		return fmt.Errorf("array channel is of type %s, not complex64 or complex128", h.kind)
	case len(h.shape) == 3:
		z.Users, z.Subbands, z.Antennas = h.shape[0], h.shape[1], h.shape[2]
	case len(h.shape) == 2:
		z.Users, z.Subbands, z.Antennas = h.shape[0], 1, h.shape[1]
	default:
		return fmt.Errorf("array channel has shape %v, not [user, subband, antenna]", h.shape)
	}
	z.Channel = h.complexes
	var err error
	if z.RateBps, err = perUser(arrays, "rate_bps", z.Users, false); err != nil {
		return err
	}
	if z.NoiseW, err = perUser(arrays, "noise_w", z.Users, true); err != nil {
		return err
	}
	bandwidth, err := perUser(arrays, "bandwidth_hz", 1, true)
	if err != nil {
		return err
	}
	z.BandwidthHz = bandwidth[0]
	if arrays["csi_error_variance"] == nil {
		z.CSIErrorVariance = make([]float64, z.Users)
		return nil
	}
	z.CSIErrorVariance, err = perUser(arrays, "csi_error_variance", z.Users, true)
	return err
}

// perUser returns n numbers of an array; one number may stand for all.
func perUser(arrays map[string]*array, name string, n int, one bool) ([]float64, error) {
	a := arrays[name]
	if a == nil {
		return nil, fmt.Errorf("array %s is missing", name)
	}
	if a.numbers == nil {
		return nil, fmt.Errorf("array %s is of type %s, not of real numbers", name, a.kind)
	}
	if one && len(a.numbers) == 1 && len(a.shape) <= 1 {
		all := make([]float64, n)
		for i := range all {
			all[i] = a.numbers[0]
		}
		return all, nil
	}
	if len(a.shape) != 1 || len(a.numbers) != n {
		return nil, fmt.Errorf("array %s has shape %v, not one number for each of %d users", name, a.shape, n)
	}
	return a.numbers, nil
}

// array is a NumPy array in C order: of complex or of real numbers.
type array struct {
	kind      string // as NumPy writes it, without byte order
	shape     []int
	complexes []complex128
	numbers   []float64
}

// readArray reads one .npy file of the archive. The length of the data is
// checked here: the reader underneath fills what is missing with zeros.
func readArray(f *zip.File) (*array, error) {
	if f.UncompressedSize64 > maxArrayBytes {
		return nil, fmt.Errorf("%d bytes, more than %d", f.UncompressedSize64, maxArrayBytes)
	}
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(r) // checks the sum of the archive
	if err != nil {
		return nil, err
	}
	return decodeArray(data)
}

func decodeArray(data []byte) (a *array, err error) {
	defer func() {
		if recover() != nil { // of the header's parser
			a, err = nil, fmt.Errorf("broken header")
		}
	}()
	// Version 2 headers state their length in 32 bits, which the parser allocates.
	if len(data) >= 12 && data[6] == 2 && uint64(binary.LittleEndian.Uint32(data[8:])) > uint64(len(data)) {
		return nil, fmt.Errorf("broken header")
	}
	body := bytes.NewReader(data)
	r, err := npy.NewReader(body)
	if err != nil {
		return nil, err
	}
	d := r.Header.Descr
	a = &array{kind: strings.TrimLeft(strings.Trim(d.Type, "'"), "<>=|"), shape: d.Shape}
	want, size := 1, itemBytes[a.kind]
	if size == 0 {
		return nil, fmt.Errorf("type %s is not supported", a.kind)
	}
	for _, n := range d.Shape {
		if n < 0 || n > maxArrayBytes || want*n > maxArrayBytes {
			return nil, fmt.Errorf("shape %v", d.Shape)
		}
		want *= n
	}
	if body.Len() != want*size {
		return nil, fmt.Errorf("%d bytes of data, not %d", body.Len(), want*size)
	}
	if err := a.read(r); err != nil {
		return nil, err
	}
	if d.Fortran {
		a.complexes = cOrder(a.complexes, a.shape)
		a.numbers = cOrder(a.numbers, a.shape)
	}
	return a, nil
}

// itemBytes holds the types that are read.
var itemBytes = map[string]int{
	"c8": 8, "c16": 16, "f4": 4, "f8": 8,
	"i1": 1, "i2": 2, "i4": 4, "i8": 8, "u1": 1, "u2": 2, "u4": 4, "u8": 8,
}

func (a *array) read(r *npy.Reader) (err error) {
	switch a.kind {
	case "c8":
		a.complexes, err = read(r, func(z complex64) complex128 { return complex128(z) })
	case "c16":
		a.complexes, err = read(r, func(z complex128) complex128 { return z })
	case "f4":
		a.numbers, err = read(r, toFloat[float32])
	case "f8":
		a.numbers, err = read(r, toFloat[float64])
	case "i1":
		a.numbers, err = read(r, toFloat[int8])
	case "i2":
		a.numbers, err = read(r, toFloat[int16])
	case "i4":
		a.numbers, err = read(r, toFloat[int32])
	case "i8":
		a.numbers, err = read(r, toFloat[int64])
	case "u1":
		a.numbers, err = read(r, toFloat[uint8])
	case "u2":
		a.numbers, err = read(r, toFloat[uint16])
	case "u4":
		a.numbers, err = read(r, toFloat[uint32])
	case "u8":
		a.numbers, err = read(r, toFloat[uint64])
	}
	return err
}

func toFloat[T float32 | float64 | int8 | int16 | int32 | int64 | uint8 | uint16 | uint32 | uint64](x T) float64 {
	return float64(x)
}

func read[In, Out any](r *npy.Reader, convert func(In) Out) ([]Out, error) {
	var in []In
	if err := r.Read(&in); err != nil {
		return nil, err
	}
	out := make([]Out, len(in))
	for i, x := range in {
		out[i] = convert(x)
	}
	return out, nil
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
