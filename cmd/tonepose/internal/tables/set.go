package tables

import (
	"fmt"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/files"
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

	// Files are those of the run, which appear with the tables: figures of them
	// may join.
	Files *files.Batch

	writers []interface {
		finish(Metadata) error
		discard()
	}
}

// Create begins the named tables in dir, all three if none is named. It makes
// dir if need be and refuses one that is not empty, unless force is set: Close
// then replaces the tables in it and leaves other files alone.
func Create(dir string, force bool, m Metadata, names ...string) (*Set, error) {
	if len(names) == 0 {
		names = tableNames[:3]
	}
	batch, err := files.Into(dir, force)
	if err != nil {
		return nil, err
	}
	s := &Set{Metadata: m, Files: batch}
	if err := s.begin(names); err != nil {
		s.Abort()
		return nil, err
	}
	return s, nil
}

func (s *Set) begin(names []string) (err error) {
	// Earlier tables, also of names that this run does not write, are of another run.
	for _, name := range tableNames {
		if !slices.Contains(names, name) {
			s.Files.Remove(name + ".parquet")
		}
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
			err = fmt.Errorf("table %q: must be one of %s", name, strings.Join(tableNames[:], ", "))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func begin[T, S any](s *Set, name string, g grouping, put func(*S, *T) error) (*Writer[T], error) {
	out, err := s.Files.Create(name + ".parquet")
	if err != nil {
		return nil, err
	}
	w := &Writer[T]{sink: newStore(out, g, put), name: name}
	s.writers = append(s.writers, w)
	return w, nil
}

// Close completes the tables and gives all of them their names. On an error
// the directory is as it was before Create.
func (s *Set) Close() error {
	defer s.Abort()
	for _, w := range s.writers {
		if err := w.finish(s.Metadata); err != nil {
			return err
		}
	}
	return s.Files.Commit()
}

// Abort discards the tables. After Close it does nothing, so it can be deferred.
func (s *Set) Abort() {
	for _, w := range s.writers {
		w.discard()
	}
	s.Files.Abort()
}
