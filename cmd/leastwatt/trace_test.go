package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"leastwatt/campaign"
	"leastwatt/channel/quay"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	tracefile "leastwatt/proto/trace"
)

// synthArgs make a small trace.
var synthArgs = strings.Fields("synth --users 4 --rows 2 --columns 4 --speed-mps 10 --subbands 2 --rates-bps 1e6,2e6")

// synthFile runs synth with more arguments and returns the name of the trace.
func synthFile(t *testing.T, more ...string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "a.trace")
	args := append(append([]string{}, synthArgs...), append(more, "--out", name)...)
	leastwatt(t, "", args...).expect(t, exitDone, "", "")
	return name
}

func read(t *testing.T, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// slotsOfFile reads all slots of a trace.
func slotsOfFile(t *testing.T, name string) []*pb.Slot {
	t.Helper()
	source := &trace{files: []string{name}}
	var slots []*pb.Slot
	for {
		slot, err := source.next()
		if err != nil {
			if err.Error() != "EOF" {
				t.Fatal(err)
			}
			return slots
		}
		slots = append(slots, slot)
	}
}

// The same flags give the same bytes, on one processor or two, and a longer trace
// has the shorter in it.
func TestSynthIsItsFlags(t *testing.T) {
	name := synthFile(t, "--slots", "7")
	want := read(t, name)
	cmd := command(t, append(append([]string{}, synthArgs...), "--slots", "7", "--out", "-")...)
	cmd.Env = append(cmd.Env, "GOMAXPROCS=1")
	if got, err := cmd.Output(); err != nil || !bytes.Equal(got, want) {
		t.Errorf("on one processor: %d bytes, not %d: %v", len(got), len(want), err)
	}
	short, long := slotsOfFile(t, name), slotsOfFile(t, synthFile(t, "--slots", "9"))
	for i, slot := range short {
		if !proto.Equal(slot, long[i]) {
			t.Errorf("slot %d is another in a longer trace", i)
		}
		if slot.Sequence != int64(i) || len(slot.Users) != 4 || slot.Users[1].RateBps != 2e6 || len(slot.Channel.SamplesF32) != 8*4*2*8 {
			t.Errorf("slot %d is %v", i, slot)
		}
	}
	if bytes.Equal(read(t, synthFile(t, "--slots", "7", "--seed", "2")), want) {
		t.Error("another seed gives the same trace")
	}
}

// The quay's slots are those of the demo.
func TestSynthQuay(t *testing.T) {
	name := filepath.Join(t.TempDir(), "q.trace")
	leastwatt(t, "", "synth", "--scene", "quay", "--seed", "3", "--antennas", "8", "--slots", "3", "--samples", "f64", "--out", name).
		expect(t, exitDone, "container quay", "")
	scene := quay.New(3, quay.DayShift, 2, 4)
	for i, got := range slotsOfFile(t, name) {
		want := convert.SlotToProto(campaign.QuaySlot(scene, i), convert.SamplesF64)
		want.CaptureTime = got.CaptureTime
		if !proto.Equal(got, want) || got.CaptureTime.AsTime().UnixMilli() != int64(500*i) {
			t.Errorf("slot %d is %v", i, got)
		}
	}
	last := quayCrew(0)
	for n := range 100 {
		c := quayCrew(n)
		if c.StraddleCarriers < last.StraddleCarriers || c.CraneCabs < last.CraneCabs || c.HandHelds < last.HandHelds ||
			c.StraddleCarriers+c.CraneCabs+c.HandHelds != n {
			t.Errorf("%d users are %+v", n, c)
		}
		last = c
	}
	if quayCrew(16) != quay.DayShift {
		t.Errorf("16 users are %+v", quayCrew(16))
	}
}

// Every kind of scene makes slots that the engine takes.
func TestSynthScenes(t *testing.T) {
	for _, args := range []string{
		"--scene umi --fading rayleigh --users 3 --antennas 4",
		"--array cylinder --rows 2 --columns 6 --element isotropic --fading rice --rice-db 3",
		"--stack 4 --stack-tilt-deg 8 --slant-deg 45 --antennas 8 --fading straight --rates-bps 0,3e6",
		"--delay-spread-ns 100 --angular-spread-deg 10 --subbands 4 --bandwidth-hz 1e8 --carrier-hz 28e9 --speed-mps 0 --samples f64 --antennas 4",
		"--pilots 4 --contamination-db -10 --age-ms 2 --speed-mps 20 --antennas 8 --far-m 100",
	} {
		name := filepath.Join(t.TempDir(), "a.trace")
		leastwatt(t, "", strings.Fields("synth --slots 2 --json --out "+name+" "+args)...).expect(t, exitDone, `"slots":2`, "")
		leastwatt(t, "", "inspect", name).expect(t, exitDone, "2, 0 damaged, 0 to be rejected", "")
	}
}

// With an estimate the error is stated, and the truth is another channel without.
func TestSynthTruth(t *testing.T) {
	truth := filepath.Join(t.TempDir(), "truth.trace")
	name := synthFile(t, "--slots", "3", "--pilots", "8", "--age-ms", "1", "--truth", truth)
	really := slotsOfFile(t, truth)
	for i, slot := range slotsOfFile(t, name) {
		if bytes.Equal(slot.Channel.SamplesF32, really[i].Channel.SamplesF32) {
			t.Errorf("slot %d: the estimate is the truth", i)
		}
		for k, u := range slot.Users {
			if !(u.CsiErrorVariance > 0) || really[i].Users[k].CsiErrorVariance != 0 {
				t.Errorf("slot %d, user %d: error %g of the estimate, %g of the truth", i, k, u.CsiErrorVariance, really[i].Users[k].CsiErrorVariance)
			}
		}
	}
}

// Interrupted, synth keeps what it has; resumed, the trace is that of one go.
func TestSynthResume(t *testing.T) {
	dir := t.TempDir()
	name, whole := filepath.Join(dir, "a.trace"), filepath.Join(dir, "b.trace")
	args := strings.Fields("synth --scene quay --users 2 --antennas 1 --out " + name)
	cmd := command(t, append(args, "--slots", "100000000")...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "slots", func() bool { info, err := os.Stat(partialName(name)); return err == nil && info.Size() > 10000 })
	cmd.Process.Signal(syscall.SIGINT)
	cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitFailed || !strings.Contains(stderr.String(), "--resume goes on") {
		t.Fatalf("interrupted: exit %d, %s", code, stderr.String())
	}
	n := len(slotsOfFile(t, partialName(name)))
	if n == 0 {
		t.Fatal("nothing is kept")
	}
	leastwatt(t, "", "inspect", partialName(name)).expect(t, exitDone, "cut off, or being written", "")
	if _, err := os.Stat(name); err == nil {
		t.Error("what was interrupted is there under the name of the whole")
	}
	slots := fmt.Sprint(n + 5)
	leastwatt(t, "", append(args, "--resume", "--slots", slots)...).expect(t, exitDone, slots+", 5 of them made now", "")
	leastwatt(t, "", "synth", "--scene", "quay", "--users", "2", "--antennas", "1", "--slots", slots, "--out", whole).expect(t, exitDone, "", "")
	want := read(t, whole)
	if !bytes.Equal(read(t, name), want) {
		t.Error("resumed, the trace is another than in one go")
	}
	// Again, there is nothing to do; other settings leave it as it is.
	leastwatt(t, "", append(args, "--resume", "--slots", slots)...).expect(t, exitDone, slots+", 0 of them made now", "")
	leastwatt(t, "", append(args, "--resume", "--seed", "2")...).expect(t, exitFailed, "", "with other settings")
	leastwatt(t, "", "synth", "--resume", "--out", write(t, "x", "no trace")).expect(t, exitFailed, "", "trace: header")
	if !bytes.Equal(read(t, name), want) {
		t.Error("the trace has changed")
	}
}

// Of two traces that end apart each is gone on with from its own end.
func TestSynthResumeTruth(t *testing.T) {
	truth := filepath.Join(t.TempDir(), "truth.trace")
	more := strings.Fields("--slots 6 --pilots 8 --truth " + truth)
	name := synthFile(t, more...)
	want, really := read(t, name), read(t, truth)
	write := func(name string, data []byte) {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(name, want[:len(want)*2/3])
	write(truth, really[:len(really)/3])
	args := append(append([]string{}, synthArgs...), more...)
	leastwatt(t, "", append(args, "--resume", "--out", name)...).expect(t, exitDone, "", "")
	if !bytes.Equal(read(t, name), want) || !bytes.Equal(read(t, truth), really) {
		t.Error("resumed, the traces are others")
	}
}

func TestSynthUsage(t *testing.T) {
	for _, c := range []struct{ args, stderr string }{
		{"", "--out is missing"},
		{"--out x --scene moon", `--scene "moon": one of [uma umi quay]`},
		{"--out x --antennas 12", "--antennas 12: a power of two"},
		{"--out x --rows 3", "--rows 3 --columns 0: at least 1"},
		{"--out x --rows 300 --columns 300", "at most 65536"},
		{"--out x --users 0", "--users 0: at least 1"},
		{"--out x --users 1025", "--users 1025: at most 1024"},
		{"--out x --subbands 4097", "--subbands 4097: at most 4096"},
		{"--out x --scene quay --speed-mps 2", "--speed-mps does not go with --scene quay"},
		{"--out x --speed-mps NaN", "--speed-mps NaN: from 0 to 1000"},
		{"--out x --carrier-hz 1", "--carrier-hz 1: from 5e+08 to 1e+11"},
		{"--out x --rates-bps 1,-2", "--rates-bps -2"},
		{"--out x --rates-bps +Inf", "--rates-bps +Inf"},
		{"--out x --age-ms 2", "--age-ms goes with --pilots"},
		{"--out x --truth y", "--truth goes with --pilots"},
		{"--out x --delay-spread-ns 2", "go together"},
		{"--out x --truth x --pilots 2", "--out and --truth are the same"},
		{"--out - --resume", "--resume goes with a file"},
		{"--out x --near-m 100 --far-m 50", "--far-m 50: from 100 to 5000"},
	} {
		leastwatt(t, "", append([]string{"synth"}, strings.Fields(c.args)...)...).expect(t, exitUsage, "", c.stderr)
	}
	if _, err := os.Stat("x"); err == nil {
		t.Error("wrong usage leaves a file")
	}
}

// A slot of a trace is planned as the same slot in JSON.
func TestPlanSlotOfTrace(t *testing.T) {
	name := synthFile(t, "--slots", "5")
	slot := slotsOfFile(t, name)[3]
	text, err := protojson.Marshal(slot)
	if err != nil {
		t.Fatal(err)
	}
	want := readPlan(t, leastwatt(t, string(text), "plan", "--in", "-", "--json").stdout)
	r := leastwatt(t, "", "plan", "--in", name, "--slot", "3", "--json")
	r.expect(t, exitDone, "", "")
	if got := readPlan(t, r.stdout); got.Sequence != 3 || got.RadiatedPowerW != want.RadiatedPowerW || got.RadiatedPowerW == 0 {
		t.Errorf("%v, not %v", got, want)
	}
	// From a pipe, where nothing can be sought, and from JSON.
	got := readPlan(t, leastwatt(t, string(read(t, name)), "plan", "--in", "-", "--slot", "3", "--json").stdout)
	if got.RadiatedPowerW != want.RadiatedPowerW {
		t.Errorf("from a pipe %v, not %v", got, want)
	}
	leastwatt(t, traceOf(1, 2, 3), "plan", "--in", "-", "--slot", "2").expect(t, exitDone, "slot            2\n", "")
	leastwatt(t, "", "plan", "--in", name).expect(t, exitFailed, "", "more slots than that of number 0: choose one with --slot")
	leastwatt(t, "", "plan", "--in", name, "--slot", "5").expect(t, exitFailed, "", "no slot 5 among 5")
	leastwatt(t, traceOf(1), "plan", "--in", "-", "--slot", "2").expect(t, exitFailed, "", "no slot 2")
}

// A trace is replayed as its slots in JSON are, and a damaged one up to the damage.
func TestReplayTrace(t *testing.T) {
	s := serveProcess(t)
	name := synthFile(t, "--slots", "6")
	lines := filepath.Join(t.TempDir(), "a.jsonl")
	leastwatt(t, "", "convert", name, "--out", lines).expect(t, exitDone, "6 slots", "")
	powers := func(file string) (list []float64) {
		out := filepath.Join(t.TempDir(), "plans.jsonl")
		leastwatt(t, "", "replay", "--to", s.address, "--out", out, file).expect(t, exitDone, "6: 6 met", "")
		for line := range strings.Lines(string(read(t, out))) {
			list = append(list, readPlan(t, line).RadiatedPowerW)
		}
		return list
	}
	if got, want := powers(name), powers(lines); fmt.Sprint(got) != fmt.Sprint(want) || len(got) != 6 {
		t.Errorf("powers %v from the trace, %v from JSON", got, want)
	}
	data := read(t, name)
	f, err := tracefile.Open(bytes.NewReader(data), int64(len(data)), 0)
	if err != nil || f.Len() != 6 {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 0x20
	damaged := write(t, "damaged.trace", string(data))
	r := leastwatt(t, "", "inspect", "--json", damaged)
	r.expect(t, exitFailed, `"damagedSlots":1`, "damaged.trace: trace: slot ")
	hit := regexp.MustCompile(`slot (\d)`).FindStringSubmatch(r.stderr)[1]
	out := filepath.Join(t.TempDir(), "plans.jsonl")
	leastwatt(t, "", "replay", "--to", s.address, "--out", out, damaged).expect(t, exitFailed, "", "trace: slot "+hit+", at byte")
	leastwatt(t, "", "plan", "--in", damaged, "--slot", "0").expect(t, exitDone, "MET", "")
	cut := write(t, "cut.trace", string(data[:len(data)/3]))
	leastwatt(t, "", "inspect", cut).expect(t, exitFailed, "cut off, or being written", "is cut off")
}

// What inspect tells is what the slots were made of.
func TestInspect(t *testing.T) {
	slot := &pb.Slot{
		Sequence: 4, BandwidthHz: 1e6, CarrierHz: 2e9, SlotDurationMicros: 500,
		Channel: &pb.Channel{Antennas: 2, Subbands: 2, Values: []float64{
			3, 0, 0, 4, 3, 0, 0, 4, // 5 on each subband
			0, 3, 0, 0, 3, 0, 0, 0, // 3, along the first antenna
		}},
		Users: []*pb.User{{Id: "a", RateBps: 1e6, NoiseW: 0.5}, {Id: "b", RateBps: 2e6, SubbandNoiseW: []float64{1, 2}, CsiErrorVariance: 0.45}},
	}
	text, err := protojson.Marshal(slot)
	if err != nil {
		t.Fatal(err)
	}
	r := leastwatt(t, string(text), "inspect", "--json", "-")
	r.expect(t, exitDone, "", "")
	var got inspection
	if err := json.Unmarshal([]byte(r.stdout), &got); err != nil {
		t.Fatal(err)
	}
	near := func(name string, got, want float64) {
		if math.Abs(got-want) > 1e-9 {
			t.Errorf("%s %v, want %v", name, got, want)
		}
	}
	near("slots", float64(got.Slots), 1)
	near("most gain", got.PathGainDB.Most, 10*math.Log10(25.0/2))
	near("least gain", got.PathGainDB.Least, 10*math.Log10(9.0/2))
	near("correlation", got.Correlation.Most, 3.0/5)
	near("most SNR", got.SNRDB.Most, 10*math.Log10(25/0.5))
	near("least SNR", got.SNRDB.Least, 10*math.Log10(0.25*(9.0/1+9.0/2))) // half a watt on each of two subbands, their mean
	near("error", got.CSIErrorDB.Median, -10)
	near("rates", got.RateBps.Most, 3e6)
	near("users", float64(got.UserIDs), 2)

	for _, line := range []string{"carrier                2 GHz\n", "bandwidth              1 MHz\n", "rate targets           3 Mbit/s together\n"} {
		leastwatt(t, string(text), "inspect", "-").expect(t, exitDone, line, "")
	}
	bad := leastwatt(t, string(text)+`{"sequence": 5}`, "inspect", "-")
	bad.expect(t, exitFailed, "1, 0 damaged, 1 to be rejected", "slot 5: ")
	leastwatt(t, "", "inspect", "-").expect(t, exitDone, "0, 0 damaged", "")
	leastwatt(t, "{", "inspect", "-").expect(t, exitFailed, "", "-: slot 1: ")
}

func TestQuantiles(t *testing.T) {
	var h histogram
	if h.quantiles() != nil {
		t.Error("quantiles of nothing")
	}
	for i := range 100 {
		h.add(float64(i+1) / 10)
	}
	h.add(math.Inf(-1))
	h.add(math.NaN())
	if q := *h.quantiles(); q != (quantiles{0.1, 0.5, 5, 9.5, 10}) {
		t.Errorf("%v", q)
	}
}

// Slots go to arrays and back, and a .npy file takes the rest from flags.
func TestConvert(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	name := synthFile(t, "--slots", "3", "--samples", "f64")
	leastwatt(t, "", "convert", name, "--out", at("a.npz"), "--json").expect(t, exitDone, `{"slots":3}`, "")
	leastwatt(t, "", "convert", name, "--out", at("a.npy")).expect(t, exitDone, "3 slots", "")
	leastwatt(t, "", "convert", at("a.npz"), "--out", at("b.trace")).expect(t, exitDone, "", "")
	leastwatt(t, "", "convert", at("a.npy"), "--rate-bps", "7", "--noise-w", "1e-13", "--bandwidth-hz", "1e6", "--out", at("c.trace")).
		expect(t, exitDone, "", "")
	want, b, c := slotsOfFile(t, name), slotsOfFile(t, at("b.trace")), slotsOfFile(t, at("c.trace"))
	if len(b) != 3 || len(c) != 3 {
		t.Fatalf("%d and %d slots", len(b), len(c))
	}
	for i := range want {
		for k, v := range want[i].Channel.Values {
			if b[i].Channel.Values[k] != v || c[i].Channel.Values[k] != v {
				t.Fatalf("slot %d: another channel", i)
			}
		}
		if b[i].Users[1].RateBps != want[i].Users[1].RateBps || c[i].Users[1].RateBps != 7 || b[i].Channel.Subbands != 2 {
			t.Errorf("slot %d is %v and %v", i, b[i], c[i])
		}
	}
	leastwatt(t, "", "convert", name, "--slot", "2", "--out", "-").expect(t, exitDone, `{"sequence":"2"`, "1 slots")
	leastwatt(t, "", "convert", name, "--slot", "9", "--out", "-").expect(t, exitFailed, "", "there is no slot 9")
	leastwatt(t, "", "convert", name).expect(t, exitUsage, "", "--out is missing")
	if r := leastwatt(t, "", "convert", name, "--out", "/dev/full"); r.code != exitFailed || r.stderr != "leastwatt: write /dev/full: no space left on device\n" {
		t.Errorf("on a full disk %+v", r)
	}
	leastwatt(t, "", "convert", name, "--out", name).expect(t, exitUsage, "", "is read and written")
	leastwatt(t, "", "inspect", name).expect(t, exitDone, "3, 0 damaged", "")
	leastwatt(t, "", "convert", at("a.npy"), "--out", at("d.trace")).expect(t, exitUsage, "", "a .npy file has no --rate-bps")
	leastwatt(t, "", "replay", at("a.npy"), "--to", "127.0.0.1:1").expect(t, exitFailed, "", "")
	leastwatt(t, "", "inspect", at("a.npy")).expect(t, exitFailed, "", "leastwatt convert adds them")
	leastwatt(t, traceOf(1)+strings.ReplaceAll(traceOf(2), `"bandwidthHz": 1e6`, `"bandwidthHz": 2e6`), "convert", "-", "--out", at("e.npz")).
		expect(t, exitFailed, "", "slot 2 is of another size")
}
