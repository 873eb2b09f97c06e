package trajectory

import (
	"math"

	"tonepose/fieldmodels/lines"
	"tonepose/fieldmodels/rigid"
)

// estimate is a state with the covariance of its error.
type estimate struct {
	x   motion
	cov matrix
}

// absorb corrects an estimate by a reading whose errors have a variance. The mean of
// the way over the window is the pose and bend times the acceleration. It returns the
// chi-square of the innovation and the logarithm of its covariance's determinant.
//
// With B = P·Hᵀ and L·Lᵀ = H·B + R, W = B·L⁻ᵀ takes W·Wᵀ off the covariance: no
// matrix is inverted.
func (e *estimate) absorb(o *reading, bend, variance float64) (chi2, logs float64) {
	dp, dr := e.x.pose.Minus(o.pose)
	m := six(dp, dr)
	for k, v := range six(e.x.a, e.x.b) {
		m[k] += bend * v
	}
	seen := e.cov[:6] // of the mean of the way
	var bent, root, w, less [6]lines.Line
	if bend != 0 {
		for k := range bent {
			from := e.cov[12+k][:size]
			bent[k] = e.cov[k]
			for i, v := range from {
				bent[k][i] += bend * v
			}
		}
		seen = bent[:]
	}
	for j := range root {
		copy(root[j][j:], o.root[j][j:])
	}
	lines.AddProduct(w[:], root[:], seen) // Bᵀ, then Wᵀ
	var s [6][6]float64                   // lower triangle, then L
	for i := range 6 {
		for j := range i + 1 {
			for k := i; k < 6; k++ {
				s[i][j] += o.root[i][k] * (w[j][k] + bend*w[j][12+k])
			}
		}
		s[i][i] += variance
	}
	var d, whitened [1]lines.Line
	var inverse [6]float64
	determinant := 1.0
	for i := range 6 {
		v := o.misfit(i, &m)
		var row [1]lines.Line // −L
		for j := range i {
			l := s[i][j]
			for k := range j {
				l -= s[i][k] * s[j][k]
			}
			l *= inverse[j]
			s[i][j] = l
			s[i][i] -= l * l
			row[0][j] = -l
			v -= l * whitened[0][j]
		}
		determinant *= s[i][i]
		inverse[i] = 1 / math.Sqrt(s[i][i])
		lines.AddProduct(w[i:i+1], row[:], w[:i])
		for k, v := range w[i][:size] {
			v *= inverse[i]
			w[i][k], less[i][k] = v, -v
		}
		v *= inverse[i]
		whitened[0][i] = v // of the innovation
		chi2 += v * v
	}
	lines.AddProduct(d[:], whitened[:], w[:])
	lines.AddTransposed(e.cov[:], less[:], w[:]) // symmetric to the last bit: so are its terms
	e.x = e.x.plus((*vector)(d[0][:size]))
	return chi2, math.Log(determinant)
}

// predict carries an estimate on by a time [s].
func (e *estimate) predict(dt float64, noise func(c *matrix, dt float64, p rigid.Pose)) flow {
	f := e.x.flow(dt)
	e.x = e.x.after(dt)
	f.carry(&e.cov)
	noise(&e.cov, dt, e.x.pose)
	return f
}

// back makes an estimate e, which flow carried to predicted, what is known with all
// that the frames after it say too: next is the one so known (Rauch, Tung and
// Striebel 1965), on the manifold: errors are taken at each state's own estimate. Of
// the state's errors the first n count.
func (e *estimate) back(f *flow, predicted, next *estimate, n int) {
	gain := e.cov // its transpose: P_p⁻¹·F·P
	f.apply(&gain)
	if !predicted.cov.solve(&gain, n) {
		return // nothing better is known
	}
	var d, ahead [1]lines.Line
	off := next.x.minus(&predicted.x)
	copy(ahead[0][:], off[:n])
	lines.AddProduct(d[:], ahead[:], gain[:n])
	var diff, half matrix
	for k := range n {
		to, a, b := diff[k][:n], next.cov[k][:n], predicted.cov[k][:n]
		for i := range to {
			to[i] = a[i] - b[i]
		}
	}
	lines.AddProduct(half[:n], diff[:n], gain[:n])
	lines.AddTransposed(e.cov[:n], gain[:n], half[:n])
	e.cov.mirror()
	e.x = e.x.plus((*vector)(d[0][:size]))
}

// solve makes b m⁻¹·b, of the first n rows, by m = Uᵀ·U. False where m is not positive
// definite. That metres and radians, positions and accelerations differ by many orders
// does no harm: rounding errors of U scale with its rows.
//
// Source: Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., theorem 10.5.
func (m *matrix) solve(b *matrix, n int) bool {
	u := *m
	var less matrix // −Uᵀ, below its diagonal
	var inverse vector
	for i := range n {
		lines.AddProduct(u[i:i+1], less[i:i+1], u[:i])
		lines.AddProduct(b[i:i+1], less[i:i+1], b[:i])
		if !(u[i][i] > 0) {
			return false
		}
		inverse[i] = 1 / math.Sqrt(u[i][i])
		scale(inverse[i], u[i][i:n])
		scale(inverse[i], b[i][:n])
		for j, v := range u[i][i+1 : n] {
			less[i+1+j][i] = -v
		}
	}
	for i := n - 1; i >= 0; i-- {
		var row [1]lines.Line
		for k := i + 1; k < n; k++ {
			row[0][k-i-1] = less[k][i]
		}
		lines.AddProduct(b[i:i+1], row[:], b[i+1:n])
		scale(inverse[i], b[i][:n])
	}
	return true
}

func scale(by float64, row []float64) {
	for i := range row {
		row[i] *= by
	}
}
