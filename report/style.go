package report

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Colours that stay apart for the colour-blind (Okabe and Ito 2008).
var (
	blue   = color.RGBA{0x00, 0x72, 0xb2, 0xff}
	orange = color.RGBA{0xd5, 0x5e, 0x00, 0xff}
	green  = color.RGBA{0x00, 0x9e, 0x73, 0xff}
	pink   = color.RGBA{0xcc, 0x79, 0xa7, 0xff}
	amber  = color.RGBA{0xe6, 0x9f, 0x00, 0xff}
	sky    = color.RGBA{0x56, 0xb4, 0xe9, 0xff}
	grey   = color.Gray{0x60}
	palest = color.Gray{0xe0}

	colors = []color.Color{blue, orange, green, pink, amber, sky, color.Black, grey}
	dashes = [][]vg.Length{nil, {vg.Points(5), vg.Points(2)}, {vg.Points(1.5), vg.Points(1.5)}}
)

func init() { plot.DefaultFont = font.Font{Typeface: "Liberation", Variant: "Sans"} }

// legendIn is how far a legend on the left stands off the axis.
const legendIn = vg.Length(8)

// reference is the line of what would be expected.
var reference = draw.LineStyle{Color: grey, Width: vg.Points(1.2), Dashes: []vg.Length{vg.Points(4), vg.Points(3)}}

// lineOf returns the line of number i of n: where lines lie over one another, the
// first is on top and the thinnest. Colours come again with other dashes.
func lineOf(i, n int) draw.LineStyle {
	return draw.LineStyle{
		Color:  colors[i%len(colors)],
		Dashes: dashes[i/len(colors)%len(dashes)],
		Width:  vg.Points(1.2 + 1.8*float64(i)/float64(max(n-1, 1))),
	}
}

// newPlot returns an empty plot with a grid.
func newPlot(x, y string) *plot.Plot {
	p := plot.New()
	p.Title.TextStyle.Font.Size = vg.Points(13)
	p.Title.Padding = vg.Points(8)
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Label.TextStyle.Font.Size = vg.Points(11)
		axis.Label.Padding = vg.Points(4)
		axis.Tick.Label.Font.Size = vg.Points(10)
		axis.Padding = 0
	}
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

// addLines adds lines of names, the first on top and the thinnest, dashed each in
// its way: lines may lie on one another.
func addLines(p *plot.Plot, names []string, points []plotter.XYs) error {
	lines := make([]*plotter.Line, len(names))
	for i := range names {
		line, err := plotter.NewLine(points[i])
		if err != nil {
			return err
		}
		line.LineStyle = lineOf(i, len(names))
		line.Dashes = dashes[i%len(dashes)]
		lines[i] = line
		p.Legend.Add(names[i], line)
	}
	for _, line := range slices.Backward(lines) {
		p.Add(line)
	}
	return nil
}

// padY widens the axis by fractions of its range, for labels and the legend.
func padY(p *plot.Plot, below, above float64) {
	widen(&p.Y)
	span := p.Y.Max - p.Y.Min
	p.Y.Min, p.Y.Max = p.Y.Min-below*span, p.Y.Max+above*span
}

// widen gives an axis on which all values are much the same room around them.
func widen(a *plot.Axis) {
	if span := a.Max - a.Min; span >= 0 && span <= 1e-9*math.Max(math.Abs(a.Min), math.Abs(a.Max)) {
		a.Min, a.Max = a.Min-0.5, a.Max+0.5
	}
}

// wholeDecades widens a logarithmic axis of less than a decade, which would make
// much of little.
func wholeDecades(p *plot.Plot) {
	if p.Y.Max < p.Y.Min { // nothing is drawn
		p.Y.Min, p.Y.Max = 0, 0
	}
	if p.Y.Max-p.Y.Min < 1 {
		p.Y.Min, p.Y.Max = math.Floor(p.Y.Min), max(math.Floor(p.Y.Min)+1, math.Ceil(p.Y.Max))
	}
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
	if !(step > 1e-9*math.Max(math.Abs(low), math.Abs(high))) {
		return nil // marks would not be apart
	}
	first := math.Ceil(low / step)
	for i := range 8 {
		n := first + float64(i)
		if !(n*step <= high) {
			break
		}
		ticks = append(ticks, plot.Tick{Value: n * step, Label: fmt.Sprintf("%.3g", n*step)})
	}
	return ticks
}

// decadeTicks marks powers of ten, given as logarithms, with their unit, and 2 and
// 5 times of them: with labels where there are few powers.
func decadeTicks(unit string) plot.Ticker {
	return plot.TickerFunc(func(low, high float64) []plot.Tick {
		var ticks []plot.Tick
		for n := math.Floor(low); n <= high; n++ {
			for _, times := range []float64{1, 2, 5} {
				tick := plot.Tick{Value: n + math.Log10(times)}
				if times == 1 || high-low < 2 {
					tick.Label = decadeText(times, n, unit)
				}
				ticks = append(ticks, tick)
			}
		}
		return ticks
	})
}

// decadeText writes times 10^n of a unit with a prefix.
func decadeText(times, n float64, unit string) string {
	prefixes := []string{"p", "n", "µ", "m", "", "k", "M", "G"}
	i := int(math.Floor(n/3)) + 4
	if i < 0 || i >= len(prefixes) {
		return fmt.Sprintf("%ge%g %s", times, n, unit)
	}
	return fmt.Sprintf("%g %s%s", times*math.Round(math.Pow(10, n-3*float64(i-4))), prefixes[i], unit)
}
