package house

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// foreign matches what belongs to the machine a file was written on: absolute
// paths of home, scratch and working directories, and hosts of package
// registries. The parts are kept apart so that this file does not match itself.
var foreign = regexp.MustCompile(`(?:^|[^\w./-])/(?:` + strings.Join([]string{"work", "tmp", "root", "home"}, "|") + `)/` +
	`|\b(?:proxy|sum)\.` + `golang\.org\b` +
	`|\bpypi\.` + `org\b` +
	`|\bregistry\.` + `npmjs\.org\b` +
	`|\bdeb\.` + `debian\.org\b`)

func TestNoForeignPaths(t *testing.T) {
	files := strings.Split(output(t, root, nil, "git", "-c", "safe.directory=*", "ls-files", "-z"), "\x00")
	files = slices.DeleteFunc(files, func(name string) bool { return name == "" })
	if !slices.Contains(files, "go.mod") {
		t.Fatalf("go.mod is not among the %d files git lists", len(files))
	}
	for _, name := range files {
		data, err := os.ReadFile(filepath.Join(root, name))
		if os.IsNotExist(err) {
			continue // deleted, not yet committed
		}
		if err != nil {
			t.Error(err)
			continue
		}
		for _, match := range foreign.FindAll(data, -1) {
			t.Errorf("%s holds %q", name, match)
		}
	}
}

func TestForeign(t *testing.T) {
	for _, test := range []struct {
		text string
		want bool
	}{
		{"see /" + "work/notes", true},
		{`"/` + `tmp/x"`, true},
		{"/" + "root/go", true},
		{"(/" + "home/me/x)", true},
		{"https://proxy." + "golang.org/x", true},
		{"pypi." + "org", true},
		{"/usr/include/lpsolve", false},
		{"proto/" + "work/x", false},
		{"https://example.org/home/x", false},
		{"../" + "work/x", false},
		{"golang.org/x/net", false},
	} {
		if got := foreign.MatchString(test.text); got != test.want {
			t.Errorf("%q: found %v, want %v", test.text, got, test.want)
		}
	}
}

// firstParagraph returns the first paragraph of a Markdown text that is no
// heading.
func firstParagraph(text string) string {
	for block := range strings.SplitSeq(text, "\n\n") {
		block = strings.TrimSpace(block)
		if block != "" && !strings.HasPrefix(block, "#") {
			return block
		}
	}
	return ""
}

var (
	makeTarget = regexp.MustCompile(`(?m)^([a-z][a-z-]*):`)
	makeCall   = regexp.MustCompile("(?m)(?:`|^(?: {4}|\t)(?:\\$ )?)make ([a-z][a-z-]*)")
)

// calls returns the make targets that a Markdown text calls in code.
func calls(text string) []string {
	var targets []string
	for _, m := range makeCall.FindAllStringSubmatch(text, -1) {
		targets = append(targets, m[1])
	}
	return targets
}

func TestReadme(t *testing.T) {
	readme := read(t, "README.md")
	if p := firstParagraph(readme); len(strings.Fields(p)) < 15 || strings.HasPrefix(p, "```") {
		t.Errorf("the first paragraph of README.md does not state the job: %q", p)
	}
	called := calls(readme)
	for _, target := range []string{"demo", "test"} {
		if !slices.Contains(called, target) {
			t.Errorf("README.md does not name `make %s`", target)
		}
	}
	var targets []string
	for _, m := range makeTarget.FindAllStringSubmatch(read(t, "Makefile"), -1) {
		targets = append(targets, m[1])
	}
	for _, target := range called {
		if !slices.Contains(targets, target) {
			t.Errorf("README.md names `make %s`, and the Makefile has no such target", target)
		}
	}
}

func TestReadmeBad(t *testing.T) {
	if p := firstParagraph("# name\n\n## what\n\nText\nmore.\n\nLater."); p != "Text\nmore." {
		t.Errorf("first paragraph is %q", p)
	}
	if p := firstParagraph("# name\n\n\n"); p != "" {
		t.Errorf("first paragraph of a bare title is %q", p)
	}
	got := calls("make sure that `make demo` works:\n\n    make test\n    $ make bench\nmake nothing")
	if want := []string{"demo", "test", "bench"}; !slices.Equal(got, want) {
		t.Errorf("calls are %q, want %q", got, want)
	}
}

// read returns a file of the module.
func read(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
