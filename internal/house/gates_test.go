package house

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"leastwatt/internal/testchild"
)

// TestGates feeds each gate a good input, which must pass, and a bad one, which
// must not.
func TestGates(t *testing.T) {
	const message = "syntax = \"proto3\";\npackage a.v1;\noption go_package = \"x/a/v1;av1\";\nmessage M {\n  int32 n = 1;\n}\n"
	module := map[string]string{"go.mod": "module a\n\ngo 1.26\n"}
	type bad struct {
		files map[string]string
		says  []string // what the gate says of them
	}
	for _, gate := range []struct {
		name  string
		tools bool                                     // builds the pinned tools
		setup func(t *testing.T, dir string)           // beyond the files
		run   func(t *testing.T, dir string) *exec.Cmd // the gate on dir
		good  map[string]string
		bad   []bad
	}{
		{
			name: "gofmt",
			run:  script("gofmt.sh"),
			good: map[string]string{"a.go": "package a\n"},
			bad: []bad{
				{map[string]string{"a.go": "package a\n", "b/b.go": "package b\n\nvar  B int\n"}, []string{"b/b.go"}},
				{map[string]string{"a.go": "package\n"}, []string{"expected 'IDENT'"}},
			},
		},
		{
			name: "vet",
			run:  inside("go", "vet", "./..."),
			good: join(module, map[string]string{"a.go": "package a\n"}),
			bad: []bad{{
				join(module, map[string]string{"a.go": "package a\n\nimport \"fmt\"\n\nfunc A() { fmt.Printf(\"%d\", \"x\") }\n"}),
				[]string{"wrong type"},
			}},
		},
		{
			name:  "staticcheck",
			tools: true,
			run:   inside("go", "tool", "-modfile="+filepath.Join(root, "tools", "go.mod"), "staticcheck", "./..."),
			good:  join(module, map[string]string{"a.go": "package a\n"}),
			bad: []bad{{
				join(module, map[string]string{"a.go": "package a\n\nfunc a() {}\n"}),
				[]string{"func a is unused (U1000)"},
			}},
		},
		{
			name:  "contract",
			tools: true,
			setup: contract,
			run:   script("proto.sh", "check"),
			bad: []bad{
				{
					map[string]string{"a/v1/a.proto": strings.Replace(message, "n = 1", "nN = 1", 1)},
					[]string{"lower_snake_case"},
				},
				{
					map[string]string{
						"leastwatt/v1/plan.pb.go": "package altered\n",
						"a/v1/a.proto":            message,              // never generated
						"b/v1/b.pb.go":            "package orphaned\n", // its .proto is gone
					},
					[]string{"-package altered", "+package av1", "-package orphaned", "run make proto"},
				},
			},
		},
	} {
		t.Run(gate.name, func(t *testing.T) {
			if gate.tools && testing.Short() {
				t.Skip("builds the pinned tools")
			}
			run := func(files map[string]string) (output string, pass bool) {
				dir := t.TempDir()
				if gate.setup != nil {
					gate.setup(t, dir)
				}
				write(t, dir, files)
				out, err := gate.run(t, dir).CombinedOutput()
				return string(out), err == nil
			}
			if out, pass := run(gate.good); !pass {
				t.Errorf("it fails on a good input:\n%s", out)
			}
			for _, bad := range gate.bad {
				out, pass := run(bad.files)
				if pass {
					t.Errorf("it passes a bad input: %q", bad.files)
				}
				for _, want := range bad.says {
					if !strings.Contains(out, want) {
						t.Errorf("it does not say %q:\n%s", want, out)
					}
				}
			}
		})
	}
}

// gateBound is how long a gate may take: with a cold cache it builds pinned tools, which
// takes minutes of a quiet machine.
const gateBound = 4 * testchild.Bound

// script runs one of our scripts with the directory as its last argument.
func script(name string, args ...string) func(*testing.T, string) *exec.Cmd {
	return func(t *testing.T, dir string) *exec.Cmd {
		return testchild.Bounded(t, gateBound, filepath.Join(root, "tools", name), append(args, dir)...)
	}
}

// inside runs a command in the directory.
func inside(name string, args ...string) func(*testing.T, string) *exec.Cmd {
	return func(t *testing.T, dir string) *exec.Cmd {
		cmd := testchild.Bounded(t, gateBound, name, args...)
		cmd.Dir = dir
		return cmd
	}
}

// contract copies the contract and its generated code to dir.
func contract(t *testing.T, dir string) {
	t.Helper()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join(root, "proto"))); err != nil {
		t.Fatal(err)
	}
}

// write writes files, given by path and content, below dir.
func write(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	for name, content := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// join returns the union of two sets of files.
func join(a, b map[string]string) map[string]string {
	union := make(map[string]string, len(a)+len(b))
	for name, content := range a {
		union[name] = content
	}
	for name, content := range b {
		union[name] = content
	}
	return union
}
