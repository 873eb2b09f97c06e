package trajectory

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// motion is the state: pose, velocity, turn rate and, for constant
// acceleration, their derivatives. Vectors are in the rig frame.
//
// Its error is δ = (position, rotation, velocity, turn rate, acceleration, turn
// acceleration), three components each; the rotation's from the left.
type motion struct {
	pose rigid.Pose
	v, w r3.Vec // [m/s], [rad/s]
	a, b r3.Vec // [m/s²], [rad/s²]
}

// size is the length of the error state.
func (m Motion) size() int {
	if m == ConstantVelocity {
		return 12
	}
	return 18
}

// after is the state dt [s] later.
func (x motion) after(dt float64) motion {
	turn := r3.Add(r3.Scale(dt, x.w), r3.Scale(dt*dt/2, x.b))
	x.pose = x.pose.Plus(r3.Add(r3.Scale(dt, x.v), r3.Scale(dt*dt/2, x.a)), turn)
	x.v = r3.Add(x.v, r3.Scale(dt, x.a))
	x.w = r3.Add(x.w, r3.Scale(dt, x.b))
	return x
}

// transition is the derivative of the error after dt by the error before:
// exp(φ+δφ)·exp(δ) = exp(J_l(φ)δφ + R(φ)δ)·exp(φ), J_l the left Jacobian.
func (x motion) transition(dt float64, n int) *mat.Dense {
	f := mat.NewDense(n, n, nil)
	for i := range n {
		f.Set(i, i, 1)
	}
	turn := r3.Add(r3.Scale(dt, x.w), r3.Scale(dt*dt/2, x.b))
	rot := rigid.Matrix(rigid.Exp(turn))
	left := rigid.LeftJacobian(turn)
	for i := range 3 {
		f.Set(i, 6+i, dt)
		for j := range 3 {
			f.Set(3+i, 3+j, rot[i][j])
			f.Set(3+i, 9+j, dt*left[i][j])
			if n > 12 {
				f.Set(3+i, 15+j, dt*dt/2*left[i][j])
			}
		}
		if n > 12 {
			f.Set(i, 12+i, dt*dt/2)
			f.Set(6+i, 12+i, dt)
			f.Set(9+i, 15+i, dt)
		}
	}
	return f
}

// plus applies an error.
func (x motion) plus(d []float64) motion {
	x.pose = x.pose.Plus(vec(d[0:]), vec(d[3:]))
	x.v = r3.Add(x.v, vec(d[6:]))
	x.w = r3.Add(x.w, vec(d[9:]))
	if len(d) > 12 {
		x.a = r3.Add(x.a, vec(d[12:]))
		x.b = r3.Add(x.b, vec(d[15:]))
	}
	return x
}

// minus is the error that carries o to x.
func (x motion) minus(o motion, n int) []float64 {
	dp, dr := x.pose.Minus(o.pose)
	return flat(dp, dr, r3.Sub(x.v, o.v), r3.Sub(x.w, o.w), r3.Sub(x.a, o.a), r3.Sub(x.b, o.b))[:n]
}

func vec(d []float64) r3.Vec { return r3.Vec{X: d[0], Y: d[1], Z: d[2]} }

// flat is the components of vectors, one vector after the other.
func flat(vectors ...r3.Vec) []float64 {
	d := make([]float64, 0, 18)
	for _, v := range vectors {
		d = append(d, v.X, v.Y, v.Z)
	}
	return d
}

// noise is the covariance that white jerk or acceleration of strengths q and r
// adds over dt (Bar-Shalom et al., eqs. 6.2.2-4 and 6.2.3-4), that of the rotation
// within what the coils see: nothing would ever correct the rest.
func (m Motion) noise(dt, q, r float64, across [3][3]float64) *mat.SymDense {
	n := m.size()
	orders := n / 6 // position, velocity[, acceleration]
	c := mat.NewSymDense(n, nil)
	for i := range orders {
		for j := i; j < orders; j++ {
			// integrals of t^(o−1−i)/(o−1−i)! · t^(o−1−j)/(o−1−j)!
			p, s := orders-1-i, orders-1-j
			v := math.Pow(dt, float64(p+s+1)) / (float64(p+s+1) * factorial(p) * factorial(s))
			for k := range 3 {
				c.SetSym(6*i+k, 6*j+k, q*v)
				for l := range 3 {
					if i != j || l >= k {
						c.SetSym(6*i+3+k, 6*j+3+l, r*v*across[k][l])
					}
				}
			}
		}
	}
	return c
}

func factorial(n int) float64 {
	f := 1.0
	for i := 2; i <= n; i++ {
		f *= float64(i)
	}
	return f
}
