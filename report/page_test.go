package report

import (
	"encoding/json"
	"fmt"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"leastwatt/campaign"
	"leastwatt/channel/quay"
	"leastwatt/internal/testchild"
	"leastwatt/scheduler"
)

// examplePage is a page of all figures: made-up powers and rates, and a real slot of
// the quay with a protected direction.
func examplePage(t *testing.T) *Page {
	t.Helper()
	scene := quay.New(1, quay.DayShift, 2, 4)
	slot := campaign.QuaySlot(scene, 0)
	slot.Array = campaign.QuayArray(scene)
	slot.Options.Weights = scheduler.WeightsF64
	slot.Limits.ProtectedDirections = []scheduler.ProtectedDirection{{AzimuthDeg: 50, WidthDeg: 20, EIRPW: 0.1}}
	plan := scheduler.NewEngine().Schedule(t.Context(), slot)
	samples := []Sample{{Name: "ours <on> 8 antennas"}, {Name: "one antenna"}}
	for i := range 40 {
		for s := range samples {
			samples[s].PowerW = append(samples[s].PowerW, 1e-3*float64(1+s*100)*(1+float64(i)/20))
			samples[s].Rates = append(samples[s].Rates, campaign.UserRate{TargetBps: 1e6 * float64(1+i%4), RateBps: 1e6 * float64(1+i%4)})
		}
	}
	e := Evidence{
		Scale: scaleOf(3, 0.7, 0.2, 0.08, 0.03), Model: "made-up", Samples: samples, View: &SlotView{slot, plan},
		EIRP: []EIRP{{1, 20}, {2, 14}, {4, 9}, {8, 5}}, CarrierHz: slot.CarrierHz,
	}
	figures, err := e.Figures()
	if err != nil {
		t.Fatal(err)
	}
	over, err := Timeline("Over time", 0.5, []Sample{
		{Name: "a", Slots: []int{0, 1, 2}, PowerW: []float64{0.1, 0.2, 0.15}}, {Name: "b", Slots: []int{0, 1, 2}, PowerW: []float64{1, 2, 1.5}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return &Page{
		Title: "20 dB less", Question: "Is it so?", Answer: "It is, with <b>care</b> & proof.",
		Key:     []Fact{{"Saved", "20 dB", "of what was"}, {"Least rate", "1.000000", ""}},
		Setup:   []Fact{{Name: "Scene", Value: "made up"}},
		Figures: append(figures, *over),
		Method:  []string{ConsumedMethod, FloorMethod}, Caution: "An estimate.\nA qualified person decides.",
		Command: "leastwatt report --seed 7 'a&b'", Seed: 7, Version: scheduler.Version,
	}
}

// A page needs nothing from elsewhere.
func TestPageStandsAlone(t *testing.T) {
	var b strings.Builder
	if err := examplePage(t).WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, found := range regexp.MustCompile(`(?:src|href|url)\s*[=(]\s*["']?([^"'\s)>]+)`).FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(found[1], "data:text/csv") {
			t.Errorf("the page needs %q", found[1])
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "@import") {
		t.Error("the page runs or fetches something")
	}
	if !strings.Contains(page, "It is, with &lt;b&gt;care&lt;/b&gt; &amp; proof.") {
		t.Error("words are taken for markup")
	}
}

// probe looks at a page as it is laid out, and leaves what it sees as JSON.
const probe = `<script>
addEventListener("load", () => {
  const box = e => { const r = e.getBoundingClientRect(); return {l: r.left, t: r.top, r: r.right, b: r.bottom}; };
  const seen = {
    wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    text: {}, figures: [],
  };
  for (const id of ["question", "answer", "command", "seed", "version", "caution"]) seen.text[id] = document.getElementById(id).innerText;
  for (const f of document.querySelectorAll("figure")) {
    const svg = f.querySelector("svg"), frame = box(svg), words = [...svg.querySelectorAll("text")];
    const outside = words.filter(e => { const b = box(e); return b.l < frame.l - 1 || b.r > frame.r + 1 || b.t < frame.t - 1 || b.b > frame.b + 1; });
    const over = [];
    words.forEach((a, i) => words.slice(i + 1).forEach(b => {
      const x = box(a), y = box(b);
      const w = Math.min(x.r, y.r) - Math.max(x.l, y.l), h = Math.min(x.b, y.b) - Math.max(x.t, y.t);
      if (w > 2 && h > 0.4 * Math.min(x.b - x.t, y.b - y.t)) over.push(a.textContent + " / " + b.textContent);
    }));
    f.querySelector("details").open = true;
    seen.figures.push({
      id: f.id, width: frame.r - frame.l, height: frame.b - frame.t, shapes: svg.querySelectorAll("path").length,
      labelled: document.getElementById(svg.getAttribute("aria-labelledby")).innerText, outside: outside.map(e => e.textContent), over,
      smallest: Math.min(...words.map(e => box(e).b - box(e).t)),
      columns: [...f.querySelectorAll("th")].map(e => e.innerText),
      rows: [...f.querySelectorAll("tbody tr")].map(tr => [...tr.cells].map(td => ({text: td.innerText, value: td.dataset.value ?? null}))),
    });
  }
  const out = document.createElement("pre");
  out.id = "seen";
  out.textContent = JSON.stringify(seen);
  document.body.append(out);
});
</script>`

// sight is what the probe sees.
type sight struct {
	Wide    float64
	Text    map[string]string
	Figures []struct {
		ID            string
		Width, Height float64
		Shapes        int
		Labelled      string
		Outside, Over []string
		Smallest      float64
		Columns       []string
		Rows          [][]struct {
			Text  string
			Value *string
		}
	}
}

// open opens a page in Chromium, in a window so wide, and returns what is seen.
func open(t *testing.T, page *Page, width int) *sight {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("no Chromium: make deps-test installs it")
	}
	var b strings.Builder
	if err := page.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	name := filepath.Join(dir, "page.html")
	if err := os.WriteFile(name, []byte(strings.Replace(b.String(), "</head>", probe+"</head>", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := testchild.Command(t, chromium,
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir="+filepath.Join(dir, "profile"),
		fmt.Sprintf("--window-size=%d,900", width), "--dump-dom", "file://"+name)
	var said strings.Builder
	cmd.Stderr = &said
	dom, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, said.String())
	}
	_, rest, found := strings.Cut(string(dom), `<pre id="seen">`)
	text, _, ended := strings.Cut(rest, "</pre>")
	if !found || !ended {
		t.Fatalf("the probe saw nothing:\n%s", said.String())
	}
	out := new(sight)
	if err := json.Unmarshal([]byte(html.UnescapeString(text)), out); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestPageInBrowser opens a page in Chromium: every figure is drawn, legible and
// within its frame, and the numbers that stand in the page are those of the tables.
func TestPageInBrowser(t *testing.T) {
	page := examplePage(t)
	seen := open(t, page, 1200)
	want := map[string]string{"question": page.Question, "answer": page.Answer, "command": page.Command, "seed": "7", "version": page.Version}
	for id, text := range want {
		if seen.Text[id] != text {
			t.Errorf("%s: %q, want %q", id, seen.Text[id], text)
		}
	}
	if !strings.Contains(seen.Text["caution"], "qualified person") {
		t.Errorf("caution: %q", seen.Text["caution"])
	}
	if len(seen.Figures) != len(page.Figures) {
		t.Fatalf("%d figures, want %d", len(seen.Figures), len(page.Figures))
	}
	for i, got := range seen.Figures {
		f := &page.Figures[i]
		if got.ID != f.ID || got.Labelled != fmt.Sprintf("%d. %s", i+1, f.Title) {
			t.Errorf("figure %d is %q, %q", i, got.ID, got.Labelled)
		}
		if got.Width < 500 || got.Height < 150 || got.Shapes < 3 {
			t.Errorf("%s: %d shapes in %g by %g", f.ID, got.Shapes, got.Width, got.Height)
		}
		if got.Smallest < 8 {
			t.Errorf("%s: words %g pixels high", f.ID, got.Smallest)
		}
		if len(got.Outside) > 0 {
			t.Errorf("%s: words outside of the picture: %q", f.ID, got.Outside)
		}
		if len(got.Over) > 0 {
			t.Errorf("%s: words over one another: %q", f.ID, got.Over)
		}
		checkTable(t, f, got.Columns, func(row, column int) (text string, value *string, there bool) {
			if row >= len(got.Rows) || column >= len(got.Rows[row]) {
				return "", nil, false
			}
			return got.Rows[row][column].Text, got.Rows[row][column].Value, true
		})
	}
}

// checkTable compares a table with its cells in a page.
func checkTable(t *testing.T, f *Figure, columns []string, cell func(row, column int) (string, *string, bool)) {
	t.Helper()
	if strings.Join(columns, "|") != strings.Join(f.Table.Columns, "|") {
		t.Errorf("%s: columns %q, want %q", f.ID, columns, f.Table.Columns)
	}
	for r, row := range f.Table.Rows {
		for c, want := range row {
			text, value, there := cell(r, c)
			switch {
			case !there || text != want.Text || (value == nil) != (want.Value == nil):
				t.Errorf("%s: row %d, column %d: %q, want %q", f.ID, r, c, text, want.Text)
			case value != nil:
				if got, err := strconv.ParseFloat(*value, 64); err != nil || got != *want.Value {
					t.Errorf("%s: row %d, column %d: %s in full, want %g", f.ID, r, c, *value, *want.Value)
				}
			}
		}
	}
	if _, _, there := cell(len(f.Table.Rows), 0); there {
		t.Errorf("%s: rows too many", f.ID)
	}
}

// On a narrow screen nothing runs out of the page.
func TestPageNarrow(t *testing.T) {
	if seen := open(t, examplePage(t), 500); seen.Wide > 0 {
		t.Errorf("%g pixels too wide", seen.Wide)
	}
}
