//go:build !purego

package kernel

import "golang.org/x/sys/cpu"

func init() {
	for _, v := range variants() {
		v.use()
	}
}

// variant is a set of kernels for a kind of processor.
type variant struct {
	name string
	use  func()
}

// variants returns those that this processor runs, the fastest last.
func variants() []variant {
	x := &cpu.X86
	all := []variant{{"go", useGo}}
	if x.HasAVX2 && x.HasFMA {
		all = append(all, variant{"avx2", useAVX2})
	}
	if x.HasAVX512F && x.HasAVX512DQ && x.HasAVX512VL && x.HasFMA && x.HasAVX2 {
		all = append(all, variant{"avx512", useAVX512})
	}
	return all
}

func useAVX2() {
	useGo()
	dipoleRows = func(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
		dipoleRowsAVX2(&rows[0], &emitters[0], &coils[0], &data[0], len(emitters), len(coils))
	}
	normal = func(sum *Sum, rows []Row) { normalAVX2(sum, &rows[0], len(rows)) }
	least = func(scores []Vec) float64 { return leastAVX2(&scores[0], len(scores)) }
	below = func(masks []uint8, scores []Vec, limit float64) {
		belowAVX2(&masks[0], &scores[0], len(scores), limit)
	}
	score = func(scores, field []Vec, w, wy []float64, coils int, power float64) {
		scoreAVX2(&scores[0], &field[0], &w[0], &wy[0], power, len(scores), len(w), coils)
	}
}

func useAVX512() {
	many = true
	dipoleRows = func(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
		dipoleRowsAVX512(&rows[0], &emitters[0], &coils[0], &data[0], len(emitters), len(coils))
	}
	dipoleRowsMany = func(rows []Row, emitters []Dipole, coils []Coil, data []Datum) {
		dipoleRowsManyAVX512(&rows[0], &emitters[0], &coils[0], &data[0], len(emitters), len(coils))
	}
	normal = func(sum *Sum, rows []Row) { normalAVX512(sum, &rows[0], len(rows)) }
	accumulate = func(sum *SumVec, rows []Row) { accumulateAVX512(sum, &rows[0], len(rows)) }
	advanceMany = func(pose *Pose, step *[6]Vec, points [][6]float64, coils []Coil) {
		advanceManyAVX512(pose, step, &points[0], &coils[0], len(points))
	}
	solveMany = solveManyAVX512
	least = func(scores []Vec) float64 { return leastAVX512(&scores[0], len(scores)) }
	below = func(masks []uint8, scores []Vec, limit float64) {
		belowAVX512(&masks[0], &scores[0], len(scores), limit)
	}
	score = func(scores, field []Vec, w, wy []float64, coils int, power float64) {
		if coils == 1 {
			score1AVX512(&scores[0], &field[0], &w[0], &wy[0], power, len(scores), len(w))
		} else {
			score3AVX512(&scores[0], &field[0], &w[0], &wy[0], power, len(scores), len(w))
		}
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

//go:noescape
func score1AVX512(scores, field *Vec, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func score3AVX512(scores, field *Vec, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func leastAVX512(scores *Vec, n int) float64

//go:noescape
func belowAVX512(masks *uint8, scores *Vec, n int, limit float64)

//go:noescape
func advanceManyAVX512(pose *Pose, step *[6]Vec, points *[6]float64, coils *Coil, n int)

//go:noescape
func solveManyAVX512(n *Newton, sum *SumVec, coil *Coil, scale float64)

//go:noescape
func dipoleRowsAVX2(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)

//go:noescape
func normalAVX2(sum *Sum, rows *Row, n int)

//go:noescape
func scoreAVX2(scores, field *Vec, w, wy *float64, power float64, blocks, emitters, coils int)

//go:noescape
func leastAVX2(scores *Vec, n int) float64

//go:noescape
func belowAVX2(masks *uint8, scores *Vec, n int, limit float64)
