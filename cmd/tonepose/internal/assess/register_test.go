package assess

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// The covariance of an error after a fit, against the direct sum over the fit of
// many points: residuals of n equal points keep 1 − 6/(3n) of their variance on
// average.
func TestAfterFitKeepsTheDegreesOfFreedom(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, sigma = 8, 1e-4
	normal := mat.NewSymDense(6, nil)
	var rows []*mat.Dense
	for range n {
		p := r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
		j := mat.NewDense(6, 6, nil)
		for k := range 6 {
			j.Set(k, k, 1)
		}
		j.Set(0, 4, p.Z)
		j.Set(0, 5, -p.Y)
		j.Set(1, 3, -p.Z)
		j.Set(1, 5, p.X)
		j.Set(2, 3, p.Y)
		j.Set(2, 4, -p.X)
		rows = append(rows, j)
		position := j.Slice(0, 3, 0, 6)
		var square mat.Dense
		square.Mul(position.T(), position)
		for a := range 6 {
			for b := range a + 1 {
				normal.SetSym(a, b, normal.At(a, b)+square.At(a, b)/(sigma*sigma))
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) {
		t.Fatal("points on a line")
	}
	var k mat.SymDense
	if err := chol.InverseTo(&k); err != nil {
		t.Fatal(err)
	}
	var c [6][6]float64
	for i := range 3 {
		c[i][i], c[3+i][3+i] = sigma*sigma, 1e-6
	}
	var left, right float64
	for _, j := range rows {
		after := afterFit(&c, j, &k, true, true)
		right += 3
		for i := range 3 {
			left += after[i][i] / (sigma * sigma)
		}
		other := afterFit(&c, j, &k, false, true)
		if other[0][0] <= c[0][0] {
			t.Error("a fit adds to the error of a pose that took no part")
		}
		// Rotations were not fitted: the frame's own uncertainty comes on top.
		if after[3][3] <= c[3][3] {
			t.Errorf("a rotation's variance fell from %g to %g", c[3][3], after[3][3])
		}
	}
	if math.Abs(right-left-6) > 1e-9 {
		t.Errorf("a fit of 6 numbers took %.6f degrees of freedom", right-left)
	}
}
