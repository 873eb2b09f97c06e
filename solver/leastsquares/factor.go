package leastsquares

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// factor holds the scaled Jacobian J·D⁻¹ = Q·R, R = U·S·Vᵀ, of one point. Once
// it stands, a step costs n² for any damping.
type factor struct {
	m, n, k int // residuals, parameters, the smaller of both
	a       blas64.General
	qtr     blas64.General // residuals, then Qᵀ·r
	r, u    blas64.General
	vt      blas64.General
	s       []float64 // singular values, falling
	c       []float64 // Uᵀ·Qᵀ·r
	q       []float64 // −Vᵀ·D·δ of the last step
	other   []float64 // Uᵀ·Qᵀ of other residuals
	tau     []float64
	work    []float64
	rank    int
}

func newFactor(m, n int) *factor {
	k := min(m, n)
	f := &factor{
		m: m, n: n, k: k,
		a: general(m, n), qtr: general(m, 1), r: general(k, n), u: general(k, k), vt: general(k, n),
		s: make([]float64, k), c: make([]float64, k), q: make([]float64, k), other: make([]float64, k), tau: make([]float64, k),
	}
	size := 1
	for _, query := range []func(work []float64){
		func(w []float64) { lapack64.Geqrf(f.a, f.tau, w, -1) },
		func(w []float64) { lapack64.Ormqr(blas.Left, blas.Trans, f.thin(), f.tau, f.qtr, w, -1) },
		func(w []float64) { lapack64.Gesvd(lapack.SVDStore, lapack.SVDStore, f.r, f.u, f.vt, f.s, w, -1) },
	} {
		w := make([]float64, 1)
		query(w)
		size = max(size, int(w[0]))
	}
	f.work = make([]float64, size)
	return f
}

func general(r, c int) blas64.General {
	return blas64.General{Rows: r, Cols: c, Stride: c, Data: make([]float64, r*c)}
}

// thin is the part of a that holds the k reflectors of Q.
func (f *factor) thin() blas64.General {
	return blas64.General{Rows: f.m, Cols: f.k, Stride: f.a.Stride, Data: f.a.Data}
}

// factorise takes the weighted Jacobian and residuals of a point, and the
// scale of its columns.
func (f *factor) factorise(j *mat.Dense, r, scale []float64, rankTol float64) error {
	for i := range f.m {
		row := j.RawRowView(i)
		dst := f.a.Data[i*f.n : (i+1)*f.n]
		for k, v := range row {
			dst[k] = v / scale[k]
		}
	}
	copy(f.qtr.Data, r)
	lapack64.Geqrf(f.a, f.tau, f.work, len(f.work))
	lapack64.Ormqr(blas.Left, blas.Trans, f.thin(), f.tau, f.qtr, f.work, len(f.work))
	for i := range f.k {
		row := f.r.Data[i*f.n : (i+1)*f.n]
		clear(row[:i])
		copy(row[i:], f.a.Data[i*f.n+i:(i+1)*f.n])
	}
	if !lapack64.Gesvd(lapack.SVDStore, lapack.SVDStore, f.r, f.u, f.vt, f.s, f.work, len(f.work)) {
		return fmt.Errorf("leastsquares: the singular values of the %d × %d Jacobian did not converge", f.m, f.n)
	}
	f.rank = 0
	for i, s := range f.s {
		if s > rankTol*f.s[0] {
			f.rank++
		}
		f.c[i] = f.projection(i)
	}
	return nil
}

// gradient is the largest component of the scaled gradient D⁻¹·Jᵀ·r.
func (f *factor) gradient() float64 {
	worst := 0.0
	for k := range f.n {
		sum := 0.0
		for i := range f.k {
			sum += f.vt.Data[i*f.n+k] * f.s[i] * f.c[i]
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
	copy(f.qtr.Data, r)
	lapack64.Ormqr(blas.Left, blas.Trans, f.thin(), f.tau, f.qtr, f.work, len(f.work))
	for i := range f.k {
		f.other[i] = f.projection(i)
	}
	return f.solve(delta, f.other, scale, lambda)
}

// projection is row i of Uᵀ·Qᵀ·r.
func (f *factor) projection(i int) float64 {
	sum := 0.0
	for row := range f.k {
		sum += f.u.Data[row*f.k+i] * f.qtr.Data[row]
	}
	return sum
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
			delta[k] -= f.vt.Data[i*f.n+k] * q / scale[k]
		}
	}
	return math.Sqrt(sum)
}

// covariance is D⁻¹·V·S⁻²·Vᵀ·D⁻¹ over the directions within the rank.
func (f *factor) covariance(scale []float64) *mat.SymDense {
	c := mat.NewSymDense(f.n, nil)
	for j := range f.n {
		for k := j; k < f.n; k++ {
			sum := 0.0
			for i := range f.rank {
				sum += f.vt.Data[i*f.n+j] / f.s[i] * f.vt.Data[i*f.n+k] / f.s[i]
			}
			c.SetSym(j, k, sum/scale[j]/scale[k])
		}
	}
	return c
}

func ones(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = 1
	}
	return v
}
