package trace

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"leastwatt/proto/measure"
)

const (
	markerMagic = 0x184D2A5D
	markerSize  = 32
	// maxBytes bounds a message, and its frame, in the format.
	maxBytes = 1 << 30
	// DefaultMaxBytes is what a message may take in memory unless told otherwise.
	DefaultMaxBytes = 256 << 20
	// maxWindow bounds what a frame may ask for ahead of its content; ours have 8 MiB.
	maxWindow = 64 << 20
)

// Kinds of markers.
const (
	kindHeader = 'H'
	kindSlot   = 'S'
	kindIndex  = 'X'
	kindEnd    = 'E'
)

// marker is what stands before a frame.
type marker struct {
	kind       byte
	number     int64 // of a slot its sequence, at the end where the index is
	frameBytes int
	rawBytes   int
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func (m marker) append(b []byte) []byte {
	start := len(b)
	b = binary.LittleEndian.AppendUint32(b, markerMagic)
	b = binary.LittleEndian.AppendUint32(b, markerSize-8)
	b = append(b, 'l', 'w', 't', m.kind)
	b = binary.LittleEndian.AppendUint64(b, uint64(m.number))
	b = binary.LittleEndian.AppendUint32(b, uint32(m.frameBytes))
	b = binary.LittleEndian.AppendUint32(b, uint32(m.rawBytes))
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b[start:], castagnoli))
}

// parseMarker returns the marker of markerSize bytes, or false.
func parseMarker(b []byte) (marker, bool) {
	u32 := binary.LittleEndian.Uint32
	if u32(b) != markerMagic || u32(b[4:]) != markerSize-8 || string(b[8:11]) != "lwt" ||
		u32(b[28:]) != crc32.Checksum(b[:28], castagnoli) {
		return marker{}, false
	}
	m := marker{kind: b[11], number: int64(binary.LittleEndian.Uint64(b[12:]))}
	frame, raw := u32(b[20:]), u32(b[24:])
	m.frameBytes, m.rawBytes = int(frame), int(raw)
	return m, frame <= maxBytes && raw <= maxBytes
}

// packer makes frames.
type packer struct {
	encoder *zstd.Encoder
	raw     []byte
	frame   []byte
	unit    []byte
}

func newPacker() (*packer, error) {
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(true))
	return &packer{encoder: encoder}, err
}

// pack returns a marker and the frame of a message; they hold until the next call.
func (p *packer) pack(kind byte, number int64, m proto.Message) ([]byte, error) {
	size := proto.Size(m)
	var err error
	p.raw, err = proto.MarshalOptions{Deterministic: true}.MarshalAppend(protowire.AppendVarint(p.raw[:0], uint64(size)), m)
	if err != nil {
		return nil, err
	}
	if len(p.raw) > maxBytes {
		return nil, fmt.Errorf("a message of %d bytes is larger than %d", len(p.raw), maxBytes)
	}
	p.frame = p.encoder.EncodeAll(p.raw, p.frame[:0])
	p.unit = marker{kind: kind, number: number, frameBytes: len(p.frame), rawBytes: len(p.raw)}.append(p.unit[:0])
	p.unit = append(p.unit, p.frame...)
	return p.unit, nil
}

// unpacker reads frames.
type unpacker struct {
	decoder *zstd.Decoder
	raw     bytes.Buffer
	most    int64 // memory of a message
}

// newUnpacker returns an unpacker of messages that take at most so many bytes; 0 means
// DefaultMaxBytes.
func newUnpacker(most int64) (*unpacker, error) {
	if most == 0 {
		most = DefaultMaxBytes
	}
	decoder, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxBytes), zstd.WithDecoderMaxWindow(maxWindow))
	return &unpacker{decoder: decoder, most: most}, err
}

// SizeError says that a message takes more memory than it may.
type SizeError struct {
	Bytes   int64 // that it takes, or more than Allowed where that is not known
	Allowed int64
}

// Error names both sizes.
func (e *SizeError) Error() string {
	if e.Bytes > e.Allowed {
		return fmt.Sprintf("%d bytes unpacked, allowed: %d", e.Bytes, e.Allowed)
	}
	return fmt.Sprintf("unpacked it takes more memory than allowed: %d bytes", e.Allowed)
}

// check tells from a marker alone whether a message may be unpacked.
func (u *unpacker) check(m marker) error {
	if n := int64(max(m.frameBytes, m.rawBytes)); n > u.most {
		return &SizeError{Bytes: n, Allowed: u.most}
	}
	return nil
}

var errLength = errors.New("the message is not as long as it says")

// unpack decodes the frame that follows a marker into a message. No more memory is
// taken than the frame fills, and the message no more than it may.
func (u *unpacker) unpack(m marker, frame []byte, into proto.Message) error {
	if err := u.decoder.Reset(bytes.NewReader(frame)); err != nil {
		return fmt.Errorf("its frame: %v", err)
	}
	u.raw.Reset()
	if _, err := io.Copy(&u.raw, io.LimitReader(u.decoder, int64(m.rawBytes)+1)); err != nil {
		return fmt.Errorf("its frame: %v", err) // not an end of the trace, whatever it is
	}
	raw := u.raw.Bytes()
	size, n := protowire.ConsumeVarint(raw)
	if len(raw) != m.rawBytes || n < 0 || size != uint64(len(raw)-n) {
		return errLength
	}
	// Two bytes of an empty element take hundreds once decoded.
	_, err := measure.DecodedBytes(raw[n:], into.ProtoReflect().Descriptor(), int(u.most))
	if errors.Is(err, measure.ErrExpands) {
		return &SizeError{Allowed: u.most}
	}
	if err != nil {
		return err
	}
	return proto.Unmarshal(raw[n:], into)
}
