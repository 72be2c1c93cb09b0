package campaign

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"leastwatt/energy"
	"leastwatt/scheduler"
)

// numbers draws finite numbers of every size that a file may hold, and words.
var (
	numbers = rapid.OneOf(rapid.Float64Range(0, mostOfFile), rapid.Float64Range(0, 1), rapid.Just(5e-324), rapid.Just(0.))
	words   = rapid.OneOf(rapid.String(), rapid.Just("\"\n\r\u2028<&>"))
)

// drawnTrial draws what a trial may be.
func drawnTrial(t *rapid.T) Trial {
	some := func(name string) *float64 { return rapid.Ptr(numbers, true).Draw(t, name) }
	out := Trial{
		Status: scheduler.Status(rapid.IntRange(0, int(scheduler.StatusFailed)).Draw(t, "status")), Reason: words.Draw(t, "reason"),
		Grouping: words.Draw(t, "grouping"), RadiatedPowerW: numbers.Draw(t, "radiated"), PeakEIRPW: some("eirp"), RateBps: numbers.Draw(t, "rate"),
		WorstRateRatio: numbers.Draw(t, "ratio"), Groups: rapid.IntRange(0, 99).Draw(t, "groups"), Solves: rapid.Int64Range(0, math.MaxInt64).Draw(t, "solves"),
		Compute: time.Duration(rapid.Int64Range(0, math.MaxInt64).Draw(t, "compute")), Disagreements: rapid.IntRange(0, 3).Draw(t, "disagreements"),
	}
	if rapid.Bool().Draw(t, "model") {
		out.Consumed = &energy.Parts{AmplifierW: numbers.Draw(t, "amplifier"), SleepW: -numbers.Draw(t, "sleep")}
	}
	for range rapid.IntRange(0, 3).Draw(t, "users") {
		out.Users = append(out.Users, UserRate{words.Draw(t, "id"), numbers.Draw(t, "target"), numbers.Draw(t, "delivered")})
	}
	return out
}

// What is written reads back as it was, to the last bit, whatever the order of the
// lines.
func TestFileReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := &Header{
			Engine: words.Draw(t, "engine"), Command: words.Draw(t, "command"), Seed: rapid.Int64().Draw(t, "seed"), Scene: words.Draw(t, "scene"),
			Settings: json.RawMessage(`{"users":16}`), Quantity: Antennas, Drops: rapid.IntRange(1, 4).Draw(t, "drops"),
			Values:     rapid.SliceOfNDistinct(rapid.Float64Range(1, 1e9), 1, 4, rapid.ID).Draw(t, "values"),
			Strategies: fewStrategies[:rapid.IntRange(1, len(fewStrategies)).Draw(t, "strategies")],
		}
		want := newSweepResult(h.Quantity, h.Values, h.Drops, h.Strategies)
		var lines []func(*bytes.Buffer) error
		for i := range h.Values {
			for drop := range h.Drops {
				if rapid.IntRange(0, 3).Draw(t, "missing") == 0 {
					continue
				}
				slot := Slot{Number: drop, Sequence: rapid.Int64().Draw(t, "sequence"), Users: 3, Antennas: 4, FloorPowerW: rapid.Ptr(numbers, true).Draw(t, "floor")}
				for range h.Strategies {
					slot.Trials = append(slot.Trials, drawnTrial(t))
				}
				want.Points[i].Slots = append(want.Points[i].Slots, slot)
				lines = append(lines, func(w *bytes.Buffer) error { return Append(w, h, i, &slot) })
			}
		}
		var text bytes.Buffer
		err := WriteHeader(&text, h)
		for _, write := range rapid.Permutation(lines).Draw(t, "order") {
			err = errors.Join(err, write(&text))
		}
		if err != nil {
			t.Fatal(err)
		}
		size := int64(text.Len())
		f, err := Read(&text)
		if err != nil || f.Torn != nil || f.Size != size {
			t.Fatalf("%v, torn %v, %d of %d bytes", err, f.Torn, f.Size, size)
		}
		full := *h
		full.Format, full.Strategies = FileFormat, want.Strategies
		if diff := cmp.Diff(full, f.Header) + cmp.Diff(want, f.Result); diff != "" {
			t.Error(diff)
		}
	})
}

// fileSweep is a sweep and the header of its file.
func fileSweep() (*Sweep, *Header) {
	s := &Sweep{Quantity: Antennas, Values: []float64{1, 4, 16}, Drops: 3, Strategies: fewStrategies[1:3], Floor: true, Slot: drawnSlot}
	return s, &Header{Engine: scheduler.Version, Quantity: s.Quantity, Values: s.Values, Drops: s.Drops, Strategies: s.Strategies, Floor: s.Floor}
}

// written runs a sweep and returns its file.
func written(t testing.TB) []byte {
	t.Helper()
	s, h := fileSweep()
	var text bytes.Buffer
	if err := WriteHeader(&text, h); err != nil {
		t.Fatal(err)
	}
	s.Each = func(i int, slot *Slot) error { return Append(&text, h, i, slot) }
	r, err := s.Do(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	f, err := Read(bytes.NewReader(text.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r, f.Result); diff != "" {
		t.Errorf("the file differs from the sweep:\n%s", diff)
	}
	return text.Bytes()
}

// A file that was cut off anywhere goes on to what it would have been, but for the
// order of lines and times; of what is there nothing is planned again.
func TestFileResumes(t *testing.T) {
	text := written(t)
	whole, err := Read(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	headerSize := bytes.IndexByte(text, '\n') + 1
	for _, cut := range []int{headerSize, headerSize + 1, len(text) / 2, len(text) - 1, len(text)} {
		f, err := Read(bytes.NewReader(text[:cut]))
		if err != nil {
			t.Fatal(err)
		}
		if torn := text[cut-1] != '\n'; torn != (f.Torn != nil) || int(f.Size) != bytes.LastIndexByte(text[:cut], '\n')+1 {
			t.Errorf("cut at %d: %d bytes are whole, torn: %v", cut, f.Size, f.Torn)
		}
		again := bytes.NewBuffer(slices.Clone(text[:f.Size]))
		s, h := fileSweep()
		s.Done = f.Result
		planned := 0
		s.Each = func(i int, slot *Slot) error { planned++; return Append(again, h, i, slot) }
		r, err := s.Do(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if want := 9 - (bytes.Count(text[:cut], []byte("\n")) - 1); planned != want {
			t.Errorf("cut at %d: %d slots planned, want %d", cut, planned, want)
		}
		second, err := Read(again)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(r, second.Result) + cmp.Diff(whole.Result, second.Result, cmpopts.IgnoreFields(Trial{}, "Compute")); diff != "" {
			t.Errorf("cut at %d:\n%s", cut, diff)
		}
	}
}

// Damage in the last line costs that line, elsewhere it is an error that names the
// line.
func TestFileDamage(t *testing.T) {
	lines := bytes.SplitAfter(written(t), []byte("\n"))
	lines = lines[:len(lines)-1]
	last := len(lines) - 1
	for what, bad := range map[string]string{
		"no JSON":         "{\x00\x00}",
		"nothing":         "",
		"another value":   `{"value":3,"drop":0,"trials":[{"status":"MET"},{"status":"MET"}]}`,
		"no such drop":    `{"value":4,"drop":3,"trials":[{"status":"MET"},{"status":"MET"}]}`,
		"a drop below 0":  `{"value":4,"drop":-1,"trials":[{"status":"MET"},{"status":"MET"}]}`,
		"too few trials":  `{"value":4,"drop":1,"trials":[{"status":"MET"}]}`,
		"no such status":  `{"value":4,"drop":1,"trials":[{"status":"GOOD"},{"status":"MET"}]}`,
		"a power below 0": `{"value":4,"drop":1,"trials":[{"status":"MET","radiatedPowerW":-1},{"status":"MET"}]}`,
		"too much power":  `{"value":4,"drop":1,"trials":[{"status":"MET","radiatedPowerW":1e201},{"status":"MET"}]}`,
		"overflow":        `{"value":4,"drop":1,"trials":[{"status":"MET","radiatedPowerW":1e999},{"status":"MET"}]}`,
		"the line before": "",
	} {
		for _, at := range []int{2, last} {
			damaged := slices.Clone(lines)
			damaged[at] = []byte(bad + "\n")
			if what == "the line before" {
				damaged[at] = damaged[at-1]
			}
			f, err := Read(bytes.NewReader(bytes.Join(damaged, nil)))
			named := fmt.Sprintf("line %d: ", at+1)
			switch {
			case at != last && (err == nil || !strings.Contains(err.Error(), named)):
				t.Errorf("%s in line %d: %v", what, at+1, err)
			case at == last && (err != nil || f.Torn == nil || !strings.Contains(f.Torn.Error(), named) || f.Size != int64(len(bytes.Join(lines[:last], nil)))):
				t.Errorf("%s in the last line: %v, %+v", what, err, f)
			}
		}
	}
	for _, header := range []string{"", "{", "null\n", "{}\n", `{"format":2,"quantity":"antennas","values":[1],"strategies":[{}],"drops":1}` + "\n",
		`{"format":1,"quantity":"antennas","values":[1,1],"strategies":[{}],"drops":1}` + "\n", `{"format":1,"quantity":"antennas","values":[0],"strategies":[{}],"drops":1}` + "\n"} {
		if f, err := Read(strings.NewReader(header)); err == nil {
			t.Errorf("%q is a header: %+v", header, f)
		}
	}
}

// A number that is not finite is never written.
func TestFileIsFinite(t *testing.T) {
	_, h := fileSweep()
	for _, x := range []float64{math.NaN(), math.Inf(1)} {
		var text bytes.Buffer
		err := Append(&text, h, 1, &Slot{Number: 7, Trials: []Trial{{RadiatedPowerW: x}}})
		if err == nil || !strings.Contains(err.Error(), "drop 7 at 4 antennas") || text.Len() > 0 {
			t.Errorf("%g: %v, %q", x, err, text.String())
		}
	}
}

// The field that differs is named, however deep; the command may differ.
func TestHeaderDiffers(t *testing.T) {
	of := func(change func(*Header)) *Header {
		_, h := fileSweep()
		h.Settings = json.RawMessage(`{"scene": "uma", "cell": {"nearM": 35}}`)
		if change != nil {
			change(h)
		}
		return h
	}
	for _, tc := range []struct {
		change func(*Header)
		want   string
	}{
		{func(h *Header) { h.Command = "another" }, ""},
		{func(h *Header) { h.Settings = json.RawMessage(`{"cell":{"nearM":35},"scene":"uma"}`) }, ""},
		{func(h *Header) { h.Strategies = newSweepResult("", nil, 0, h.Strategies).Strategies }, ""},
		{func(h *Header) { h.Engine = "0" }, `engine: "` + scheduler.Version + `", and now "0"`},
		{func(h *Header) { h.Seed = 1<<53 + 1 }, "seed: 0, and now 9007199254740993"},
		{func(h *Header) { h.Scene = "x" }, "scene: "},
		{func(h *Header) { h.Settings = json.RawMessage(`{"cell":{"nearM":36},"scene":"uma"}`) }, "settings.cell.nearM: 35, and now 36"},
		{func(h *Header) { h.Settings = json.RawMessage(`{"cell":{"nearM":35,"farM":9},"scene":"uma"}`) }, "settings.cell.farM: null, and now 9"},
		{func(h *Header) { h.Quantity = "users" }, "quantity: "},
		{func(h *Header) { h.Values = []float64{1, 2} }, "values: [1,4,16], and now [1,2]"},
		{func(h *Header) { h.Strategies = fewStrategies[1:2] }, "strategies: "},
		{func(h *Header) { h.Drops = 4 }, "drops: 3, and now 4"},
		{func(h *Header) { h.Consumption = "m" }, "consumption: "},
		{func(h *Header) { h.Floor = false }, "floor: true, and now false"},
	} {
		err := of(nil).Differs(of(tc.change))
		if tc.want == "" && err != nil || tc.want != "" && (err == nil || !strings.HasPrefix(err.Error(), tc.want)) {
			t.Errorf("%v, want %q", err, tc.want)
		}
	}
	below := of(func(h *Header) { h.Seed = 1 << 53 })
	if err := below.Differs(of(func(h *Header) { h.Seed = 1<<53 + 1 })); err == nil {
		t.Error("seeds that differ by one are the same")
	}
}

// An error of Each, such as of a full disk, ends the sweep at once, on its last slot
// too: nothing is written after it.
func TestSweepEachFails(t *testing.T) {
	full := errors.New("disk is full")
	for _, drops := range []int{1, 1000} {
		s, _ := fileSweep()
		s.Drops, s.Workers = drops, 4
		calls := 0
		s.Each = func(int, *Slot) error {
			if calls++; calls == 3 {
				time.Sleep(10 * time.Millisecond) // all of one drop are handed out by now
				return full
			}
			return nil
		}
		if _, err := s.Do(context.Background()); err != full || calls != 3 {
			t.Errorf("%d drops: %v after %d slots", drops, err, calls)
		}
	}
}

// Whatever is read is a result that sums up to finite numbers, and goes into a file
// again.
func FuzzRead(f *testing.F) {
	text := written(f)
	f.Add(text)
	f.Add(text[:len(text)-9])
	f.Add([]byte(`{"format":1,"quantity":"antennas","values":[1,4],"strategies":[{},{"grouping":"alone"}],"drops":2}` + "\n" +
		`{"value":4,"drop":1,"floorPowerW":5e-324,"trials":[{"status":"MET","radiatedPowerW":1e200,"rateBps":5e-324},{"status":"MET","consumed":{"bitW":1e200}}]}` + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Read(bytes.NewReader(text))
		if err != nil {
			return
		}
		var again bytes.Buffer
		if err := WriteHeader(&again, &file.Header); err != nil {
			t.Fatal(err)
		}
		for i := range file.Result.Points {
			for n := range file.Result.Points[i].Slots {
				if err := Append(&again, &file.Header, i, &file.Result.Points[i].Slots[n]); err != nil {
					t.Fatal(err)
				}
			}
			for k := range file.Header.Strategies {
				if _, err := json.Marshal(file.Result.Saving(i, k, 0)); err != nil {
					t.Fatal(err)
				}
			}
		}
		for k := range file.Header.Strategies {
			if _, err := json.Marshal(file.Result.Summaries(k)); err != nil {
				t.Fatal(err)
			}
		}
		if err := file.Result.WriteCSV(new(bytes.Buffer), true); err != nil {
			t.Fatal(err)
		}
		second, err := Read(&again)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(file.Result, second.Result); diff != "" {
			t.Error(diff)
		}
	})
}
