package house

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// single are the folders whose code starts no goroutines: tools/test.sh tests them
// without the race detector. optim/lp is none of them: it ends lp_solve from one.
var single = []string{"optim", "scheduler", "channel", "energy"}

// TestSingleThreaded holds the folders to that, and is shown code that starts one.
func TestSingleThreaded(t *testing.T) {
	files := 0
	for _, folder := range single {
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, _ fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || filepath.Base(filepath.Dir(path)) == "lp" {
				return err
			}
			files++
			for _, at := range goroutines(t, path, nil) {
				t.Errorf("%s starts a goroutine", at)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 50 {
		t.Errorf("only %d files seen", files)
	}
	for _, bad := range []string{
		"package a\nfunc A() { go func() {}() }\n",
		"package a\nimport \"sync\"\nfunc A() { var w sync.WaitGroup; w.Go(func() {}) }\n",
		"package a\nimport \"context\"\nfunc A(c context.Context) { context.AfterFunc(c, func() {}) }\n",
		"package a\nimport \"golang.org/x/sync/errgroup\"\nvar g errgroup.Group\n",
	} {
		if len(goroutines(t, "bad.go", bad)) == 0 {
			t.Errorf("nothing found in %q", bad)
		}
	}
}

// goroutines returns where a file starts goroutines or imports what starts them.
func goroutines(t *testing.T, path string, source any) []string {
	t.Helper()
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, path, source, 0)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			out = append(out, set.Position(n.Pos()).String())
		case *ast.ImportSpec:
			if slices.Contains([]string{`"golang.org/x/sync/errgroup"`}, n.Path.Value) {
				out = append(out, set.Position(n.Pos()).String())
			}
		case *ast.SelectorExpr:
			if n.Sel.Name == "Go" || n.Sel.Name == "AfterFunc" {
				out = append(out, set.Position(n.Pos()).String())
			}
		}
		return true
	})
	return out
}
