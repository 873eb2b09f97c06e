package tables

import (
	"io"
	"os"
	"path/filepath"
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

	unmake  func() // removes the directories that CreatePartition made and that are empty; nil: none
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
	file := func(table string) string { return table + ".parquet" }
	s, err := create(dir, force, m, names, file, beginTable)
	if err != nil {
		return nil, err
	}
	// Earlier tables, also of names that this run does not write, are of another run.
	for _, name := range tableNames() {
		if !slices.Contains(names, name) {
			s.Files.Remove(file(name))
		}
	}
	return s, nil
}

// CreatePartition begins the named tables of a recording in the data set in dir: Close
// replaces those that are there of it.
func CreatePartition(dir string, p *Partition, m Metadata, names ...string) (*Set, error) {
	begin := beginTable
	if len(p.Labels) > 0 {
		begin = p.begin
	}
	unmake := func() {
		for _, name := range names {
			os.Remove(filepath.Join(dir, p.Dir(name))) // fails, rightly, on one that holds a table
		}
	}
	for _, name := range names {
		if err := os.MkdirAll(filepath.Join(dir, p.Dir(name)), 0o777); err != nil {
			unmake()
			return nil, err
		}
	}
	s, err := create(dir, true, m, names, p.File, begin)
	if err != nil {
		unmake()
		return nil, err
	}
	s.unmake = unmake
	return s, nil
}

func create(dir string, force bool, m Metadata, names []string, file func(table string) string, begin func(*Set, string, io.Writer) error) (*Set, error) {
	batch, err := files.Into(dir, force)
	if err != nil {
		return nil, err
	}
	s := &Set{Metadata: m, Files: batch}
	if err := s.begin(names, file, begin); err != nil {
		s.Abort()
		return nil, err
	}
	return s, nil
}

func (s *Set) begin(names []string, file func(table string) string, begin func(*Set, string, io.Writer) error) error {
	for _, name := range names {
		out, err := s.Files.Create(file(name))
		if err != nil {
			return err
		}
		if err := begin(s, name, out); err != nil {
			return err
		}
	}
	return nil
}

func beginTable(s *Set, name string, out io.Writer) error {
	k, err := kindOf(name)
	if err == nil {
		k.begin(s, out)
	}
	return err
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
	if s.unmake != nil {
		s.unmake()
	}
}
