package growth

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// Beside gonum's least squares by orthogonal triangles, and lines, which are not off at all.
func TestOffLine(t *testing.T) {
	x := []float64{1, 2, 4, 8}
	for name, y := range map[string][]float64{
		"a line": {3.5, 4, 5, 7}, "what does not grow": {2, 2, 2, 2}, "a square": {1, 4, 16, 64}, "n·log n": {1, 4, 12, 32},
	} {
		equations, one := mat.NewDense(4, 2, nil), mat.NewVecDense(4, []float64{1, 1, 1, 1})
		for i := range x {
			equations.SetRow(i, []float64{1 / y[i], x[i] / y[i]})
		}
		var line, off mat.VecDense
		if err := line.SolveVec(equations, one); err != nil {
			t.Fatal(err)
		}
		off.MulVec(equations, &line)
		off.SubVec(&off, one)
		want := mat.Norm(&off, math.Inf(1))
		if got := offLine(x, y); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s is %g off a line, want %g", name, got, want)
		}
	}
}
