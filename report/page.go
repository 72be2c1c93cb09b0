package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"os"
	"path/filepath"
	"strings"

	"leastwatt/internal/safefile"
)

// Page is a report: one question, what was found, and what shows it.
type Page struct {
	Title    string
	Question string
	Answer   string   // in a sentence or two
	Key      []Fact   // the few numbers that matter
	Setup    []Fact   // what was done on what
	Figures  []Figure // in order
	Method   []string // paragraphs: how the numbers come about, what they do not say
	Caution  string
	Command  string // that makes all this again
	Seed     int64
	Version  string // of the engine
}

// Fact is a thing with a name.
type Fact struct {
	Name, Value string
	Note        string // smaller, below; may be empty
}

// Write writes the page into dir/report.html and its figures into dir/figures, all of
// them or none, and returns the name of the page. The page needs none of the other
// files. Without replace a file that is there is an error that wraps fs.ErrExist.
func (p *Page) Write(dir string, replace bool) (string, error) {
	figures := filepath.Join(dir, "figures")
	if err := os.MkdirAll(figures, 0o777); err != nil {
		return "", err
	}
	files := safefile.Set{Replace: replace}
	defer files.Discard()
	for i := range p.Figures {
		if _, err := p.Figures[i].write(&files, figures); err != nil {
			return "", err
		}
	}
	name := filepath.Join(dir, "report.html")
	if err := files.Write(name, p.WriteHTML); err != nil {
		return "", err
	}
	return name, files.Commit()
}

//go:embed page.html
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// drawnFigure is a figure as the page's template takes it.
type drawnFigure struct {
	*Figure
	Number int
	SVG    template.HTML
	CSV    template.URL // with all numbers in full
}

// WriteHTML writes the page.
func (p *Page) WriteHTML(w io.Writer) error {
	data := struct {
		*Page
		Drawn []drawnFigure
	}{Page: p}
	for i := range p.Figures {
		f := &p.Figures[i]
		svg, err := f.svg()
		if err != nil {
			return err
		}
		var table bytes.Buffer
		if err := f.data().WriteCSV(&table); err != nil {
			return err
		}
		data.Drawn = append(data.Drawn, drawnFigure{
			f, i + 1, template.HTML(svg),
			template.URL("data:text/csv;charset=utf-8;base64," + base64.StdEncoding.EncodeToString(table.Bytes())),
		})
	}
	return pageTemplate.Execute(w, data)
}

// Paragraphs splits a caution into its lines.
func (p *Page) Paragraphs() []string { return strings.Split(strings.TrimSpace(p.Caution), "\n") }
