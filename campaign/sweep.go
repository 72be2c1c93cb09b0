package campaign

import (
	"context"
	"iter"
	"math"
	"slices"

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
	Quantity   string
	Values     []float64
	Drops      int
	Strategies []scheduler.Strategy // none: the default one
	Workers    int                  // plans made at a time; 0: one for each processor that Go may use
	Floor      bool                 // prove the floor of every slot
	TruthPairs int                  // see Run

	// Done, unless nil, is what an earlier sweep with the same fields above found:
	// those drops are not planned again.
	Done *SweepResult

	// Slot returns the slot of a drop at a value. It is called from one goroutine.
	Slot func(value float64, drop int) *scheduler.Slot

	// Each, unless nil, is given every slot that is planned, with the number of its
	// value, one at a time. Its error ends the sweep.
	Each func(value int, slot *Slot) error
}

// SweepResult is what a Sweep found.
type SweepResult struct {
	Quantity   string
	Values     []float64
	Drops      int                  // asked for
	Strategies []scheduler.Strategy // as resolved
	Points     []Result             // by value; the Number of a slot is that of its drop
}

// newSweepResult returns a result of no drops.
func newSweepResult(quantity string, values []float64, drops int, strategies []scheduler.Strategy) *SweepResult {
	r := &SweepResult{Quantity: quantity, Values: values, Drops: drops, Points: make([]Result, len(values))}
	for _, s := range strategies {
		r.Strategies = append(r.Strategies, resolve(s))
	}
	for i := range r.Points {
		r.Points[i] = Result{Set: quantity, Strategies: r.Strategies}
	}
	return r
}

// Do plans every drop at every value, drop after drop: when the context ends, what
// is done is as good as a sweep of fewer drops. It is returned with the error.
func (s *Sweep) Do(ctx context.Context) (*SweepResult, error) {
	strategies := s.Strategies
	if len(strategies) == 0 {
		strategies = make([]scheduler.Strategy, 1)
	}
	run := Run{Strategies: strategies, Workers: s.Workers, Floor: s.Floor, TruthPairs: s.TruthPairs}
	if s.Each != nil {
		run.Each = func(slot *Slot) error {
			value, own := s.place(*slot)
			return s.Each(value, &own)
		}
	}
	all, err := run.Do(ctx, s.slots())
	out := newSweepResult(s.Quantity, s.Values, s.Drops, strategies)
	for _, slot := range all.Slots {
		value, own := s.place(slot)
		out.Points[value].Slots = append(out.Points[value].Slots, own)
	}
	if s.Done != nil {
		for i := range out.Points {
			out.Points[i].Slots = append(out.Points[i].Slots, s.Done.Points[i].Slots...)
		}
	}
	out.sort()
	return out, err
}

// sort puts drops in order.
func (r *SweepResult) sort() {
	for i := range r.Points {
		slices.SortFunc(r.Points[i].Slots, byNumber)
	}
}

// place returns the number of the value of a slot of the run, and the slot with
// that of its drop.
func (s *Sweep) place(slot Slot) (value int, own Slot) {
	value = slot.Number % len(s.Values)
	slot.Number /= len(s.Values)
	return value, slot
}

// slots yields the slots of all values of a drop, then those of the next; nil for
// those that are done.
func (s *Sweep) slots() iter.Seq2[*scheduler.Slot, error] {
	done := make(map[place]bool)
	if s.Done != nil {
		for i := range s.Done.Points {
			for _, slot := range s.Done.Points[i].Slots {
				done[place{i, slot.Number}] = true
			}
		}
	}
	return func(yield func(*scheduler.Slot, error) bool) {
		for drop := range s.Drops {
			for i, value := range s.Values {
				var slot *scheduler.Slot
				if !done[place{i, drop}] {
					slot = s.Slot(value, drop)
				}
				if !yield(slot, nil) {
					return
				}
			}
		}
	}
}

// place is a drop at one value of a sweep, both by number.
type place struct{ value, drop int }

// SweepPoint is what a sweep found of one strategy at one value. Means are over the
// drops on which every target was met and the audit agrees; what no drop gives is
// nil.
type SweepPoint struct {
	Value float64 `json:"value"`
	Summary
	DoublingDb           *float64  `json:"doublingDb,omitempty"` // radiated power per doubling, from the value before; of antennas
	RateBps              *float64  `json:"rateBps,omitempty"`    // sum over users, mean over drops
	PeakEIRPW            *float64  `json:"peakEirpW,omitempty"`  // largest of all drops
	RadiatedJoulesPerBit *float64  `json:"radiatedJoulesPerBit,omitempty"`
	ConsumedJoulesPerBit *float64  `json:"consumedJoulesPerBit,omitempty"`
	FloorPowerW          *float64  `json:"floorPowerW,omitempty"`      // mean over drops
	SavingDb             *Interval `json:"savingDb,omitempty"`         // of radiated power against the first value
	ConsumedSavingDb     *Interval `json:"consumedSavingDb,omitempty"` // of consumed power
}

// Summaries sums up what a strategy did, a value at a time. Strategies count from 0.
func (r *SweepResult) Summaries(strategy int) []SweepPoint {
	out := make([]SweepPoint, len(r.Points))
	for i := range r.Points {
		out[i] = r.point(i, strategy)
	}
	return out
}

// point sums up strategy k at value i.
func (r *SweepResult) point(i, k int) SweepPoint {
	p := &r.Points[i]
	out := SweepPoint{Value: r.Values[i], Summary: p.summary(k, p.Strategies[k])}
	if i > 0 {
		out.SavingDb = NewInterval(r.differences(way{0, k}, way{i, k}, (*Trial).radiatedW))
		out.ConsumedSavingDb = NewInterval(r.differences(way{0, k}, way{i, k}, (*Trial).consumedW))
	}
	if doublings := math.Log2(r.Values[i] / r.Values[max(i-1, 0)]); r.Quantity == Antennas && doublings != 0 {
		if dB := r.differences(way{i, k}, way{i - 1, k}, (*Trial).radiatedW); len(dB) > 0 {
			each := Mean(dB) / doublings
			out.DoublingDb = &each
		}
	}
	var rateBps, floorW []float64
	for n := range p.Slots {
		t := &p.Slots[n].Trials[k]
		if !t.Met() {
			continue
		}
		rateBps = append(rateBps, t.RateBps)
		if f := p.Slots[n].FloorPowerW; f != nil {
			floorW = append(floorW, *f)
		}
		if t.PeakEIRPW != nil && (out.PeakEIRPW == nil || *t.PeakEIRPW > *out.PeakEIRPW) {
			out.PeakEIRPW = t.PeakEIRPW
		}
	}
	out.RateBps, out.FloorPowerW = meanOf(rateBps), meanOf(floorW)
	out.RadiatedJoulesPerBit = perBit(out.RadiatedPowerW, out.RateBps)
	out.ConsumedJoulesPerBit = perBit(out.ConsumedPowerW, out.RateBps)
	return out
}

// Saving returns how many dB of radiated power strategy a saves against strategy b at
// value i, over the drops on which both met every target; nil where there are none.
// All count from 0.
func (r *SweepResult) Saving(i, a, b int) *Interval {
	return NewInterval(r.differences(way{i, b}, way{i, a}, (*Trial).radiatedW))
}

// radiatedW and consumedW return powers of a trial, 0 where not known.
func (t *Trial) radiatedW() float64 { return t.RadiatedPowerW }

func (t *Trial) consumedW() float64 {
	if t.Consumed == nil {
		return 0
	}
	return t.Consumed.TotalW()
}

// way is a strategy at one value of a sweep, both by number.
type way struct{ value, strategy int }

// differences returns by how many dB a power of one way is over that of another, of
// the drops that met the targets in both.
func (r *SweepResult) differences(of, against way, power func(*Trial) float64) []float64 {
	if against.value < 0 {
		return nil
	}
	there := make(map[int]float64)
	for n := range r.Points[against.value].Slots {
		if s := &r.Points[against.value].Slots[n]; s.Trials[against.strategy].Met() {
			there[s.Number] = power(&s.Trials[against.strategy])
		}
	}
	var out []float64
	for n := range r.Points[of.value].Slots {
		s := &r.Points[of.value].Slots[n]
		if otherW, ok := there[s.Number]; ok && s.Trials[of.strategy].Met() {
			if dB, ok := over(power(&s.Trials[of.strategy]), otherW); ok {
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
	if math.IsInf(joules, 1) {
		return nil
	}
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
