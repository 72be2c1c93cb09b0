package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"leastwatt/internal/safefile"
)

// forceFlag is the flag --force of every command that writes files. Without it no file
// that is there is replaced; with it one is, once what goes in its place is whole.
type forceFlag struct{ force bool }

func (f *forceFlag) addForce(flags *pflag.FlagSet) {
	flags.BoolVar(&f.force, "force", false, "replace files that are there")
}

// checkNew tells whether the file that a flag names may be written. "" and "-" are no
// files.
func (f *forceFlag) checkNew(flag, name string) error {
	if name == "" || name == "-" {
		return nil
	}
	info, err := os.Stat(name)
	switch {
	case err != nil:
		return nil // creating it tells what is wrong, if anything is
	case info.IsDir():
		return usagef("--%s %s is a folder", flag, name)
	case !f.force && !safefile.InPlace(name, info):
		return thereAlready(flag, name)
	}
	return nil
}

// checkFolder tells whether the page of a report and its figures may be written into a
// folder.
func (f *forceFlag) checkFolder(flag, dir string) error {
	if f.force {
		return nil
	}
	page, figures := filepath.Join(dir, "report.html"), filepath.Join(dir, "figures")
	if _, err := os.Stat(page); err == nil {
		return thereAlready(flag, page)
	}
	if files, err := os.ReadDir(figures); err == nil && len(files) > 0 {
		return thereAlready(flag, filepath.Join(figures, files[0].Name()))
	}
	return nil
}

func thereAlready(flag, name string) error {
	return usagef("--%s: %s is there already: --force replaces it", flag, name)
}

// output is where a command writes: a file, stdout or nothing. It ends with commit,
// keep or discard, of which the first counts.
type output struct {
	io.Writer
	file *safefile.File // nil: no file
	name string
}

// create starts the output that a flag names; "-" is stdout and "" nothing.
func (f *forceFlag) create(flag, name string, stdout io.Writer) (*output, error) {
	switch name {
	case "":
		return &output{Writer: io.Discard}, nil
	case "-":
		return &output{Writer: stdout}, nil
	}
	if err := f.checkNew(flag, name); err != nil {
		return nil, err
	}
	file, err := safefile.Create(name, f.force)
	if err != nil {
		return nil, err
	}
	return &output{file, file, name}, nil
}

// replaces reports whether a file takes the place of one that was there.
func (o *output) replaces() bool { return o.file != nil && o.file.Replaces() }

// commit gives a file its name.
func (o *output) commit() error {
	if o.file == nil {
		return nil
	}
	return o.file.Commit()
}

// keep is for a run that ended early: what it has goes to the file's partial name, and
// the file itself stays as it was.
func (o *output) keep(stderr io.Writer) error {
	if o.file == nil {
		return nil
	}
	if err := o.file.Keep(partialName(o.name)); err != nil {
		return err
	}
	_, err := fmt.Fprintf(stderr, "what is there of %s is in %s\n", o.name, partialName(o.name))
	return err
}

// end is commit for a run that came to its end, keep for one that did not.
func (o *output) end(whole bool, stderr io.Writer) error {
	if whole {
		return o.commit()
	}
	return o.keep(stderr)
}

// discard removes a file that has not got a name.
func (o *output) discard() {
	if o.file != nil {
		o.file.Discard()
	}
}

// partialName is the name of what there is of a file whose run ended early.
func partialName(name string) string { return name + ".partial" }

// unfinished is a file that can be gone on with: it has its partial name until it is
// whole.
type unfinished struct {
	*os.File
	target  string // the name that it is to have; empty: written in place
	replace bool
	begun   bool // by an earlier run
}

// look is told what is there of a file that is to be gone on with. It returns what is
// wrong with it, and where it cannot be added to as it is, what writes it anew.
type look func(there *os.File) (rewrite func(io.Writer) error, err error)

// openUnfinished starts the file that a flag names. With resume it goes on with what is
// there of it, or with a copy of the file itself, if look finds nothing wrong.
func (f *forceFlag) openUnfinished(flag, name string, resume bool, look look) (*unfinished, error) {
	if info, err := os.Stat(name); err == nil && !info.IsDir() && safefile.InPlace(name, info) {
		file, err := os.OpenFile(name, os.O_WRONLY, 0)
		return &unfinished{File: file}, err
	}
	target, err := safefile.Target(name)
	if err != nil {
		return nil, err
	}
	u := &unfinished{target: target, replace: f.force}
	if resume {
		if there, err := u.goOn(look); there || err != nil {
			return u, err
		}
	}
	err = f.checkNew(flag, name)
	if exit := new(exitError); errors.As(err, &exit) {
		err = usagef("%w, --resume goes on with it", err)
	}
	if err != nil {
		return nil, err
	}
	mode := os.O_RDWR | os.O_CREATE | os.O_EXCL
	if f.force {
		mode = os.O_RDWR | os.O_CREATE | os.O_TRUNC
	}
	u.File, err = os.OpenFile(partialName(target), mode, 0o666)
	if errors.Is(err, fs.ErrExist) {
		return nil, usagef("--%s: %s is there already, of a run that ended early: --force replaces it, --resume goes on with it", flag, partialName(name))
	}
	return u, err
}

// undo takes back the start of a file before anything is in it.
func (u *unfinished) undo() {
	u.Close()
	if u.target != "" && !u.begun {
		os.Remove(u.Name())
	}
}

// goOn opens what is there; false for nothing.
func (u *unfinished) goOn(look look) (there bool, err error) {
	partial := partialName(u.target)
	old, err := os.Open(partial)
	whole := errors.Is(err, fs.ErrNotExist)
	if whole {
		old, err = os.Open(u.target)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer old.Close()
	u.replace, u.begun = true, true
	rewrite, err := look(old)
	if err != nil {
		return true, fmt.Errorf("%s: %w", old.Name(), err)
	}
	if whole && rewrite == nil {
		rewrite = func(w io.Writer) error {
			_, err := io.Copy(w, io.NewSectionReader(old, 0, 1<<62))
			return err
		}
	}
	if rewrite != nil {
		if err := safefile.Write(partial, true, rewrite); err != nil {
			return true, err
		}
	}
	u.File, err = os.OpenFile(partial, os.O_RDWR, 0)
	return true, err
}

// finish gives the file, which is whole, its name.
func (u *unfinished) finish() error {
	if u.target == "" {
		return u.Close()
	}
	return safefile.Publish(u.File, u.target, u.replace)
}
