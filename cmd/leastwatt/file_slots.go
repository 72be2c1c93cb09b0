package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/encoding/protojson"

	"leastwatt/channel"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
	"leastwatt/scheduler"
)

// What .npz files, which are zip archives, and .npy files start with.
var (
	npzMagic = []byte("PK\x03\x04")
	npyMagic = []byte("\x93NUMPY")
)

// fileSlots reads the slots of one file.
type fileSlots interface {
	// Next returns the next slot, or io.EOF.
	Next() (*pb.Slot, error)
	// Offset returns how many bytes have been read.
	Offset() int64
}

// sniffBytes tell one form of file from another.
const sniffBytes = 12

// makeSlots makes slots of a file of NumPy's of a given size, which may take so many
// bytes of memory.
type makeSlots func(file *bytes.Reader, most int64) (*channel.NPZ, error)

func makeOfNPZ(file *bytes.Reader, most int64) (*channel.NPZ, error) {
	return channel.ReadNPZ(file, file.Size(), most)
}

// newFileSlots reads a trace, arrays of NumPy or protobuf JSON, whichever it is. A slot,
// and all arrays together, may take so many bytes of memory. npy, where it is not nil,
// makes slots of a .npy file.
func newFileSlots(in io.Reader, most int64, npy makeSlots) (fileSlots, error) {
	buffered := bufio.NewReader(in)
	start, err := buffered.Peek(sniffBytes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch {
	case tracefile.IsTrace(start):
		return tracefile.NewReader(buffered, most)
	case bytes.HasPrefix(start, npzMagic):
		return readArrays(buffered, most, makeOfNPZ)
	case bytes.HasPrefix(start, npyMagic) && npy == nil:
		return nil, errors.New("a .npy file has no rates: leastwatt convert adds them")
	case bytes.HasPrefix(start, npyMagic):
		return readArrays(buffered, most, npy)
	}
	text := newLimitedReader(buffered, most)
	return &jsonSlots{text: text, decoder: json.NewDecoder(text)}, nil
}

// jsonSlots reads slots as protobuf JSON, one after the other.
type jsonSlots struct {
	text    *limitedReader
	decoder *json.Decoder
	slots   int
	ahead   json.RawMessage // read by channel
}

func (j *jsonSlots) Offset() int64 { return j.decoder.InputOffset() }

func (j *jsonSlots) Next() (*pb.Slot, error) {
	raw, err := j.ahead, error(nil)
	if j.ahead = nil; raw == nil {
		j.text.next()
		err = j.decoder.Decode(&raw)
	}
	if errors.Is(err, io.EOF) {
		return nil, io.EOF
	}
	j.slots++
	slot := &pb.Slot{}
	if err == nil {
		err = checkText(raw, j.text.most)
	}
	if err == nil {
		err = protojson.Unmarshal(raw, slot)
	}
	if err != nil {
		return nil, fmt.Errorf("slot %d: %w", j.slots, err)
	}
	return slot, nil
}

// channel returns the channel that stands where slots may; nil where they do.
func (j *jsonSlots) channel() (*pb.Channel, error) {
	err := j.decoder.Decode(&j.ahead)
	if errors.Is(err, io.EOF) {
		return nil, nil
	}
	if err == nil {
		err = checkText(j.ahead, j.text.most)
	}
	channel := &pb.Channel{}
	if err == nil && protojson.Unmarshal(j.ahead, channel) != nil {
		return nil, nil
	}
	return channel, err
}

// readArrays reads all of a file and makes slots of it.
func readArrays(in io.Reader, most int64, make makeSlots) (fileSlots, error) {
	data, err := io.ReadAll(newLimitedReader(in, most))
	if err != nil {
		return nil, err
	}
	z, err := make(bytes.NewReader(data), most)
	return &arraySlots{z: z, bytes: int64(len(data))}, err
}

// arraySlots makes slots of arrays of NumPy, numbered from 0. Users are named by
// their number.
type arraySlots struct {
	z     *channel.NPZ
	slots int
	bytes int64
}

func (a *arraySlots) Offset() int64 { return a.bytes }

func (a *arraySlots) Next() (*pb.Slot, error) {
	z := a.z
	if a.slots == z.Slots {
		return nil, io.EOF
	}
	size := z.Users * z.Subbands * z.Antennas
	slot := &scheduler.Slot{
		Sequence:    int64(a.slots),
		BandwidthHz: z.BandwidthHz,
		Channel:     scheduler.Channel{Antennas: z.Antennas, Subbands: z.Subbands, Samples: z.Channel[a.slots*size : (a.slots+1)*size]},
	}
	for k := range z.Users {
		at := a.slots*z.Users + k
		slot.Users = append(slot.Users, scheduler.User{
			ID: fmt.Sprint(k), RateBps: z.RateBps[at], NoiseW: z.NoiseW[at], CSIErrorVariance: z.CSIErrorVariance[at],
		})
	}
	a.slots++
	return convert.SlotToProto(slot, convert.SamplesF64), nil
}
