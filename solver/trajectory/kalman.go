package trajectory

import (
	"math"

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
	var w [6]vector // rows: Bᵀ, then Wᵀ
	for j := range 6 {
		for k := j; k < 6; k++ {
			if u := o.root[j][k]; u != 0 {
				addScaled(w[j][:], u, e.cov[k][:])
				if bend != 0 {
					addScaled(w[j][:], u*bend, e.cov[12+k][:])
				}
			}
		}
	}
	var s [6][6]float64 // lower triangle, then L
	for i := range 6 {
		for j := range i + 1 {
			for k := i; k < 6; k++ {
				s[i][j] += o.root[i][k] * (w[j][k] + bend*w[j][12+k])
			}
		}
		s[i][i] += variance
	}
	var d vector
	for i := range 6 {
		v := o.misfit(i, &m)
		for j := range i {
			l := s[i][j]
			for k := range j {
				l -= s[i][k] * s[j][k]
			}
			l /= s[j][j]
			s[i][j] = l
			s[i][i] -= l * l
			addScaled(w[i][:], -l, w[j][:])
			v -= l * m[j]
		}
		s[i][i] = math.Sqrt(s[i][i])
		scale(1/s[i][i], w[i][:])
		m[i] = v / s[i][i] // of the whitened innovation from here on
		addScaled(d[:], m[i], w[i][:])
		chi2 += m[i] * m[i]
		logs += 2 * math.Log(s[i][i])
	}
	for i := range size {
		row := e.cov[i][: i+1 : i+1]
		for j := range w {
			addScaled(row, -w[j][i], w[j][:i+1])
		}
	}
	e.cov.mirror()
	e.x = e.x.plus(&d)
	return chi2, logs
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
	r := gain.rows()
	f.forward(&r)
	if !predicted.cov.solve(&gain, n) {
		return // nothing better is known
	}
	ahead := next.x.minus(&predicted.x)
	var d vector
	var diff, half matrix
	for k := range n {
		for i := range n {
			d[i] += gain[k][i] * ahead[k]
			diff[k][i] = next.cov[k][i] - predicted.cov[k][i]
		}
	}
	for k := range n {
		to := &half[k]
		for l, v := range diff[k][:n] {
			addScaled(to[:n], v, gain[l][:n])
		}
	}
	for k := range n {
		from := &half[k]
		for i, v := range gain[k][:n] {
			addScaled(e.cov[i][:i+1], v, from[:i+1])
		}
	}
	e.cov.mirror()
	e.x = e.x.plus(&d)
}

// solve makes b m⁻¹·b, of the first n rows. The covariance is scaled to a unit
// diagonal first: metres and radians, positions and accelerations differ by many
// orders. False where it is not positive definite.
func (m *matrix) solve(b *matrix, n int) bool {
	var l matrix
	var unit vector
	for i := range n {
		if !(m[i][i] > 0) {
			return false
		}
		unit[i] = 1 / math.Sqrt(m[i][i])
	}
	for i := range n {
		row := &l[i]
		for j := range i + 1 {
			other := &l[j]
			v := m[i][j] * unit[i] * unit[j]
			for k := range j {
				v -= row[k] * other[k]
			}
			if j < i {
				row[j] = v * other[j]
				continue
			}
			if !(v > 0) {
				return false
			}
			row[i] = 1 / math.Sqrt(v)
		}
	}
	for i := range n {
		to := b[i][:n]
		scale(unit[i], to)
		for k, v := range l[i][:i] {
			addScaled(to, -v, b[k][:n])
		}
		scale(l[i][i], to)
	}
	for i := n - 1; i >= 0; i-- {
		to := b[i][:n]
		for k := i + 1; k < n; k++ {
			addScaled(to, -l[k][i], b[k][:n])
		}
		scale(l[i][i], to)
	}
	for i := range n {
		scale(unit[i], b[i][:n])
	}
	return true
}

// addScaled adds a multiple of a row to another. That of gonum's floats would let the
// rows, which live on the stack, escape to the heap.
func addScaled(to []float64, by float64, row []float64) {
	row = row[:len(to)]
	for i, v := range row {
		to[i] += by * v
	}
}

func scale(by float64, row []float64) {
	for i := range row {
		row[i] *= by
	}
}
