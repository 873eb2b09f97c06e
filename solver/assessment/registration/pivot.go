package registration

import (
	"fmt"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/leastsquares"
)

// Tip is the point of a body that stayed where it was while the body turned.
type Tip struct {
	Tip             r3.Vec // [m], frame of the body
	Point           r3.Vec // [m], where it stayed
	TipCovariance   Cov3   // [m²]
	PointCovariance Cov3   // [m²]
	Quality
}

// Pivot finds the tip of a pointer from the poses of its body while the tip
// rested at one point: R·tip + t = point. covariance is that of each pose; nil:
// unknown and alike. axis is the direction of the body about which a rotation can't
// be seen, nil when all rotations are: the tip is then taken to lie on it.
//
// The tip is determined by rotations about two axes that are not parallel. The equations
// are linear; the weights, which depend on how far the tip is from the body's
// origin, are found by repetition.
func Pivot(poses []rigid.Pose, covariance []Cov6, axis *r3.Vec, o Options) (*Tip, error) {
	n := len(poses)
	if covariance != nil && len(covariance) != n {
		panic("registration: poses and covariance differ in length")
	}
	if n < 3 {
		return nil, fmt.Errorf("%w: %d poses, at least 3 are needed", ErrUndetermined, n)
	}
	c := &pivotFit{poses: poses, arm: rigid.Unit3, free: 3}
	if axis != nil {
		u := r3.Unit(*axis)
		c.arm, c.free = mat3{{u.X}, {u.Y}, {u.Z}}, 1
	}
	c.adjustment = &adjustment{model: c, n: n, size: 4, components: 3, parameters: c.free + 3, weights: make([]whitener, n),
		stated: covariance != nil, open: "turn the pointer about two axes that are not parallel"}
	if err := c.start(indices(slices.Repeat([]bool{true}, n))); err != nil {
		return nil, err
	}
	var fit leastsquares.Result
	var scale float64
	t := &Tip{}
	for range 3 { // weights, outliers, fit
		// A rotation of the body moves its tip.
		var at []Cov3
		for i, full := range covariance {
			at = append(at, AtPoint(full, poses[i].Rotate(c.tip)))
		}
		var err error
		if at != nil {
			err = c.weigh("pose", func(k, i, j int) float64 { return at[k][i][j] })
		}
		if err == nil {
			fit, t.Quality, scale, err = c.run(o)
		}
		if err != nil {
			return nil, err
		}
	}
	t.Tip, t.Point = c.tip, c.point
	t.PointCovariance = cov3(fit.Covariance, c.free, 3, scale)
	t.TipCovariance = rigid.Mul(rigid.Mul(c.arm, cov3(fit.Covariance, 0, c.free, scale)), rigid.Transpose(c.arm))
	return t, nil
}

type pivotFit struct {
	*adjustment
	poses      []rigid.Pose
	arm        mat3 // tip = arm·(its free numbers)
	free       int  // 3, or 1 along an axis
	tip, point r3.Vec
}

// start is the whole fit: the equations are linear.
func (c *pivotFit) start(use []int) error {
	fit, err := c.refine(use)
	if err == nil {
		c.set(fit.X)
	}
	return err
}

func (c *pivotFit) numbers() []float64 { return make([]float64, c.parameters) }

func (c *pivotFit) set(x []float64) {
	var v [3]float64
	copy(v[:c.free], x)
	c.tip = rigid.MulVec(&c.arm, r3.Vec{X: v[0], Y: v[1], Z: v[2]})
	c.point = r3.Vec{X: x[c.free], Y: x[c.free+1], Z: x[c.free+2]}
}

func (c *pivotFit) residual(i int, r []float64) {
	d := array3(r3.Sub(c.poses[i].Apply(c.tip), c.point))
	copy(r, d[:])
}

func (c *pivotFit) derivative(i int, j *mat.Dense, row int) {
	turned := rigid.Mul(rigid.Matrix(c.poses[i].Rotation), c.arm)
	for k := range 3 {
		for col := range c.free {
			j.Set(row+k, col, turned[k][col])
		}
	}
	setBlock(j, row, c.free, -1, rigid.Unit3)
}

// AtPoint is the covariance of the position of a point fixed to a body, arm [m]
// away from the body's origin in the outer frame: δp + δ × arm.
func AtPoint(c Cov6, arm r3.Vec) (out Cov3) {
	at := rigid.CovarianceAt(&c, arm)
	for i := range out {
		copy(out[i][:], at[i][:])
	}
	return out
}
