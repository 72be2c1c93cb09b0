package channel

import (
	"archive/zip"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
)

// NPZ is one slot or several in NumPy's .npz form: what
//
//	numpy.savez(file, channel=H, rate_bps=R, noise_w=N, bandwidth_hz=B)
//
// writes. Values are as in the file; only shapes and types are checked.
type NPZ struct {
	Slots    int
	Users    int
	Subbands int
	Antennas int
	// Channel is the array channel, complex64 or complex128, of shape [slot, user,
	// subband, antenna]; [user, subband, antenna] for one slot, or [user, antenna]
	// for one slot and subband.
	Channel []complex128
	// RateBps is the array rate_bps of shape [slot, user], or [user] for all slots.
	RateBps []float64
	// NoiseW is the array noise_w of shape [slot, user], [user] for all slots, or
	// one number for all.
	NoiseW []float64
	// BandwidthHz is the number bandwidth_hz.
	BandwidthHz float64
	// CSIErrorVariance is the array csi_error_variance, as noise_w; 0 where the
	// file has none.
	CSIErrorVariance []float64
}

// ReadNPZ reads a .npz file of a given size. Arrays other than those of NPZ are
// an error: nothing in a file is ignored. maxBytes bounds the memory of all arrays
// together, which a small file may fill; 0 means DefaultMaxBytes. More is a *SizeError.
func ReadNPZ(r io.ReaderAt, size, maxBytes int64) (*NPZ, error) {
	archive, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("channel: no .npz file: %w", err)
	}
	room := newRoom(maxBytes)
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
		if arrays[name], err = readArray(f, room); err != nil {
			return nil, fmt.Errorf("channel: array %s: %w", name, err)
		}
	}
	out := &NPZ{}
	if err := out.fill(arrays, room); err != nil {
		return nil, fmt.Errorf("channel: %w", err)
	}
	return out, nil
}

// fill sorts the arrays of a file into place.
func (z *NPZ) fill(arrays map[string]*array, room *room) error {
	h := arrays["channel"]
	if h == nil {
		return fmt.Errorf("array channel is missing")
	}
	if err := z.fillChannel(h); err != nil {
		return fmt.Errorf("array channel %w", err)
	}
	if err := z.takeUsers(room); err != nil {
		return err
	}
	var err error
	if z.RateBps, err = perUser(arrays, "rate_bps", z.Slots, z.Users, false); err != nil {
		return err
	}
	if z.NoiseW, err = perUser(arrays, "noise_w", z.Slots, z.Users, true); err != nil {
		return err
	}
	bandwidth, err := perUser(arrays, "bandwidth_hz", 1, 1, true)
	if err != nil {
		return err
	}
	z.BandwidthHz = bandwidth[0]
	if arrays["csi_error_variance"] == nil {
		z.CSIErrorVariance = make([]float64, z.Slots*z.Users)
		return nil
	}
	z.CSIErrorVariance, err = perUser(arrays, "csi_error_variance", z.Slots, z.Users, true)
	return err
}

// fillChannel takes the channel and its shape.
func (z *NPZ) fillChannel(h *array) error {
	shape := h.shape
	switch {
	case h.complexes == nil:
		return fmt.Errorf("is of type %s, not complex64 or complex128", h.kind)
	case len(shape) == 2:
		shape = []int{1, shape[0], 1, shape[1]}
	case len(shape) == 3:
		shape = []int{1, shape[0], shape[1], shape[2]}
	case len(shape) != 4 || len(h.complexes) == 0:
		return fmt.Errorf("has shape %v, not [slot, user, subband, antenna], [user, subband, antenna] or [user, antenna]", shape)
	}
	z.Slots, z.Users, z.Subbands, z.Antennas = shape[0], shape[1], shape[2], shape[3]
	z.Channel = h.complexes
	return nil
}

// takeUsers counts the memory of the numbers that stand beside the channel: an empty
// one may be of any number of users.
func (z *NPZ) takeUsers(room *room) error {
	return room.take(8*3, z.Slots, z.Users)
}

// perUser returns a number for each user of each slot of an array, which may have
// them for each user alone; one number may stand for all.
func perUser(arrays map[string]*array, name string, slots, users int, one bool) ([]float64, error) {
	a := arrays[name]
	if a == nil {
		return nil, fmt.Errorf("array %s is missing", name)
	}
	if a.numbers == nil {
		return nil, fmt.Errorf("array %s is of type %s, not of real numbers", name, a.kind)
	}
	switch {
	case len(a.shape) == 2 && a.shape[0] == slots && a.shape[1] == users:
		return a.numbers, nil
	case one && len(a.numbers) == 1 && len(a.shape) <= 1:
		return repeat(a.numbers, slots*users), nil
	case len(a.shape) == 1 && len(a.numbers) == users:
		return repeat(a.numbers, slots), nil
	}
	return nil, fmt.Errorf("array %s has shape %v, not one number for each of %d users", name, a.shape, users)
}

// repeat returns values count times over.
func repeat(values []float64, count int) []float64 {
	all := make([]float64, 0, count*len(values))
	for range count {
		all = append(all, values...)
	}
	return all
}

// ReadNPY reads the channel of an .npy file of a given size, the array channel of NPZ,
// alone: all else is to be filled in. maxBytes is that of ReadNPZ.
func ReadNPY(r io.Reader, size, maxBytes int64) (*NPZ, error) {
	room := newRoom(maxBytes)
	h, err := decodeArray(r, size, room)
	if err != nil {
		return nil, fmt.Errorf("channel: %w", err)
	}
	z := &NPZ{}
	if err := z.fillChannel(h); err != nil {
		return nil, fmt.Errorf("channel: the array %w", err)
	}
	if err := z.takeUsers(room); err != nil {
		return nil, fmt.Errorf("channel: %w", err)
	}
	return z, nil
}

// WriteNPZ writes z as a .npz file, each array of the shape [slot, user, ...].
func WriteNPZ(w io.Writer, z *NPZ) error {
	archive := zip.NewWriter(w)
	for _, a := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{"channel", func(w io.Writer) error { return WriteNPY(w, z) }},
		{"rate_bps", func(w io.Writer) error { return writeArray(w, "<f8", z.RateBps, z.Slots, z.Users) }},
		{"noise_w", func(w io.Writer) error { return writeArray(w, "<f8", z.NoiseW, z.Slots, z.Users) }},
		{"bandwidth_hz", func(w io.Writer) error { return writeArray(w, "<f8", z.BandwidthHz) }},
		{"csi_error_variance", func(w io.Writer) error { return writeArray(w, "<f8", z.CSIErrorVariance, z.Slots, z.Users) }},
	} {
		// Samples are noise: packing them saves little.
		out, err := archive.CreateHeader(&zip.FileHeader{Name: a.name + ".npy", Method: zip.Store})
		if err != nil {
			return err
		}
		if err := a.write(out); err != nil {
			return err
		}
	}
	return archive.Close()
}

// WriteNPY writes the channel of z as an .npy file of shape [slot, user, subband,
// antenna].
func WriteNPY(w io.Writer, z *NPZ) error {
	return writeArray(w, "<c16", z.Channel, z.Slots, z.Users, z.Subbands, z.Antennas)
}

// writeArray writes values in NumPy's format, version 1.0: the header is padded so
// that the data starts at a multiple of 64.
func writeArray(w io.Writer, kind string, values any, shape ...int) error {
	var dims strings.Builder
	for _, n := range shape {
		fmt.Fprintf(&dims, "%d, ", n)
	}
	header := fmt.Sprintf("{'descr': '%s', 'fortran_order': False, 'shape': (%s), }", kind, strings.TrimSuffix(dims.String(), " "))
	const prefix = 10
	header += strings.Repeat(" ", 63-(prefix+len(header))%64) + "\n"
	start := binary.LittleEndian.AppendUint16([]byte("\x93NUMPY\x01\x00"), uint16(len(header)))
	if _, err := w.Write(append(start, header...)); err != nil {
		return err
	}
	return binary.Write(w, binary.LittleEndian, values)
}
