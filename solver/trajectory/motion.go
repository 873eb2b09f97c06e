package trajectory

import (
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/lines"
	"tonepose/fieldmodels/rigid"
)

// motion is the state: pose, velocity, turn rate and, for constant
// acceleration, their derivatives. Vectors are in the rig frame.
//
// Its error is δ = (position, rotation, velocity, turn rate, acceleration, turn
// acceleration), three components each; the rotation's from the left. Under constant
// velocity the last six are zero and stay so.
type motion struct {
	pose rigid.Pose
	v, w r3.Vec // [m/s], [rad/s]
	a, b r3.Vec // [m/s²], [rad/s²]
}

// size is the length of the error state.
const size = 18

// vector is an error of the state, matrix its covariance, with zeros beside it.
type (
	vector [size]float64
	matrix [size]lines.Line
)

// after is the state dt [s] later.
func (x *motion) after(dt float64) motion {
	y := *x
	turn := r3.Add(r3.Scale(dt, x.w), r3.Scale(dt*dt/2, x.b))
	y.pose = x.pose.Plus(r3.Add(r3.Scale(dt, x.v), r3.Scale(dt*dt/2, x.a)), turn)
	y.v = r3.Add(x.v, r3.Scale(dt, x.a))
	y.w = r3.Add(x.w, r3.Scale(dt, x.b))
	return y
}

// plus applies an error.
func (x *motion) plus(d *vector) motion {
	return motion{
		pose: x.pose.Plus(vec(d[0:]), vec(d[3:])),
		v:    r3.Add(x.v, vec(d[6:])), w: r3.Add(x.w, vec(d[9:])),
		a: r3.Add(x.a, vec(d[12:])), b: r3.Add(x.b, vec(d[15:])),
	}
}

func vec(d []float64) r3.Vec { return r3.Vec{X: d[0], Y: d[1], Z: d[2]} }

// six is a position and a rotation vector as one.
func six(p, r r3.Vec) [6]float64 { return [6]float64{p.X, p.Y, p.Z, r.X, r.Y, r.Z} }

// minus is the error that carries o to x.
func (x *motion) minus(o *motion) (d vector) {
	dp, dr := x.pose.Minus(o.pose)
	for k, v := range [6]r3.Vec{dp, dr, r3.Sub(x.v, o.v), r3.Sub(x.w, o.w), r3.Sub(x.a, o.a), r3.Sub(x.b, o.b)} {
		d[3*k], d[3*k+1], d[3*k+2] = v.X, v.Y, v.Z
	}
	return d
}

// free is how many errors of the state there are.
func (m Motion) free() int {
	if m == ConstantVelocity {
		return 12
	}
	return size
}

// flow is the derivative of the error after a time by the error before:
// exp(φ+δφ)·exp(δ) = exp(J_l(φ)δφ + R(φ)δ)·exp(φ), J_l the left Jacobian.
type flow struct {
	dt        float64
	rot, left [3][3]float64
}

func (x *motion) flow(dt float64) flow {
	turn := r3.Add(r3.Scale(dt, x.w), r3.Scale(dt*dt/2, x.b))
	return flow{dt, rigid.Matrix(rigid.Exp(turn)), rigid.LeftJacobian(turn)}
}

// apply makes a matrix F·m.
func (f *flow) apply(m *matrix) {
	dt, half := f.dt, f.dt*f.dt/2
	var by [3]lines.Line
	var from [6]lines.Line
	for i := range 3 {
		copy(by[i][:], f.rot[i][:])
		copy(by[i][3:], f.left[i][:])
		from[i] = m[3+i]
		m[3+i] = lines.Line{}
		p, v, a := m[i][:size], m[6+i][:size], m[12+i][:size]
		for j, y := range a {
			p[j] += dt*v[j] + half*y
			v[j] += dt * y
		}
		r, w, b := from[3+i][:size], m[9+i][:size], m[15+i][:size]
		for j, y := range b {
			r[j] = dt*w[j] + half*y
			w[j] += dt * y
		}
	}
	lines.AddProduct(m[3:6], by[:], from[:])
}

func (m *matrix) transposed() (t matrix) {
	for i := range size {
		for j, v := range m[i][:size] {
			t[j][i] = v
		}
	}
	return t
}

// mirror makes a matrix symmetric by its lower triangle. What rounding leaves of the
// difference would grow with every flow.
func (m *matrix) mirror() {
	for i := range m {
		for j, v := range m[i][:i] {
			m[j][i] = v
		}
	}
}

// carry makes a covariance that after the flow: F·m·Fᵀ, of which the lower triangle is
// enough.
func (f *flow) carry(m *matrix) {
	f.apply(m)
	dt, half := f.dt, f.dt*f.dt/2
	for i := range m {
		row := (*[size]float64)(m[i][:])
		for k := range 3 {
			row[k] += dt*row[6+k] + half*row[12+k]
		}
		if i < 3 {
			continue
		}
		r0, r1, r2 := row[3], row[4], row[5]
		w0, w1, w2 := dt*row[9]+half*row[15], dt*row[10]+half*row[16], dt*row[11]+half*row[17]
		for k := range 3 {
			a, b := &f.rot[k], &f.left[k]
			row[3+k] = a[0]*r0 + a[1]*r1 + a[2]*r2 + b[0]*w0 + b[1]*w1 + b[2]*w2
		}
		for k := 6; k < 12; k++ {
			row[k] += dt * row[6+k]
		}
	}
	m.mirror()
}

// addNoise adds the covariance that white jerk or acceleration of strengths q and r
// makes over dt (Bar-Shalom et al., eqs. 6.2.2-4 and 6.2.3-4), that of the rotation
// within what the coils see: nothing would ever correct the rest.
func (m Motion) addNoise(c *matrix, dt, q, r float64, across *[3][3]float64) {
	orders := 3 // position, velocity, acceleration
	if m == ConstantVelocity {
		orders = 2
	}
	var power [6]float64 // of dt
	power[0] = 1
	for i := range power[1:] {
		power[i+1] = dt * power[i]
	}
	for i := range orders {
		for j := range orders {
			// integrals of t^(o−1−i)/(o−1−i)! · t^(o−1−j)/(o−1−j)!
			p, s := orders-1-i, orders-1-j
			v := power[p+s+1] / (float64(p+s+1) * factorial(p) * factorial(s))
			for k := range 3 {
				c[6*i+k][6*j+k] += q * v
				for l := range 3 {
					c[6*i+3+k][6*j+3+l] += r * v * across[k][l]
				}
			}
		}
	}
}

func factorial(n int) float64 { return [3]float64{1, 1, 2}[n] }
