package registration

import (
	"fmt"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Motion is a rigid motion found by a fit.
type Motion struct {
	rigid.Pose
	// Covariance over the shift [m] and the small rotation [rad] about the origin of
	// the frame that it leads to: true = exp(δ)·R, t + dt.
	Covariance Cov6
	Quality
}

// Points finds the rigid motion T that carries from to to: to ≈ T.Apply(from).
// covariance is that of each residual in the frame of to [m²], one each; nil:
// unknown and alike. At least three points, not on one line, are needed; five or
// more of six allow outliers to be found.
//
// The closed form of Umeyama and Horn is the start; weights that differ by
// direction are then met by iteration.
func Points(from, to []r3.Vec, covariance []Cov3, o Options) (*Motion, error) {
	n := len(from)
	if len(to) != n || covariance != nil && len(covariance) != n {
		panic("registration: from, to and covariance differ in length")
	}
	if n < 3 {
		return nil, fmt.Errorf("%w: %d points, at least 3 are needed", ErrUndetermined, n)
	}
	c := &pointFit{from: from, to: to, weights: make([]whitener, n)}
	a := &adjustment{model: c, n: n, size: 3, components: 3, parameters: 6, manifold: poseSpace, weights: c.weights,
		stated: covariance != nil, open: "the points lie on one line"}
	if covariance != nil {
		if err := a.weigh("point", func(k, i, j int) float64 { return covariance[k][i][j] }); err != nil {
			return nil, err
		}
	}
	fit, quality, scale, err := a.run(o)
	if err != nil {
		return nil, err
	}
	return &Motion{c.pose, cov6(fit.Covariance, scale), quality}, nil
}

type pointFit struct {
	from, to []r3.Vec
	weights  []whitener
	pose     rigid.Pose
}

// start has one weight for each point: the mean of its precision.
func (c *pointFit) start(use []int) error {
	x, y := mat.NewDense(len(use), 3, nil), mat.NewDense(len(use), 3, nil)
	weight := make([]float64, len(use))
	for k, i := range use {
		a, b := array3(c.from[i]), array3(c.to[i])
		x.SetRow(k, a[:])
		y.SetRow(k, b[:])
		weight[k] = 1
		if l := c.weights[i].lower; l != nil {
			weight[k] = 0
			for _, v := range l {
				weight[k] += v * v / 3
			}
		}
	}
	a := align(x, y, weight, false)
	// Rounding leaves 1e-16 of the largest; points within a millionth of their
	// extent of a line say nothing of the rotation about it.
	if !(a.gap > 1e-12) {
		return fmt.Errorf("%w: the points lie on one line, and the rotation about it is not determined", ErrUndetermined)
	}
	c.pose = rigid.Pose{Position: r3.Vec{X: a.shift[0], Y: a.shift[1], Z: a.shift[2]}, Rotation: quaternion(a.rotation)}
	return nil
}

func (c *pointFit) numbers() []float64 { return numbersOf(c.pose) }
func (c *pointFit) set(x []float64)    { c.pose = poseOf(x) }

func (c *pointFit) residual(i int, r []float64) {
	d := array3(r3.Sub(c.to[i], c.pose.Apply(c.from[i])))
	copy(r, d[:])
}

// exp(δ)·R·x moves by δ × R·x = −[R·x]×·δ.
func (c *pointFit) derivative(i int, j *mat.Dense, row int) {
	setBlock(j, row, 0, -1, rigid.Unit3)
	setBlock(j, row, 3, 1, rigid.Skew(c.pose.Rotate(c.from[i])))
}
