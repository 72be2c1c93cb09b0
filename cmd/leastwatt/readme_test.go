package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"leastwatt/server"
)

// TestReadmePython runs the README's Python example, as it stands but for the
// port, against a process of leastwatt serve.
func TestReadmePython(t *testing.T) {
	needPython(t)
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, code, found := strings.Cut(string(readme), "<!-- python example -->\n```python\n")
	code, _, ended := strings.Cut(code, "```\n<!-- end of python example -->")
	if !found || !ended || !strings.Contains(code, server.DefaultAddress) {
		t.Fatalf("README.md has no Python example that speaks to %s", server.DefaultAddress)
	}
	if n := strings.Count(code, "\n"); n > 10 {
		t.Errorf("the example of ten lines has %d", n)
	}
	s := serveProcess(t)
	out, err := pythonCommand(t, "-c", strings.ReplaceAll(code, server.DefaultAddress, s.address)).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	power, unit, _ := strings.Cut(strings.TrimSpace(string(out)), " ")
	if w, err := strconv.ParseFloat(power, 64); err != nil || !(w > 0) || unit != "W" {
		t.Errorf("it prints %q", out)
	}
}

// TestServeExamples: every command line of serve in the README and in its help is
// one that the command takes.
func TestServeExamples(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(readme)+"\n"+newServeCommand().Example, "\\\n", " ")
	n := 0
	for _, line := range regexp.MustCompile(`(?m)^ *leastwatt (serve.*)$`).FindAllStringSubmatch(text, -1) {
		line, _, _ := strings.Cut(line[1], "#")
		if _, err := parseServe(strings.Fields(line)); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		n++
	}
	if n < 5 {
		t.Errorf("%d examples found", n)
	}
}
