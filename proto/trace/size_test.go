package trace

import (
	"bytes"
	"errors"
	"io"
	"runtime"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	pb "leastwatt/proto/leastwatt/v1"
)

// frameOf returns a marker and the frame of bytes that stand for a slot.
func frameOf(t *testing.T, raw []byte) []byte {
	t.Helper()
	p, err := newPacker()
	if err != nil {
		t.Fatal(err)
	}
	raw = append(protowire.AppendVarint(nil, uint64(len(raw))), raw...)
	frame := p.encoder.EncodeAll(raw, nil)
	return append(marker{kind: kindSlot, frameBytes: len(frame), rawBytes: len(raw)}.append(nil), frame...)
}

// allocated returns the bytes that a function allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// A small frame of a large slot, and a slot of many empty users, whose two bytes each
// take a hundred, cost what they may and are told; slots before and after are read.
func TestLargeSlots(t *testing.T) {
	const most = 1 << 20
	users := func(n int) []byte { return bytes.Repeat([]byte{7<<3 | 2, 0}, n) }
	good := traceOf(t, 2)
	start := good[:indexOfSlots(t, good)]
	for name, c := range map[string]struct {
		raw  []byte
		says string
	}{
		"by its marker":   {users(32 << 20), "trace: slot 1, at byte "},
		"by its elements": {users(256 << 10), "takes more memory than allowed: 1048576 bytes"},
	} {
		large := frameOf(t, c.raw)
		if len(large) > len(c.raw)/100 {
			t.Fatalf("%s: a frame of %d bytes is no small one", name, len(large))
		}
		data := bytes.Join([][]byte{start, large, good[len(start):]}, nil)
		got := allocated(func() {
			r, err := NewReader(bytes.NewReader(data), most)
			if err != nil {
				t.Fatal(err)
			}
			_, err = r.Next()
			damage, size := new(DamageError), new(SizeError)
			if !errors.As(err, &damage) || !errors.As(err, &size) || size.Allowed != most || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%s: %v", name, err)
			}
			for i := range 2 {
				if slot, err := r.Next(); err != nil || slot.Sequence != slotOf(i).Sequence {
					t.Errorf("%s: slot %d after it: %v", name, i, err)
				}
			}
			if _, err := r.Next(); err != io.EOF {
				t.Errorf("%s: %v at the end", name, err)
			}
		})
		// The decoder's window of 8 MiB stands beside what the slot may take.
		if got > 24*most {
			t.Errorf("%s: %d bytes of a trace allocate %d", name, len(data), got)
		}
		if name == "by its elements" {
			r, err := NewReader(bytes.NewReader(data), 256*most)
			if err != nil {
				t.Fatal(err)
			}
			if slot, err := r.Next(); err != nil || len(slot.Users) != 256<<10 {
				t.Errorf("%s, where it may: %v", name, err)
			}
		}
	}
	// A header and an index are bounded too; without its index a trace is gone over.
	f, err := Open(bytes.NewReader(good), int64(len(good)), 4000)
	if err != nil || f.Len() != 2 {
		t.Errorf("%v", err)
	}
	var out bytes.Buffer
	if _, err := NewWriter(&out, &pb.TraceHeader{Title: strings.Repeat("x", 5000)}); err != nil {
		t.Fatal(err)
	}
	if _, err := NewReader(&out, 4000); !errors.As(err, new(*SizeError)) {
		t.Errorf("a large header: %v", err)
	}
}
