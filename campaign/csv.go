package campaign

import (
	"encoding/csv"
	"io"
	"strconv"
)

// csvHeader names the columns of WriteCSV; made_by is the grouping that made the
// plan.
var csvHeader = []string{
	"set", "slot", "sequence", "users", "antennas", "grouping", "beams", "power", "status", "made_by",
	"radiated_power_w", "floor_power_w", "over_floor_db", "over_best_db", "worst_rate_ratio",
	"groups", "solves", "compute_micros", "audit_disagreements", "reason",
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
		strconv.FormatInt(t.Compute.Microseconds(), 10), strconv.Itoa(t.Disagreements), t.Reason,
	}
}

func number(x float64, there bool) string {
	if !there {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
