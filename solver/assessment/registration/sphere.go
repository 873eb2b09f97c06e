package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/leastsquares"
)

// Ball is a sphere through points.
type Ball struct {
	Center     r3.Vec
	Radius     float64
	Covariance *mat.SymDense // over centre and radius [m²]
	Quality
}

// Sphere fits a sphere to points by their distances from its surface, all alike
// in weight. Four points, not in one plane, are needed. The algebraic fit is the
// start.
func Sphere(points []r3.Vec, o Options) (*Ball, error) {
	if len(points) < 4 {
		return nil, fmt.Errorf("%w: %d points, at least 4 are needed", ErrUndetermined, len(points))
	}
	c := &sphereFit{points: points}
	b := &Ball{}
	b.Used = make([]bool, len(points))
	for i := range b.Used {
		b.Used[i] = true
	}
	if !o.KeepAll {
		b.Used = consensus(c, len(points), 4, 1, 4, false, o.Seed)
	}
	use := indices(b.Used)
	if err := c.fit(use); err != nil {
		return nil, err
	}
	fit, err := solve(leastsquares.Problem{
		Residuals: len(use),
		Function: func(x, r []float64) error {
			for k, i := range use {
				r[k] = r3.Norm(r3.Sub(points[i], r3.Vec{X: x[0], Y: x[1], Z: x[2]})) - x[3]
			}
			return nil
		},
		Jacobian: func(x []float64, j *mat.Dense) error {
			for k, i := range use {
				d := r3.Unit(r3.Sub(points[i], r3.Vec{X: x[0], Y: x[1], Z: x[2]}))
				j.SetRow(k, []float64{-d.X, -d.Y, -d.Z, -1})
			}
			return nil
		},
	}, []float64{c.center.X, c.center.Y, c.center.Z, c.radius})
	if err != nil {
		return nil, err
	}
	b.Center, b.Radius = r3.Vec{X: fit.X[0], Y: fit.X[1], Z: fit.X[2]}, fit.X[3]
	b.RMS = math.Sqrt(2 * fit.Cost / float64(len(use)))
	b.Covariance = mat.NewSymDense(4, nil)
	b.Covariance.ScaleSym(b.judge(fit, false), fit.Covariance)
	return b, nil
}

type sphereFit struct {
	points []r3.Vec
	center r3.Vec
	radius float64
}

// fit solves 2 p·c + (r² − |c|²) = |p|², linear in its four unknowns, from the
// points' mean as origin.
func (c *sphereFit) fit(use []int) error {
	var mean r3.Vec
	for _, i := range use {
		mean = r3.Add(mean, r3.Scale(1/float64(len(use)), c.points[i]))
	}
	a, b := mat.NewDense(len(use), 4, nil), mat.NewVecDense(len(use), nil)
	for k, i := range use {
		p := r3.Sub(c.points[i], mean)
		a.SetRow(k, []float64{2 * p.X, 2 * p.Y, 2 * p.Z, 1})
		b.SetVec(k, r3.Norm2(p))
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		return fmt.Errorf("%w: the points lie in one plane", ErrUndetermined)
	}
	at := r3.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)}
	c.center, c.radius = r3.Add(mean, at), math.Sqrt(x.AtVec(3)+r3.Norm2(at))
	return nil
}

func (c *sphereFit) distance(i int) float64 {
	d := r3.Norm(r3.Sub(c.points[i], c.center)) - c.radius
	return d * d
}
