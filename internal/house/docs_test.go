package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// documented are the packages that others import: go doc of them is a manual.
var documented = []string{"optim", "optim/lp", "scheduler", "channel", "channel/cell", "energy", "campaign", "proto/trace"}

func TestDocComments(t *testing.T) {
	for _, dir := range documented {
		lines, count := undocumented(t, filepath.Join(root, dir))
		if count < 5 {
			t.Errorf("%s: %d exported names found", dir, count)
		}
		for _, line := range lines {
			t.Error(line)
		}
	}
}

// undocumented returns one line for each exported name of the package in dir
// whose doc comment is not there or does not start with the name: of types,
// functions, methods, constants, variables, methods of interfaces and the package
// itself. It counts the names. A comment beside a constant or variable says what it
// is without repeating the name.
func undocumented(t *testing.T, dir string) (lines []string, count int) {
	t.Helper()
	files := token.NewFileSet()
	names, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var parsed []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(files, name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		parsed = append(parsed, f)
	}
	if len(parsed) == 0 {
		t.Fatalf("no package in %s", dir)
	}
	check := func(at token.Pos, name, starts string, comments ...*ast.CommentGroup) {
		count++
		for _, c := range comments {
			// After the name a word ends.
			if rest, ok := strings.CutPrefix(c.Text(), starts); ok && strings.TrimLeft(rest, " :,'\n") != rest {
				return
			}
		}
		p := files.Position(at)
		lines = append(lines, fmt.Sprintf("%s:%d: the doc comment of %s does not start with %q", filepath.Base(p.Filename), p.Line, name, starts))
	}
	var doc *ast.CommentGroup
	for _, f := range parsed {
		if f.Doc != nil {
			doc = f.Doc
		}
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if on, ok := receiver(d); d.Name.IsExported() && ok {
					check(d.Pos(), on+d.Name.Name, d.Name.Name, d.Doc)
				}
			case *ast.GenDecl:
				for _, s := range d.Specs {
					checkSpec(d, s, check)
				}
			}
		}
	}
	name := parsed[0].Name.Name
	check(token.NoPos, "package "+name, "Package "+name, doc)
	slices.Sort(lines)
	return lines, count
}

// receiver returns the type of a method and a point, "" for a function, and
// whether that type is exported.
func receiver(d *ast.FuncDecl) (name string, exported bool) {
	if d.Recv == nil {
		return "", true
	}
	on := d.Recv.List[0].Type
	if star, ok := on.(*ast.StarExpr); ok {
		on = star.X
	}
	if generic, ok := on.(*ast.IndexExpr); ok {
		on = generic.X
	}
	id := on.(*ast.Ident)
	return id.Name + ".", id.IsExported()
}

// checkSpec checks the names of a type, constants or variables.
func checkSpec(d *ast.GenDecl, s ast.Spec, check func(token.Pos, string, string, ...*ast.CommentGroup)) {
	switch s := s.(type) {
	case *ast.TypeSpec:
		if !s.Name.IsExported() {
			return
		}
		check(s.Pos(), s.Name.Name, s.Name.Name, s.Doc, d.Doc)
		if i, ok := s.Type.(*ast.InterfaceType); ok {
			for _, m := range i.Methods.List {
				for _, name := range m.Names {
					if name.IsExported() {
						check(m.Pos(), s.Name.Name+"."+name.Name, name.Name, m.Doc, m.Comment)
					}
				}
			}
		}
	case *ast.ValueSpec:
		for _, name := range s.Names {
			if !name.IsExported() {
				continue
			}
			if s.Comment != nil && len(s.Names) == 1 {
				continue
			}
			comments := []*ast.CommentGroup{s.Doc}
			if !d.Lparen.IsValid() {
				comments = append(comments, d.Doc)
			}
			check(name.Pos(), name.Name, name.Name, comments...)
		}
	}
}

func TestDocCommentsBad(t *testing.T) {
	for _, test := range []struct {
		source string
		want   []string // what is missed
	}{
		{"// Package a does.\npackage a\n\n// T is.\ntype T struct{}\n\n// M does.\nfunc (t *T) M() {}\n\nfunc (t T) m() {}\n", nil},
		{"package a\n", []string{`package a does not start with "Package a"`}},
		{"// Something else.\npackage a\n", []string{`package a does not`}},
		{"// Package a does.\npackage a\n\nfunc F() {}\n", []string{"a.go:4: the doc comment of F does not"}},
		{"// Package a does.\npackage a\n\n// Does.\nfunc F() {}\n", []string{"of F does not"}},
		{"// Package a does.\npackage a\n\n// Four is not F.\nfunc F() {}\n", []string{"of F does not"}},
		{"// Package a does.\npackage a\n\n// F\n//\n// does.\nfunc F() {}\n", nil},
		{"// Package a does.\npackage a\n\n// T is.\ntype T int\n\nfunc (t *T) M() {}\n", []string{"of T.M does not"}},
		{"// Package a does.\npackage a\n\n// T is.\ntype T[P any] struct{}\n\nfunc (t *T[P]) M() {}\n", []string{"of T.M does not"}},
		{"// Package a does.\npackage a\n\ntype t int\n\nfunc (t t) M() {}\n", nil},
		{"// Package a does.\npackage a\n\n// I is.\ntype I interface {\n\tM()\n\n\t// N does.\n\tN()\n}\n", []string{"of I.M does not"}},
		{"// Package a does.\npackage a\n\n// A and B are.\nconst (\n\tA = 1\n\tB = 2 // two\n)\n", []string{"of A does not"}},
		{"// Package a does.\npackage a\n\nvar A, B = 1, 2 // numbers\n", []string{"of A does not", "of B does not"}},
		{"// Package a does.\npackage a\n\n// A is.\nconst A = 1\n\nvar B = 2\n", []string{"of B does not"}},
	} {
		dir := t.TempDir()
		write(t, dir, map[string]string{"a.go": test.source, "a_test.go": "package a\n\nfunc F2() {}\n"})
		lines, _ := undocumented(t, dir)
		if len(lines) != len(test.want) {
			t.Errorf("%q: %q, want %q", test.source, lines, test.want)
			continue
		}
		for i, want := range test.want {
			if !strings.Contains(lines[i], want) {
				t.Errorf("%q: %q, want %q", test.source, lines[i], want)
			}
		}
	}
}
