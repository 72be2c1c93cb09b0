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
	"leastwatt/energy"
)

// plotScale draws radiated power with the floor and the line of 1/M, and beside it
// consumed power by cause, on logarithmic axes, into a .png or .svg.
func plotScale(name string, r *scaleReport) error {
	radiated, err := r.plotRadiated()
	if err != nil {
		return err
	}
	consumed, err := r.plotConsumed()
	if err != nil {
		return err
	}
	canvas := newCanvas(strings.TrimPrefix(filepath.Ext(name), "."), plotWidth, plotHeight)
	drawSideBySide(draw.New(canvas), radiated, consumed)
	return writeFile(name, canvas)
}

func (r *scaleReport) plotRadiated() (*plot.Plot, error) {
	p := r.newPlot("Radiated power")
	radiated := r.curve(func(s *campaign.SweepPoint) *float64 { return s.RadiatedPowerW })
	floor := r.curve(func(s *campaign.SweepPoint) *float64 { return s.FloorPowerW })
	if r.Quantity == sweptAntennas && len(radiated) > 1 {
		first, last := radiated[0], radiated[len(radiated)-1]
		fall := math.Log10(2) * (last.X - first.X)
		reference := plotter.XYs{first, {X: last.X, Y: first.Y - fall}}
		if err := addCurve(p, "1/M: 3 dB per doubling", reference, draw.LineStyle{Color: grey, Width: vg.Points(1.2), Dashes: []vg.Length{vg.Points(4), vg.Points(3)}}, nil); err != nil {
			return nil, err
		}
	}
	if err := addCurve(p, "floor of any scheme", floor, draw.LineStyle{Color: orange, Width: vg.Points(1.4), Dashes: []vg.Length{vg.Points(1.5), vg.Points(1.5)}}, nil); err != nil {
		return nil, err
	}
	if err := addCurve(p, "mean over the drops", radiated, draw.LineStyle{Color: blue, Width: vg.Points(1.6)}, draw.CircleGlyph{}); err != nil {
		return nil, err
	}
	wholeDecades(p)
	padY(p, 0.04, 0.25)
	return p, nil
}

// causeColors are those of causes, in the order of energy.Parts.Causes.
var causeColors = []color.Color{blue, orange, green, compareColors[3], compareColors[4], grey, compareColors[5]}

func (r *scaleReport) plotConsumed() (*plot.Plot, error) {
	p := r.newPlot("Power from the wall: " + r.Consumption)
	total := r.curve(func(s *campaign.SweepPoint) *float64 { return s.ConsumedPowerW })
	if err := addCurve(p, "total", total, draw.LineStyle{Color: color.Black, Width: vg.Points(2.2)}, draw.CircleGlyph{}); err != nil {
		return nil, err
	}
	least := p.Y.Max - 5 // five decades down, the picture ends
	for i, c := range (energy.Parts{}).Causes() {
		part := r.curve(func(s *campaign.SweepPoint) *float64 {
			if s.Consumed == nil {
				return nil
			}
			return &s.Consumed.Causes()[i].PowerW
		})
		if !slices.ContainsFunc(part, func(at plotter.XY) bool { return at.Y > least }) {
			continue
		}
		style := draw.LineStyle{Color: causeColors[i], Width: vg.Points(1.4), Dashes: compareDashes[i%len(compareDashes)]}
		if err := addCurve(p, c.Name, part, style, nil); err != nil {
			return nil, err
		}
	}
	p.Y.Min = math.Max(p.Y.Min, least)
	wholeDecades(p)
	padY(p, 0.04, 0.5)
	return p, nil
}

// wholeDecades widens an axis of less than a decade, which would make much of
// little.
func wholeDecades(p *plot.Plot) {
	if p.Y.Max < p.Y.Min { // nothing is drawn
		p.Y.Min, p.Y.Max = 0, 0
	}
	if p.Y.Max-p.Y.Min < 1 {
		p.Y.Min, p.Y.Max = math.Floor(p.Y.Min), max(math.Floor(p.Y.Min)+1, math.Ceil(p.Y.Max))
	}
}

// newPlot returns a plot of powers over the values of the sweep.
func (r *scaleReport) newPlot(title string) *plot.Plot {
	p := newPlot(title, r.Quantity, "mean over the slot")
	p.Y.Tick.Marker = plot.TickerFunc(wattTicks)
	var ticks []plot.Tick
	for i := range r.Points {
		tick := plot.Tick{Value: r.x(i)}
		if v := r.Points[i].Value; len(r.Points) <= 12 || math.Exp2(math.Round(math.Log2(v))) == v {
			tick.Label = fmt.Sprintf("%g", v)
		}
		ticks = append(ticks, tick)
	}
	p.X.Tick.Marker = plot.ConstantTicks(ticks)
	return p
}

// x returns where a value stands: numbers on a logarithmic axis, the rest side by
// side.
func (r *scaleReport) x(i int) float64 {
	if r.Quantity == sweptAntennas || r.Quantity == sweptUsers {
		return math.Log2(r.Points[i].Value)
	}
	return float64(i)
}

// curve returns the logarithms of powers above 0 in W.
func (r *scaleReport) curve(power func(*campaign.SweepPoint) *float64) plotter.XYs {
	var out plotter.XYs
	for i := range r.Points {
		if w := power(&r.Points[i]); w != nil && *w > 0 {
			out = append(out, plotter.XY{X: r.x(i), Y: math.Log10(*w)})
		}
	}
	return out
}

// addCurve adds a line with a legend, and points where they have a shape; nothing
// where there is nothing to draw.
func addCurve(p *plot.Plot, name string, points plotter.XYs, style draw.LineStyle, shape draw.GlyphDrawer) error {
	if len(points) == 0 {
		return nil
	}
	line, marks, err := plotter.NewLinePoints(points)
	if err != nil {
		return err
	}
	line.LineStyle = style
	p.Add(line)
	if shape == nil && len(points) > 1 {
		p.Legend.Add(name, line)
		return nil
	}
	if shape == nil {
		shape = draw.RingGlyph{}
	}
	marks.GlyphStyle = draw.GlyphStyle{Color: style.Color, Radius: vg.Points(3), Shape: shape}
	p.Add(marks)
	p.Legend.Add(name, line, marks)
	return nil
}

// wattTicks marks powers of ten, given as logarithms of W.
func wattTicks(low, high float64) []plot.Tick {
	var ticks []plot.Tick
	for n := math.Ceil(low); n <= high; n++ {
		ticks = append(ticks, plot.Tick{Value: n, Label: wattText(n)})
	}
	return ticks
}

// wattText writes 10^n W with a prefix.
func wattText(n float64) string {
	prefixes := []string{"p", "n", "µ", "m", "", "k", "M", "G"}
	i := int(math.Floor(n/3)) + 4
	if i < 0 || i >= len(prefixes) {
		return fmt.Sprintf("1e%g W", n)
	}
	return fmt.Sprintf("%g %sW", math.Pow(10, n-3*float64(i-4)), prefixes[i])
}
