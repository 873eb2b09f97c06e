package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
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
	a := &adjustment{model: c, n: len(points), size: 4, components: 1, parameters: 4, weights: make([]whitener, len(points)),
		open: "the points lie in one plane"}
	fit, quality, scale, err := a.run(o)
	if err != nil {
		return nil, err
	}
	b := &Ball{c.center, c.radius, mat.NewSymDense(4, nil), quality}
	b.Covariance.ScaleSym(scale, fit.Covariance)
	return b, nil
}

type sphereFit struct {
	points []r3.Vec
	center r3.Vec
	radius float64
}

// start solves 2 p·c + (r² − |c|²) = |p|², linear in its four unknowns, from the
// points' mean as origin.
func (c *sphereFit) start(use []int) error {
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

func (c *sphereFit) numbers() []float64 {
	return []float64{c.center.X, c.center.Y, c.center.Z, c.radius}
}

func (c *sphereFit) set(x []float64) {
	c.center, c.radius = r3.Vec{X: x[0], Y: x[1], Z: x[2]}, x[3]
}

func (c *sphereFit) residual(i int, r []float64) {
	r[0] = r3.Norm(r3.Sub(c.points[i], c.center)) - c.radius
}

func (c *sphereFit) derivative(i int, j *mat.Dense, row int) {
	d := r3.Unit(r3.Sub(c.points[i], c.center))
	j.SetRow(row, []float64{-d.X, -d.Y, -d.Z, -1})
}
