package report

import (
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// rateShapes tell samples apart by shape.
var rateShapes = []draw.GlyphDrawer{draw.RingGlyph{}, draw.CrossGlyph{}, draw.SquareGlyph{}, draw.PlusGlyph{}, draw.TriangleGlyph{}, draw.PyramidGlyph{}}

// Rates draws what users got against what they asked for: a saving that is paid
// for in service shows below the line.
func Rates(samples []Sample) (*Figure, error) {
	f := &Figure{
		ID: "rates", Title: "Delivered against asked for",
		Caption: "A mark for every user and slot, those that fall on one another drawn once. Below the line a user gets less than asked for. Rates are re-computed from the weights as sent, apart from the engine.",
		Table:   Table{Columns: []string{"way", "targets", "met", "asked for (Mbit/s, mean)", "delivered (Mbit/s, mean)", "least delivered / asked for"}},
		Data:    Table{Columns: []string{"way", "asked for (bit/s)", "delivered (bit/s)"}},
	}
	p := newPlot("asked for, a user in a slot", "delivered")
	p.X.Tick.Marker, p.Y.Tick.Marker = decadeTicks("bit/s"), decadeTicks("bit/s")
	lo, hi := math.Inf(1), math.Inf(-1)
	marks := make([]plotter.XYs, len(samples))
	for i, s := range samples {
		drawn := s.drawn()
		for _, u := range drawn {
			f.Data.Rows = append(f.Data.Rows, []Cell{words(s.Name), number("%g", u.TargetBps), number("%g", u.RateBps)})
			marks[i] = append(marks[i], mark(u))
		}
		for _, m := range marks[i] {
			lo, hi = math.Min(lo, math.Min(m.X, m.Y)), math.Max(hi, math.Max(m.X, m.Y))
		}
		f.Table.Rows = append(f.Table.Rows, s.service())
	}
	if lo < hi || lo == hi {
		margin := 0.05*(hi-lo) + 0.05
		lo, hi = lo-margin, hi+margin
		below, err := plotter.NewPolygon(plotter.XYs{{X: lo, Y: lo}, {X: hi, Y: hi}, {X: hi, Y: lo}})
		if err != nil {
			return nil, err
		}
		below.Color, below.LineStyle = color.Gray{0xf0}, draw.LineStyle{}
		p.Add(below)
		if err := addCurve(p, "delivered = asked for", plotter.XYs{{X: lo, Y: lo}, {X: hi, Y: hi}}, reference, nil); err != nil {
			return nil, err
		}
		p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = lo, hi, lo, hi
	}
	for i, s := range samples {
		if len(marks[i]) == 0 {
			continue
		}
		scatter, err := plotter.NewScatter(marks[i])
		if err != nil {
			return nil, err
		}
		scatter.GlyphStyle = draw.GlyphStyle{Color: colors[i%len(colors)], Radius: vg.Points(3 + 1.5*float64(i)), Shape: rateShapes[i%len(rateShapes)]}
		p.Add(scatter)
		p.Legend.Add(s.Name, scatter)
	}
	p.Legend.Left, p.Legend.XOffs = true, legendIn
	f.panels = []*plot.Plot{p}
	return f, nil
}

// sameMark is the distance of marks, in decades, within which one is drawn: a
// third of a mark's width.
const sameMark = 0.002

// mark returns where a rate is drawn: the logarithms of what is asked for and of what
// is delivered. A user who gets nothing stands three decades below what it asks for.
func mark(u campaign.UserRate) plotter.XY {
	return plotter.XY{X: math.Log10(u.TargetBps), Y: math.Log10(math.Max(u.RateBps, 1e-3*u.TargetBps))}
}

// drawn returns the rates that have a mark of their own.
func (s *Sample) drawn() []campaign.UserRate {
	var out []campaign.UserRate
	seen := make(map[[2]int]bool)
	for _, u := range s.Rates {
		if !(u.TargetBps > 0) {
			continue
		}
		at := mark(u)
		place := [2]int{int(math.Round(at.X / sameMark)), int(math.Round(at.Y / sameMark))}
		if !seen[place] {
			seen[place] = true
			out = append(out, u)
		}
	}
	return out
}

// service is the table's row of a sample.
func (s *Sample) service() []Cell {
	var targets, kept int
	var asked, got float64
	worst := math.Inf(1)
	for _, u := range s.Rates {
		if !(u.TargetBps > 0) {
			continue
		}
		targets++
		asked, got = asked+u.TargetBps, got+u.RateBps
		ratio := u.RateBps / u.TargetBps
		worst = math.Min(worst, ratio)
		if ratio >= 1-scheduler.RateTolerance {
			kept++
		}
	}
	row := []Cell{words(s.Name), number("%.0f", float64(targets)), number("%.0f", float64(kept))}
	if targets == 0 {
		return row
	}
	n := float64(targets) * 1e6
	return append(row, number("%.4g", asked/n), number("%.4g", got/n), number("%.6f", worst))
}

// Timeline draws the radiated power of samples from slot to slot, so many seconds
// apart.
func Timeline(title string, everyS float64, samples []Sample) (*Figure, error) {
	f := &Figure{
		ID: "timeline", Title: title,
		Caption: "Radiated power, mean over each slot, while the users move.",
		Table:   Table{Columns: []string{"way", "slots", "least (dBm)", "median (dBm)", "most (dBm)"}},
		Data:    Table{Columns: []string{"way", "time (s)", "radiated power (dBm)"}},
	}
	p := newPlot("time (s)", "radiated power (dBm)")
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(roundTicks), plot.TickerFunc(roundTicks)
	names := make([]string, len(samples))
	lines := make([]plotter.XYs, len(samples))
	for i, s := range samples {
		dBm := inDBm(s.PowerW)
		if len(dBm) != len(s.Slots) {
			return nil, fmt.Errorf("report: %s: %d powers above 0 for %d slots", s.Name, len(dBm), len(s.Slots))
		}
		names[i] = s.Name
		for n, y := range dBm {
			at := plotter.XY{X: float64(s.Slots[n]) * everyS, Y: y}
			lines[i] = append(lines[i], at)
			f.Data.Rows = append(f.Data.Rows, []Cell{words(s.Name), number("%g", at.X), number("%g", at.Y)})
		}
		f.Table.Rows = append(f.Table.Rows, timelineRow(s.Name, dBm))
	}
	if err := addLines(p, names, lines); err != nil {
		return nil, err
	}
	padY(p, 0.05, 0.28)
	f.panels = []*plot.Plot{p}
	return f, nil
}

func timelineRow(name string, dBm []float64) []Cell {
	row := []Cell{words(name), number("%.0f", float64(len(dBm)))}
	if len(dBm) > 0 {
		for _, q := range []float64{0, 0.5, 1} {
			row = append(row, number("%.2f", campaign.Quantile(dBm, q)))
		}
	}
	return row
}
