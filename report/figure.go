package report

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"leastwatt/internal/safefile"
)

// Figure is a picture of one panel or several, with its numbers.
type Figure struct {
	ID      string // of its files and its place on a page
	Title   string
	Caption string // what is drawn, and how to read it
	Table   Table  // what is drawn, in a few rows
	Data    Table  // all of it, point by point, for .csv; empty: the table has all

	panels  []*plot.Plot
	legend  *plot.Legend // of all panels, in the place after the last; nil: panels have their own
	columns int          // panels in a row; 0: all
	width   vg.Length    // of a panel
	height  vg.Length
}

// Size of a panel, where a figure has no other.
const (
	panelWidth  = 6.4 * vg.Inch
	panelHeight = 4.3 * vg.Inch
	plotDPI     = 160
)

// Formats of figures' files, as their extensions.
var Formats = []string{".png", ".svg", ".csv"}

// Pictures are the formats that Draw takes.
var Pictures = []string{".png", ".svg"}

// write writes the figure into files of all Formats in a folder, named after its ID,
// and returns their names.
func (f *Figure) write(files *safefile.Set, dir string) ([]string, error) {
	var names []string
	for _, ext := range Formats {
		name := filepath.Join(dir, f.ID+ext)
		err := files.Write(name, func(w io.Writer) error {
			if ext == ".csv" {
				return f.data().WriteCSV(w)
			}
			return Draw(w, ext, f)
		})
		if err != nil {
			return nil, err
		}
		names = append(names, name)
	}
	return names, nil
}

// data returns all that is drawn.
func (f *Figure) data() *Table {
	if len(f.Data.Columns) > 0 {
		return &f.Data
	}
	return &f.Table
}

// Draw draws figures side by side in one of the formats Pictures.
func Draw(w io.Writer, format string, figures ...*Figure) error {
	return together(figures).draw(w, strings.TrimPrefix(format, "."), true)
}

// svg returns the picture as an element of a page, which brings the fonts.
func (f *Figure) svg() (string, error) {
	var b bytes.Buffer
	if err := f.draw(&b, "svg", false); err != nil {
		return "", err
	}
	_, element, _ := strings.Cut(b.String(), "<svg")
	// Width and height are the page's to choose; the view box keeps their ratio.
	head, body, _ := strings.Cut(element, ">")
	_, box, _ := strings.Cut(head, "viewBox=")
	box, _, _ = strings.Cut(strings.TrimPrefix(box, `"`), `"`)
	body = strings.ReplaceAll(body, "font-family:Liberation Sans;", "font-family:'Liberation Sans',Arial,Helvetica,sans-serif;")
	return fmt.Sprintf("<svg viewBox=%q role=\"img\" aria-labelledby=\"%s-title\" aria-describedby=\"%s-caption\">%s", box, f.ID, f.ID, body), nil
}

// draw draws the figure as png or svg, the latter with its fonts or without.
func (f *Figure) draw(w io.Writer, format string, fonts bool) error {
	width, height := f.size()
	var canvas vg.CanvasWriterTo
	if format == "svg" {
		canvas = vgsvg.NewWith(vgsvg.UseWH(width, height), vgsvg.EmbedFonts(fonts))
	} else {
		canvas = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(plotDPI))}
	}
	f.drawPanels(draw.New(canvas))
	_, err := canvas.WriteTo(w)
	return err
}

// together returns one figure with the panels of figures in one row, each under its
// figure's title where it has none.
func together(figures []*Figure) *Figure {
	if len(figures) == 1 {
		return titled(figures[0])
	}
	out := &Figure{}
	for _, f := range figures {
		out.panels = append(out.panels, titled(f).panels...)
	}
	return out
}

// titled returns a figure whose only panel has its title: a page has it above, a
// file has not.
func titled(f *Figure) *Figure {
	if len(f.panels) != 1 || f.panels[0].Title.Text != "" {
		return f
	}
	out, panel := *f, *f.panels[0]
	panel.Title.Text = f.Title
	out.panels = []*plot.Plot{&panel}
	return &out
}

// grid returns the rows and columns of places for panels and the legend.
func (f *Figure) grid() (rows, columns int) {
	places := len(f.panels)
	if f.legend != nil {
		places++
	}
	columns = places
	if f.columns > 0 {
		columns = min(f.columns, places)
	}
	return (places + columns - 1) / columns, columns
}

func (f *Figure) size() (width, height vg.Length) {
	rows, columns := f.grid()
	width, height = f.width, f.height
	if width == 0 {
		width, height = panelWidth, panelHeight
	}
	return vg.Length(columns) * width, vg.Length(rows) * height
}

// legendDown is how far a legend stands below the titles of its row.
const legendDown = vg.Length(30)

// drawPanels draws panels row by row, axes in line, and the legend.
func (f *Figure) drawPanels(c draw.Canvas) {
	rows, columns := f.grid()
	places := make([][]*plot.Plot, rows)
	for i := range places {
		places[i] = make([]*plot.Plot, columns)
	}
	for i, p := range f.panels {
		places[i/columns][i%columns] = p
	}
	tiles := draw.Tiles{
		Rows: rows, Cols: columns, PadX: vg.Points(20), PadY: vg.Points(16),
		PadTop: vg.Points(8), PadBottom: vg.Points(6), PadLeft: vg.Points(8), PadRight: vg.Points(14),
	}
	canvases := plot.Align(places, tiles, c)
	for i, p := range f.panels {
		p.Draw(canvases[i/columns][i%columns])
	}
	if f.legend != nil {
		n := len(f.panels)
		place := canvases[n/columns][n%columns]
		place.Min.X += vg.Points(16)
		place.Max.Y -= legendDown
		f.legend.Draw(place)
	}
}

// Table is what a figure draws, in numbers.
type Table struct {
	Columns []string // with units
	Rows    [][]Cell
}

// Cell is a number as a page shows it, or words, or nothing.
type Cell struct {
	Text  string
	Value *float64 // in full; nil for words
}

// words is a cell of words.
func words(text string) Cell { return Cell{Text: text} }

// number is a cell of a number in a format.
func number(format string, value float64) Cell {
	return Cell{Text: fmt.Sprintf(format, value), Value: &value}
}

// numberIf is a cell of a number, empty for nil.
func numberIf(format string, value *float64) Cell {
	if value == nil {
		return Cell{}
	}
	return number(format, *value)
}

// String returns the number in full, or the words.
func (c Cell) String() string {
	if c.Value == nil {
		return c.Text
	}
	return strconv.FormatFloat(*c.Value, 'g', -1, 64)
}

// WriteCSV writes the table with numbers in full.
func (t *Table) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(t.Columns); err != nil {
		return err
	}
	for _, row := range t.Rows {
		var cells []string
		for _, c := range row {
			cells = append(cells, c.String())
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
