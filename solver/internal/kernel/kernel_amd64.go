//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	dipoleRowsKernel.Add(variant.AVX2, func(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
		dipoleRowsAVX2(&rows[0][0][0], &emitters[0][0][0], &coils[0][0], &data[0][0][0], len(emitters), len(coils))
	})
	dipoleRowsKernel.Add(variant.AVX512, func(rows []Row, emitters []Dipole, coils []Point, data []Datum) {
		dipoleRowsAVX512(&rows[0][0][0], &emitters[0][0][0], &coils[0][0], &data[0][0][0], len(emitters), len(coils))
	})
	normalKernel.Add(variant.AVX2, func(sum *Sum, rows []Row) { normalAVX2(sum, &rows[0], len(rows)) })
	normalKernel.Add(variant.AVX512, func(sum *Sum, rows []Row) { normalAVX512(sum, &rows[0], len(rows)) })
	scoreKernel.Add(variant.AVX2, scoreWith(score1AVX2, score3AVX2))
	scoreKernel.Add(variant.AVX512, scoreWith(score1AVX512, score3AVX512))
	leastKernel.Add(variant.AVX2, func(scores []Vec) float64 { return leastAVX2(&scores[0], len(scores)) })
	belowKernel.Add(variant.AVX2, func(masks []uint8, scores []Vec, limit float64) {
		belowAVX2(&masks[0], &scores[0], len(scores), limit)
	})
}

//go:noescape
func dipoleRowsAVX512(rows, emitters, coils, data *float64, e, c int)

//go:noescape
func normalAVX512(sum *Sum, rows *Row, n int)

// scoreWith is a score by loops for one coil and for three.
func scoreWith(one, three func(scores, field, w, wy *float64, power float64, blocks, emitters int)) func([]Vec, []Vec, []float64, []float64, int, float64) {
	return func(scores, field []Vec, w, wy []float64, coils int, power float64) {
		loop := three
		if coils == 1 {
			loop = one
		}
		loop(&scores[0][0], &field[0][0], &w[0], &wy[0], power, len(scores), len(w))
	}
}

//go:noescape
func score1AVX512(scores, field, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func score3AVX512(scores, field, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func score1AVX2(scores, field, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func score3AVX2(scores, field, w, wy *float64, power float64, blocks, emitters int)

//go:noescape
func dipoleRowsAVX2(rows, emitters, coils, data *float64, e, c int)

//go:noescape
func normalAVX2(sum *Sum, rows *Row, n int)

//go:noescape
func leastAVX2(scores *Vec, n int) float64

//go:noescape
func belowAVX2(masks *uint8, scores *Vec, n int, limit float64)
