package main

import (
	"context"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"

	"leastwatt/server"
)

// TestReadmePython runs the README's Python example, as it stands, against a
// server.
func TestReadmePython(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import grpc, numpy, google.protobuf").Run(); err != nil {
		t.Skip("grpcio for Python cannot be had here: make test says why")
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, code, found := strings.Cut(string(readme), "```python\n")
	if !found {
		t.Fatal("README.md has no Python example")
	}
	code, _, _ = strings.Cut(code, "```")
	const address = "127.0.0.1:7430"
	if !strings.Contains(code, address) {
		t.Fatalf("the example does not call %s", address)
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan error, 1)
	go func() { stopped <- server.New(server.Config{}).Serve(ctx, lis) }()
	defer func() { cancel(); <-stopped }()
	cmd := exec.Command(python, "-c", strings.ReplaceAll(code, address, lis.Addr().String()))
	cmd.Dir = "../../proto"
	out, err := cmd.CombinedOutput()
	if text := string(out); err != nil || !strings.HasSuffix(text, " W\n") || strings.HasPrefix(text, "0.0 ") {
		t.Errorf("%v: %s", err, out)
	}
}
