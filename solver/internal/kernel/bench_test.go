package kernel

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// One solve's step: eight emitters, three coils; and a grid of 200 places.
func BenchmarkKernels(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	emitters, points, data, rows := make([]Dipole, 1), make([]Point, 3), make([]Datum, 3), make([]Row, 3)
	fill(r, emitters[0][:])
	for i := range points {
		for j := range points[i] {
			points[i][j] = r.NormFloat64()
		}
		fill(r, data[i][:])
	}
	scores, field := make([]Vec, 25), make([]Vec, 25*8*3)
	fill(r, field)
	w, wy := make([]float64, 8), make([]float64, 24)
	for i := range wy {
		w[i/3], wy[i] = 1, r.NormFloat64()
	}
	var sum Sum
	for level := range dipoleRowsKernel.Each() {
		b.Run("DipoleRows/impl="+level.Name, func(b *testing.B) {
			for b.Loop() {
				DipoleRows(rows, emitters, points, data)
			}
		})
	}
	for level := range normalKernel.Each() {
		b.Run("Normal/impl="+level.Name, func(b *testing.B) {
			for b.Loop() {
				Normal(&sum, rows)
			}
		})
	}
	for level := range scoreKernel.Each() {
		for _, coils := range []int{1, 3} {
			b.Run(fmt.Sprintf("Score/coils=%d/impl=%s", coils, level.Name), func(b *testing.B) {
				for b.Loop() {
					Score(scores, field, w, wy, coils, 10)
				}
			})
		}
	}
}
