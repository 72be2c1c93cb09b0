package campaign

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"

	"leastwatt/scheduler"
)

// FileFormat is the version of the format of files that this package writes and
// reads.
const FileFormat = 1

// Header is the first line of a file: what the sweep is of.
type Header struct {
	Format      int                  `json:"format"`
	Engine      string               `json:"engine"`  // version
	Command     string               `json:"command"` // that made the file
	Seed        int64                `json:"seed"`    // of the first drop
	Scene       string               `json:"scene"`   // in words
	Settings    json.RawMessage      `json:"settings,omitempty"`
	Quantity    string               `json:"quantity"`
	Values      []float64            `json:"values"` // each once
	Strategies  []scheduler.Strategy `json:"strategies"`
	Drops       int                  `json:"drops"`                 // asked for
	Consumption string               `json:"consumption,omitempty"` // model of the power from the wall
	Floor       bool                 `json:"floor"`
}

// entry is every other line of a file: one drop at one value, with a trial for each
// strategy of the header.
type entry struct {
	Value float64 `json:"value"`
	Slot
}

// File is what Read finds.
type File struct {
	Header Header
	Result *SweepResult
	Size   int64 // of the lines that are whole, in bytes: where writing goes on
	Torn   error // unless nil, what is wrong with the last line, which is left out
}

// WriteHeader writes the first line of a file: JSON, as every line is. It sets the
// format, and names strategies in full.
func WriteHeader(w io.Writer, h *Header) error {
	full := *h
	full.Format, full.Strategies = FileFormat, newSweepResult("", nil, 0, h.Strategies).Strategies
	if err := full.check(); err != nil {
		return err
	}
	return writeLine(w, &full)
}

// Append writes the line of one drop at value i of the header, in one piece. A number
// that is not finite is an error, and nothing is written.
func Append(w io.Writer, h *Header, i int, slot *Slot) error {
	if err := writeLine(w, &entry{h.Values[i], *slot}); err != nil {
		return fmt.Errorf("campaign: drop %d at %g %s: %w", slot.Number, h.Values[i], h.Quantity, err)
	}
	return nil
}

func writeLine(w io.Writer, line any) error {
	data, err := json.Marshal(line)
	if err != nil {
		return err
	}
	_, err = w.Write(append(data, '\n'))
	return err
}

// check holds what a header may be.
func (h *Header) check() error {
	switch {
	case h.Format != FileFormat:
		return fmt.Errorf("campaign: format %d, this program reads %d", h.Format, FileFormat)
	case h.Quantity == "" || len(h.Values) == 0 || len(h.Strategies) == 0 || h.Drops < 1:
		return errors.New("campaign: no header: quantity, values, strategies and drops are needed")
	}
	seen := make(map[float64]bool)
	for _, v := range h.Values {
		if h.Quantity == Antennas && v < 1 {
			return fmt.Errorf("campaign: values: %g antennas", v)
		}
		if seen[v] {
			return fmt.Errorf("campaign: values: %g is there twice", v)
		}
		seen[v] = true
	}
	return nil
}

// Read reads a file to its end, drops in any order. A last line that is torn, as by
// the end of its writer, or damaged is left out and told of; anything else that is
// not as it should be is an error that names the line.
func Read(r io.Reader) (*File, error) {
	in := bufio.NewReader(r)
	first, err := in.ReadBytes('\n')
	f := new(File)
	switch {
	case errors.Is(err, io.EOF):
		return nil, errors.New("campaign: line 1: no whole header")
	case err != nil:
		return nil, err
	}
	if err := json.Unmarshal(first, &f.Header); err != nil {
		return nil, fmt.Errorf("campaign: line 1: %w", err)
	}
	if err := f.Header.check(); err != nil {
		return nil, err
	}
	h := &f.Header
	f.Result, f.Size = newSweepResult(h.Quantity, h.Values, h.Drops, h.Strategies), int64(len(first))
	if err := f.entries(in); err != nil {
		return nil, err
	}
	f.Result.sort()
	return f, nil
}

// entries reads the lines after the header.
func (f *File) entries(in *bufio.Reader) error {
	seen := make(map[place]bool)
	for number := 2; ; number++ {
		line, err := in.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if len(line) == 0 {
			return nil
		}
		if err == nil {
			err = f.add(line, seen)
		}
		if err == nil {
			continue
		}
		err = fmt.Errorf("campaign: line %d: %w", number, err)
		if _, more := in.Peek(1); !errors.Is(more, io.EOF) {
			return err
		}
		f.Torn = err
		return nil
	}
}

// add adds a line to the result.
func (f *File) add(line []byte, seen map[place]bool) error {
	var e entry
	if err := json.Unmarshal(bytes.TrimSuffix(line, []byte("\n")), &e); err != nil {
		return err
	}
	at := place{slices.Index(f.Header.Values, e.Value), e.Number}
	switch {
	case at.value < 0:
		return fmt.Errorf("value: %g is not among those of the header", e.Value)
	case at.drop < 0 || at.drop >= f.Header.Drops:
		return fmt.Errorf("drop: %d, allowed: 0 to %d", at.drop, f.Header.Drops-1)
	case seen[at]:
		return fmt.Errorf("drop %d at %g is there twice", at.drop, e.Value)
	case len(e.Trials) != len(f.Header.Strategies):
		return fmt.Errorf("trials: %d of %d strategies", len(e.Trials), len(f.Header.Strategies))
	}
	if err := e.check(); err != nil {
		return err
	}
	seen[at] = true
	f.Result.Points[at.value].Slots = append(f.Result.Points[at.value].Slots, e.Slot)
	f.Size += int64(len(line))
	return nil
}

// mostOfFile is the largest power and rate of a file: sums stay finite.
const mostOfFile = 1e200

// check holds what numbers of a slot may be.
func (s *Slot) check() error {
	bad := func(x float64) bool { return !(x >= 0 && x <= mostOfFile) }
	if s.FloorPowerW != nil && bad(*s.FloorPowerW) {
		return fmt.Errorf("floorPowerW: %g, allowed: 0 to %g", *s.FloorPowerW, mostOfFile)
	}
	for i := range s.Trials {
		t := &s.Trials[i]
		numbers := []float64{t.RadiatedPowerW, t.RateBps, t.WorstRateRatio, float64(t.Groups), float64(t.Solves), float64(t.Compute), float64(t.Disagreements)}
		if t.PeakEIRPW != nil {
			numbers = append(numbers, *t.PeakEIRPW)
		}
		if t.Consumed != nil {
			for _, c := range t.Consumed.Causes() {
				numbers = append(numbers, math.Abs(c.PowerW)) // rounding of shares may leave less than nothing
			}
		}
		for _, u := range t.Users {
			numbers = append(numbers, u.TargetBps, u.RateBps)
		}
		if k := slices.IndexFunc(numbers, bad); k >= 0 {
			return fmt.Errorf("trials[%d]: %g, allowed: 0 to %g", i, numbers[k], mostOfFile)
		}
	}
	return nil
}

// Differs returns an error that names the first field in which another header has
// other settings, in JSON names; nil where it may go on with the same file. The
// command may differ, in what no result depends on.
func (h *Header) Differs(other *Header) error {
	a, err := h.fields()
	if err != nil {
		return err
	}
	b, err := other.fields()
	if err != nil {
		return err
	}
	return differs("", a, b)
}

// fields returns the header as JSON has it.
func (h *Header) fields() (map[string]any, error) {
	var text bytes.Buffer
	if err := WriteHeader(&text, h); err != nil {
		return nil, err
	}
	fields := make(map[string]any)
	decoder := json.NewDecoder(&text)
	decoder.UseNumber() // seeds are of 64 bits
	err := decoder.Decode(&fields)
	delete(fields, "command")
	return fields, err
}

// differs compares values of JSON at a path.
func differs(path string, a, b any) error {
	x, isObject := a.(map[string]any)
	y, alike := b.(map[string]any)
	if !isObject || !alike {
		before, _ := json.Marshal(a)
		after, _ := json.Marshal(b)
		if bytes.Equal(before, after) {
			return nil
		}
		return fmt.Errorf("%s: %s, and now %s", path, before, after)
	}
	if path != "" {
		path += "."
	}
	both := maps.Clone(x)
	maps.Copy(both, y)
	for _, name := range slices.Sorted(maps.Keys(both)) {
		if err := differs(path+name, x[name], y[name]); err != nil {
			return err
		}
	}
	return nil
}
