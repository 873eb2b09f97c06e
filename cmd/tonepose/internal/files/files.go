// Package files writes results that appear whole or not at all.
//
// A Batch is the files of one result: each is hidden beside its final name until
// Commit shows all of them, and Abort, which is deferred, leaves what was there
// before. Into begins one in a directory of output; WriteFile is the short way
// for a single file.
package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Batch is the files of one result. The zero value takes names as they are and
// refuses files that exist. One goroutine at a time may use it; writers that
// Create returned are independent of each other.
type Batch struct {
	Force bool // replace files that exist

	dir      string   // names are relative to it
	made     []string // directories that Into made, innermost first
	staged   []staged
	obsolete []string // to be removed by Commit
	scratch  []*os.File
	closed   bool
}

// staged is a file under its hidden name.
type staged struct {
	file  *os.File
	final string
}

// Into begins a batch in the directory dir, which it makes with its parents if
// need be. A directory that is not empty is refused, unless force is set: files
// of the batch then replace those of their names, and others stay. Without a
// dir there is no batch: nil, which can be aborted.
func Into(dir string, force bool) (*Batch, error) {
	if dir == "" {
		return nil, nil
	}
	made, err := missing(dir)
	if err != nil {
		return nil, err
	}
	b := &Batch{Force: force, dir: dir, made: made}
	err = os.MkdirAll(dir, 0o755)
	if err == nil && !force {
		var entries []os.DirEntry
		if entries, err = os.ReadDir(dir); len(entries) > 0 {
			err = fmt.Errorf("%s: not empty (it holds %s): name another directory, or add --force to replace its files", dir, entries[0].Name())
		}
	}
	if err != nil {
		b.Abort()
		return nil, err
	}
	return b, nil
}

// WriteFile writes a file, or replaces one.
func WriteFile(name string, data []byte) error {
	b := Batch{Force: true}
	defer b.Abort()
	if err := b.Write(name, data); err != nil {
		return err
	}
	return b.Commit()
}

// Refuse is the error of an output that may not be written: a directory has its
// name, or a file and force is not set. To be asked before a long job. No name is no
// output.
func Refuse(name string, force bool) error {
	switch info, err := os.Lstat(name); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.IsDir():
		return fmt.Errorf("%s: is a directory: name a file", name)
	case !force:
		return fmt.Errorf("%s exists: name another file, or add --force to replace it", name)
	}
	return nil
}

// Create begins a file, unless Refuse is against it.
func (b *Batch) Create(name string) (io.Writer, error) {
	if b.closed {
		return nil, os.ErrClosed
	}
	final := filepath.Join(b.dir, name)
	if err := Refuse(final, b.Force); err != nil {
		return nil, err
	}
	file, err := os.CreateTemp(filepath.Dir(final), "."+filepath.Base(final)+".*.partial")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: there is no directory %s: make it first, or name another", final, filepath.Dir(final))
	}
	if err != nil {
		return nil, err
	}
	b.staged = append(b.staged, staged{file, final})
	return file, nil
}

// Scratch begins a file that is gone with the batch: a job writes and reads what has no
// room in memory, on the disk that has room for its results. Where the system can, it has
// no name from the first on, and is gone however the job ends.
func (b *Batch) Scratch() (*os.File, error) {
	if b.closed {
		return nil, os.ErrClosed
	}
	file, err := os.CreateTemp(b.dir, ".scratch.*.partial")
	if err != nil {
		return nil, err
	}
	os.Remove(file.Name()) // fails where a file can't go while it is open
	b.scratch = append(b.scratch, file)
	return file, nil
}

// discardScratch removes what Scratch began.
func (b *Batch) discardScratch() {
	for _, file := range b.scratch {
		file.Close()
		os.Remove(file.Name())
	}
	b.scratch = nil
}

// Unfinished tells whether a name is that of a file which a Batch has begun and not
// committed, and whose final name is wanted.
func Unfinished(name string, wanted func(final string) bool) bool {
	hidden, ok := strings.CutSuffix(name, ".partial")
	i := strings.LastIndexByte(hidden, '.')
	return ok && strings.HasPrefix(name, ".") && i > 0 && wanted(hidden[1:i])
}

// Fill begins a file and lets write produce all of it.
func (b *Batch) Fill(name string, write func(io.Writer) error) error {
	w, err := b.Create(name)
	if err != nil {
		return err
	}
	return write(w)
}

// Write begins a file that holds data.
func (b *Batch) Write(name string, data []byte) error {
	return b.Fill(name, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// Remove lets Commit take away an older file that would contradict the new
// ones. It need not exist.
func (b *Batch) Remove(name string) {
	b.obsolete = append(b.obsolete, filepath.Join(b.dir, name))
}

// Commit gives the files their names once all are on the disk, readable by
// everyone. They appear in the reverse order of their creation: one that names
// others is created first and seen last. On an error all is as before the batch.
func (b *Batch) Commit() error {
	if b.closed {
		return os.ErrClosed
	}
	b.discardScratch()
	for _, s := range b.staged {
		if err := errors.Join(s.file.Chmod(0o644), s.file.Sync(), s.file.Close()); err != nil {
			b.Abort()
			return err
		}
	}
	if err := b.publish(); err != nil {
		b.Abort()
		return err
	}
	b.closed = true
	var dirs []string
	for _, s := range b.staged {
		dirs = append(dirs, filepath.Dir(s.final))
	}
	slices.Sort(dirs)
	for _, dir := range slices.Compact(dirs) {
		if err := syncDir(dir); err != nil {
			return err
		}
	}
	return nil
}

// Abort discards what was not committed, and the directories that Into made.
// After Commit it does nothing, so it can be deferred.
func (b *Batch) Abort() {
	if b == nil || b.closed {
		return
	}
	b.closed = true
	b.discardScratch()
	for _, s := range b.staged {
		s.file.Close()
		os.Remove(s.file.Name())
	}
	for _, dir := range b.made {
		os.Remove(dir) // fails, rightly, on a directory that others use by now
	}
}

// publish sets older files aside, then renames the new ones. A failure on the
// way undoes both.
func (b *Batch) publish() (err error) {
	if len(b.staged) == 1 && len(b.obsolete) == 0 {
		// The system replaces a single file in one step.
		return os.Rename(b.staged[0].file.Name(), b.staged[0].final)
	}
	var undo []func()
	defer func() {
		if err != nil {
			for _, f := range slices.Backward(undo) {
				f()
			}
		}
	}()
	old := slices.Clone(b.obsolete)
	for _, s := range b.staged {
		old = append(old, s.final)
	}
	var aside []string
	for _, name := range old {
		kept := filepath.Join(filepath.Dir(name), "."+filepath.Base(name)+".replaced")
		if err := os.Rename(name, kept); errors.Is(err, fs.ErrNotExist) {
			continue
		} else if err != nil {
			return err
		}
		aside = append(aside, kept)
		undo = append(undo, func() { os.Rename(kept, name) })
	}
	for _, s := range slices.Backward(b.staged) {
		if err := os.Rename(s.file.Name(), s.final); err != nil {
			return err
		}
		undo = append(undo, func() { os.Remove(s.final) })
	}
	for _, kept := range aside {
		os.Remove(kept)
	}
	return nil
}

// missing lists dir and those of its parents that are not there, innermost first.
func missing(dir string) (list []string, err error) {
	for d := filepath.Clean(dir); ; d = filepath.Dir(d) {
		switch info, err := os.Stat(d); {
		case err == nil && !info.IsDir():
			return nil, fmt.Errorf("%s: is a file: must be a directory", d)
		case err == nil:
			return list, nil
		case !errors.Is(err, fs.ErrNotExist):
			return nil, err
		}
		list = append(list, d)
	}
}

// syncDir makes the names durable where the system can sync a directory.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrInvalid) {
		return err
	}
	return nil
}
