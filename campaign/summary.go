package campaign

import (
	"cmp"
	"math"
	"slices"
	"time"

	"leastwatt/channel"
	"leastwatt/energy"
	"leastwatt/scheduler"
)

// Summary is what a strategy did over all slots of a result. Powers, dB and
// groups are those of the slots on which it met every target and the audit
// agrees; what no slot gives is nil.
type Summary struct {
	Grouping         string        `json:"grouping"`
	Beams            string        `json:"beams"`
	Power            string        `json:"power"`
	Slots            int           `json:"slots"`
	Met              int           `json:"met"`
	Short            int           `json:"short"`
	Rejected         int           `json:"rejected"`
	Failed           int           `json:"failed"`
	AuditDisagrees   int           `json:"auditDisagrees"`           // plans the audit disagrees with
	OtherGrouping    int           `json:"otherGrouping"`            // plans made by another grouping, as the one asked for cannot meet the targets
	Reason           string        `json:"reason,omitempty"`         // the first of those that trials give
	WorstRateRatio   *float64      `json:"worstRateRatio,omitempty"` // least rate over target, of any user with a target in any plan
	RadiatedPowerW   *float64      `json:"radiatedPowerW,omitempty"` // mean over slots
	RadiatedPowerDbm *float64      `json:"radiatedPowerDbm,omitempty"`
	ConsumedPowerW   *float64      `json:"consumedPowerW,omitempty"` // mean over slots that name a model of it
	Consumed         *energy.Parts `json:"consumed,omitempty"`       // the same by cause
	OverFloorDb      *Spread       `json:"overFloorDb,omitempty"`    // of the floor of each slot
	OverBestDb       *Spread       `json:"overBestDb,omitempty"`     // of the best strategy on each slot
	GroupsPerSlot    *float64      `json:"groupsPerSlot,omitempty"`
	ComputeP50Micros *int64        `json:"computeP50Micros,omitempty"`
	ComputeP99Micros *int64        `json:"computeP99Micros,omitempty"`
}

// Spread is the mean of values in dB, each slot counting the same, and the
// largest.
type Spread struct {
	Mean  float64 `json:"mean"`
	Worst float64 `json:"worst"`
}

// Summaries sums up the result, a strategy at a time.
func (r *Result) Summaries() []Summary {
	out := make([]Summary, len(r.Strategies))
	for i, s := range r.Strategies {
		out[i] = r.summary(i, s)
	}
	return out
}

func (r *Result) summary(i int, strategy scheduler.Strategy) Summary {
	s := Summary{Grouping: strategy.Grouping, Beams: strategy.Beams, Power: strategy.Power, Slots: len(r.Slots)}
	var ratio, powerW, consumedW, groups []float64
	var consumed energy.Parts
	var compute []time.Duration
	for n := range r.Slots {
		t := &r.Slots[n].Trials[i]
		s.count(t)
		if !t.planned() {
			continue
		}
		ratio = append(ratio, t.WorstRateRatio)
		compute = append(compute, t.Compute)
		if t.Met() {
			powerW = append(powerW, t.RadiatedPowerW)
			groups = append(groups, float64(t.Groups))
			if t.Consumed != nil {
				consumedW = append(consumedW, t.Consumed.TotalW())
				consumed = consumed.Plus(*t.Consumed)
			}
		}
	}
	s.OverFloorDb = spread(r.OverFloorDB(i))
	s.OverBestDb = spread(r.OverBestDB(i))
	if len(ratio) > 0 {
		worst := slices.Min(ratio)
		p50, p99 := Quantile(compute, 0.50).Microseconds(), Quantile(compute, 0.99).Microseconds()
		s.WorstRateRatio, s.ComputeP50Micros, s.ComputeP99Micros = &worst, &p50, &p99
	}
	if len(consumedW) > 0 {
		parts := consumed.Times(1 / float64(len(consumedW)))
		s.ConsumedPowerW, s.Consumed = meanOf(consumedW), &parts
	}
	if len(powerW) > 0 {
		power, number := Mean(powerW), Mean(groups)
		s.RadiatedPowerW, s.GroupsPerSlot = &power, &number
		if dBm := channel.DBm(power); power > 0 {
			s.RadiatedPowerDbm = &dBm
		}
	}
	return s
}

// count adds a trial to the numbers of slots.
func (s *Summary) count(t *Trial) {
	switch t.Status {
	case scheduler.StatusMet:
		s.Met++
	case scheduler.StatusShort:
		s.Short++
	case scheduler.StatusRejected:
		s.Rejected++
	default:
		s.Failed++
	}
	if t.Disagreements > 0 {
		s.AuditDisagrees++
	}
	if t.planned() && t.Grouping != s.Grouping {
		s.OtherGrouping++
	}
	if s.Reason == "" {
		s.Reason = t.Reason
	}
}

// PowerW returns the power of strategy i on the slots where it met the targets.
func (r *Result) PowerW(i int) []float64 {
	return r.each(func(s *Slot) (float64, bool) { return s.Trials[i].RadiatedPowerW, s.Trials[i].Met() })
}

// OverFloorDB returns how far strategy i is over the floor on the slots where
// that is known.
func (r *Result) OverFloorDB(i int) []float64 {
	return r.each(func(s *Slot) (float64, bool) { return s.OverFloorDB(i) })
}

// OverBestDB returns how far strategy i is over the best of the run on the slots
// where that is known.
func (r *Result) OverBestDB(i int) []float64 {
	return r.each(func(s *Slot) (float64, bool) { return s.OverBestDB(i) })
}

func (r *Result) each(value func(*Slot) (float64, bool)) []float64 {
	var out []float64
	for n := range r.Slots {
		if v, ok := value(&r.Slots[n]); ok {
			out = append(out, v)
		}
	}
	return out
}

func spread(dB []float64) *Spread {
	if len(dB) == 0 {
		return nil
	}
	return &Spread{Mean: Mean(dB), Worst: slices.Max(dB)}
}

// Mean returns the arithmetic mean of values.
func Mean(values []float64) float64 {
	var sum float64
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// Quantile returns the smallest of values that at least the fraction q of them do
// not exceed (nearest rank).
func Quantile[T cmp.Ordered](values []T, q float64) T {
	sorted := slices.Sorted(slices.Values(values))
	rank := int(math.Ceil(q * float64(len(sorted))))
	return sorted[max(rank, 1)-1]
}
