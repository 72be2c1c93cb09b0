package channel

import (
	"archive/zip"
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// The files are NumPy's own, written by testdata/npz/make.py.
func readFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "npz", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func readNPZ(data []byte) (*NPZ, error) { return ReadNPZ(bytes.NewReader(data), int64(len(data)), 0) }

func TestReadNPZ(t *testing.T) {
	for _, c := range []struct {
		file string
		want NPZ
	}{
		{"c64.npz", NPZ{Users: 2, Subbands: 3, Antennas: 4, NoiseW: []float64{1e-13, 2e-13}, CSIErrorVariance: []float64{0, 1e-15}}},
		{"c128.npz", NPZ{Users: 2, Subbands: 1, Antennas: 4, NoiseW: []float64{0.5, 0.5}, CSIErrorVariance: []float64{1e-15, 1e-15}}},
		{"fortran.npz", NPZ{Users: 2, Subbands: 3, Antennas: 4, NoiseW: []float64{1e-13, 2e-13}, CSIErrorVariance: []float64{0, 0}}},
	} {
		got, err := readNPZ(readFile(t, c.file))
		if err != nil {
			t.Errorf("%s: %v", c.file, err)
			continue
		}
		w := c.want
		if got.Slots != 1 || got.Users != w.Users || got.Subbands != w.Subbands || got.Antennas != w.Antennas || got.BandwidthHz != 20e6 ||
			!slices.Equal(got.RateBps, []float64{1e6, 2.5e6}) || !slices.Equal(got.NoiseW, w.NoiseW) ||
			!slices.Equal(got.CSIErrorVariance, w.CSIErrorVariance) {
			t.Errorf("%s: %+v", c.file, got)
		}
		if n := w.Users * w.Subbands * w.Antennas; len(got.Channel) != n {
			t.Errorf("%s: %d samples, not %d", c.file, len(got.Channel), n)
		}
		for i, z := range got.Channel {
			if z != complex(float64(i+1), -0.5*float64(i)) {
				t.Errorf("%s: sample %d is %v", c.file, i, z)
			}
		}
	}
}

func TestReadNPZBad(t *testing.T) {
	for file, want := range map[string]string{
		"real.npz":  "array channel is of type f4",
		"flat.npz":  "array channel has shape [8]",
		"more.npz":  `array "limits" is none of`,
		"fewer.npz": "array noise_w is missing",
		"three.npz": "array rate_bps has shape [3], not one number for each of 2 users",
		"text.npz":  "array rate_bps: type U1 is not supported",
		"make.py":   "no .npz file",
	} {
		if got, err := readNPZ(readFile(t, file)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, %v; want %q", file, got, err, want)
		}
	}
	if got, err := readNPZ(readFile(t, "empty.npz")); err != nil || got.Users != 0 || len(got.Channel) != 0 {
		t.Errorf("no users: %v, %v", got, err)
	}
}

// What is written is read back, and by NumPy's own rules: the header ends at a
// multiple of 64 and the length is that of the shape (decodeArray holds it).
func TestWriteNPZ(t *testing.T) {
	z := &NPZ{Slots: 2, Users: 3, Subbands: 2, Antennas: 4, BandwidthHz: 2e7}
	for i := range 2 * 3 * 2 * 4 {
		z.Channel = append(z.Channel, complex(float64(i), -1/float64(i+1)))
	}
	for i := range 2 * 3 {
		z.RateBps = append(z.RateBps, 1e6*float64(i))
		z.NoiseW = append(z.NoiseW, 1e-13*float64(i+1))
		z.CSIErrorVariance = append(z.CSIErrorVariance, 1e-15*float64(i))
	}
	var out bytes.Buffer
	if err := WriteNPZ(&out, z); err != nil {
		t.Fatal(err)
	}
	got, err := readNPZ(out.Bytes())
	if err != nil || !reflect.DeepEqual(got, z) {
		t.Errorf("%+v, %v; want %+v", got, err, z)
	}
	out.Reset()
	if err := WriteNPY(&out, z); err != nil {
		t.Fatal(err)
	}
	if end := bytes.IndexByte(out.Bytes(), '\n') + 1; end%64 != 0 {
		t.Errorf("the header ends at %d", end)
	}
	one, err := ReadNPY(bytes.NewReader(out.Bytes()), int64(out.Len()), 0)
	if err != nil || one.Slots != 2 || one.Users != 3 || one.Subbands != 2 || one.Antennas != 4 || !slices.Equal(one.Channel, z.Channel) {
		t.Errorf("%+v, %v", one, err)
	}
	for _, bad := range [][]byte{nil, out.Bytes()[:100], []byte("rubbish")} {
		if got, err := ReadNPY(bytes.NewReader(bad), int64(len(bad)), 0); err == nil {
			t.Errorf("%d bytes: %+v", len(bad), got)
		}
	}
	// A number for each user alone stands for all slots.
	short := repack(t, readFile(t, "c64.npz"), func(file string, array []byte) []byte {
		if file == "channel.npy" {
			return out.Bytes()
		}
		return array
	})
	if got, err := readNPZ(short); err == nil || !strings.Contains(err.Error(), "rate_bps has shape [2], not one number for each of 3 users") {
		t.Errorf("%v, %v", got, err)
	}
}

// repack rewrites the arrays of a file.
func repack(t testing.TB, data []byte, change func(name string, array []byte) []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var buf bytes.Buffer
	out := zip.NewWriter(&buf)
	for _, f := range in.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		var array bytes.Buffer
		array.ReadFrom(r)
		w, err := out.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		w.Write(change(f.Name, array.Bytes()))
	}
	out.Close()
	return buf.Bytes()
}

func TestReadNPZBroken(t *testing.T) {
	good := readFile(t, "c64.npz")
	for name, change := range map[string]func([]byte) []byte{
		"cut short":   func(b []byte) []byte { return b[:len(b)-8] },
		"too long":    func(b []byte) []byte { return append(b, 0) },
		"no header":   func(b []byte) []byte { return b[:8] },
		"no newline":  func(b []byte) []byte { return bytes.ReplaceAll(b, []byte("\n"), []byte(" ")) },
		"no shape":    func(b []byte) []byte { return bytes.Replace(b, []byte("shape"), []byte("shade"), 1) },
		"other shape": func(b []byte) []byte { return bytes.Replace(b, []byte("(2, 3, 4)"), []byte("(2, 3, 5)"), 1) },
		"huge shape": func(b []byte) []byte {
			return bytes.Replace(b, []byte("(2, 3, 4)"), []byte("(99999999999999999, 9999999999999999)"), 1)
		},
		"minus shape": func(b []byte) []byte { return bytes.Replace(b, []byte("(2, 3, 4)"), []byte("(-2, 3, -4)"), 1) },
		"no brackets": func(b []byte) []byte { return bytes.Replace(b, []byte("(2, 3, 4)"), []byte(""), 1) },
		"pickled":     func(b []byte) []byte { return bytes.Replace(b, []byte("<c8"), []byte("|O8"), 1) },
		"structured":  func(b []byte) []byte { return bytes.Replace(b, []byte("'<c8'"), []byte("[('a', '<c8')]"), 1) },
		"long header": func(b []byte) []byte {
			return append([]byte("\x93NUMPY\x02\x00\xff\xff\xff\xff"), b[10:]...)
		},
		"nothing":       func([]byte) []byte { return nil },
		"another magic": func(b []byte) []byte { return append([]byte("x"), b[1:]...) },
	} {
		bad := repack(t, good, func(file string, array []byte) []byte {
			if file == "channel.npy" {
				return change(array)
			}
			return array
		})
		if got, err := readNPZ(bad); err == nil || !strings.Contains(err.Error(), "array channel: ") {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	flipped := slices.Clone(good)
	flipped[bytes.Index(flipped, []byte("NUMPY"))+200] ^= 1
	if got, err := readNPZ(flipped); err == nil {
		t.Errorf("a flipped bit: %v", got)
	}
	twice := repack(t, good, func(_ string, array []byte) []byte { return array })
	twice = bytes.ReplaceAll(twice, []byte("csi_error_variance.npy"), []byte("rate_bps.npy          "))
	if got, err := readNPZ(twice); err == nil {
		t.Errorf("an array twice: %v", got)
	}
}

// FuzzReadNPZ: no file makes the reader panic.
func FuzzReadNPZ(f *testing.F) {
	for _, name := range []string{"c64.npz", "c128.npz", "fortran.npz"} {
		f.Add(readFile(f, name))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if z, err := readNPZ(data); err == nil && len(z.Channel) != z.Slots*z.Users*z.Subbands*z.Antennas {
			t.Errorf("%d samples for %d users, %d subbands, %d antennas", len(z.Channel), z.Users, z.Subbands, z.Antennas)
		}
	})
}

// FuzzDecodeArray: no header makes the reader panic or ask for much memory.
func FuzzDecodeArray(f *testing.F) {
	repack(f, readFile(f, "c64.npz"), func(_ string, array []byte) []byte {
		f.Add(array)
		return array
	})
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := decodeArray(bytes.NewReader(data), int64(len(data)), newRoom(0))
		if err == nil && len(a.complexes)+len(a.numbers) > len(data) {
			t.Errorf("%d values of %d bytes", len(a.complexes)+len(a.numbers), len(data))
		}
	})
}
