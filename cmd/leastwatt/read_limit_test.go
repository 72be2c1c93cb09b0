package main

import (
	"archive/zip"
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
)

// expandingTrace writes a trace of a few kilobytes whose one slot has a million users of
// nothing, and returns its name.
func expandingTrace(t *testing.T) string {
	t.Helper()
	slot := &pb.Slot{}
	// Bytes that no program of ours would write, kept as they are.
	users := bytes.Repeat(protowire.AppendBytes(protowire.AppendTag(nil, 7, protowire.BytesType), nil), 1<<20)
	slot.ProtoReflect().SetUnknown(users)
	var out bytes.Buffer
	w, err := tracefile.NewWriter(&out, &pb.TraceHeader{Title: "expands"})
	if err == nil {
		err = w.Write(slot)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil || out.Len() > 4000 {
		t.Fatalf("%d bytes, %v", out.Len(), err)
	}
	return write(t, "expands.trace", out.String())
}

// expandingNPZ writes a small .npz file of large arrays.
func expandingNPZ(t *testing.T) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "expands.npz")
	file, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	archive := zip.NewWriter(file)
	w, err := archive.Create("channel.npy")
	if err != nil {
		t.Fatal(err)
	}
	header := "{'descr': '<c16', 'fortran_order': False, 'shape': (16, 1, 65536), }\n"
	w.Write(append([]byte("\x93NUMPY\x01\x00"+string(rune(len(header)))+"\x00"+header), make([]byte, 16<<20)...))
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
	return name
}

// What unpacks to more than --max-slot-bytes is refused with both sizes and the flag, by
// every command that reads slots.
func TestReadLimit(t *testing.T) {
	trace, npz := expandingTrace(t), expandingNPZ(t)
	out := filepath.Join(t.TempDir(), "a.jsonl")
	small := " --max-slot-bytes 1000000"
	for _, c := range []struct{ args, says string }{
		{"inspect " + trace + small, "slot 1, at byte"},
		{"inspect " + trace + small, "2097156 bytes unpacked, allowed: 1000000"},
		{"inspect " + trace + " --max-slot-bytes 3000000", "takes more memory than allowed: 3000000 bytes"},
		{"inspect " + npz + small, "16777216 bytes unpacked, allowed: 1000000"},
		{"plan --in " + trace + small, "allowed: 1000000"},
		{"plan --in " + trace + " --slot 0" + small, "allowed: 1000000"},
		{"plan --in " + npz + small, "allowed: 1000000"},
		{"audit --plan x --in " + trace + small, "allowed: 1000000"},
		{"compare --in " + trace + small, "allowed: 1000000"},
		{"convert " + trace + " --out " + out + small, "allowed: 1000000"},
		{"convert " + npz + " --out " + out + small, "allowed: 1000000"},
		{"replay --to 127.0.0.1:1 --give-up-after 0 " + trace + small, "Unavailable"},
	} {
		r := here(t.Context(), strings.NewReader(""), strings.Fields(c.args)...)
		r.expect(t, exitFailed, "", c.says)
		if !strings.Contains(r.stderr, "see --max-slot-bytes") && !strings.HasPrefix(c.args, "replay") {
			t.Errorf("%s: %s", c.args, r.stderr)
		}
	}
	s := serveProcess(t)
	here(t.Context(), nil, strings.Fields("replay --to "+s.address+" "+trace+small)...).expect(t, exitFailed, "", "allowed: 1000000: see --max-slot-bytes")

	// JSON has no frames: a slot's text counts, and its elements.
	for text, says := range map[string]string{
		slotJSON + strings.Repeat(" ", 3000):               "",
		strings.Repeat(slotJSON, 20):                       "", // each by itself
		`{"users": [` + strings.Repeat("{},", 20) + `{}]}`: "bytes in memory, allowed: 6000: see --max-slot-bytes",
		`{"users": [` + strings.Repeat(" ", 20000) + `]}`:  "more than 6000 bytes: see --max-slot-bytes",
	} {
		r := here(t.Context(), strings.NewReader(text), "inspect", "-", "--max-slot-bytes", "6000")
		if says != "" {
			r.expect(t, exitFailed, "", says)
		} else {
			r.expect(t, exitDone, "0 damaged, 0 to be rejected", "")
		}
	}
	for _, n := range []string{"0", "-1", "many", "9223372036854775807"} {
		here(t.Context(), nil, "inspect", "x", "--max-slot-bytes", n).expect(t, exitUsage, "", "a number of bytes, at least 1")
	}
}
