package correction

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
)

// addSquare against gonum's: sums of k products and what was there, 2·(k+1)·2⁻⁵³ of the
// sum of their sizes, below 6 for k normal products a time; and the same bits for any
// number of processors.
func TestAddSquare(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, size := range []struct{ n, k int }{{1, 1}, {23, 5}, {24, 192}, {25, 193}, {100, 400}, {259, 192}} {
		w := blas64.General{Rows: size.n, Cols: size.k, Stride: size.k + 3, Data: make([]float64, size.n*(size.k+3))}
		start := make([]float64, size.n*(size.n+2))
		for _, data := range [][]float64{w.Data, start} {
			for i := range data {
				data[i] = r.NormFloat64()
			}
		}
		square := func() blas64.Symmetric {
			return blas64.Symmetric{N: size.n, Stride: size.n + 2, Uplo: blas.Upper, Data: slices.Clone(start)}
		}
		want, got, again := square(), square(), square()
		blas64.Syrk(blas.NoTrans, -0.5, w, 1, want)
		addSquare(-0.5, got, w)
		processors := runtime.GOMAXPROCS(5)
		addSquare(-0.5, again, w)
		runtime.GOMAXPROCS(processors)
		if !slices.Equal(got.Data, again.Data) {
			t.Errorf("%d × %d: other sums on five processors", size.n, size.k)
		}
		for i := range want.Data {
			if math.Abs(got.Data[i]-want.Data[i]) > 2*float64(size.k+1)*0x1p-53*6*float64(size.k+1) {
				t.Fatalf("%d × %d: entry %d is %g, want %g", size.n, size.k, i, got.Data[i], want.Data[i])
			}
		}
	}
}
