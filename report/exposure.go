package report

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"

	"leastwatt/energy"
)

// EIRP is the largest EIRP seen of an array.
type EIRP struct {
	Antennas int
	PeakW    float64
}

// Exposure draws how far from the array the reference levels of exposure are met,
// against the number of antennas. It returns nil where no guideline has a level
// for the frequency, or nothing is known of EIRP.
func Exposure(seen []EIRP, carrierHz float64) (*Figure, error) {
	f := &Figure{
		ID: "exposure", Title: "How far exposure levels reach",
		Caption: "Distance in the strongest direction beyond which power density is under the reference level, at the largest EIRP of any slot, as if on the air without a break. " + energy.Caution,
		Table:   Table{Columns: []string{"antennas", "largest EIRP (W)"}},
	}
	levels := energy.Distances(1, carrierHz)
	if len(levels) == 0 || len(seen) == 0 {
		return nil, nil
	}
	curves := make([]plotter.XYs, len(levels))
	var names []string
	for _, l := range levels {
		names = append(names, nameOf(l))
		f.Table.Columns = append(f.Table.Columns, nameOf(l)+" (m)")
	}
	for _, s := range seen {
		if !(s.PeakW > 0) {
			continue
		}
		row := []Cell{number("%.0f", float64(s.Antennas)), number("%.4g", s.PeakW)}
		for i, d := range energy.Distances(s.PeakW, carrierHz) {
			row = append(row, number("%.3g", d.DistanceM))
			curves[i] = append(curves[i], plotter.XY{X: math.Log2(float64(s.Antennas)), Y: math.Log10(d.DistanceM)})
		}
		f.Table.Rows = append(f.Table.Rows, row)
	}
	if len(f.Table.Rows) == 0 {
		return nil, nil
	}
	p := newPlot("antennas", "distance in the strongest direction")
	p.Y.Tick.Marker = decadeTicks("m")
	var ticks []plot.Tick
	for i, at := range curves[0] {
		ticks = append(ticks, plot.Tick{Value: at.X, Label: f.Table.Rows[i][0].Text})
	}
	p.X.Tick.Marker = plot.ConstantTicks(ticks)
	if err := addLines(p, names, curves); err != nil { // guidelines may agree
		return nil, err
	}
	wholeDecades(p)
	padY(p, 0.04, 0.35)
	f.panels = []*plot.Plot{p}
	return f, nil
}

func nameOf(d energy.Distance) string { return d.Guideline.String() + ", " + d.Audience.String() }
