package report

import (
	"fmt"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/scheduler"
)

// Sample is what one way of scheduling did: a power for each slot on which it met
// every target, and what every user got in each slot.
type Sample struct {
	Name   string
	PowerW []float64
	Slots  []int // numbers of the slots of PowerW; for Timeline
	Rates  []campaign.UserRate
}

// quantiles are those of distributions in tables.
var quantiles = []float64{0.05, 0.25, 0.5, 0.75, 0.95}

// Distribution draws the cumulative distributions of radiated power.
func Distribution(samples []Sample) (*Figure, error) {
	f := &Figure{
		ID: "distribution", Title: "Radiated power over all slots",
		Caption: "The part of the slots that need no more than a power, of the slots on which every target was met. One curve left of another needs less.",
		Table:   Table{Columns: []string{"way", "slots", "mean (dBm)"}},
		Data:    Table{Columns: []string{"way", "radiated power (dBm)", "part of the slots"}},
	}
	for _, q := range quantiles {
		f.Table.Columns = append(f.Table.Columns, fmt.Sprintf("%g %% of slots within (dBm)", 100*q))
	}
	var names []string
	part := panel{x: "radiated power (dBm)"}
	for _, s := range samples {
		dBm := inDBm(s.PowerW)
		names = append(names, s.Name)
		part.values = append(part.values, dBm)
		row := []Cell{words(s.Name), number("%.0f", float64(len(s.PowerW)))}
		if len(dBm) > 0 {
			row = append(row, number("%.2f", channel.DBm(campaign.Mean(s.PowerW))))
			for _, q := range quantiles {
				row = append(row, number("%.2f", campaign.Quantile(dBm, q)))
			}
			for _, at := range steps(dBm)[1:] {
				f.Data.Rows = append(f.Data.Rows, []Cell{words(s.Name), number("%g", at.X), number("%g", at.Y)})
			}
		}
		f.Table.Rows = append(f.Table.Rows, row)
	}
	p, err := part.plot()
	if err != nil {
		return nil, err
	}
	p.Legend = legendOf(names)
	p.Legend.XOffs = legendIn
	p.Y.Max += 0.09 * float64(len(names)) // room for the legend
	p.Y.Tick.Marker = plot.TickerFunc(func(low, high float64) []plot.Tick { return roundTicks(low, 1) })
	f.panels = []*plot.Plot{p}
	return f, nil
}

// inDBm returns powers in dBm, those of 0 W left out.
func inDBm(powerW []float64) []float64 {
	var out []float64
	for _, w := range powerW {
		if w > 0 {
			out = append(out, channel.DBm(w))
		}
	}
	return out
}

// Comparison draws the distributions of runs of the same strategies: of one set of
// slots the power and the dB over the floor, of several sets the latter, a panel
// each.
func Comparison(results []*campaign.Result) (*Figure, error) {
	f := &Figure{ID: "comparison", Title: "Strategies compared", columns: 4, width: 3.9 * vg.Inch, height: 3.1 * vg.Inch}
	for _, r := range results {
		var panels []panel
		if len(results) == 1 {
			panels = append(panels, panel{"Radiated power", "dBm", false, values(r, func(r *campaign.Result, i int) []float64 { return inDBm(r.PowerW(i)) })})
		}
		p := panel{r.Set, "dB over the floor", true, values(r, (*campaign.Result).OverFloorDB)}
		if !slices.ContainsFunc(p.values, func(v []float64) bool { return len(v) > 0 }) {
			p.x, p.values = "dB over the best", values(r, (*campaign.Result).OverBestDB)
		}
		if len(results) == 1 {
			p.title = "Distance"
		}
		for _, part := range append(panels, p) {
			drawn, err := part.plot()
			if err != nil {
				return nil, err
			}
			f.panels = append(f.panels, drawn)
		}
	}
	var names []string
	for _, s := range results[0].Strategies {
		names = append(names, StrategyName(s))
	}
	legend := legendOf(names)
	f.legend = &legend
	return f, nil
}

// StrategyName writes a strategy in one line.
func StrategyName(s scheduler.Strategy) string {
	return fmt.Sprintf("%s, %s, %s", s.Grouping, s.Beams, s.Power)
}

// legendOf returns the legend of lines by their number.
func legendOf(names []string) plot.Legend {
	legend := plot.NewLegend()
	legend.Top, legend.Left = true, true
	room := (3.1*vg.Inch - legendDown) / vg.Length(len(names))
	legend.TextStyle.Font.Size = min(vg.Points(10), 0.7*room)
	legend.Padding = 0.3 * legend.TextStyle.Font.Size
	legend.ThumbnailWidth = vg.Points(30)
	for i, name := range names {
		legend.Add(" "+name, &plotter.Line{LineStyle: lineOf(i, len(names))})
	}
	return legend
}

// values returns the values of every strategy.
func values(r *campaign.Result, of func(*campaign.Result, int) []float64) [][]float64 {
	out := make([][]float64, len(r.Strategies))
	for i := range out {
		out[i] = of(r, i)
	}
	return out
}

// panel is one plot of distributions, a value of each slot for each strategy.
type panel struct {
	title, x string
	fromZero bool        // no value is less
	values   [][]float64 // [strategy]
}

// plot draws the part of the slots that do not exceed each value. The first
// strategies lie on top of the later ones, which are wider.
func (p *panel) plot() (*plot.Plot, error) {
	out := newPlot(p.x, "part of the slots")
	out.Title.Text = p.title
	out.Y.Tick.Marker = plot.DefaultTicks{}
	for i, v := range slices.Backward(p.values) {
		if len(v) == 0 {
			continue
		}
		line, err := plotter.NewLine(steps(v))
		if err != nil {
			return nil, err
		}
		line.LineStyle = lineOf(i, len(p.values))
		line.StepStyle = plotter.PostStep
		out.Add(line)
	}
	out.Y.Min, out.Y.Max = 0, 1.02
	widen(&out.X)
	span := out.X.Max - out.X.Min
	out.X.Min, out.X.Max = out.X.Min-0.03*span, out.X.Max+0.03*span
	if p.fromZero {
		out.X.Min = 0
	}
	out.X.Tick.Marker = plot.TickerFunc(roundTicks)
	return out, nil
}

// steps returns the corners of the cumulative distribution of values.
func steps(values []float64) plotter.XYs {
	sorted := slices.Sorted(slices.Values(values))
	out := plotter.XYs{{X: sorted[0], Y: 0}}
	for i, v := range sorted {
		out = append(out, plotter.XY{X: v, Y: float64(i+1) / float64(len(sorted))})
	}
	return out
}
