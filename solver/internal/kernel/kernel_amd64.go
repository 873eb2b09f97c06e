//go:build !purego

package kernel

import "golang.org/x/sys/cpu"

func init() {
	x := &cpu.X86
	if x.HasAVX512F && x.HasAVX512DQ && x.HasAVX512VL && x.HasFMA && x.HasAVX2 {
		dipoleRows = func(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
			dipoleRowsAVX512(&rows[0], &emitters[0], &coils[0], &data[0], len(emitters), len(coils))
		}
		dipoleRowsMany = func(rows []Row, emitters []Dipole, coils []Coil, data []Datum) {
			dipoleRowsManyAVX512(&rows[0], &emitters[0], &coils[0], &data[0], len(emitters), len(coils))
		}
		normal = func(sum *Sum, rows []Row) { normalAVX512(sum, &rows[0], len(rows)) }
		accumulate = func(sum *SumVec, rows []Row) { accumulateAVX512(sum, &rows[0], len(rows)) }
	}
}

//go:noescape
func dipoleRowsAVX512(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)

//go:noescape
func dipoleRowsManyAVX512(rows *Row, emitters *Dipole, coils *Coil, data *Datum, e, c int)

//go:noescape
func normalAVX512(sum *Sum, rows *Row, n int)

//go:noescape
func accumulateAVX512(sum *SumVec, rows *Row, n int)
