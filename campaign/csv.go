package campaign

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"

	"leastwatt/energy"
)

// csvHeader names the columns of WriteCSV; made_by is the grouping that made the
// plan.
var csvHeader = []string{
	"set", "slot", "sequence", "users", "antennas", "grouping", "beams", "power", "status", "made_by",
	"radiated_power_w", "floor_power_w", "over_floor_db", "over_best_db", "worst_rate_ratio",
	"groups", "solves", "compute_micros", "consumed_power_w", "audit_disagreements", "reason",
}

// WriteCSV writes one line for each slot and strategy of results. Numbers read back
// the same; what is not there is empty.
func WriteCSV(w io.Writer, results []*Result) error {
	out := csv.NewWriter(w)
	if err := out.Write(csvHeader); err != nil {
		return err
	}
	for _, r := range results {
		for n := range r.Slots {
			for i := range r.Strategies {
				if err := out.Write(r.line(&r.Slots[n], i)); err != nil {
					return err
				}
			}
		}
	}
	out.Flush()
	return out.Error()
}

// line returns the fields of strategy i on a slot.
func (r *Result) line(slot *Slot, i int) []string {
	s, t := r.Strategies[i], &slot.Trials[i]
	floorW := ""
	if slot.FloorPowerW != nil {
		floorW = number(*slot.FloorPowerW, true)
	}
	return []string{
		r.Set, strconv.Itoa(slot.Number), strconv.FormatInt(slot.Sequence, 10), strconv.Itoa(slot.Users), strconv.Itoa(slot.Antennas),
		s.Grouping, s.Beams, s.Power, t.Status.String(), t.Grouping,
		number(t.RadiatedPowerW, t.planned()), floorW, number(slot.OverFloorDB(i)), number(slot.OverBestDB(i)),
		number(t.WorstRateRatio, t.planned()), strconv.Itoa(t.Groups), strconv.FormatInt(t.Solves, 10),
		strconv.FormatInt(t.Compute.Microseconds(), 10), number(t.consumedW(), t.Consumed != nil), strconv.Itoa(t.Disagreements), t.Reason,
	}
}

// sweepHeader names the columns of WriteCSV of a sweep after those of its quantity and
// strategy.
var sweepHeader = []string{
	"drop", "users", "antennas", "status", "radiated_power_w", "floor_power_w", "over_floor_db", "worst_rate_ratio", "rate_bps", "groups",
	"consumed_power_w", "amplifier_w", "antenna_w", "processing_w", "user_w", "bit_w", "base_w", "sleep_w",
	"audit_disagreements", "reason",
}

// WriteCSV writes one line for each value, drop and strategy; named asks for the names
// of the strategies. Numbers read back the same; what is not there is empty.
func (r *SweepResult) WriteCSV(w io.Writer, named bool) error {
	out := csv.NewWriter(w)
	names := []string{"grouping", "beams", "power"}
	if !named {
		names = nil
	}
	if err := out.Write(slices.Concat([]string{"swept_" + r.Quantity}, names, sweepHeader)); err != nil {
		return err
	}
	for i := range r.Points {
		for n := range r.Points[i].Slots {
			for k, s := range r.Strategies {
				if named {
					names = []string{s.Grouping, s.Beams, s.Power}
				}
				line := r.Points[i].Slots[n].sweepLine(k)
				if err := out.Write(slices.Concat([]string{number(r.Values[i], true)}, names, line)); err != nil {
					return err
				}
			}
		}
	}
	out.Flush()
	return out.Error()
}

// sweepLine returns the fields of strategy k on a drop at one value.
func (s *Slot) sweepLine(k int) []string {
	t := &s.Trials[k]
	floorW := ""
	if s.FloorPowerW != nil {
		floorW = number(*s.FloorPowerW, true)
	}
	line := []string{
		strconv.Itoa(s.Number), strconv.Itoa(s.Users), strconv.Itoa(s.Antennas), t.Status.String(),
		number(t.RadiatedPowerW, t.planned()), floorW, number(s.OverFloorDB(k)), number(t.WorstRateRatio, t.planned()),
		number(t.RateBps, t.planned()), strconv.Itoa(t.Groups),
	}
	there := t.Consumed != nil
	var p energy.Parts
	if there {
		p = *t.Consumed
	}
	line = append(line, number(p.TotalW(), there))
	for _, c := range p.Causes() {
		line = append(line, number(c.PowerW, there))
	}
	return append(line, strconv.Itoa(t.Disagreements), t.Reason)
}

func number(x float64, there bool) string {
	if !there {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
