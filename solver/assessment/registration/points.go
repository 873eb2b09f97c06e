package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/leastsquares"
)

// Motion is a rigid motion found by a fit.
type Motion struct {
	rigid.Pose
	// Covariance over the shift [m] and the small turn [rad] about the origin of
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
	for i := range covariance {
		var err error
		if c.weights[i], err = newWhitener(3, func(a, b int) float64 { return covariance[i][a][b] }); err != nil {
			return nil, fmt.Errorf("point %d: %w", i+1, err)
		}
	}
	m := &Motion{}
	m.Used = make([]bool, n)
	for i := range m.Used {
		m.Used[i] = true
	}
	if !o.KeepAll {
		m.Used = consensus(c, n, 3, 3, 6, covariance != nil, o.Seed)
	}
	use := indices(m.Used)
	if err := c.fit(use); err != nil {
		return nil, err
	}
	fit, err := c.refine(use)
	if err != nil {
		return nil, err
	}
	m.Pose = poseOf(fit.X)
	m.Covariance = cov6(fit.Covariance, m.judge(fit, covariance != nil))
	for i := range from {
		if m.Used[i] {
			m.RMS += r3.Norm2(r3.Sub(to[i], m.Apply(from[i]))) / float64(len(use))
		}
	}
	m.RMS = math.Sqrt(m.RMS)
	return m, nil
}

type pointFit struct {
	from, to []r3.Vec
	weights  []whitener
	pose     rigid.Pose
}

// fit is the closed form with one weight a point: the mean of its precision.
func (c *pointFit) fit(use []int) error {
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
	// extent of a line say nothing of the turn about it.
	if !(a.gap > 1e-12) {
		return fmt.Errorf("%w: the points lie on one line, and the turn about it is open", ErrUndetermined)
	}
	var r mat3
	for i := range r {
		for j := range r {
			r[i][j] = a.rotation.At(i, j)
		}
	}
	c.pose = rigid.Pose{Position: r3.Vec{X: a.shift[0], Y: a.shift[1], Z: a.shift[2]}, Rotation: rigid.FromMatrix(r)}
	return nil
}

func (c *pointFit) distance(i int) float64 {
	r := array3(r3.Sub(c.to[i], c.pose.Apply(c.from[i])))
	c.weights[i].apply(r[:])
	return r[0]*r[0] + r[1]*r[1] + r[2]*r[2]
}

func (c *pointFit) refine(use []int) (leastsquares.Result, error) {
	return solve(leastsquares.Problem{
		Residuals: 3 * len(use),
		Manifold:  poseSpace,
		Function: func(x, r []float64) error {
			p := poseOf(x)
			for k, i := range use {
				d := array3(r3.Sub(c.to[i], p.Apply(c.from[i])))
				copy(r[3*k:], d[:])
				c.weights[i].apply(r[3*k : 3*k+3])
			}
			return nil
		},
		// exp(δ)·R·x moves by δ × R·x = −[R·x]×·δ.
		Jacobian: func(x []float64, j *mat.Dense) error {
			p := poseOf(x)
			for k, i := range use {
				setBlock(j, 3*k, 0, -1, rigid.Unit3)
				setBlock(j, 3*k, 3, 1, rigid.Skew(p.Rotate(c.from[i])))
				c.weights[i].rows(j, 3*k)
			}
			return nil
		},
	}, numbersOf(c.pose))
}
