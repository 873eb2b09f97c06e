package tables

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// Set is the tables of one run, in one directory. Nothing of it has its final
// name before Close, and nothing remains after Abort.
type Set struct {
	Phasors     *Writer[Phasor] // nil if not among the names given to Create
	Couplings   *Writer[Coupling]
	Poses       *Writer[Pose]
	Demodulated *Writer[Demodulated]
	Integrity   *Writer[Integrity]
	Metadata    Metadata // stored by Close: may be completed until then

	dir     string
	made    []string // directories that Create made, innermost first
	staged  []staged
	settled bool
}

// staged is a Writer without its type of row.
type staged interface {
	finish(Metadata) error
	names() (hidden, final string)
	discard()
}

// Create begins the named tables in dir, all three if none is named. It makes
// dir if need be and refuses one that is not empty, unless force is set: Close
// then replaces the tables in it and leaves other files alone.
func Create(dir string, force bool, m Metadata, names ...string) (*Set, error) {
	if len(names) == 0 {
		names = []string{PhasorsName, CouplingsName, PosesName}
	}
	made, err := makeDir(dir)
	if err != nil {
		return nil, err
	}
	s := &Set{Metadata: m, dir: dir, made: made}
	if err := s.begin(force, names); err != nil {
		s.Abort()
		return nil, err
	}
	return s, nil
}

func (s *Set) begin(force bool, names []string) error {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return err
	}
	if len(entries) > 0 && !force {
		return fmt.Errorf("%s: not empty (it holds %s): name another directory, or add --force to replace its tables",
			s.dir, entries[0].Name())
	}
	for _, name := range names {
		switch name {
		case PhasorsName:
			s.Phasors, err = begin(s, name, narrow, (*phasorRow).put)
		case CouplingsName:
			s.Couplings, err = begin(s, name, modest, (*couplingRow).put)
		case PosesName:
			s.Poses, err = begin(s, name, wide, (*poseRow).put)
		case DemodulatedName:
			s.Demodulated, err = begin(s, name, narrow, (*demodulatedRow).put)
		case IntegrityName:
			s.Integrity, err = begin(s, name, wide, (*integrityRow).put)
		default:
			err = fmt.Errorf("table %q: must be %s, %s, %s, %s or %s", name, PhasorsName, CouplingsName, PosesName, DemodulatedName, IntegrityName)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func begin[T, S any](s *Set, name string, g grouping, put func(*S, *T) error) (*Writer[T], error) {
	w, err := stage(s.dir, name, g, put)
	if err == nil {
		s.staged = append(s.staged, w)
	}
	return w, err
}

// Close completes the tables and gives all of them their names. On an error
// the directory is as it was before Create.
func (s *Set) Close() error {
	if s.settled {
		return os.ErrClosed
	}
	for _, w := range s.staged {
		if err := w.finish(s.Metadata); err != nil {
			s.Abort()
			return err
		}
	}
	if err := s.publish(); err != nil {
		s.Abort()
		return err
	}
	s.settled = true
	return syncDir(s.dir)
}

// Abort discards the tables. After Close it does nothing, so it can be deferred.
func (s *Set) Abort() {
	if s.settled {
		return
	}
	s.settled = true
	for _, w := range s.staged {
		w.discard()
	}
	for _, dir := range s.made {
		os.Remove(dir) // fails, rightly, on a directory that others use by now
	}
}

// publish moves earlier tables aside, also those of names that this run does
// not write, since they would belong to another run; it then renames the new
// ones. A failure on the way undoes both.
func (s *Set) publish() (err error) {
	var undo []func()
	defer func() {
		if err != nil {
			for _, f := range slices.Backward(undo) {
				f()
			}
		}
	}()
	var aside []string
	for _, name := range []string{PhasorsName, CouplingsName, PosesName, DemodulatedName, IntegrityName} {
		old := filepath.Join(s.dir, name+".parquet")
		kept := filepath.Join(s.dir, "."+name+".replaced")
		if err := os.Rename(old, kept); errors.Is(err, fs.ErrNotExist) {
			continue
		} else if err != nil {
			return err
		}
		aside = append(aside, kept)
		undo = append(undo, func() { os.Rename(kept, old) })
	}
	for _, w := range s.staged {
		hidden, final := w.names()
		if err := os.Rename(hidden, final); err != nil {
			return err
		}
		undo = append(undo, func() { os.Remove(final) })
	}
	for _, kept := range aside {
		os.Remove(kept)
	}
	return nil
}

// makeDir makes dir with its parents and returns those that were not there,
// innermost first.
func makeDir(dir string) (made []string, err error) {
	for d := filepath.Clean(dir); ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err == nil && !info.IsDir() {
			return nil, fmt.Errorf("%s: is a file: must be a directory", d)
		}
		if err == nil {
			break
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		made = append(made, d)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		for _, d := range made {
			os.Remove(d)
		}
		return nil, err
	}
	return made, nil
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
