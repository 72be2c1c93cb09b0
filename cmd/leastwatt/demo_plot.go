package main

import (
	"fmt"
	"image/color"
	"math"
	"os"
	"path/filepath"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"leastwatt/channel"
	"leastwatt/channel/quay"
)

// Colours that stay apart for the colour-blind (Okabe and Ito 2008). Lines of the
// shift differ in width and dashes too: ours, thin, lies over the textbook's.
var (
	blue   = color.RGBA{0x00, 0x72, 0xb2, 0xff}
	orange = color.RGBA{0xd5, 0x5e, 0x00, 0xff}
	green  = color.RGBA{0x00, 0x9e, 0x73, 0xff}
	grey   = color.Gray{0x60}
	palest = color.Gray{0xe0}

	shiftStyles = []draw.LineStyle{
		{Color: blue, Width: vg.Points(1)},
		{Color: orange, Width: vg.Points(1.2), Dashes: []vg.Length{vg.Points(5), vg.Points(1.5)}},
		{Color: green, Width: vg.Points(3)},
	}
)

func init() { plot.DefaultFont = font.Font{Typeface: "Liberation", Variant: "Sans"} }

const (
	plotWidth  = 11 * vg.Inch
	plotHeight = 4.6 * vg.Inch
	plotDPI    = 160
)

// plotDemo draws radiated power against array size, and over the shift, into
// quay.png and quay.svg of dir, and returns their names.
func plotDemo(dir string, shift, sizes []*outcome) ([]string, error) {
	size, err := plotSizes(sizes)
	if err != nil {
		return nil, err
	}
	shiftPlot, err := plotShift(shift)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, err
	}
	var names []string
	for _, ext := range []string{"png", "svg"} {
		canvas := newCanvas(ext, plotWidth, plotHeight)
		drawSideBySide(draw.New(canvas), size, shiftPlot)
		name := filepath.Join(dir, "quay."+ext)
		if err := writeFile(name, canvas); err != nil {
			return nil, err
		}
		names = append(names, name)
	}
	return names, nil
}

// newCanvas returns a canvas that writes the format of ext.
func newCanvas(ext string, width, height vg.Length) vg.CanvasWriterTo {
	if ext == "svg" {
		return vgsvg.NewWith(vgsvg.UseWH(width, height), vgsvg.EmbedFonts(true))
	}
	return vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(plotDPI))}
}

func writeFile(name string, canvas vg.CanvasWriterTo) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer func() {
		if closed := f.Close(); err == nil {
			err = closed
		}
	}()
	_, err = canvas.WriteTo(f)
	return err
}

// drawSideBySide draws two plots on one canvas with their axes in line.
func drawSideBySide(c draw.Canvas, left, right *plot.Plot) {
	tiles := draw.Tiles{Rows: 1, Cols: 2, PadX: vg.Points(22), PadTop: vg.Points(8), PadBottom: vg.Points(6), PadLeft: vg.Points(8), PadRight: vg.Points(14)}
	canvases := plot.Align([][]*plot.Plot{{left, right}}, tiles, c)
	left.Draw(canvases[0][0])
	right.Draw(canvases[0][1])
}

// plotSizes draws power against the number of antennas, with the line on which
// power falls as 1/M from the first array of more than one.
func plotSizes(sizes []*outcome) (*plot.Plot, error) {
	p := newPlot("More antennas, the same rates", "antennas", "mean radiated power (dBm)")
	measured := make(plotter.XYs, len(sizes))
	labels := make([]string, len(sizes))
	var ticks []plot.Tick
	for i, o := range sizes {
		dBm := channel.DBm(o.meanPowerW())
		measured[i] = plotter.XY{X: math.Log2(float64(o.antennas)), Y: dBm}
		labels[i] = fmt.Sprintf("%.1f", dBm)
		ticks = append(ticks, plot.Tick{Value: measured[i].X, Label: fmt.Sprint(o.antennas)})
	}
	p.X.Tick.Marker = plot.ConstantTicks(ticks)
	if len(sizes) > 2 {
		if err := addReference(p, measured[1:]); err != nil {
			return nil, err
		}
	}
	line, points, err := plotter.NewLinePoints(measured)
	if err != nil {
		return nil, err
	}
	line.LineStyle = draw.LineStyle{Color: blue, Width: vg.Points(1.6)}
	points.GlyphStyle = draw.GlyphStyle{Color: blue, Radius: vg.Points(3.2), Shape: draw.CircleGlyph{}}
	values, err := plotter.NewLabels(plotter.XYLabels{XYs: measured, Labels: labels})
	if err != nil {
		return nil, err
	}
	for i := range values.TextStyle {
		values.TextStyle[i].Font = font.From(plot.DefaultFont, vg.Points(10))
		values.TextStyle[i].XAlign = draw.XRight
	}
	values.Offset = vg.Point{X: vg.Points(-5), Y: vg.Points(-11)}
	p.Add(line, points, values)
	p.Legend.Add("mean over the slots", line, points)
	p.X.Min, p.X.Max = measured[0].X-0.75, measured[len(measured)-1].X+0.3
	padY(p, 0.08, 0.08)
	return p, nil
}

// addReference adds the line from the first of points on which power halves with
// every doubling.
func addReference(p *plot.Plot, points plotter.XYs) error {
	first, last := points[0], points[len(points)-1]
	fall := 10 * math.Log10(2) * (last.X - first.X)
	reference, err := plotter.NewLine(plotter.XYs{first, {X: last.X, Y: first.Y - fall}})
	if err != nil {
		return err
	}
	reference.LineStyle = draw.LineStyle{Color: grey, Width: vg.Points(1.2), Dashes: []vg.Length{vg.Points(4), vg.Points(3)}}
	p.Add(reference)
	p.Legend.Add("1/M: 3 dB per doubling", reference)
	return nil
}

// plotShift draws the radiated power of every way over the shift.
func plotShift(shift []*outcome) (*plot.Plot, error) {
	p := newPlot("Over the shift", "time into the shift (s)", "radiated power (dBm)")
	lines := make([]*plotter.Line, len(shift))
	for i, o := range shift {
		points := make(plotter.XYs, len(o.powerW))
		for n, w := range o.powerW {
			points[n] = plotter.XY{X: float64(o.slots[n]) * quay.SlotIntervalS, Y: channel.DBm(w)}
		}
		line, err := plotter.NewLine(points)
		if err != nil {
			return nil, err
		}
		line.LineStyle = shiftStyles[i]
		p.Legend.Add(o.name, line)
		lines[i] = line
	}
	for _, line := range slices.Backward(lines) {
		p.Add(line)
	}
	padY(p, 0.05, 0.28)
	return p, nil
}

// tens marks every 10 dB, and every 5 without a label.
func tens(low, high float64) []plot.Tick {
	var ticks []plot.Tick
	for v := math.Ceil(low/5) * 5; v <= high; v += 5 {
		t := plot.Tick{Value: v}
		if math.Mod(v, 10) == 0 {
			t.Label = fmt.Sprintf("%.0f", v)
		}
		ticks = append(ticks, t)
	}
	return ticks
}

func newPlot(title, x, y string) *plot.Plot {
	p := plot.New()
	p.Title.Text = title
	p.Title.TextStyle.Font.Size = vg.Points(13)
	p.Title.Padding = vg.Points(8)
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Label.TextStyle.Font.Size = vg.Points(11)
		axis.Label.Padding = vg.Points(4)
		axis.Tick.Label.Font.Size = vg.Points(10)
		axis.Padding = 0
	}
	p.Y.Tick.Marker = plot.TickerFunc(tens)
	p.X.Label.Text, p.Y.Label.Text = x, y
	p.Legend.Top = true
	p.Legend.TextStyle.Font.Size = vg.Points(10)
	p.Legend.Padding = vg.Points(2)
	p.Legend.ThumbnailWidth = vg.Points(26)
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = palest, palest
	p.Add(grid)
	return p
}

// padY widens the axis by fractions of its range, for labels and the legend.
func padY(p *plot.Plot, below, above float64) {
	span := p.Y.Max - p.Y.Min
	p.Y.Min, p.Y.Max = p.Y.Min-below*span, p.Y.Max+above*span
}
