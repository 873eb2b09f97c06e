package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/variant/varianttest"
)

// Against gonum's factor of the same matrix. It is the identity and a tenth of a random one, whose condition is below 10 and
// whose entries are below 1.2: a backward error of 3n·2⁻⁵³ (Higham, Accuracy and Stability of Numerical Algorithms, 2nd
// ed., theorem 10.4) in each of two factors, and with it in what they solve, grows by this condition at most.
func TestEliminate(t *testing.T) {
	varianttest.Each(t, basisKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(7, 9))
		for _, n := range []int{1, 2, 3, 4, 5, 31, 32, 33, 70} {
			const columns = 5
			limit := 2 * 10 * 3 * float64(n) * 0x1p-53 * 10
			a := mat.NewSymDense(n, nil)
			x := mat.NewDense(n, n, nil)
			for i := range n {
				for j := range n {
					x.Set(i, j, r.NormFloat64()/float64(n)*0.3)
				}
			}
			a.SymOuterK(1, x)
			for i := range n {
				a.SetSym(i, i, a.At(i, i)+1)
			}
			right := mat.NewDense(n, columns, nil)
			b, y := NewBasis(n, n+columns), NewBasis(n, columns)
			const from = 1 // of the solution alone: the matrix's own columns behind it have all rows
			for i := range n {
				for j := range columns {
					v := r.NormFloat64()
					b.Row(i)[n+j] = v
					if i >= from || n == 1 {
						y.Row(i)[j] = v
						right.Set(i, j, v)
					}
				}
				for j := range n {
					b.Row(i)[j] = a.At(i, j)
					if j < i {
						b.Row(i)[j] = 1e3 // not to be read
					}
				}
			}
			all := mat.NewDense(n, columns, nil)
			for i := range n {
				for j := range columns {
					all.Set(i, j, b.Row(i)[n+j])
				}
			}
			if !b.Eliminate(n) {
				t.Fatalf("%d: not positive definite", n)
			}
			var chol mat.Cholesky
			if !chol.Factorize(a) {
				t.Fatal("no factor")
			}
			var u mat.TriDense
			chol.UTo(&u)
			var want, behind mat.Dense
			if err := chol.SolveTo(&want, right); err != nil {
				t.Fatal(err)
			}
			if err := behind.Solve(u.T(), all); err != nil {
				t.Fatal(err)
			}
			b.Forward(y, n, min(from, n-1))
			b.Back(y, n)
			check := func(what string, got, want float64) {
				t.Helper()
				if !(math.Abs(got-want) <= limit) {
					t.Fatalf("%d, %s: %g, want %g", n, what, got, want)
				}
			}
			for i := range n {
				for j := i; j < n; j++ {
					check("factor", b.Row(i)[j], u.At(i, j))
				}
				for j := range columns {
					check("solution", y.Row(i)[j], want.At(i, j))
					check("columns behind", b.Row(i)[n+j], behind.At(i, j))
				}
			}
		}
	})
}

// A matrix that is not positive definite has no factor, nor has one of what is no number.
func TestEliminateRefuses(t *testing.T) {
	varianttest.Each(t, basisKernel, func(t *testing.T) {
		for _, last := range []float64{1, math.NaN()} { // the first makes both rows the same
			b := NewBasis(2, 2)
			copy(b.Row(0), []float64{1, 1})
			copy(b.Row(1), []float64{1, last})
			if b.Eliminate(2) {
				t.Errorf("a factor with %g in the last place", last)
			}
		}
	})
}
