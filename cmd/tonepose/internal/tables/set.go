package tables

import (
	"io"
	"slices"

	"tonepose/cmd/tonepose/internal/files"
)

// Set is the tables of one run, in one directory. Nothing of it has its final
// name before Close, and nothing remains after Abort.
type Set struct {
	Phasors     Writer[Phasor] // nil if not among the names given to Create
	Couplings   Writer[Coupling]
	Poses       Writer[Pose]
	Demodulated Writer[Demodulated]
	Integrity   Writer[Integrity]
	Metadata    Metadata // stored by Close: may be completed until then

	// Files are those of the run, which appear with the tables: figures of them
	// may join.
	Files *files.Batch

	writers []interface {
		finish(Metadata) error
		restart(io.Writer)
		discard()
	}
}

// Create begins the named tables in dir, all three if none is named. It makes
// dir if need be and refuses one that is not empty, unless force is set: Close
// then replaces the tables in it and leaves other files alone.
func Create(dir string, force bool, m Metadata, names ...string) (*Set, error) {
	if len(names) == 0 {
		names = []string{PhasorsName, CouplingsName, PosesName}
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

func (s *Set) begin(names []string) error {
	// Earlier tables, also of names that this run does not write, are of another run.
	for _, name := range tableNames() {
		if !slices.Contains(names, name) {
			s.Files.Remove(name + ".parquet")
		}
	}
	for _, name := range names {
		k, err := kindOf(name)
		if err != nil {
			return err
		}
		out, err := s.Files.Create(name + ".parquet")
		if err != nil {
			return err
		}
		k.begin(s, out)
	}
	return nil
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
