package tables

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
	begin(*Set) error
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

func tableNames() (names []string) {
	for _, k := range kinds {
		names = append(names, k.tableName())
	}
	return names
}

func (k kind[T, S]) tableName() string { return k.name }

// begin adds the table to a set.
func (k kind[T, S]) begin(s *Set) error {
	out, err := s.Files.Create(k.name + ".parquet")
	if err != nil {
		return err
	}
	w := newWriter(out, k)
	*k.slot(s) = w
	s.writers = append(s.writers, w)
	return nil
}
