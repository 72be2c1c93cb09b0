// Package safefile writes files that are there whole or not at all.
//
// A file is written beside the one whose name it is to have and takes that name when
// it is done, so that whatever goes wrong before leaves what was there as it was.
package safefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
)

// File is a file that is being written. It ends with Commit or Discard.
type File struct {
	*os.File
	target   string // the name to take; empty: written in place
	replace  bool
	replaces bool // there was one at the start
}

// pending are the files that Abandon removes.
var pending struct {
	sync.Mutex
	files map[*File]bool
}

// Create starts a file beside name, in the same folder. With replace it is to take the
// place of a file that is there, whose permissions it gets; without, a file that is
// there is an error that wraps fs.ErrExist, now and in Commit. A link leads to what it
// points to. A device or pipe is written in place: there is nothing to keep of it.
func Create(name string, replace bool) (*File, error) {
	info, err := os.Stat(name)
	switch {
	case err == nil && info.IsDir():
		return nil, &fs.PathError{Op: "create", Path: name, Err: syscall.EISDIR}
	case err == nil && InPlace(name, info):
		file, err := os.OpenFile(name, os.O_WRONLY, 0)
		return &File{File: file}, err
	case err == nil && !replace:
		return nil, exists(name)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	target, err := Target(name)
	if err != nil {
		return nil, err
	}
	file, err := beside(target)
	if err != nil {
		return nil, err
	}
	f := &File{File: file, target: target, replace: replace, replaces: info != nil}
	pending.Lock()
	if pending.files == nil {
		pending.files = map[*File]bool{}
	}
	pending.files[f] = true
	pending.Unlock()
	if info != nil {
		if err := file.Chmod(info.Mode().Perm()); err != nil {
			f.Discard()
			return nil, err
		}
	}
	return f, nil
}

// Target returns the name that a file of a name is to have, which is another for a link.
func Target(name string) (string, error) {
	if _, err := os.Lstat(name); err != nil {
		return name, nil
	}
	return filepath.EvalSymlinks(name) // an error where it leads to nothing
}

// InPlace reports whether what is there under a name is written in place: a device, a
// pipe, or what the system has under /dev and /proc for a file that is open already.
func InPlace(name string, info fs.FileInfo) bool {
	name = filepath.Clean(name)
	return !info.Mode().IsRegular() || strings.HasPrefix(name, "/dev/") || strings.HasPrefix(name, "/proc/")
}

func exists(name string) error { return &fs.PathError{Op: "create", Path: name, Err: fs.ErrExist} }

// beside creates a file of a name of its own in the folder of another.
func beside(name string) (*os.File, error) {
	const tries = 100
	for n := 1; ; n++ {
		file, err := os.OpenFile(fmt.Sprintf("%s.%08x.tmp", name, rand.Uint32()), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if n < tries && errors.Is(err, fs.ErrExist) {
			continue
		}
		if errors.Is(err, fs.ErrNotExist) { // of the folder: say it of the name that was asked for
			err = &fs.PathError{Op: "create", Path: name, Err: syscall.ENOENT}
		}
		return file, err
	}
}

// Replaces reports whether the file takes the place of one that was there.
func (f *File) Replaces() bool { return f.replaces }

// Commit gives the file its name, once all of it is on disk. A file that cannot have it
// is removed. Only the first of Commit and Discard does anything.
func (f *File) Commit() error {
	if f.target == "" {
		return f.Close()
	}
	if !f.forget() {
		return nil
	}
	if err := Publish(f.File, f.target, f.replace); err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

// Keep gives the file another name in the same folder than the one it was to have, in
// place of what may be there. It counts as Commit does.
func (f *File) Keep(name string) error {
	if f.target == "" {
		return f.Close()
	}
	f.target, f.replace = name, true
	return f.Commit()
}

// Discard removes the file.
func (f *File) Discard() error {
	if f.target == "" {
		return ignoreClosed(f.Close())
	}
	if !f.forget() {
		return nil
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// forget takes the file from those that are pending, and reports whether it was.
func (f *File) forget() bool {
	pending.Lock()
	defer pending.Unlock()
	there := pending.files[f]
	delete(pending.files, f)
	return there
}

// Abandon removes all files that are neither committed nor discarded, for a process
// that is about to end.
func Abandon() {
	pending.Lock()
	defer pending.Unlock()
	for f := range pending.files {
		os.Remove(f.Name())
	}
}

// Publish closes a file that is written and gives it a name in the same folder, once
// all of it is on disk. Without replace a file of that name is an error that wraps
// fs.ErrExist. After an error the file is closed and has the name that it had.
func Publish(file *os.File, name string, replace bool) error {
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return err
	}
	rename := os.Rename
	if !replace {
		rename = renameNew
	}
	if err := rename(file.Name(), name); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(name))
}

// renameNew renames a file to a name that nothing has.
func renameNew(from, to string) error {
	err := os.Link(from, to) // unlike rename it replaces nothing
	switch {
	case err == nil:
		return os.Remove(from)
	case errors.Is(err, fs.ErrExist):
		return exists(to)
	}
	// A file system without links.
	if _, err := os.Lstat(to); err == nil {
		return exists(to)
	}
	return os.Rename(from, to)
}

// syncFolder puts the names in a folder on disk, where folders can be synced.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return nil // it may be written and not read
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) {
		return err
	}
	return nil
}

func ignoreClosed(err error) error {
	if errors.Is(err, fs.ErrClosed) {
		return nil
	}
	return err
}

// Write writes one file of what write writes: whole or not at all.
func Write(name string, replace bool, write func(io.Writer) error) error {
	f, err := Create(name, replace)
	if err != nil {
		return err
	}
	defer f.Discard()
	if err := write(f); err != nil {
		return err
	}
	return f.Commit()
}

// Set is files that take their names together: none before all are written.
type Set struct {
	Replace bool
	files   []*File
}

// Write adds a file of what write writes.
func (s *Set) Write(name string, write func(io.Writer) error) error {
	f, err := Create(name, s.Replace)
	if err != nil {
		return err
	}
	s.files = append(s.files, f)
	return write(f)
}

// Commit gives all files their names, in the order in which they were written. Like a
// File's it counts once.
func (s *Set) Commit() error {
	for _, f := range s.files {
		if err := f.Commit(); err != nil {
			return err
		}
	}
	return nil
}

// Discard removes the files that have not got their names.
func (s *Set) Discard() error {
	var err error
	for _, f := range s.files {
		err = errors.Join(err, f.Discard())
	}
	return err
}
