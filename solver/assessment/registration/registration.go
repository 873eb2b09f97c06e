// Package registration finds how two frames, or two bodies, lie to each other
// from what both saw of the same thing.
//
// Points fits the rigid motion between two sets of points, Poses the motion
// between two frames and between two bodies at once (hand-eye and robot-world),
// HandEye the motion between two bodies from their movements alone. Pivot finds
// the tip of a pointer that turns about it, Sphere the centre of points on a
// sphere. Each gives its covariance, and can leave outliers out.
//
// Every fit weighs its residuals by the covariances it is given. Without them
// all residuals count alike, and their scatter sets the scale of the result's
// covariance.
package registration

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/leastsquares"
)

// ErrUndetermined reports that the data leave a part of the result open: points
// on one line, rotations about one axis.
var ErrUndetermined = errors.New("registration: not determined by the data")

// Options tunes a fit. The zero value of a field means its default.
type Options struct {
	// KeepAll takes outliers in too. Default: what lies too far from the fit
	// that most of the data agree on is left out.
	KeepAll bool
	// Seed of the draws that look for what most of the data agree on.
	Seed uint64
}

// Quality says how well a fit explains its data.
type Quality struct {
	Used      []bool // one per datum; false: left out as an outlier
	RMS       float64
	ChiSquare float64 // weighted squares of the used residuals; without covariances over their own variance
	DOF       int
	// Stated is whether covariances were given: ChiSquare is then a test of
	// them, and else equals DOF.
	Stated bool
}

// Outliers lists the data that were left out.
func (q *Quality) Outliers() []int {
	var list []int
	for i, used := range q.Used {
		if !used {
			list = append(list, i)
		}
	}
	return list
}

// Birge is by how much the residuals exceed what was stated, √(ChiSquare/DOF), or
// 1 when they do not. Multiplied by it, the sigmas of a fit say what its data
// show: the practice of Birge, Phys. Rev. 40, 207 (1932), and of the Particle Data
// Group's averages since.
func (q *Quality) Birge() float64 {
	if !q.Stated || q.DOF <= 0 {
		return 1
	}
	return max(1, math.Sqrt(q.ChiSquare/float64(q.DOF)))
}

// Cov3 is the covariance of a position [m²], Cov6 that of a pose over x y z [m] and
// the rotation vector [rad], q_true = exp(δ/2)·q.
type (
	Cov3 = [3][3]float64
	Cov6 = rigid.Covariance
)

type mat3 = [3][3]float64

func array3(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// setBlock writes s·a into j at row i and column k.
func setBlock(j *mat.Dense, i, k int, s float64, a mat3) {
	for r := range 3 {
		for c := range 3 {
			j.Set(i+r, k+c, s*a[r][c])
		}
	}
}

// whitener scales residuals to units of their standard deviation: L⁻¹ of the
// covariance L·Lᵀ, n×n.
type whitener struct {
	n     int
	lower []float64 // L⁻¹, row by row; nil: all ones
}

// newWhitener factors the covariance c. Components are brought to unit variance
// first, for metres and radians do not compare.
func newWhitener(n int, c func(i, j int) float64) (whitener, error) {
	w := whitener{n: n, lower: make([]float64, n*n)}
	scale := make([]float64, n)
	for i := range n {
		scale[i] = math.Sqrt(c(i, i))
		if !(scale[i] > 0) || math.IsInf(scale[i], 0) {
			return w, fmt.Errorf("registration: variance %d of a covariance is %g: must be positive and finite", i, c(i, i))
		}
	}
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, c(i, j)/scale[i]/scale[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return w, errors.New("registration: a covariance is not positive definite")
	}
	var l, inverse mat.TriDense
	chol.LTo(&l)
	if err := inverse.InverseTri(&l); err != nil {
		return w, fmt.Errorf("registration: a covariance is singular: %w", err)
	}
	for i := range n {
		for j := range i + 1 {
			w.lower[i*n+j] = inverse.At(i, j) / scale[j]
		}
	}
	return w, nil
}

// apply whitens r in place.
func (w whitener) apply(r []float64) {
	if w.lower == nil {
		return
	}
	for i := w.n - 1; i >= 0; i-- {
		var sum float64
		for j := range i + 1 {
			sum += w.lower[i*w.n+j] * r[j]
		}
		r[i] = sum
	}
}

// rows whitens the rows of j from the first on.
func (w whitener) rows(j *mat.Dense, first int) {
	if w.lower == nil {
		return
	}
	_, columns := j.Dims()
	var column [6]float64
	for c := range columns {
		for i := range w.n {
			column[i] = j.At(first+i, c)
		}
		w.apply(column[:w.n])
		for i := range w.n {
			j.Set(first+i, c, column[i])
		}
	}
}

// cov3 is n × n of c from row at on, times scale.
func cov3(c mat.Symmetric, at, n int, scale float64) (out Cov3) {
	for i := range n {
		for j := range n {
			out[i][j] = scale * c.At(at+i, at+j)
		}
	}
	return out
}

func cov6(c mat.Symmetric, scale float64) (out Cov6) {
	for i := range out {
		for j := range out {
			out[i][j] = scale * c.At(i, j)
		}
	}
	return out
}

// poseOf reads position and quaternion from seven numbers, numbersOf writes them.
func poseOf(x []float64) (p rigid.Pose) {
	p.Position = r3.Vec{X: x[0], Y: x[1], Z: x[2]}
	p.Rotation.Real, p.Rotation.Imag, p.Rotation.Jmag, p.Rotation.Kmag = x[3], x[4], x[5], x[6]
	return p
}

func numbersOf(p rigid.Pose) []float64 {
	q := p.Rotation
	return []float64{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag}
}

var poseSpace = leastsquares.Product{leastsquares.Euclidean(3), leastsquares.Rotation{}}
