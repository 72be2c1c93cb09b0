package report

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"leastwatt/campaign"
	"leastwatt/energy"
)

// Scale is a sweep of one quantity as figures draw it.
type Scale struct {
	Quantity string // campaign.Antennas or another one
	Points   []campaign.SweepPoint
}

// Power draws radiated power against the quantity, with the floor and, against
// antennas, the line on which power falls as 1/M from the first point.
func (s *Scale) Power() (*Figure, error) {
	p := s.newPlot("radiated power, mean over slots")
	p.Y.Tick.Marker = decadeTicks("W")
	radiated := s.curve(func(at *campaign.SweepPoint) *float64 { return at.RadiatedPowerW })
	floor := s.curve(func(at *campaign.SweepPoint) *float64 { return at.FloorPowerW })
	if s.Quantity == campaign.Antennas && len(radiated) > 1 {
		first, last := radiated[0], radiated[len(radiated)-1]
		fall := math.Log10(2) * (last.X - first.X)
		if err := addCurve(p, "1/M: 3 dB per doubling", plotter.XYs{first, {X: last.X, Y: first.Y - fall}}, reference, nil); err != nil {
			return nil, err
		}
	}
	if err := addCurve(p, "floor of any scheme", floor, draw.LineStyle{Color: orange, Width: vg.Points(1.4), Dashes: dashes[2]}, nil); err != nil {
		return nil, err
	}
	if err := addCurve(p, "mean over drops", radiated, draw.LineStyle{Color: blue, Width: vg.Points(1.6)}, draw.CircleGlyph{}); err != nil {
		return nil, err
	}
	wholeDecades(p)
	padY(p, 0.04, 0.25)
	f := &Figure{
		ID: "power", Title: "Radiated power against " + s.Quantity,
		Caption: "Mean power over the slots on which every target was met. The floor is the power that no scheme of transmission of any kind can go below at these rates over the same channels, proved slot by slot.",
		panels:  []*plot.Plot{p},
		Table:   Table{Columns: []string{s.Quantity, "radiated power (W)", "radiated power (dBm)", "floor (W)", "over the floor (dB)", "saving (dB)", "+- (dB, 95 %)", "groups per slot"}},
	}
	if s.Quantity == campaign.Antennas {
		f.Caption += " On the dashed line power halves with every doubling of the antennas."
	}
	for i := range s.Points {
		at := &s.Points[i]
		row := []Cell{number("%g", at.Value), numberIf("%.4g", at.RadiatedPowerW), numberIf("%.2f", at.RadiatedPowerDbm), numberIf("%.4g", at.FloorPowerW), {}, {}, {}, numberIf("%.1f", at.GroupsPerSlot)}
		if w, least := at.RadiatedPowerW, at.FloorPowerW; w != nil && least != nil && *w > 0 && *least > 0 {
			row[4] = number("%.2f", decibels(*w / *least))
		}
		if at.SavingDb != nil {
			row[5], row[6] = number("%.2f", at.SavingDb.Mean), numberIf("%.2f", at.SavingDb.Half)
		}
		f.Table.Rows = append(f.Table.Rows, row)
	}
	return f, nil
}

// causeStyles are those of causes, in the order of energy.Parts.Causes: shades
// apart where they stand on one another.
var causeStyles = []color.Color{orange, sky, palest, pink, amber, blue, grey}

// Consumed draws power from the wall by cause.
func (s *Scale) Consumed(model string) (*Figure, error) {
	f := &Figure{
		ID: "consumed", Title: "Power from the wall by cause: " + model,
		Caption: "Mean over the slots, by the published model " + model + ". More antennas radiate less and have more circuits: power from the wall is least where the one balances the other.",
		Table:   Table{Columns: []string{s.Quantity, "total (W)"}},
	}
	causes := (energy.Parts{}).Causes()
	for _, c := range causes {
		f.Table.Columns = append(f.Table.Columns, c.Name+" (W)")
	}
	f.Table.Columns = append(f.Table.Columns, "energy per bit (J)")
	p := newPlot(s.Quantity, "power from the wall, mean over slots (W)")
	var names []string
	parts := make([]plotter.Values, len(causes))
	for i := range s.Points {
		at := &s.Points[i]
		row := []Cell{number("%g", at.Value), numberIf("%.4g", at.ConsumedPowerW)}
		names = append(names, fmt.Sprintf("%g", at.Value))
		for c := range causes {
			w := 0.0
			if at.Consumed != nil {
				w = at.Consumed.Causes()[c].PowerW
				if math.Abs(w) < 1e-9 { // rounding of shares
					w = 0
				}
				row = append(row, number("%.4g", w))
			} else {
				row = append(row, Cell{})
			}
			parts[c] = append(parts[c], w)
		}
		f.Table.Rows = append(f.Table.Rows, append(row, numberIf("%.3g", at.ConsumedJoulesPerBit)))
	}
	if err := addStack(p, causes, parts); err != nil {
		return nil, err
	}
	p.NominalX(names...)
	p.Y.Min = 0
	p.Y.Tick.Marker = plot.TickerFunc(roundTicks)
	p.Legend.Left, p.Legend.XOffs = true, legendIn // over few antennas, where bars are low
	if p.Y.Max > 0 {
		padY(p, 0, 0.3)
	}
	f.panels = []*plot.Plot{p}
	return f, nil
}

// addStack adds bars of parts on one another, [part][bar].
func addStack(p *plot.Plot, causes []energy.Cause, parts []plotter.Values) error {
	width := vg.Points(22)
	if n := len(parts[0]); n > 9 {
		width = width * 9 / vg.Length(n)
	}
	var below *plotter.BarChart
	for c, values := range parts {
		if slices.Max(values) == 0 {
			continue
		}
		bars, err := plotter.NewBarChart(values, width)
		if err != nil {
			return err
		}
		bars.Color = causeStyles[c]
		bars.LineStyle = draw.LineStyle{Color: color.White, Width: vg.Points(0.8)}
		if below != nil {
			bars.StackOn(below)
		}
		below = bars
		p.Add(bars)
		p.Legend.Add(causes[c].Name, bars)
	}
	return nil
}

// newPlot returns a plot over the values of the sweep.
func (s *Scale) newPlot(y string) *plot.Plot {
	p := newPlot(s.Quantity, y)
	var ticks []plot.Tick
	for i := range s.Points {
		tick := plot.Tick{Value: s.x(i)}
		if v := s.Points[i].Value; len(s.Points) <= 12 || math.Exp2(math.Round(math.Log2(v))) == v {
			tick.Label = fmt.Sprintf("%g", v)
		}
		ticks = append(ticks, tick)
	}
	p.X.Tick.Marker = plot.ConstantTicks(ticks)
	if n := len(s.Points); n > 0 {
		margin := 0.03*(s.x(n-1)-s.x(0)) + 0.1
		p.X.Min, p.X.Max = s.x(0)-margin, s.x(n-1)+margin
	}
	return p
}

// x returns the place of a value: by its logarithm where the quantity counts
// something, else one after the other.
func (s *Scale) x(i int) float64 {
	if s.Quantity == campaign.Antennas || s.Quantity == "users" {
		return math.Log2(s.Points[i].Value)
	}
	return float64(i)
}

// curve returns the logarithms of values above 0.
func (s *Scale) curve(value func(*campaign.SweepPoint) *float64) plotter.XYs {
	var out plotter.XYs
	for i := range s.Points {
		if v := value(&s.Points[i]); v != nil && *v > 0 {
			out = append(out, plotter.XY{X: s.x(i), Y: math.Log10(*v)})
		}
	}
	return out
}

func decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }
