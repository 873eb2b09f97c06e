package registration

import (
	"fmt"
	"math"

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
// rested in one place: R·tip + t = point. covariance is that of each pose; nil:
// unknown and alike. axis is the direction of the body about which a turn can't
// be seen, nil when all turns are: the tip is then taken to lie on it.
//
// The tip is fixed by turns about two axes that are not parallel. The equations
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
	c := &pivotFit{poses: poses, covariance: covariance, weights: make([]whitener, n), arm: rigid.Unit3, free: 3}
	if axis != nil {
		u := r3.Unit(*axis)
		c.arm, c.free = mat3{{u.X}, {u.Y}, {u.Z}}, 1
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	if err := c.fit(all); err != nil {
		return nil, err
	}
	t := &Tip{}
	t.Used = make([]bool, n)
	for i := range t.Used {
		t.Used[i] = true
	}
	var fit leastsquares.Result
	for range 3 { // weights, outliers, fit
		if err := c.reweigh(); err != nil {
			return nil, err
		}
		if !o.KeepAll {
			t.Used = consensus(c, n, 4, 3, c.free+3, covariance != nil, o.Seed)
		}
		use := indices(t.Used)
		var err error
		if fit, err = c.refine(use); err != nil {
			return nil, fmt.Errorf("%w: turn the pointer about two axes that are not parallel", err)
		}
		c.set(fit.X)
	}
	scale := t.judge(fit, covariance != nil)
	t.Tip, t.Point = c.tip, c.point
	t.PointCovariance = cov3(fit.Covariance, c.free, scale)
	for i := range 3 {
		for j := range 3 {
			for a := range c.free {
				for b := range c.free {
					t.TipCovariance[i][j] += scale * c.arm[i][a] * fit.Covariance.At(a, b) * c.arm[j][b]
				}
			}
		}
	}
	used := 0
	for i := range poses {
		if t.Used[i] {
			t.RMS += r3.Norm2(c.residual(i))
			used++
		}
	}
	t.RMS = math.Sqrt(t.RMS / float64(used))
	return t, nil
}

type pivotFit struct {
	poses      []rigid.Pose
	covariance []Cov6
	weights    []whitener
	arm        mat3 // tip = arm·(its free numbers)
	free       int  // 3, or 1 along an axis
	tip, point r3.Vec
}

func (c *pivotFit) set(x []float64) {
	var v [3]float64
	copy(v[:c.free], x)
	c.tip = rigid.MulVec(&c.arm, r3.Vec{X: v[0], Y: v[1], Z: v[2]})
	c.point = r3.Vec{X: x[c.free], Y: x[c.free+1], Z: x[c.free+2]}
}

func (c *pivotFit) residual(i int) r3.Vec { return r3.Sub(c.poses[i].Apply(c.tip), c.point) }

func (c *pivotFit) distance(i int) float64 {
	r := array3(c.residual(i))
	c.weights[i].apply(r[:])
	return r[0]*r[0] + r[1]*r[1] + r[2]*r[2]
}

func (c *pivotFit) fit(use []int) error {
	fit, err := c.refine(use)
	if err != nil {
		return fmt.Errorf("%w: turn the pointer about two axes that are not parallel", err)
	}
	c.set(fit.X)
	return nil
}

// refine is linear: one step.
func (c *pivotFit) refine(use []int) (leastsquares.Result, error) {
	return solve(leastsquares.Problem{
		Residuals: 3 * len(use),
		Function: func(x, r []float64) error {
			c.set(x)
			for k, i := range use {
				d := array3(c.residual(i))
				copy(r[3*k:], d[:])
				c.weights[i].apply(r[3*k : 3*k+3])
			}
			return nil
		},
		Jacobian: func(_ []float64, j *mat.Dense) error {
			for k, i := range use {
				turned := rigid.Mul(rigid.Matrix(c.poses[i].Rotation), c.arm)
				for row := range 3 {
					for col := range c.free {
						j.Set(3*k+row, col, turned[row][col])
					}
				}
				setBlock(j, 3*k, c.free, -1, rigid.Unit3)
				c.weights[i].rows(j, 3*k)
			}
			return nil
		},
	}, make([]float64, c.free+3))
}

// reweigh finds the covariance of R·tip + t: a turn of the body moves its tip.
func (c *pivotFit) reweigh() error {
	for i := range c.covariance {
		full := AtPoint(c.covariance[i], c.poses[i].Rotate(c.tip))
		var err error
		if c.weights[i], err = newWhitener(3, func(a, b int) float64 { return full[a][b] }); err != nil {
			return fmt.Errorf("pose %d: %w", i+1, err)
		}
	}
	return nil
}

// AtPoint is the covariance of the place of a point fixed to a body, arm [m]
// away from the body's origin in the outer frame: δp + δ × arm.
func AtPoint(c Cov6, arm r3.Vec) (out Cov3) {
	at := rigid.CovarianceAt(&c, arm)
	for i := range out {
		copy(out[i][:], at[i][:])
	}
	return out
}
