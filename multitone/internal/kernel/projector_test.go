package kernel

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// The definition itself, summed in the plain order, is the reference. Both
// sums have n terms of at most |x·w|, so they differ by at most
// 2n·2⁻⁵³·Σ|x·w| from the order of summation, plus the table's 32·2⁻⁵³.
func TestProjectMatchesDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{1, 2, 3, 7, 8, 129, 1000, 1001} {
		omega := []float64{0, 0.1, 1.3, math.Pi - 0.01, 2 * math.Pi * 0.123456}
		x := make([][]float64, 3)
		for c := range x {
			x[c] = make([]float64, n)
			for i := range x[c] {
				x[c][i] = rng.NormFloat64()
			}
		}
		w := make([]float64, n)
		for i := range w {
			w[i] = rng.Float64()
		}
		for _, weights := range [][]float64{nil, w} {
			p := NewProjector(n, omega)
			re, im := p.Project(x, weights)
			for c := range x {
				for i, om := range omega {
					var want complex128
					var size float64
					for k, v := range x[c] {
						if weights != nil {
							v *= weights[k]
						}
						want += complex(v, 0) * cmplx.Exp(complex(0, -om*(float64(k)-float64(n-1)/2)))
						size += math.Abs(v)
					}
					got := complex(re[c*len(omega)+i], im[c*len(omega)+i])
					if d := cmplx.Abs(got - want); d > (2*float64(n)+64)*0x1p-53*size {
						t.Errorf("n=%d channel %d ω=%g: %v, want %v", n, c, om, got, want)
					}
				}
			}
		}
	}
}

func BenchmarkProject(b *testing.B) {
	for _, columns := range []int{8, 24, 72} {
		b.Run(fmt.Sprintf("channels=12/columns=%d/n=2048", columns), func(b *testing.B) {
			omega := make([]float64, columns)
			for i := range omega {
				omega[i] = 0.01 + 0.02*float64(i)
			}
			p := NewProjector(2048, omega)
			x := make([][]float64, 12)
			for c := range x {
				x[c] = make([]float64, 2048)
			}
			b.ReportAllocs()
			for b.Loop() {
				p.Project(x, nil)
			}
			b.ReportMetric(float64(b.N)*12*2048/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
		})
	}
}
