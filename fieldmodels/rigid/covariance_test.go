package rigid

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// A covariance carried to a point is that of draws whose point is looked at: the
// mean of 20,000 products scatters by no more than √(2/20000)·σσ'.
func TestCovarianceAtIsThatOfDraws(t *testing.T) {
	const n = 20000
	r := rand.New(rand.NewPCG(1, 6))
	var root, c Covariance // c = root·rootᵀ
	for i := range 6 {
		for j := range 6 {
			root[i][j] = r.NormFloat64()
		}
	}
	unit := Covariance{}
	for i := range 6 {
		unit[i][i] = 1
	}
	c = Sandwich(&root, &unit)
	arm, u := r3.Vec{X: 0.5, Y: -1, Z: 2}, r3.Unit(r3.Vec{X: 1, Y: 2, Z: -1})
	at, off := CovarianceAt(&c, arm), WithoutRotation(&c, u)
	var drawnAt, drawnOff Covariance
	for range n {
		var z, e [6]float64
		for i := range z {
			z[i] = r.NormFloat64()
		}
		for i := range e {
			for k := range z {
				e[i] += root[i][k] * z[k]
			}
		}
		p, d := r3.Vec{X: e[0], Y: e[1], Z: e[2]}, r3.Vec{X: e[3], Y: e[4], Z: e[5]}
		moved := r3.Add(p, r3.Cross(d, arm))
		left := r3.Sub(d, r3.Scale(r3.Dot(d, u), u))
		x, y := [6]float64{moved.X, moved.Y, moved.Z, d.X, d.Y, d.Z}, [6]float64{p.X, p.Y, p.Z, left.X, left.Y, left.Z}
		for i := range 6 {
			for j := range 6 {
				drawnAt[i][j] += x[i] * x[j] / n
				drawnOff[i][j] += y[i] * y[j] / n
			}
		}
	}
	for i := range 6 {
		for j := range 6 {
			if bound := 5 * math.Sqrt(2*at[i][i]*at[j][j]/n); math.Abs(drawnAt[i][j]-at[i][j]) > bound {
				t.Errorf("at the point, element %d %d: %.4g, drawn %.4g ± %.2g", i, j, at[i][j], drawnAt[i][j], bound)
			}
			if bound := 5*math.Sqrt(2*off[i][i]*off[j][j]/n) + 1e-12; math.Abs(drawnOff[i][j]-off[i][j]) > bound {
				t.Errorf("without the turn, element %d %d: %.4g, drawn %.4g ± %.2g", i, j, off[i][j], drawnOff[i][j], bound)
			}
		}
	}
}

func TestSkewIsTheCrossProduct(t *testing.T) {
	a, b := r3.Vec{X: 1, Y: -2, Z: 0.5}, r3.Vec{X: 0.25, Y: 4, Z: -1}
	s := Skew(a)
	if got := MulVec(&s, b); got != r3.Cross(a, b) {
		t.Errorf("%v: want %v", got, r3.Cross(a, b))
	}
	q := Matrix(Exp(r3.Vec{X: 0.3, Y: -1, Z: 2}))
	p := Mul(q, Transpose(q))
	for i := range 3 {
		for j := range 3 {
			if math.Abs(p[i][j]-Unit3[i][j]) > 1e-15 {
				t.Errorf("R·Rᵀ is %v", p)
			}
		}
	}
}
