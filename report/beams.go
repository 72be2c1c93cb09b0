package report

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"leastwatt/channel"
	"leastwatt/scheduler"
	"leastwatt/scheduler/audit"
)

// Extent of a polar picture.
const (
	polarDB    = 40.0 // from the centre to the rim
	ringDB     = 10.0
	polarStep  = 0.5 // degrees between directions drawn
	searchStep = 2.0 // degrees between directions searched for the strongest
	mostPolars = 4   // groups drawn, those of most EIRP
)

// Beams draws where the beams of the plan's groups point: EIRP over azimuth, at the
// elevation of the first protected direction, or, where there is none, of the group's
// strongest direction; with the protected directions and their limits. It returns nil where the slot has no geometry or the plan
// radiates nothing.
func (v *SlotView) Beams() (*Figure, error) {
	far := audit.NewFarField(v.Slot)
	if far == nil {
		return nil, nil
	}
	half := v.Slot.Array.ElementPattern == scheduler.PatternSector65 // nothing to speak of goes backwards
	f := &Figure{
		ID: "beams", Title: "Where the beams point",
		Caption: "EIRP over azimuth, in dB under the strongest drawn, straight ahead of the array on top, cut at %s. Bold: all beams of the group together, which is what limits are about. Thin: each user's beam.",
		Table:   Table{Columns: []string{"group", "user", "azimuth of its peak (deg)", "elevation of the cut (deg)", "peak EIRP of the beam in the cut (W)", "(dBm)", "peak EIRP of the group in the cut (W)"}},
		Data:    Table{Columns: []string{"group", "elevation (deg)", "azimuth (deg)", "EIRP of the group (W)"}},
		columns: 2, width: 6 * vg.Inch, height: 6 * vg.Inch,
	}
	if half {
		f.height = 3.75 * vg.Inch // the same scale both ways, and the title
	}
	where := "the elevation where the group is strongest"
	if len(v.Slot.Limits.ProtectedDirections) > 0 {
		where = "the elevation of the first protected direction"
	}
	f.Caption = fmt.Sprintf(f.Caption, where)
	cuts := v.cuts(far, half)
	if len(cuts) == 0 {
		return nil, nil
	}
	var strongest float64
	for _, c := range cuts {
		strongest = math.Max(strongest, c.peakW)
		for i, w := range c.all {
			f.Data.Rows = append(f.Data.Rows, []Cell{number("%.0f", float64(c.group+1)), number("%g", c.elevationDeg), number("%g", c.azimuthDeg(i)), number("%.4g", w)})
		}
		for i, id := range c.users {
			best := peakOf(c.each[i])
			f.Table.Rows = append(f.Table.Rows, []Cell{
				number("%.0f", float64(c.group+1)), words(id), number("%.1f", c.azimuthDeg(best)), number("%.1f", c.elevationDeg),
				number("%.4g", c.each[i][best]), number("%.1f", channel.DBm(c.each[i][best])), number("%.4g", c.peakW),
			})
		}
	}
	drawn := slices.SortedStableFunc(slices.Values(cuts), func(a, b *cut) int { return cmp.Compare(b.peakW, a.peakW) })
	drawn = drawn[:min(len(drawn), mostPolars)]
	slices.SortFunc(drawn, func(a, b *cut) int { return cmp.Compare(a.group, b.group) })
	for _, c := range drawn {
		p, err := c.polar(v, strongest)
		if err != nil {
			return nil, err
		}
		f.panels = append(f.panels, p)
	}
	if n := len(cuts) - len(drawn); n > 0 {
		f.Caption += fmt.Sprintf(" The %d groups of most EIRP are drawn; the table has the other %d too.", mostPolars, n)
	}
	if len(v.Slot.Limits.ProtectedDirections) > 0 {
		f.Caption += " Grey sectors are where the cut goes through protected directions; the arc across each is the limit there, which holds in all of its cone, not only in the cut."
	}
	return f, nil
}

// cut is the EIRP of a group over azimuth, at one elevation.
type cut struct {
	group        int
	elevationDeg float64
	fromDeg      float64 // azimuth of the first value, a step of polarStep to the next
	all          []float64
	users        []string
	each         [][]float64 // [user]
	peakW        float64     // of all
}

func (c *cut) azimuthDeg(i int) float64 { return c.fromDeg + polarStep*float64(i) }

// cuts returns a cut of each group that radiates, over azimuths in front or all
// round.
func (v *SlotView) cuts(far *audit.FarField, half bool) []*cut {
	fromDeg, toDeg := -180.0, 180.0
	if half {
		fromDeg, toDeg = -90, 90
	}
	var out []*cut
	for g := range v.Plan.Groups {
		group := &v.Plan.Groups[g]
		var weights []complex128
		for i := range group.Allocations {
			weights = append(weights, group.Allocations[i].Weights...)
		}
		var best, most float64
		for e := -90.0; e <= 90; e += searchStep {
			for a := fromDeg; a <= toDeg; a += searchStep {
				if w := far.EIRPW(weights, a, e); w > most {
					best, most = e, w
				}
			}
		}
		if most == 0 {
			continue
		}
		if list := v.Slot.Limits.ProtectedDirections; len(list) > 0 {
			best = list[0].ElevationDeg
		}
		c := &cut{group: g, elevationDeg: best, fromDeg: fromDeg}
		n := int((toDeg-fromDeg)/polarStep) + 1
		c.all = make([]float64, n)
		for i := range group.Allocations {
			a := &group.Allocations[i]
			each := make([]float64, n)
			for at := range each {
				each[at] = far.EIRPW(a.Weights, c.azimuthDeg(at), best)
				c.all[at] += each[at]
			}
			c.users, c.each = append(c.users, a.UserID), append(c.each, each)
		}
		c.peakW = slices.Max(c.all)
		out = append(out, c)
	}
	return out
}

func peakOf(values []float64) int {
	best := 0
	for i, v := range values {
		if v > values[best] {
			best = i
		}
	}
	return best
}

// polar draws the cut, in dB under a power.
func (c *cut) polar(v *SlotView, strongestW float64) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text = fmt.Sprintf("Group %d, elevation %.0f deg", c.group+1, c.elevationDeg)
	p.Title.TextStyle.Font.Size = vg.Points(13)
	p.HideAxes()
	halfDeg := -c.fromDeg
	radius := func(eirpW float64) float64 {
		return math.Max(0, 1+decibels(eirpW/strongestW)/polarDB)
	}
	p.Add(&polarGrid{halfDeg: halfDeg, label: func(r float64) string { return fmt.Sprintf("%.0f", polarDB*(r-1)) }})
	for i := range v.Slot.Limits.ProtectedDirections {
		d := &v.Slot.Limits.ProtectedDirections[i]
		if half, crossed := halfWidthDeg(d, c.elevationDeg); crossed {
			p.Add(&sector{fromDeg: d.AzimuthDeg - half, toDeg: d.AzimuthDeg + half, radius: math.Min(1, radius(d.EIRPW))})
		}
	}
	curve := func(eirpW []float64, style draw.LineStyle) error {
		points := make(plotter.XYs, len(eirpW))
		for i, w := range eirpW {
			points[i] = onPolar(radius(w), c.azimuthDeg(i))
		}
		line, err := plotter.NewLine(points)
		if err != nil {
			return err
		}
		line.LineStyle = style
		p.Add(line)
		return nil
	}
	if err := curve(c.all, draw.LineStyle{Color: color.Black, Width: vg.Points(2.2)}); err != nil {
		return nil, err
	}
	for i, each := range c.each {
		style := draw.LineStyle{Color: colors[i%6], Width: vg.Points(1.1), Dashes: dashes[i/6%len(dashes)]}
		if err := curve(each, style); err != nil {
			return nil, err
		}
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -1.25, 1.25, -1.25, 1.25
	if halfDeg == 90 {
		p.Y.Min, p.Y.Max = -0.15, 1.25
	}
	return p, nil
}

// onPolar returns a place at a distance from the centre: azimuth 0 is up, and left
// is positive, as seen from above.
func onPolar(r, azimuthDeg float64) plotter.XY {
	s, c := math.Sincos(azimuthDeg * math.Pi / 180)
	return plotter.XY{X: -r * s, Y: r * c}
}

// arc returns points on a circle.
func arc(r, fromDeg, toDeg float64) plotter.XYs {
	var out plotter.XYs
	n := int(math.Ceil((toDeg - fromDeg) / 2))
	for i := range n + 1 {
		out = append(out, onPolar(r, fromDeg+(toDeg-fromDeg)*float64(i)/float64(max(n, 1))))
	}
	return out
}

// polarGrid draws rings and spokes.
type polarGrid struct {
	halfDeg float64
	label   func(r float64) string
}

// Plot implements plot.Plotter.
func (g *polarGrid) Plot(c draw.Canvas, p *plot.Plot) {
	at := placer(c, p)
	style := draw.LineStyle{Color: color.Gray{0xc4}, Width: vg.Points(0.6)}
	label := p.X.Tick.Label
	label.Font.Size = vg.Points(9)
	label.XAlign, label.YAlign = text.XCenter, text.YCenter
	label.Color = grey
	for r := ringDB / polarDB; r <= 1+1e-9; r += ringDB / polarDB {
		c.StrokeLines(style, at(arc(r, -g.halfDeg, g.halfDeg)))
		c.FillText(label, at(plotter.XYs{onPolar(r, g.halfDeg+4/r)})[0], g.label(r))
	}
	for a := -g.halfDeg; a <= g.halfDeg; a += 30 {
		if a == -180 {
			continue
		}
		c.StrokeLines(style, at(plotter.XYs{{}, onPolar(1, a)}))
		c.FillText(label, at(plotter.XYs{onPolar(1.19, a)})[0], fmt.Sprintf("%+.0f°", a))
	}
}

// halfWidthDeg returns half the azimuths of a cone at an elevation; false where the
// cone does not reach it. From the spherical law of cosines.
func halfWidthDeg(d *scheduler.ProtectedDirection, elevationDeg float64) (half float64, crossed bool) {
	rad := math.Pi / 180
	axis, at := d.ElevationDeg*rad, elevationDeg*rad
	cos := (math.Cos(d.WidthDeg/2*rad) - math.Sin(axis)*math.Sin(at)) / (math.Cos(axis) * math.Cos(at))
	if cos <= -1 {
		return 180, true
	}
	return math.Acos(math.Min(cos, 1)) / rad, cos < 1
}

// sector draws a protected direction and the limit in it.
type sector struct{ fromDeg, toDeg, radius float64 }

// Plot implements plot.Plotter.
func (s *sector) Plot(c draw.Canvas, p *plot.Plot) {
	at := placer(c, p)
	c.FillPolygon(color.Gray{0xd8}, at(append(arc(1, s.fromDeg, s.toDeg), plotter.XY{})))
	c.StrokeLines(draw.LineStyle{Color: orange, Width: vg.Points(2.6)}, at(arc(s.radius, s.fromDeg, s.toDeg)))
}

// placer returns where points of a plot stand on its canvas.
func placer(c draw.Canvas, p *plot.Plot) func(plotter.XYs) []vg.Point {
	x, y := p.Transforms(&c)
	return func(points plotter.XYs) []vg.Point {
		out := make([]vg.Point, len(points))
		for i, q := range points {
			out[i] = vg.Point{X: x(q.X), Y: y(q.Y)}
		}
		return out
	}
}
