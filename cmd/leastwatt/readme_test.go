package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"leastwatt/server"
)

// TestReadmePython runs the README's Python example, as it stands but for the
// port, against a process of leastwatt serve.
func TestReadmePython(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import grpc, numpy, google.protobuf").Run(); err != nil {
		t.Skip("grpcio and NumPy for Python are not installed: make deps-test installs them")
	}
	root := filepath.Join("..", "..")
	readme, err := os.ReadFile(filepath.Join(root, "README.md"))
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
	cmd := exec.Command(python, "-c", strings.ReplaceAll(code, server.DefaultAddress, s.address))
	cmd.Dir = root
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	power, unit, _ := strings.Cut(strings.TrimSpace(string(out)), " ")
	if w, err := strconv.ParseFloat(power, 64); err != nil || !(w > 0) || unit != "W" {
		t.Errorf("it prints %q", out)
	}
}
