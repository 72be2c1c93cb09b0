package trace

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"

	pb "leastwatt/proto/leastwatt/v1"
)

// slotOf returns a slot whose content follows from its number.
func slotOf(n int) *pb.Slot {
	slot := &pb.Slot{Sequence: int64(10 + 3*n), BandwidthHz: 1e6, Channel: &pb.Channel{Antennas: 4}}
	for k := range 2 {
		slot.Users = append(slot.Users, &pb.User{Id: fmt.Sprint("u", k), RateBps: float64(n), NoiseW: 1e-13})
		for m := range 8 {
			slot.Channel.Values = append(slot.Channel.Values, 1/float64(1+n+k+m))
		}
	}
	return slot
}

var header = &pb.TraceHeader{Title: "test", Settings: `{"seed":1}`, Writer: "a test"}

// traceOf returns a complete trace of n slots.
func traceOf(t testing.TB, n int) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := NewWriter(&out, header)
	for i := range n {
		err = errors.Join(err, w.Write(slotOf(i)))
	}
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// readAll reads what can be read from start to end: slots, and damage.
func readAll(t testing.TB, data []byte) (slots []*pb.Slot, damage []*DamageError, complete bool) {
	t.Helper()
	r, err := NewReader(bytes.NewReader(data), 0)
	if err != nil {
		t.Fatal(err)
	}
	for {
		slot, err := r.Next()
		hit := new(DamageError)
		switch {
		case errors.Is(err, io.EOF):
			return slots, damage, r.Complete()
		case errors.As(err, &hit):
			damage = append(damage, hit)
		case err != nil:
			t.Fatal(err)
		default:
			slots = append(slots, slot)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	for _, n := range []int{0, 1, 7} {
		data := traceOf(t, n)
		slots, damage, complete := readAll(t, data)
		if len(slots) != n || len(damage) != 0 || !complete {
			t.Fatalf("%d slots: %d, damage %v, complete %v", n, len(slots), damage, complete)
		}
		f, err := Open(bytes.NewReader(data), int64(len(data)), 0)
		if err != nil {
			t.Fatal(err)
		}
		if f.Len() != n || !f.Complete() || !proto.Equal(f.Header(), header) {
			t.Errorf("%d slots: Len %d, complete %v, header %v", n, f.Len(), f.Complete(), f.Header())
		}
		for i := n - 1; i >= 0; i-- {
			slot, err := f.Slot(i)
			if err != nil || !proto.Equal(slot, slotOf(i)) || !proto.Equal(slots[i], slotOf(i)) {
				t.Errorf("slot %d: %v, %v", i, slot, err)
			}
			if place, found := f.Find(slotOf(i).Sequence); !found || place != i {
				t.Errorf("sequence %d at %d, %v", slotOf(i).Sequence, place, found)
			}
		}
		if _, found := f.Find(11); found {
			t.Error("sequence 11 is found")
		}
		if _, err := f.Slot(n); err == nil {
			t.Error("a slot after the last")
		}
	}
}

// A trace decompressed by a zstd that knows nothing of it is a length-delimited
// stream of protobuf.
func TestStream(t *testing.T) {
	decoder, err := zstd.NewReader(bytes.NewReader(traceOf(t, 3)))
	if err != nil {
		t.Fatal(err)
	}
	defer decoder.Close()
	raw, err := io.ReadAll(decoder)
	if err != nil {
		t.Fatal(err)
	}
	in := bytes.NewBuffer(raw)
	got := &pb.TraceHeader{}
	if err := protodelim.UnmarshalFrom(in, got); err != nil || !proto.Equal(got, header) {
		t.Errorf("header %v, %v", got, err)
	}
	for i := range 3 {
		slot := &pb.Slot{}
		if err := protodelim.UnmarshalFrom(in, slot); err != nil || !proto.Equal(slot, slotOf(i)) {
			t.Errorf("slot %d: %v, %v", i, slot, err)
		}
	}
	index := &pb.TraceIndex{}
	if err := protodelim.UnmarshalFrom(in, index); err != nil || len(index.Offsets) != 3 || in.Len() != 0 {
		t.Errorf("index %v, %v, %d bytes left", index, err, in.Len())
	}
}

// A trace is read while it is written: each slot once it is there.
func TestReadWhileWritten(t *testing.T) {
	var data bytes.Buffer
	w, err := NewWriter(&data, header)
	if err != nil {
		t.Fatal(err)
	}
	r, err := NewReader(&data, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		if _, err := r.Next(); !errors.Is(err, io.EOF) || r.Complete() {
			t.Fatalf("before slot %d: %v, complete %v", i, err, r.Complete())
		}
		if err := w.Write(slotOf(i)); err != nil {
			t.Fatal(err)
		}
		if slot, err := r.Next(); err != nil || !proto.Equal(slot, slotOf(i)) {
			t.Fatalf("slot %d: %v, %v", i, slot, err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) || !r.Complete() {
		t.Errorf("at the end: %v, complete %v", err, r.Complete())
	}
	if err := w.Write(slotOf(9)); err == nil {
		t.Error("a slot after the end")
	}
}

// Cut anywhere, a trace has every slot that was whole, and an error that names the
// next unless the cut is between two.
func TestCut(t *testing.T) {
	const n = 5
	data := traceOf(t, n)
	f, err := Open(bytes.NewReader(data), int64(len(data)), 0)
	if err != nil {
		t.Fatal(err)
	}
	ends := append(f.index.Offsets[1:len(f.index.Offsets):len(f.index.Offsets)], indexAt(t, data))
	for size := range len(data) {
		if int64(size) < f.index.Offsets[0] {
			if _, err := NewReader(bytes.NewReader(data[:size]), 0); err == nil || !strings.Contains(err.Error(), "header") {
				t.Fatalf("cut to %d bytes: %v", size, err)
			}
			continue
		}
		whole, between := 0, int64(size) == f.index.Offsets[0]
		for _, end := range ends {
			if int64(size) >= end {
				whole++
			}
			between = between || int64(size) == end
		}
		slots, damage, complete := readAll(t, data[:size])
		if whole < n && complete || len(slots) != whole {
			t.Fatalf("cut to %d bytes: %d slots, want %d; complete %v", size, len(slots), whole, complete)
		}
		if whole == n {
			continue // within the index
		}
		if between != (len(damage) == 0) {
			t.Fatalf("cut to %d bytes: damage %v", size, damage)
		}
		if !between && (damage[0].Slot != whole+1 || !errors.Is(damage[0], io.ErrUnexpectedEOF)) {
			t.Fatalf("cut to %d bytes, after %d slots: %v", size, whole, damage[0])
		}
		scanned, err := Open(bytes.NewReader(data[:size]), int64(size), 0)
		if err != nil || scanned.Len() != whole || scanned.Complete() {
			t.Fatalf("cut to %d bytes: %d slots by scanning, want %d: %v", size, scanned.Len(), whole, err)
		}
	}
}

// indexAt returns where the index of a trace starts.
func indexAt(t *testing.T, data []byte) int64 {
	m, ok := parseMarker(data[len(data)-markerSize:])
	if !ok || m.kind != kindEnd {
		t.Fatal("no end")
	}
	return m.number
}

// Any one byte changed costs at most the slot that it is in, and is told.
func TestFlippedBytes(t *testing.T) {
	const n = 4
	data := traceOf(t, n)
	f, err := Open(bytes.NewReader(data), int64(len(data)), 0)
	if err != nil {
		t.Fatal(err)
	}
	first, last := f.index.Offsets[0], indexAt(t, data)
	for at := first; at < last; at++ {
		for _, mask := range []byte{1, 0x80, 0xff} {
			broken := bytes.Clone(data)
			broken[at] ^= mask
			hit := 0
			for hit+1 < n && at >= f.index.Offsets[hit+1] {
				hit++
			}
			slots, damage, _ := readAll(t, broken)
			if len(damage) == 0 && len(slots) == n {
				// A bit that the format does not use: what is read must be the same.
				slots = append(slots[:hit], slots[hit+1:]...)
				if slot, _ := f.Slot(hit); !proto.Equal(slot, slotOf(hit)) {
					t.Fatalf("byte %d: another slot in silence", at)
				}
			} else if len(damage) != 1 || damage[0].Slot != hit+1 || damage[0].Offset != f.index.Offsets[hit] {
				t.Fatalf("byte %d, in slot %d: damage %v", at, hit+1, damage)
			}
			for i, slot := range slots {
				want := i
				if i >= hit {
					want++
				}
				if !proto.Equal(slot, slotOf(want)) {
					t.Fatalf("byte %d: slot %d is %v", at, want, slot)
				}
			}
			g, err := Open(bytes.NewReader(broken), int64(len(broken)), 0)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := g.Slot(hit); len(damage) > 0 && (err == nil || !strings.Contains(err.Error(), fmt.Sprintf("slot %d", hit+1))) {
				t.Fatalf("byte %d: by its index slot %d gives %v", at, hit+1, err)
			}
		}
	}
	for at := last; at < int64(len(data)); at++ { // of the index: scanning takes its place
		broken := bytes.Clone(data)
		broken[at] ^= 0x10
		g, err := Open(bytes.NewReader(broken), int64(len(broken)), 0)
		if err != nil || g.Len() != n {
			t.Fatalf("byte %d, in the index: %d slots, %v", at, g.Len(), err)
		}
		for i := range n {
			if slot, err := g.Slot(i); err != nil || !proto.Equal(slot, slotOf(i)) {
				t.Fatalf("byte %d, in the index: slot %d: %v", at, i, err)
			}
		}
	}
}

// Rubbish between slots is passed over.
func TestRubbish(t *testing.T) {
	data := traceOf(t, 3)
	f, _ := Open(bytes.NewReader(data), int64(len(data)), 0)
	at := f.index.Offsets[1]
	rubbish := bytes.Repeat([]byte{0x5d, 0x2a, 0x4d, 0x18, 24, 0}, 20000)
	slots, damage, complete := readAll(t, bytes.Join([][]byte{data[:at], rubbish, data[at:]}, nil))
	if len(slots) != 3 || len(damage) != 1 || damage[0].Slot != 2 || !complete {
		t.Errorf("%d slots, damage %v, complete %v", len(slots), damage, complete)
	}
}

// Markers and an index that say other than what stands there are found out.
func TestLies(t *testing.T) {
	data := traceOf(t, 2)
	start := data[:indexOfSlots(t, data)]
	p, err := newPacker()
	if err != nil {
		t.Fatal(err)
	}
	unit := func(kind byte, number int64, m proto.Message) []byte {
		unit, err := p.pack(kind, number, m)
		if err != nil {
			t.Fatal(err)
		}
		return bytes.Clone(unit)
	}
	for name, lie := range map[string][]byte{
		"another sequence": unit(kindSlot, 1, &pb.Slot{Sequence: 2}),
		"another kind":     unit('Q', 2, &pb.Slot{Sequence: 2}),
		"a second header":  unit(kindHeader, 0, header),
	} {
		slots, damage, complete := readAll(t, bytes.Join([][]byte{start, lie, data[len(start):]}, nil))
		if len(slots) != 2 || len(damage) != 1 || damage[0].Slot != 1 || !complete {
			t.Errorf("%s: %d slots, damage %v, complete %v", name, len(slots), damage, complete)
		}
	}
	first := int64(len(start))
	for name, index := range map[string]*pb.TraceIndex{
		"another sequence":  {Sequences: []int64{11}, Offsets: []int64{first}},
		"within a slot":     {Sequences: []int64{10}, Offsets: []int64{first + 5}},
		"before the start":  {Sequences: []int64{10}, Offsets: []int64{-5}},
		"after the end":     {Sequences: []int64{10}, Offsets: []int64{1 << 40}},
		"at the header":     {Sequences: []int64{0}, Offsets: []int64{0}},
		"at the index":      {Sequences: []int64{10}, Offsets: []int64{indexAt(t, data)}},
		"sequences missing": {Offsets: []int64{first, first}},
	} {
		at := indexAt(t, data)
		broken := bytes.Join([][]byte{data[:at], unit(kindIndex, 0, index), marker{kind: kindEnd, number: at}.append(nil)}, nil)
		f, err := Open(bytes.NewReader(broken), int64(len(broken)), 0)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if name == "sequences missing" { // scanning takes its place
			if f.Len() != 2 {
				t.Errorf("%s: %d slots", name, f.Len())
			}
		} else if slot, err := f.Slot(0); err == nil {
			t.Errorf("%s: %v", name, slot)
		}
	}
}

// A reader that fails is not damage.
func TestFailingReader(t *testing.T) {
	broken := errors.New("no cable")
	data := traceOf(t, 3)
	for size := range data {
		r, err := NewReader(io.MultiReader(bytes.NewReader(data[:size]), iotest.ErrReader(broken)), 0)
		for err == nil {
			_, err = r.Next()
		}
		if !errors.Is(err, broken) && !errors.Is(err, io.EOF) {
			t.Fatalf("after %d bytes: %v", size, err)
		}
	}
}

// failing is a writer that takes only so many bytes.
type failing struct{ left int }

func (f *failing) Write(p []byte) (int, error) {
	n := min(len(p), f.left)
	f.left -= n
	if n < len(p) {
		return n, errors.New("disk full")
	}
	return n, nil
}

func TestWriterFails(t *testing.T) {
	size := len(traceOf(t, 2))
	for left := range size {
		w, err := NewWriter(&failing{left}, header)
		if err == nil {
			err = errors.Join(w.Write(slotOf(0)), w.Write(slotOf(1)), w.Close())
		}
		if err == nil || !strings.Contains(err.Error(), "disk full") {
			t.Fatalf("%d of %d bytes taken: %v", left, size, err)
		}
	}
}

// A trace that was cut off or closed is gone on with, and is then the same as one
// written in one go.
func TestResume(t *testing.T) {
	const n = 4
	want := traceOf(t, n)
	f, _ := Open(bytes.NewReader(want), int64(len(want)), 0)
	cuts := map[string][]byte{
		"closed":        traceOf(t, 2),
		"in a slot":     want[:f.index.Offsets[2]+50],
		"after a slot":  want[:f.index.Offsets[2]],
		"header only":   want[:f.index.Offsets[0]],
		"in the index":  want[:len(want)-40],
		"complete":      want,
		"rubbish after": append(bytes.Clone(want[:f.index.Offsets[1]]), "rubbish"...),
		"much after":    append(bytes.Clone(want[:indexAt(t, want)]), make([]byte, 100000)...),
	}
	for name, data := range cuts {
		path := filepath.Join(t.TempDir(), "trace")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		w, err := Resume(file)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i := w.Len(); i < n; i++ {
			err = errors.Join(err, w.Write(slotOf(i)))
		}
		if err := errors.Join(err, w.Close(), file.Close()); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: %d bytes, want %d: %v", name, len(got), len(want), err)
		}
	}
}

func TestIsTrace(t *testing.T) {
	if !IsTrace(traceOf(t, 0)) {
		t.Error("a trace is none")
	}
	for _, data := range []string{"", "{}", "PK\x03\x04", "\x5d\x2a\x4d\x18"} {
		if IsTrace([]byte(data)) {
			t.Errorf("%q is a trace", data)
		}
	}
}

// FuzzReader: whatever the bytes, readers end without a panic, and what they count
// agrees.
func FuzzReader(f *testing.F) {
	good := traceOf(f, 3)
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Add([]byte("rubbish"))
	var packed, raw bytes.Buffer // right markers, wrong frames
	raw.Write(good[:indexOfSlots(f, good)])
	w, _ := newPacker()
	for _, kind := range []byte{kindSlot, kindIndex, kindHeader, 'Q'} {
		unit, _ := w.pack(kind, 1, &pb.Slot{Sequence: 2})
		raw.Write(unit)
	}
	raw.Write(marker{kind: kindSlot, frameBytes: maxBytes, rawBytes: maxBytes}.append(nil))
	f.Add(raw.Bytes())
	packed.Write(marker{kind: kindEnd, number: 3}.append(bytes.Clone(good)))
	f.Add(packed.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := NewReader(bytes.NewReader(data), 0)
		if err != nil {
			return
		}
		slots := 0
		for {
			slot, err := r.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			damage := new(DamageError)
			if err != nil && (!errors.As(err, &damage) || damage.Slot < 1 || damage.Offset >= int64(len(data))) {
				t.Fatal(err)
			}
			if (slot == nil) == (err == nil) {
				t.Fatalf("slot %v with error %v", slot, err)
			}
			slots++
		}
		if r.Offset() > int64(len(data)) {
			t.Errorf("%d of %d bytes read", r.Offset(), len(data))
		}
		file, err := Open(bytes.NewReader(data), int64(len(data)), 0)
		if err != nil {
			t.Fatal(err)
		}
		for i := range file.Len() {
			file.Slot(i)
		}
	})
}

// FuzzDamage: nothing before the damage is lost, and no slot is another.
func FuzzDamage(f *testing.F) {
	good := traceOf(f, 4)
	first := indexOfSlots(f, good)
	f.Add(uint16(5), uint16(3), []byte{1})
	f.Add(uint16(0), uint16(300), []byte{})
	f.Fuzz(func(t *testing.T, at, cut uint16, put []byte) {
		from := first + int(at)%(len(good)-first)
		to := min(from+int(cut), len(good))
		data := bytes.Join([][]byte{good[:from], put, good[to:]}, nil)
		slots, _, _ := readAll(t, data)
		file, _ := Open(bytes.NewReader(good), int64(len(good)), 0)
		for i, offset := range append(file.index.Offsets[1:], int64(len(good))) {
			if int64(from) < offset {
				break
			}
			if i >= len(slots) || !proto.Equal(slots[i], slotOf(i)) {
				t.Fatalf("damage at byte %d costs slot %d", from, i+1)
			}
		}
		for _, slot := range slots {
			if i := int(slot.GetSequence()-10) / 3; !proto.Equal(slot, slotOf(i)) {
				t.Fatalf("a slot that was not written: %v", slot)
			}
		}
	})
}

// indexOfSlots returns where the first slot starts.
func indexOfSlots(t testing.TB, data []byte) int {
	file, err := Open(bytes.NewReader(data), int64(len(data)), 0)
	if err != nil {
		t.Fatal(err)
	}
	return int(file.index.Offsets[0])
}

// FuzzFrame: what stands behind a right marker is taken for no more than it is.
func FuzzFrame(f *testing.F) {
	p, err := newPacker()
	if err != nil {
		f.Fatal(err)
	}
	for _, m := range []proto.Message{slotOf(1), &pb.TraceIndex{Sequences: []int64{1}, Offsets: []int64{2}}} {
		unit, err := p.pack(kindSlot, 13, m)
		if err != nil {
			f.Fatal(err)
		}
		was, _ := parseMarker(unit)
		f.Add(byte(kindSlot), int64(13), uint32(was.rawBytes), bytes.Clone(unit[markerSize:]))
		f.Add(byte(kindIndex), int64(13), uint32(was.rawBytes), bytes.Clone(unit[markerSize:]))
		f.Add(byte(kindSlot), int64(13), uint32(maxBytes), bytes.Clone(unit[markerSize:]))
	}
	empty := traceOf(f, 0)
	empty = empty[:len(empty)-markerSize]
	start := empty[:markerSize+func() int { m, _ := parseMarker(empty); return m.frameBytes }()]
	tail := traceOf(f, 1)[len(start):]
	f.Fuzz(func(t *testing.T, kind byte, number int64, raw uint32, frame []byte) {
		unit := marker{kind: kind, number: number, frameBytes: len(frame), rawBytes: int(raw)}.append(nil)
		at := int64(len(start))
		end := marker{kind: kindEnd, number: at}.append(nil) // the unit may be an index
		for _, data := range [][]byte{
			bytes.Join([][]byte{start, unit, frame, tail}, nil),
			bytes.Join([][]byte{start, unit, frame, end}, nil),
		} {
			slots, damage, _ := readAll(t, data)
			for _, slot := range slots {
				if slot.Sequence != number && !proto.Equal(slot, slotOf(0)) {
					t.Errorf("slot %v of marker %d", slot, number)
				}
			}
			if kind == kindSlot && len(damage) == 1 && damage[0].Slot != 1 {
				t.Error(damage[0])
			}
			file, err := Open(bytes.NewReader(data), int64(len(data)), 0)
			if err != nil {
				t.Fatal(err)
			}
			for i := range file.Len() {
				file.Slot(i)
			}
		}
	})
}
