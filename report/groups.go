package report

import (
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"leastwatt/optim"
	"leastwatt/scheduler"
)

// SlotView is one slot with its plan, which has weights.
type SlotView struct {
	Slot *scheduler.Slot
	Plan *scheduler.Plan
}

// Groups draws who shares the air: the correlation of users' channels, users in
// the order of groups, with a frame around each group.
func (v *SlotView) Groups() (*Figure, error) {
	order, first := v.order()
	f := &Figure{
		ID: "groups", Title: "Who shares the air in one slot: correlations in percent, groups framed",
		Caption: "Correlation of users' channels, |h_i^H h_j| / (|h_i| |h_j|), in percent: 0 is apart, 100 the same direction. A frame is a group, on the air at the same time. Groups that share the air well are pale inside their frames.",
		Table:   Table{Columns: []string{"group", "share of the slot", "user", "asked for (Mbit/s)", "delivered (Mbit/s)", "power on the air (W)", "largest correlation in its group", "largest with others"}},
		width:   6.4 * vg.Inch, height: 5.8 * vg.Inch,
	}
	c := correlations(v.Slot)
	f.Data.Columns = []string{"user"}
	for _, k := range order {
		f.Data.Columns = append(f.Data.Columns, v.Slot.Users[k].ID)
	}
	for _, i := range order {
		row := []Cell{words(v.Slot.Users[i].ID)}
		for _, j := range order {
			row = append(row, number("%.3f", c[i][j]))
		}
		f.Data.Rows = append(f.Data.Rows, row)
	}
	p := newPlot("", "")
	p.Add(&matrix{order: order, first: first, values: c})
	p.HideAxes()
	if len(order) <= mostNamed {
		var names []string
		for _, k := range slices.Backward(order) {
			names = append(names, v.Slot.Users[k].ID)
		}
		p.NominalY(names...)
	}
	f.panels = []*plot.Plot{p}
	v.groupRows(f, c)
	return f, nil
}

// mostNamed is the most users that are named on an axis, with numbers in cells.
const mostNamed = 24

// order returns the users by group, and where each group starts; users of several
// groups stand in the first, users of none last.
func (v *SlotView) order() (order, first []int) {
	place := make(map[string]int)
	for k := range v.Slot.Users {
		place[v.Slot.Users[k].ID] = k
	}
	seen := make(map[int]bool)
	for g := range v.Plan.Groups {
		first = append(first, len(order))
		for i := range v.Plan.Groups[g].Allocations {
			if k, ok := place[v.Plan.Groups[g].Allocations[i].UserID]; ok && !seen[k] {
				seen[k] = true
				order = append(order, k)
			}
		}
	}
	first = append(first, len(order))
	for k := range v.Slot.Users {
		if !seen[k] {
			order = append(order, k)
		}
	}
	return order, first
}

// groupRows fills the table.
func (v *SlotView) groupRows(f *Figure, c [][]float64) {
	place, rate := make(map[string]int), make(map[string]scheduler.UserRate)
	for k := range v.Slot.Users {
		place[v.Slot.Users[k].ID] = k
	}
	for _, u := range v.Plan.Users {
		rate[u.ID] = u
	}
	for g := range v.Plan.Groups {
		group := &v.Plan.Groups[g]
		in := make(map[int]bool)
		for i := range group.Allocations {
			in[place[group.Allocations[i].UserID]] = true
		}
		for i := range group.Allocations {
			a := &group.Allocations[i]
			var within, without float64
			for j, r := range c[place[a.UserID]] {
				switch {
				case j == place[a.UserID]:
				case in[j]:
					within = math.Max(within, r)
				default:
					without = math.Max(without, r)
				}
			}
			u := rate[a.UserID]
			f.Table.Rows = append(f.Table.Rows, []Cell{
				number("%.0f", float64(g+1)), number("%.4f", group.Share), words(a.UserID),
				number("%.4g", u.TargetBps/1e6), number("%.4g", u.RateBps/1e6), number("%.4g", a.PowerW),
				number("%.3f", within), number("%.3f", without),
			})
		}
	}
}

// correlations returns |h_i^H h_j| / (|h_i| |h_j|) of users, subbands taken
// together; 0 with a channel of nothing.
func correlations(slot *scheduler.Slot) [][]float64 {
	n := len(slot.Users)
	width := slot.Channel.Subbands * slot.Channel.Antennas
	h := func(k int) []complex128 { return slot.Channel.Samples[k*width : (k+1)*width] }
	norm := make([]float64, n)
	for k := range n {
		norm[k] = math.Sqrt(real(optim.Received(h(k), h(k))))
	}
	out := make([][]float64, n)
	for i := range n {
		out[i] = make([]float64, n)
		for j := range n {
			if norm[i] > 0 && norm[j] > 0 {
				z := optim.Received(h(i), h(j))
				out[i][j] = math.Min(1, math.Hypot(real(z), imag(z))/norm[i]/norm[j])
			}
		}
	}
	return out
}

// matrix draws values of 0 to 1 as shades, rows from the top, with a frame around
// each group.
type matrix struct {
	order, first []int
	values       [][]float64
}

// DataRange implements plot.DataRanger.
func (m *matrix) DataRange() (xmin, xmax, ymin, ymax float64) {
	n := float64(len(m.order))
	return 0, n, -0.5, n - 0.5 // names stand at whole numbers
}

// Plot implements plot.Plotter.
func (m *matrix) Plot(c draw.Canvas, p *plot.Plot) {
	x, toY := p.Transforms(&c)
	y := func(row float64) vg.Length { return toY(row - 0.5) }
	n := len(m.order)
	rectangle := func(from, to, down, up int) []vg.Point {
		return []vg.Point{
			{X: x(float64(from)), Y: y(float64(n - up))}, {X: x(float64(to)), Y: y(float64(n - up))},
			{X: x(float64(to)), Y: y(float64(n - down))}, {X: x(float64(from)), Y: y(float64(n - down))},
		}
	}
	label := p.X.Tick.Label
	label.XAlign, label.YAlign = text.XCenter, text.YCenter
	cell := float64(x(1) - x(0))
	label.Font.Size = vg.Length(math.Min(10, 0.42*cell))
	for i, a := range m.order {
		for j, b := range m.order {
			r := m.values[a][b]
			c.FillPolygon(shade(r), rectangle(j, j+1, i, i+1))
			if n <= mostNamed && i != j {
				label.Color = color.Black
				if r > 0.5 {
					label.Color = color.White
				}
				c.FillText(label, vg.Point{X: x(float64(j) + 0.5), Y: y(float64(n-i) - 0.5)}, fmt.Sprintf("%.0f", 100*r))
			}
		}
	}
	for g := range len(m.first) - 1 {
		from, to := m.first[g], m.first[g+1]
		if from < to {
			frame := rectangle(from, to, from, to)
			c.StrokeLines(draw.LineStyle{Color: orange, Width: vg.Points(2.4)}, append(frame, frame[0], frame[1]))
		}
	}
}

// shade goes from white to a dark blue: as light on paper as on a screen.
func shade(r float64) color.Color {
	at := func(from, to float64) uint8 { return uint8(math.Round(from + r*(to-from))) }
	return color.RGBA{at(0xff, 0x08), at(0xff, 0x30), at(0xff, 0x6b), 0xff}
}
