package leastsquares

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// factor holds the scaled Jacobian J·D⁻¹ = Q·R, R = U·S·Vᵀ, of one point. Once
// it stands, a step costs n² for any damping.
type factor struct {
	m, n  int            // residuals, parameters
	a     blas64.General // Q's reflectors and R; rows of zeros make it n high at least
	qtr   blas64.General // residuals, then Qᵀ·r
	r     *mat.Dense
	svd   mat.SVD
	u, v  mat.Dense
	s     []float64 // singular values, falling
	c     []float64 // Uᵀ·Qᵀ·r
	q     []float64 // −Vᵀ·D·δ of the last step
	other []float64 // Uᵀ·Qᵀ of other residuals
	tau   []float64
	work  []float64
	rank  int
}

func newFactor(m, n int) *factor {
	rows := max(m, n)
	f := &factor{
		m: m, n: n, a: general(rows, n), qtr: general(rows, 1), r: mat.NewDense(n, n, nil),
		s: make([]float64, n), c: make([]float64, n), q: make([]float64, n), other: make([]float64, n), tau: make([]float64, n),
	}
	size := make([]float64, 2)
	lapack64.Geqrf(f.a, f.tau, size[:1], -1)
	lapack64.Ormqr(blas.Left, blas.Trans, f.a, f.tau, f.qtr, size[1:], -1)
	f.work = make([]float64, int(max(size[0], size[1])))
	return f
}

func general(r, c int) blas64.General {
	return blas64.General{Rows: r, Cols: c, Stride: c, Data: make([]float64, r*c)}
}

// factorise takes the Jacobian and residuals of a point, and the scale of the
// Jacobian's columns.
func (f *factor) factorise(j *mat.Dense, r, scale []float64, rankTol float64) error {
	clear(f.a.Data)
	for i := range f.m {
		floats.DivTo(f.a.Data[i*f.n:(i+1)*f.n], j.RawRowView(i), scale)
	}
	lapack64.Geqrf(f.a, f.tau, f.work, len(f.work))
	for i := range f.n {
		copy(f.r.RawRowView(i)[i:], f.a.Data[i*f.n+i:(i+1)*f.n])
	}
	if !f.svd.Factorize(f.r, mat.SVDThin) {
		return fmt.Errorf("leastsquares: the singular values of the %d × %d Jacobian did not converge", f.m, f.n)
	}
	f.svd.Values(f.s)
	f.svd.UTo(&f.u)
	f.svd.VTo(&f.v)
	f.rank = 0
	for _, s := range f.s {
		if s > rankTol*f.s[0] {
			f.rank++
		}
	}
	f.project(f.c, r)
	return nil
}

// project writes Uᵀ·Qᵀ·r into c.
func (f *factor) project(c, r []float64) {
	clear(f.qtr.Data)
	copy(f.qtr.Data, r)
	lapack64.Ormqr(blas.Left, blas.Trans, f.a, f.tau, f.qtr, f.work, len(f.work))
	mat.NewVecDense(f.n, c).MulVec(f.u.T(), mat.NewVecDense(f.n, f.qtr.Data[:f.n]))
}

// gradient is the largest component of the scaled gradient D⁻¹·Jᵀ·r.
func (f *factor) gradient() float64 {
	worst := 0.0
	for k := range f.n {
		sum := 0.0
		for i, s := range f.s {
			sum += f.v.At(k, i) * s * f.c[i]
		}
		worst = max(worst, math.Abs(sum))
	}
	return worst
}

// step writes the δ that minimises the linear model within |D·δ| ≤ radius into
// delta. It returns |D·δ|, the fall of the cost that the model predicts, and
// the damping λ, 0 where the radius does not bind. Directions beyond the rank
// stay untouched.
//
// λ solves |D·δ(λ)| = radius to 10 % by Hebden's iteration on 1/|D·δ|: Moré,
// The Levenberg–Marquardt algorithm: implementation and theory, in Watson
// (ed.), Numerical Analysis, LNM 630, 1978.
func (f *factor) step(delta, scale []float64, radius float64) (length, fall, lambda float64) {
	for range 100 {
		sum, slope := 0.0, 0.0
		for i := range f.rank {
			d := f.s[i]*f.s[i] + lambda
			q := f.s[i] * f.c[i] / d
			sum += q * q
			slope += q * q / d
		}
		length = math.Sqrt(sum)
		if length <= 1.1*radius {
			break
		}
		lambda += (length/radius - 1) * sum / slope
	}
	f.solve(delta, f.c, scale, lambda)
	for i := range f.rank { // ½|r|² − ½|r + J·δ|²
		fall += f.s[i] * f.q[i] * (f.c[i] - f.s[i]*f.q[i]/2)
	}
	return length, fall, lambda
}

// correction writes −(JᵀJ + λD²)⁻¹·Jᵀ·r of other residuals r into delta and
// returns |D·δ|.
func (f *factor) correction(delta, r, scale []float64, lambda float64) float64 {
	f.project(f.other, r)
	return f.solve(delta, f.other, scale, lambda)
}

// solve writes δ = −D⁻¹·V·S/(S² + λ)·c into delta and returns |D·δ|.
func (f *factor) solve(delta, c, scale []float64, lambda float64) float64 {
	clear(delta)
	sum := 0.0
	for i := range f.rank {
		q := f.s[i] * c[i] / (f.s[i]*f.s[i] + lambda)
		f.q[i] = q
		sum += q * q
		for k := range delta {
			delta[k] -= f.v.At(k, i) * q / scale[k]
		}
	}
	return math.Sqrt(sum)
}

// covariance is D⁻¹·V·S⁻²·Vᵀ·D⁻¹ over the directions within the rank.
func (f *factor) covariance(scale []float64) *mat.SymDense {
	root := mat.NewDense(f.n, f.n, nil)
	for i := range f.rank {
		for k := range f.n {
			root.Set(k, i, f.v.At(k, i)/f.s[i]/scale[k])
		}
	}
	c := mat.NewSymDense(f.n, nil)
	c.SymOuterK(1, root)
	return c
}
