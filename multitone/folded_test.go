package multitone

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The folded fit is that of the normal equations as they stand, for even and odd
// lengths, within what rounding does to a system of their condition.
func TestFoldedFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	cfg := Config{SampleRate: 100e3, Channels: 1, Tones: []Tone{{Hz: 5123.4}, {Hz: 7577.7}}}
	for _, length := range []int{600, 601} {
		for _, drift := range [][]float64{nil, {slowBins}, {slowBins, 1, 2}} {
			p := newPiece(&cfg, length, drift...)
			x := make([]float64, length)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			var chol mat.Cholesky
			if !chol.Factorize(p.gram) {
				t.Fatal("no factor")
			}
			var y, a, want mat.VecDense
			y.MulVec(p.basis, mat.NewVecDense(length, x))
			if err := chol.SolveVecTo(&a, &y); err != nil {
				t.Fatal(err)
			}
			want.MulVec(p.basis.T(), &a)
			got := slices.Clone(x)
			if !p.folded.fit(got) {
				t.Fatal("no fit")
			}
			for i, v := range got {
				if limit := chol.Cond() * 0x1p-53 * mat.Norm(&want, math.Inf(1)); math.Abs(v-want.AtVec(i)) > limit {
					t.Fatalf("%d samples, sample %d: %g, want %g within %g", length, i, v, want.AtVec(i), limit)
				}
			}
		}
	}
}

// Numbers over many factors of two, zeros among them, and one that is far off.
func TestMiddleOfFarNumbers(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for n := 1; n <= 3000; n += 1 + n/7 {
		for _, octaves := range []float64{1, 6, 40} {
			x := make([]float64, n)
			for i := range x {
				x[i] = math.Exp2(-octaves * rng.Float64())
				if rng.IntN(4) == 0 {
					x[i] = 0
				}
			}
			x[rng.IntN(n)] = 1e9
			if got, want := new(median).of(x, largest(x)), slices.Sorted(slices.Values(x))[n/2]; got != want {
				t.Fatalf("%d numbers over %g octaves: %g, want %g", n, octaves, got, want)
			}
		}
	}
}
