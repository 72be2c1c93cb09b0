package main

import (
	"fmt"
	"image/color"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/scheduler"
)

// Size of one panel of the plot, and the most in a row.
const (
	panelWidth  = 3.9 * vg.Inch
	panelHeight = 3.1 * vg.Inch
	panelRow    = 4
	legendDown  = 30 // points, below the titles of its row
)

// compareColors stay apart for the colour-blind (Okabe and Ito 2008); dashes tell
// apart what has the same colour.
var (
	compareColors = []color.Color{
		blue, orange, green, color.RGBA{0xcc, 0x79, 0xa7, 0xff}, color.RGBA{0xe6, 0x9f, 0x00, 0xff},
		color.RGBA{0x56, 0xb4, 0xe9, 0xff}, color.Black, grey,
	}
	compareDashes = [][]vg.Length{nil, {vg.Points(5), vg.Points(2)}, {vg.Points(1.5), vg.Points(1.5)}}
)

// panel is one plot of distributions, a value of each slot for each strategy.
type panel struct {
	title, x string
	fromZero bool        // no value is less
	values   [][]float64 // [strategy]
}

// plotCompare draws the cumulative distributions of a run into a .png or .svg: of
// one set of slots the power and the dB over the floor, of several sets the
// latter, a panel each.
func plotCompare(name string, results []*campaign.Result) error {
	var panels []panel
	for _, r := range results {
		if len(results) == 1 {
			panels = append(panels, panel{"Radiated power", "dBm", false, values(r, powersDBm)})
		}
		p := panel{r.Set, "dB over the floor", true, values(r, (*campaign.Result).OverFloorDB)}
		if !slices.ContainsFunc(p.values, func(v []float64) bool { return len(v) > 0 }) {
			p.x, p.values = "dB over the best", values(r, (*campaign.Result).OverBestDB)
		}
		if len(results) == 1 {
			p.title = "Distance"
		}
		panels = append(panels, p)
	}
	columns := min(panelRow, len(panels)+1) // the legend takes the last place
	rows := (len(panels) + columns) / columns
	canvas := newCanvas(strings.TrimPrefix(filepath.Ext(name), "."), vg.Length(columns)*panelWidth, vg.Length(rows)*panelHeight)
	if err := drawPanels(draw.New(canvas), panels, results[0].Strategies, rows, columns); err != nil {
		return err
	}
	return writeFile(name, canvas)
}

// values returns the values of every strategy.
func values(r *campaign.Result, of func(*campaign.Result, int) []float64) [][]float64 {
	out := make([][]float64, len(r.Strategies))
	for i := range out {
		out[i] = of(r, i)
	}
	return out
}

// powersDBm returns the powers of strategy i in dBm, those of 0 W left out.
func powersDBm(r *campaign.Result, i int) []float64 {
	var out []float64
	for _, w := range r.PowerW(i) {
		if w > 0 {
			out = append(out, channel.DBm(w))
		}
	}
	return out
}

// drawPanels draws panels row by row, axes in line, and the legend.
func drawPanels(c draw.Canvas, panels []panel, strategies []scheduler.Strategy, rows, columns int) error {
	legend := plot.NewLegend()
	legend.Top, legend.Left = true, true
	room := (panelHeight - legendDown) / vg.Length(len(strategies))
	legend.TextStyle.Font.Size = min(vg.Points(10), 0.7*room)
	legend.Padding = 0.3 * legend.TextStyle.Font.Size
	legend.ThumbnailWidth = vg.Points(30)
	for i, s := range strategies {
		legend.Add(" "+fmt.Sprintf("%s, %s, %s", s.Grouping, s.Beams, s.Power), &plotter.Line{LineStyle: strategyStyle(i, len(strategies))})
	}
	grid := make([][]*plot.Plot, rows)
	for i := range grid {
		grid[i] = make([]*plot.Plot, columns)
	}
	for i := range panels {
		p, err := panels[i].plot()
		if err != nil {
			return err
		}
		grid[i/columns][i%columns] = p
	}
	tiles := draw.Tiles{
		Rows: rows, Cols: columns, PadX: vg.Points(16), PadY: vg.Points(16),
		PadTop: vg.Points(8), PadBottom: vg.Points(6), PadLeft: vg.Points(8), PadRight: vg.Points(14),
	}
	canvases := plot.Align(grid, tiles, c)
	for i := range panels {
		grid[i/columns][i%columns].Draw(canvases[i/columns][i%columns])
	}
	place := canvases[len(panels)/columns][len(panels)%columns]
	place.Min.X += vg.Points(16)
	place.Max.Y -= legendDown
	legend.Draw(place)
	return nil
}

// plot draws the part of the slots that do not exceed each value. The first
// strategies lie on top of the later ones, which are wider.
func (p *panel) plot() (*plot.Plot, error) {
	out := newPlot(p.title, p.x, "part of the slots")
	out.Y.Tick.Marker = plot.DefaultTicks{}
	for i, v := range slices.Backward(p.values) {
		if len(v) == 0 {
			continue
		}
		line, err := plotter.NewLine(steps(v))
		if err != nil {
			return nil, err
		}
		line.LineStyle = strategyStyle(i, len(p.values))
		line.StepStyle = plotter.PostStep
		out.Add(line)
	}
	out.Y.Min, out.Y.Max = 0, 1.02
	span := out.X.Max - out.X.Min
	out.X.Min, out.X.Max = out.X.Min-0.03*span, out.X.Max+0.03*span
	if p.fromZero {
		out.X.Min = 0
	}
	out.X.Tick.Marker = plot.TickerFunc(roundTicks)
	return out, nil
}

// roundTicks marks up to 6 multiples of 1, 2 or 5 times a power of ten.
func roundTicks(low, high float64) []plot.Tick {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/6)))
	for _, factor := range []float64{2, 2.5, 2} {
		if (high-low)/step > 6 {
			step *= factor
		}
	}
	var ticks []plot.Tick
	for n := math.Ceil(low / step); n*step <= high; n++ {
		ticks = append(ticks, plot.Tick{Value: n * step, Label: fmt.Sprintf("%.3g", n*step)})
	}
	return ticks
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

// strategyStyle returns the line of strategy i of n.
func strategyStyle(i, n int) draw.LineStyle {
	colors := len(compareColors)
	return draw.LineStyle{
		Color:  compareColors[i%colors],
		Dashes: compareDashes[i/colors%len(compareDashes)],
		Width:  vg.Points(1.2 + 1.8*float64(i)/float64(max(n-1, 1))),
	}
}
