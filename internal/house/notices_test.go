package house

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"leastwatt/internal/testchild"
)

// TestNotices: the notices that program and image carry are those of what go.mod asks
// for, name every module that is linked, and the gate sees another version, a changed
// text and a module without terms.
func TestNotices(t *testing.T) {
	notices := func(verb, dir string) (string, bool) {
		out, err := testchild.Command(t, filepath.Join(root, "tools", "notices.sh"), verb, dir).CombinedOutput()
		return string(out), err == nil
	}
	if out, pass := notices("check", root); !pass {
		t.Error(out)
	}
	text := read(t, "cmd/leastwatt/notices.txt")
	for _, want := range []string{
		"LP_Solve is released under the LGPL license", "GNU LESSER GENERAL PUBLIC LICENSE", "Timothy A. Davis",
		"Copyright 2009 The Go Authors", "google.golang.org/grpc ", "gonum.org/v1/gonum ", "SIL OPEN FONT LICENSE",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the notices do not say %q", want)
		}
	}

	dir := t.TempDir()
	write(t, dir, map[string]string{
		"go.mod":                 "module a\n\ngo 1.26\n\nrequire b.example/b v1.0.0\n\nreplace b.example/b => ./b\n",
		"cmd/leastwatt/main.go":  "package main\n\nimport _ \"b.example/b/inner\"\n\nfunc main() {}\n",
		"optim/lp/NOTICE.md":     "notice\n",
		"optim/lp/LGPL-2.1.txt":  "lgpl\n",
		"b/go.mod":               "module b.example/b\n\ngo 1.26\n",
		"b/LICENSE":              "terms of b\n",
		"b/inner/inner.go":       "package inner\n",
		"b/inner/COPYING":        "terms of a part\n",
		"b/other/LICENSE":        "terms of what is not linked\n",
		"b/other/other.go":       "package other\n",
		"b/licenses/another.txt": "terms that another file names\n",
	})
	if out, pass := notices("generate", dir); !pass {
		t.Fatal(out)
	}
	made, err := os.ReadFile(filepath.Join(dir, "cmd/leastwatt/notices.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		"b.example/b v1.0.0: LICENSE": true, "terms of b": true, "terms of a part": true, "terms that another file names": true, "not linked": false,
	} {
		if strings.Contains(string(made), text) != want {
			t.Errorf("%q stands in the notices: %v", text, !want)
		}
	}
	if out, pass := notices("check", dir); !pass {
		t.Errorf("it fails on what it made: %s", out)
	}
	bad := func(name, content, says string) {
		t.Helper()
		before, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		write(t, dir, map[string]string{name: content})
		if out, pass := notices("check", dir); pass || !strings.Contains(out, says) {
			t.Errorf("%s: passed %v, and says %s", name, pass, out)
		}
		write(t, dir, map[string]string{name: string(before)})
	}
	bad("go.mod", "module a\n\ngo 1.26\n\nrequire b.example/b v1.1.0\n\nreplace b.example/b => ./b\n", "run make notices")
	bad("b/LICENSE", "other terms\n", "+other terms")
	bad("optim/lp/NOTICE.md", "another notice\n", "+another notice")
	for _, name := range []string{"b/LICENSE", "b/inner/COPYING", "b/licenses/another.txt"} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if out, pass := notices("check", dir); pass || !strings.Contains(out, "no licence found of: b.example/b v1.0.0") {
		t.Errorf("without terms: passed %v, and says %s", pass, out)
	}
}
