package channel

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
)

// npyOf returns an .npy file of a type and shape with data as it stands.
func npyOf(kind, shape string, data []byte) []byte {
	header := fmt.Sprintf("{'descr': '%s', 'fortran_order': False, 'shape': %s, }\n", kind, shape)
	start := binary.LittleEndian.AppendUint16([]byte("\x93NUMPY\x01\x00"), uint16(len(header)))
	return append(append(start, header...), data...)
}

// packed returns a .npz file of arrays, deflated.
func packed(t *testing.T, arrays map[string][]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	archive := zip.NewWriter(&out)
	for name, data := range arrays {
		w, err := archive.Create(name + ".npy")
		if err == nil {
			_, err = w.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// A small file of large arrays is refused before they are unpacked, by what all of
// them take together, also where an array is empty and stands for many users.
func TestLargeArrays(t *testing.T) {
	const most = 1 << 20
	one := npyOf("<f8", "()", make([]byte, 8))
	beside := func(channel []byte) map[string][]byte {
		return map[string][]byte{"channel": channel, "rate_bps": one, "noise_w": one, "bandwidth_hz": one}
	}
	zeros := func(n int) []byte { return make([]byte, n) }
	for name, c := range map[string]struct {
		arrays map[string][]byte
		bytes  int64
	}{
		"one":             {beside(npyOf("<c16", "(64, 1, 65536)", zeros(64<<20))), 64 << 20},
		"twice in memory": {beside(npyOf("<c8", "(2, 1, 40000)", zeros(640000))), 1280000},
		"no antennas":     {beside(npyOf("<c16", "(1073741824, 1, 0)", nil)), 24 << 30},
		"beyond counting": {beside(npyOf("<c16", "(4611686018427387904, 4611686018427387904, 8)", nil)), math.MaxInt64},
	} {
		data := packed(t, c.arrays)
		var err error
		got := allocated(func() { _, err = ReadNPZ(bytes.NewReader(data), int64(len(data)), most) })
		size := new(SizeError)
		if !errors.As(err, &size) || size.Allowed != most || size.Bytes < c.bytes || size.Bytes-c.bytes > 1000 {
			t.Errorf("%s: %v, want %d bytes", name, err, c.bytes)
		}
		if got > 2*most {
			t.Errorf("%s: %d bytes allocate %d", name, len(data), got)
		}
		data = c.arrays["channel"]
		if _, err := ReadNPY(bytes.NewReader(data), int64(len(data)), most); !errors.As(err, &size) {
			t.Errorf("%s as .npy: %v", name, err)
		}
	}
	// Several that fit, each by itself.
	many := beside(npyOf("<c16", "(1, 20000, 1, 2)", zeros(640000)))
	for _, name := range []string{"rate_bps", "noise_w", "csi_error_variance"} {
		many[name] = npyOf("<f8", "(1, 20000)", zeros(160000))
	}
	data := packed(t, many)
	if _, err := ReadNPZ(bytes.NewReader(data), int64(len(data)), most); !errors.As(err, new(*SizeError)) {
		t.Errorf("together: %v", err)
	}
	if z, err := ReadNPZ(bytes.NewReader(data), int64(len(data)), 2*most); err != nil || z.Users != 20000 {
		t.Errorf("where they may: %v", err)
	}
}

// Every type is read in either order of its bytes, as NumPy has them: the numbers are
// those of their definition (IEEE 754, two's complement).
func TestTypes(t *testing.T) {
	for _, c := range []struct {
		kind string
		data string
		want float64
	}{
		{"<f4", "\x00\x00\xc0\xbf", -1.5}, {">f4", "\xbf\xc0\x00\x00", -1.5},
		{"<f8", "\x00\x00\x00\x00\x00\x00\xf8\xbf", -1.5}, {">f8", "\xbf\xf8\x00\x00\x00\x00\x00\x00", -1.5},
		{"|i1", "\xfe", -2}, {"|u1", "\xfe", 254},
		{"<i2", "\xfe\xff", -2}, {">i2", "\xff\xfe", -2}, {"<u2", "\xfe\xff", 65534}, {">u2", "\xfe\xff", 65279},
		{"<i4", "\xfe\xff\xff\xff", -2}, {">u4", "\x00\x00\x01\x02", 258},
		{"<i8", "\xfe\xff\xff\xff\xff\xff\xff\xff", -2}, {">u8", "\x00\x00\x00\x00\x00\x00\x01\x02", 258},
	} {
		data := npyOf(c.kind, "(1,)", []byte(c.data))
		a, err := decodeArray(bytes.NewReader(data), int64(len(data)), newRoom(0))
		if err != nil || len(a.numbers) != 1 || a.numbers[0] != c.want {
			t.Errorf("%s %q: %v, %v, want %g", c.kind, c.data, a, err, c.want)
		}
	}
	data := npyOf(">c8", "(1,)", []byte("\xbf\xc0\x00\x00\x3f\x80\x00\x00"))
	if a, err := decodeArray(bytes.NewReader(data), int64(len(data)), newRoom(0)); err != nil || a.complexes[0] != complex(-1.5, 1) {
		t.Errorf("complex: %v, %v", a, err)
	}
	// More or less data than a file is said to have.
	data = npyOf("<f8", "(1,)", make([]byte, 8))
	for _, in := range []io.Reader{bytes.NewReader(data[:len(data)-1]), io.MultiReader(bytes.NewReader(data), strings.NewReader("x"))} {
		if a, err := decodeArray(in, int64(len(data)), newRoom(0)); err == nil {
			t.Errorf("%v", a)
		}
	}
}
