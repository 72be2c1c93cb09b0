package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protojson"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// npzMagic starts every .npz file: it is a zip archive.
var npzMagic = []byte("PK\x03\x04")

// openInput opens a file for reading; "-" is stdin.
func openInput(name string, stdin io.Reader) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(stdin), nil
	}
	return os.Open(name)
}

// readSlot reads one slot, as protobuf JSON or as arrays of NumPy.
func readSlot(r io.Reader) (*pb.Slot, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(data, npzMagic) {
		return slotOfArrays(data)
	}
	slot := &pb.Slot{}
	return slot, protojson.Unmarshal(data, slot)
}

// slotOfArrays makes a slot of a .npz file. Users are named by their number.
func slotOfArrays(data []byte) (*pb.Slot, error) {
	z, err := channel.ReadNPZ(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, err
	}
	slot := &scheduler.Slot{
		BandwidthHz: z.BandwidthHz,
		Channel:     scheduler.Channel{Antennas: z.Antennas, Subbands: z.Subbands, Samples: z.Channel},
	}
	for k := range z.Users {
		slot.Users = append(slot.Users, scheduler.User{
			ID: fmt.Sprint(k), RateBps: z.RateBps[k], NoiseW: z.NoiseW[k], CSIErrorVariance: z.CSIErrorVariance[k],
		})
	}
	return convert.SlotToProto(slot, convert.SamplesF64), nil
}

// trace reads slots one after the other from files of protobuf JSON, one slot or
// many in each.
type trace struct {
	stdin   io.Reader
	files   []string // left
	name    string   // of the open file
	slots   int      // read from the open file
	file    io.ReadCloser
	decoder *json.Decoder
	read    int64 // bytes of the files already closed
}

// next returns the next slot, or io.EOF.
func (t *trace) next() (*pb.Slot, error) {
	for {
		if t.file == nil {
			if len(t.files) == 0 {
				return nil, io.EOF
			}
			t.name, t.files, t.slots = t.files[0], t.files[1:], 0
			file, err := openInput(t.name, t.stdin)
			if err != nil {
				return nil, err
			}
			t.file, t.decoder = file, json.NewDecoder(file)
		}
		var raw json.RawMessage
		err := t.decoder.Decode(&raw)
		if errors.Is(err, io.EOF) {
			t.close()
			continue
		}
		slot := &pb.Slot{}
		if err == nil {
			err = protojson.Unmarshal(raw, slot)
		}
		if err != nil {
			return nil, fmt.Errorf("%s, slot %d: %w", t.name, t.slots+1, err)
		}
		t.slots++
		return slot, nil
	}
}

// position returns how many bytes have been read.
func (t *trace) position() int64 {
	if t.decoder == nil {
		return t.read
	}
	return t.read + t.decoder.InputOffset()
}

// close closes the open file.
func (t *trace) close() {
	if t.file != nil {
		t.read += t.decoder.InputOffset()
		t.file.Close()
		t.file, t.decoder = nil, nil
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
