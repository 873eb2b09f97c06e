package tables

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/parquet-go/parquet-go"
)

// Row is what tables hold, each kind in a table of its own.
type Row interface {
	Phasor | Coupling | Pose | Demodulated | Integrity
}

// kind is one table: rows T, stored as S.
type kind[T, S any] struct {
	name string
	grouping
	store func(*S, *T) error
	load  func(*S, *T) error
	slot  func(*Set) *Writer[T]
}

// table is a kind without its types.
type table interface {
	tableName() string
	columns() []string
	begin(*Set, io.Writer)
}

var kinds = [...]table{phasors, couplings, poses, demodulated, integrity}

var (
	phasors = kind[Phasor, phasorRow]{PhasorsName, narrow, (*phasorRow).store, (*phasorRow).load,
		func(s *Set) *Writer[Phasor] { return &s.Phasors }}
	couplings = kind[Coupling, couplingRow]{CouplingsName, modest, (*couplingRow).store, (*couplingRow).load,
		func(s *Set) *Writer[Coupling] { return &s.Couplings }}
	poses = kind[Pose, poseRow]{PosesName, wide, (*poseRow).store, (*poseRow).load,
		func(s *Set) *Writer[Pose] { return &s.Poses }}
	demodulated = kind[Demodulated, demodulatedRow]{DemodulatedName, narrow, (*demodulatedRow).store, (*demodulatedRow).load,
		func(s *Set) *Writer[Demodulated] { return &s.Demodulated }}
	integrity = kind[Integrity, integrityRow]{IntegrityName, wide, (*integrityRow).store, (*integrityRow).load,
		func(s *Set) *Writer[Integrity] { return &s.Integrity }}
)

// tableOf is a kind by its rows.
type tableOf[T any] interface {
	file(path string) (f *os.File, pf *parquet.File, m Metadata, err error)
	open(path string) (*Reader[T], error)
	find(path string) (found[T], Metadata, error)
}

func kindFor[T Row]() tableOf[T] {
	for _, k := range kinds {
		if k, ok := k.(tableOf[T]); ok {
			return k
		}
	}
	panic("tables: a row without a table")
}

func tableNames() (names []string) {
	for _, k := range kinds {
		names = append(names, k.tableName())
	}
	return names
}

func (k kind[T, S]) tableName() string { return k.name }

func (k kind[T, S]) columns() (names []string) {
	for _, c := range parquet.SchemaOf(new(S)).Columns() {
		names = append(names, c[0])
	}
	return names
}

// begin adds the table, written to out, to a set.
func (k kind[T, S]) begin(s *Set, out io.Writer) { k.add(s, newWriter(out, k)) }

func (k kind[T, S]) add(s *Set, w *writer[T, S]) {
	*k.slot(s) = w
	s.writers = append(s.writers, w)
}

// kindOf finds a table by its name.
func kindOf(name string) (table, error) {
	i := slices.IndexFunc(kinds[:], func(k table) bool { return k.tableName() == name })
	if i < 0 {
		return nil, fmt.Errorf("table %q: must be one of %s", name, strings.Join(tableNames(), ", "))
	}
	return kinds[i], nil
}
