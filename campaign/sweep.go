package campaign

import (
	"context"
	"iter"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"leastwatt/energy"
	"leastwatt/scheduler"
)

// Antennas is the quantity of a sweep whose values double, as a rule.
const Antennas = "antennas"

// Sweep sets one quantity to one value after the other and plans the same drops
// with each, all else being equal. A drop is one draw of a scene, by a seed of its
// own.
type Sweep struct {
	Quantity string
	Values   []float64
	Drops    int
	Strategy scheduler.Strategy // may be left empty
	Workers  int                // plans made at a time; 0: one for each processor that Go may use
	Floor    bool               // prove the floor of every slot
	Each     func()             // unless nil, called after every slot, from any worker

	// Slot returns the slot of a drop at a value. It is called from one goroutine.
	Slot func(value float64, drop int) *scheduler.Slot
}

// SweepResult is what a Sweep found.
type SweepResult struct {
	Quantity string
	Values   []float64
	Drops    int      // asked for
	Points   []Result // by value; the Number of a slot is that of its drop
}

// Do plans every drop at every value, drop after drop: when the context ends, what
// is done is as good as a sweep of fewer drops. It is returned with the error.
func (s *Sweep) Do(ctx context.Context) (*SweepResult, error) {
	run := Run{Strategies: []scheduler.Strategy{s.Strategy}, Workers: s.Workers, Floor: s.Floor, Each: s.Each}
	all, err := run.Do(ctx, s.slots())
	out := &SweepResult{Quantity: s.Quantity, Values: s.Values, Drops: s.Drops, Points: make([]Result, len(s.Values))}
	for i := range out.Points {
		out.Points[i] = Result{Set: s.Quantity, Strategies: all.Strategies}
	}
	for _, slot := range all.Slots {
		p := &out.Points[slot.Number%len(s.Values)]
		slot.Number /= len(s.Values)
		p.Slots = append(p.Slots, slot)
	}
	return out, err
}

// slots yields the slots of all values of a drop, then those of the next.
func (s *Sweep) slots() iter.Seq2[*scheduler.Slot, error] {
	return func(yield func(*scheduler.Slot, error) bool) {
		for drop := range s.Drops {
			for _, value := range s.Values {
				if !yield(s.Slot(value, drop), nil) {
					return
				}
			}
		}
	}
}

// SweepPoint is what a sweep found at one value. Means are over the drops on which
// every target was met and the audit agrees; what no drop gives is nil.
type SweepPoint struct {
	Value float64 `json:"value"`
	Summary
	DoublingDb           *float64      `json:"doublingDb,omitempty"`     // radiated power per doubling, from the value before; of antennas
	ConsumedPowerW       *float64      `json:"consumedPowerW,omitempty"` // mean over drops
	Consumed             *energy.Parts `json:"consumed,omitempty"`       // the same by cause
	RateBps              *float64      `json:"rateBps,omitempty"`        // sum over users, mean over drops
	RadiatedJoulesPerBit *float64      `json:"radiatedJoulesPerBit,omitempty"`
	ConsumedJoulesPerBit *float64      `json:"consumedJoulesPerBit,omitempty"`
	FloorPowerW          *float64      `json:"floorPowerW,omitempty"`      // mean over drops
	SavingDb             *Interval     `json:"savingDb,omitempty"`         // of radiated power against the first value
	ConsumedSavingDb     *Interval     `json:"consumedSavingDb,omitempty"` // of consumed power
}

// Summaries sums up the result, a value at a time.
func (r *SweepResult) Summaries() []SweepPoint {
	out := make([]SweepPoint, len(r.Points))
	for i := range r.Points {
		out[i] = r.point(i)
	}
	return out
}

func (r *SweepResult) point(i int) SweepPoint {
	p := &r.Points[i]
	out := SweepPoint{Value: r.Values[i], Summary: p.Summaries()[0]}
	if i > 0 {
		out.SavingDb = NewInterval(r.differences(0, i, (*Trial).radiatedW))
		out.ConsumedSavingDb = NewInterval(r.differences(0, i, (*Trial).consumedW))
	}
	if doublings := math.Log2(r.Values[i] / r.Values[max(i-1, 0)]); r.Quantity == Antennas && doublings != 0 {
		if dB := r.differences(i, i-1, (*Trial).radiatedW); len(dB) > 0 {
			each := Mean(dB) / doublings
			out.DoublingDb = &each
		}
	}
	var sum energy.Parts
	var consumedW, rateBps, floorW []float64
	for n := range p.Slots {
		t := &p.Slots[n].Trials[0]
		if !t.Met() {
			continue
		}
		rateBps = append(rateBps, t.RateBps)
		if f := p.Slots[n].FloorPowerW; f != nil {
			floorW = append(floorW, *f)
		}
		if t.Consumed != nil {
			consumedW = append(consumedW, t.Consumed.TotalW())
			sum = sum.Plus(*t.Consumed)
		}
	}
	out.RateBps, out.FloorPowerW, out.ConsumedPowerW = meanOf(rateBps), meanOf(floorW), meanOf(consumedW)
	if len(consumedW) > 0 {
		parts := sum.Times(1 / float64(len(consumedW)))
		out.Consumed = &parts
	}
	out.RadiatedJoulesPerBit = perBit(out.RadiatedPowerW, out.RateBps)
	out.ConsumedJoulesPerBit = perBit(out.ConsumedPowerW, out.RateBps)
	return out
}

// radiatedW and consumedW return powers of a trial, 0 where not known.
func (t *Trial) radiatedW() float64 { return t.RadiatedPowerW }

func (t *Trial) consumedW() float64 {
	if t.Consumed == nil {
		return 0
	}
	return t.Consumed.TotalW()
}

// differences returns by how many dB a power at value i is over that at value j,
// of the drops that met the targets at both.
func (r *SweepResult) differences(i, j int, power func(*Trial) float64) []float64 {
	if j < 0 {
		return nil
	}
	there := make(map[int]float64)
	for n := range r.Points[j].Slots {
		if s := &r.Points[j].Slots[n]; s.Trials[0].Met() {
			there[s.Number] = power(&s.Trials[0])
		}
	}
	var out []float64
	for n := range r.Points[i].Slots {
		s := &r.Points[i].Slots[n]
		if otherW, ok := there[s.Number]; ok && s.Trials[0].Met() {
			if dB, ok := over(power(&s.Trials[0]), otherW); ok {
				out = append(out, dB)
			}
		}
	}
	return out
}

func meanOf(values []float64) *float64 {
	if len(values) == 0 {
		return nil
	}
	mean := Mean(values)
	return &mean
}

func perBit(powerW, rateBps *float64) *float64 {
	if powerW == nil || rateBps == nil || *rateBps == 0 {
		return nil
	}
	joules := energy.JoulesPerBit(*powerW, *rateBps)
	return &joules
}

// Interval is a mean with its two-sided confidence interval by Student's t.
type Interval struct {
	Mean   float64  `json:"mean"`
	Half   *float64 `json:"half,omitempty"` // from the mean to either end; nil for fewer than two values
	Values int      `json:"values"`
}

// Confidence is that of intervals.
const Confidence = 0.95

// NewInterval returns the interval of values drawn independently, taken as normal;
// nil where there are none.
func NewInterval(values []float64) *Interval {
	n := len(values)
	if n == 0 {
		return nil
	}
	out := &Interval{Mean: Mean(values), Values: n}
	if n > 1 {
		var squares float64
		for _, v := range values {
			squares += (v - out.Mean) * (v - out.Mean)
		}
		t := distuv.StudentsT{Sigma: 1, Nu: float64(n - 1)}.Quantile((1 + Confidence) / 2)
		half := t * math.Sqrt(squares/float64(n-1)/float64(n))
		out.Half = &half
	}
	return out
}
