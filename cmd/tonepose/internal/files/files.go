// Package files writes results that appear whole or not at all.
//
// A Batch is the files of one result: each is hidden beside its final name until
// Commit shows all of them, and Abort, which is deferred, leaves what was there
// before. Into begins one in a directory of output; WriteFile is the short way
// for a single file.
//
// A run may end at any moment. Abandon, for one that is asked to end, takes away
// all that it has begun. What a run leaves that was killed is taken away by the
// next batch in the same folder; where its files were all on the disk and it had
// begun to name them, that batch, or Settle, for those who only read, names the
// rest. No run touches what another one is writing.
package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
)

// Batch is the files of one result. The zero value takes names as they are and
// refuses files that exist. One goroutine at a time may use it; writers that
// Create returned are independent of each other.
type Batch struct {
	Force bool // replace files that exist

	dir      string   // names are relative to it
	made     []string // directories that Into made, innermost first
	swept    []string // directories without leftovers
	staged   []staged
	obsolete []string // to be removed by Commit
	scratch  []*os.File
	journals []*os.File // of Commit, the one that decides first
	closed   bool
}

// staged is a file under its hidden name.
type staged struct {
	file  *os.File // stays open until it is shown: that it is open tells others not to touch it
	final string
}

// Into begins a batch in the directory dir, which it makes with its parents if
// need be. A directory that is not empty is refused, unless force is set: files
// of the batch then replace those of their names, and others stay. What runs left
// that were killed does not count. Without a dir there is no batch: nil, which can
// be aborted.
func Into(dir string, force bool) (*Batch, error) {
	if dir == "" {
		return nil, nil
	}
	if err := stream(dir); err != nil {
		return nil, err
	}
	made, err := missing(dir)
	if err != nil {
		return nil, err
	}
	b := &Batch{Force: force, dir: dir, made: made}
	if err = process.enter(b); err == nil {
		err = os.MkdirAll(dir, 0o755)
	}
	if err == nil {
		err = b.sweep(dir)
	}
	if err == nil && !force {
		err = empty(dir)
	}
	if err != nil {
		b.Abort()
		return nil, err
	}
	return b, nil
}

// stream is the error of an output that is to be a standard stream.
func stream(name string) error {
	if name == "-" {
		return errors.New("-: results have names here: give one, or ./- if it is to be this")
	}
	return nil
}

// empty is an error unless nothing is in a directory.
func empty(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) == 0 {
		return err
	}
	name := entries[0].Name()
	if Unfinished(name) {
		return fmt.Errorf("%s: another run is writing into it (%s): name another directory, or wait for its end", dir, name)
	}
	return fmt.Errorf("%s: not empty (it holds %s): name another directory, or add --force to replace its files", dir, name)
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
// name, or a file that the run reads (see Reading), or any other and force is not set.
// Nor is "-" one: elsewhere it stands for a standard stream, and a file of that name is
// hard to get rid of. To be asked before a long job. No name is no output.
func Refuse(name string, force bool) error {
	if err := stream(name); err != nil {
		return err
	}
	return refuse(name, force)
}

func refuse(name string, force bool) error {
	info, err := os.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case errors.Is(err, syscall.ENOTDIR):
		return fmt.Errorf("%s: a file stands where it would have a directory: name another", name)
	case err != nil:
		return err
	case info.IsDir():
		return fmt.Errorf("%s: is a directory: name a file", name)
	}
	if err := process.reads(name); err != nil {
		return err
	}
	if !force {
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
	err := stream(name)
	if err == nil {
		err = refuse(final, b.Force)
	}
	if err != nil {
		return nil, err
	}
	dir := filepath.Dir(final)
	if err := b.sweep(dir); err != nil {
		return nil, err
	}
	base := filepath.Base(final)
	file, err := process.create(b, dir, func(id string) string { return partialName(base, id) }, func(f *os.File) {
		b.staged = append(b.staged, staged{f, final})
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: there is no directory %s: make it first, or name another", final, dir)
	}
	if err != nil {
		return nil, err
	}
	return file, nil
}

// sweep takes away what killed runs left in a directory, once a batch.
func (b *Batch) sweep(dir string) error {
	if slices.Contains(b.swept, dir) {
		return nil
	}
	b.swept = append(b.swept, dir)
	return sweep(dir)
}

// Scratch begins a file that is gone with the batch: a job writes and reads what has no
// room in memory, on the disk that has room for its results. Where the system can, it has
// no name from the first on, and is gone however the job ends.
func (b *Batch) Scratch() (*os.File, error) {
	if b.closed {
		return nil, os.ErrClosed
	}
	return process.create(b, filepath.Join(b.dir, "."), scratchName, func(f *os.File) {
		os.Remove(f.Name()) // fails where a file can't go while it is open
		b.scratch = append(b.scratch, f)
	})
}

// discardScratch removes what Scratch began.
func (b *Batch) discardScratch() {
	for _, file := range b.scratch {
		file.Close()
		os.Remove(file.Name())
	}
	b.scratch = nil
}

// Fill begins a file and lets write produce all of it. Where it fails there is none.
func (b *Batch) Fill(name string, write func(io.Writer) error) error {
	return b.Together(func() error {
		w, err := b.Create(name)
		if err != nil {
			return err
		}
		return write(w)
	})
}

// Write begins a file that holds data.
func (b *Batch) Write(name string, data []byte) error {
	return b.Fill(name, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// Together keeps all files that add begins or, where it fails, none of them: the others
// of the batch stay.
func (b *Batch) Together(add func() error) error {
	before := len(b.staged)
	err := add()
	if err != nil && !b.closed {
		process.mu.Lock()
		defer process.mu.Unlock()
		for _, s := range b.staged[before:] {
			os.Remove(s.file.Name())
			s.file.Close()
		}
		b.staged = b.staged[:before]
	}
	return err
}

// Remove lets Commit take away an older file that would contradict the new
// ones. It need not exist.
func (b *Batch) Remove(name string) {
	b.obsolete = append(b.obsolete, filepath.Join(b.dir, name))
}

// Commit gives the files their names once all are on the disk, readable by
// everyone, in one step, whatever ends the run or the machine meanwhile.
// On an error all is as before the batch.
func (b *Batch) Commit() error { return Commit(b) }

// Commit has the files of several batches appear in one step, as Batch.Commit does those
// of one. Where there is no batch, nil, none is committed.
func Commit(batches ...*Batch) error {
	batches = slices.DeleteFunc(slices.Clone(batches), func(b *Batch) bool { return b == nil })
	for _, b := range batches {
		if b.closed {
			return os.ErrClosed
		}
	}
	for _, b := range batches {
		b.discardScratch()
	}
	if err := publish(batches); err != nil {
		for _, b := range batches {
			b.Abort()
		}
		return err
	}
	for _, b := range batches {
		for _, s := range b.staged {
			s.file.Close() // that it is on the disk told what could be wrong
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
	process.mu.Lock()
	defer process.mu.Unlock()
	// Closed before they are removed: where systems keep the name of an open file,
	// directories that Into made could not go.
	for _, f := range b.staged {
		f.file.Close()
	}
	b.discardScratch()
	b.discard()
}

// leave leaves hidden what the batch has begun, for others to show.
func (b *Batch) leave() {
	for _, s := range b.staged {
		s.file.Close()
	}
	b.staged, b.journals, b.made = nil, nil, nil
	b.closed = true
	delete(process.batches, b)
}

// discard takes the names of the batch away; its files may still be written to.
func (b *Batch) discard() {
	b.closed = true
	delete(process.batches, b)
	for _, s := range b.staged {
		os.Remove(s.file.Name())
	}
	for _, f := range slices.Concat(b.scratch, b.journals) {
		os.Remove(f.Name())
	}
	for _, dir := range b.made {
		os.Remove(dir) // fails, rightly, on a directory that others use by now
	}
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
		if to, err := os.Readlink(d); err == nil { // of a disk that is not mounted
			return nil, fmt.Errorf("%s: is a link to %s, which is not there: make or mount that, or name another", d, to)
		}
		list = append(list, d)
	}
}
