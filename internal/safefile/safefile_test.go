package safefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// folder returns the names in a folder and what is in a file of it.
func folder(t *testing.T, name string) (names []string, text string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(name))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	data, err := os.ReadFile(name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	return names, string(data)
}

func put(t *testing.T, name, text string, mode fs.FileMode) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

var errBroken = errors.New("broken")

// A file is there whole or as it was, and nothing else is left.
func TestWrite(t *testing.T) {
	whole := func(w io.Writer) error { _, err := io.WriteString(w, "new"); return err }
	half := func(w io.Writer) error { io.WriteString(w, "ne"); return errBroken }
	for _, c := range []struct {
		before  string // "": no file
		replace bool
		write   func(io.Writer) error
		want    string
		err     error
	}{
		{"", false, whole, "new", nil},
		{"", true, whole, "new", nil},
		{"old", true, whole, "new", nil},
		{"old", false, whole, "old", fs.ErrExist},
		{"", false, half, "", errBroken},
		{"old", true, half, "old", errBroken},
	} {
		name := filepath.Join(t.TempDir(), "a")
		if c.before != "" {
			put(t, name, c.before, 0o600)
		}
		err := Write(name, c.replace, c.write)
		names, text := folder(t, name)
		if !errors.Is(err, c.err) || text != c.want || len(names) != min(len(c.want), 1) {
			t.Errorf("%+v: %v, %q in %q", c, err, text, names)
		}
	}
	if err := Write(filepath.Join(t.TempDir(), "missing", "a"), false, whole); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("in a folder that is not there: %v", err)
	}
	if err := Write(t.TempDir(), true, whole); err == nil {
		t.Error("a folder is written over")
	}
}

// Until Commit nothing is there; a file that appears meanwhile stays.
func TestCommit(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a")
	f, err := Create(name, false)
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(f, "mine")
	if _, text := folder(t, name); text != "" {
		t.Errorf("%q before Commit", text)
	}
	put(t, name, "another's", 0o600)
	err = f.Commit()
	if names, text := folder(t, name); !errors.Is(err, fs.ErrExist) || text != "another's" || len(names) != 1 {
		t.Errorf("%v, %q in %q", err, text, names)
	}
	if err := errors.Join(f.Discard(), f.Commit()); err != nil {
		t.Errorf("after the end: %v", err)
	}
}

// What is replaced gives its permissions, and a link leads to what it points to.
func TestReplace(t *testing.T) {
	dir := t.TempDir()
	name, link := filepath.Join(dir, "a"), filepath.Join(dir, "link")
	put(t, name, "old", 0o640)
	if err := os.Symlink("a", link); err != nil {
		t.Fatal(err)
	}
	if err := Write(link, true, func(w io.Writer) error { _, err := io.WriteString(w, "new"); return err }); err != nil {
		t.Fatal(err)
	}
	names, text := folder(t, name)
	info, err := os.Stat(name)
	if err != nil || info.Mode() != 0o640 || text != "new" || !slices.Equal(names, []string{"a", "link"}) {
		t.Errorf("%v, %v, %q in %q", err, info.Mode(), text, names)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link is %v, %v", info.Mode(), err)
	}
	os.Remove(name)
	if _, err := Create(link, true); err == nil {
		t.Error("a link to nothing is written")
	}
}

// Devices are written in place, and tell what is wrong with them.
func TestInPlace(t *testing.T) {
	text := func(w io.Writer) error { _, err := io.WriteString(w, "text"); return err }
	if err := Write("/dev/null", false, text); err != nil {
		t.Error(err)
	}
	if err := Write("/dev/full", false, text); err == nil {
		t.Error("a full device takes everything")
	}
}

// What is kept has its other name, and what is abandoned is gone.
func TestKeepAndAbandon(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a")
	put(t, name, "old", 0o600)
	for _, text := range []string{"one", "two"} { // the second in place of the first
		f, err := Create(name, true)
		if err != nil {
			t.Fatal(err)
		}
		io.WriteString(f, text)
		err = errors.Join(f.Keep(name+".partial"), f.Discard())
		if names, kept := folder(t, name+".partial"); err != nil || kept != text || len(names) != 2 {
			t.Errorf("%v, %q in %q", err, kept, names)
		}
	}
	if _, err := Create(name, true); err != nil {
		t.Fatal(err)
	}
	Abandon()
	if names, text := folder(t, name); len(names) != 2 || text != "old" {
		t.Errorf("%q in %q", text, names)
	}
}

// Of a set nothing is there before all is written.
func TestSet(t *testing.T) {
	dir := t.TempDir()
	write := func(s *Set, broken bool) error {
		defer s.Discard()
		for n := range 3 {
			err := s.Write(filepath.Join(dir, fmt.Sprint(n)), func(w io.Writer) error {
				if broken && n == 2 {
					return errBroken
				}
				_, err := fmt.Fprint(w, n)
				return err
			})
			if err != nil {
				return err
			}
		}
		return s.Commit()
	}
	if err := write(&Set{}, true); !errors.Is(err, errBroken) {
		t.Error(err)
	}
	if names, _ := folder(t, filepath.Join(dir, "0")); len(names) != 0 {
		t.Errorf("left over: %q", names)
	}
	if err := write(&Set{}, false); err != nil {
		t.Error(err)
	}
	if names, text := folder(t, filepath.Join(dir, "2")); len(names) != 3 || text != "2" {
		t.Errorf("%q in %q", text, names)
	}
	if err := write(&Set{}, false); !errors.Is(err, fs.ErrExist) {
		t.Error(err)
	}
}
