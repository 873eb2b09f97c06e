package solver

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// finish turns a descent into a Result: pose of the sensor frame's origin,
// covariance there, counts and flags.
func (s *Solver) finish(r *Result, st *state, d *descent) {
	g := s.rig
	r.Status, r.ChiSquare, r.Iterations = d.status, d.chi2, d.iterations
	r.DOF = s.used - s.Freedom()
	if g.axial {
		s.smallestRotation(st)
	}
	r.Pose = g.poseOf(st)
	r.Outside = !g.inside(r.Pose.Position)
	if d.status == Unobservable || math.IsInf(d.chi2, 0) {
		return
	}
	if d.status == NotConverged {
		if !(s.factor.Decompose(s.sum, 0, s.gauge(st)) > minPivot) {
			return
		}
	}
	s.factor.Inverse(&r.Covariance)
	s.carry(&r.Covariance, st)
	limit := 2 * g.reach
	for i := range 3 {
		if !(r.Covariance[i][i] < limit*limit) || !(r.Covariance[3+i][3+i] < 1) {
			r.Status = Unobservable
		}
		if !(r.Covariance[i][i] >= 0) || !(r.Covariance[3+i][3+i] >= 0) {
			// What little is known is lost in rounding.
			r.Status = Unobservable
			r.Covariance = [6][6]float64{}
			return
		}
	}
}

// carry carries a covariance from the pivot to the origin of the sensor frame.
//
// With the arm a from origin to pivot, the origin moves by δp = δx + a×ω, ω
// the rotation of the sensor frame. For six degrees of freedom ω = δ. For
// five, the convention of the smallest rotation rotates the frame about its axis
// u when the axis tilts: ω = δ + (κ·δ) u, see twist. Only the position feels
// it; the rotation part of Covariance stays zero about u.
func (s *Solver) carry(c *[6][6]float64, st *state) {
	var u r3.Vec
	if s.rig.axial {
		u = st.Out(s.rig.axis)
		project(c, u)
	}
	a := st.Out(s.rig.pivot)
	if a == (r3.Vec{}) {
		return
	}
	t := rigid.Skew(a) // ∂p/∂δ
	if s.rig.axial {
		k, au := array(s.twist(u)), array(r3.Cross(a, u))
		for i := range 3 {
			for j := range 3 {
				t[i][j] += au[i] * k[j]
			}
		}
	}
	// T C Tᵀ with T = [1 t; 0 1]: rows, then columns, in place.
	for i := range 3 {
		row, t0, t1, t2 := &c[i], t[i][0], t[i][1], t[i][2]
		for j := range 6 {
			row[j] += t0*c[3][j] + t1*c[4][j] + t2*c[5][j]
		}
		for j := 3; j < 6; j++ {
			c[j][i] = row[j]
		}
	}
	for i := range 3 {
		for j := range i + 1 {
			c[j][i] += t[i][0]*c[j][3] + t[i][1]*c[j][4] + t[i][2]*c[j][5]
			c[i][j] = c[j][i]
		}
	}
}

// project takes what lies along axis out of the rotation part of c: P·c·Pᵀ with
// P = 1 − u·uᵀ there. What the gauge has added there goes with it.
func project(c *[6][6]float64, axis r3.Vec) {
	for i := range 3 {
		row := &c[i]
		along := row[3]*axis.X + row[4]*axis.Y + row[5]*axis.Z
		x, y, z := row[3]-along*axis.X, row[4]-along*axis.Y, row[5]-along*axis.Z
		row[3], row[4], row[5] = x, y, z
		c[3][i], c[4][i], c[5][i] = x, y, z
	}
	// With w = c·u and v = w − (u·w/2) u, P·c·Pᵀ = c − u·vᵀ − v·uᵀ.
	cx, cy, cz := &c[3], &c[4], &c[5]
	w := r3.Vec{
		X: cx[3]*axis.X + cx[4]*axis.Y + cx[5]*axis.Z,
		Y: cy[3]*axis.X + cy[4]*axis.Y + cy[5]*axis.Z,
		Z: cz[3]*axis.X + cz[4]*axis.Y + cz[5]*axis.Z,
	}
	v := r3.Sub(w, r3.Scale(r3.Dot(axis, w)/2, axis))
	cx[3] -= 2 * axis.X * v.X
	cy[4] -= 2 * axis.Y * v.Y
	cz[5] -= 2 * axis.Z * v.Z
	xy, xz, yz := axis.X*v.Y+axis.Y*v.X, axis.X*v.Z+axis.Z*v.X, axis.Y*v.Z+axis.Z*v.Y
	cx[4], cx[5], cy[5] = cx[4]-xy, cx[5]-xz, cy[5]-yz
	cy[3], cz[3], cz[4] = cx[4], cx[5], cy[5]
}

// smallestRotation gives st the smallest rotation that carries the coils' axis to where
// it is.
func (s *Solver) smallestRotation(st *state) { st.setRotation(between(s.rig.axis, st.Out(s.rig.axis))) }

// between returns the smallest rotation that carries unit vector a to unit
// vector b; for opposite vectors, a half turn about one of the axes normal to a.
func between(a, b r3.Vec) quat.Number {
	w, c := 1+r3.Dot(a, b), r3.Cross(a, b)
	if w < 1e-14 {
		w = 0
		_, c = rigid.Across(a)
	}
	return rigid.Normalize(quat.Number{Real: w, Imag: c.X, Jmag: c.Y, Kmag: c.Z})
}

// twist returns κ with ω = δ + (κ·δ) u: how the smallest rotation from the
// axis a in the sensor frame to u in the rig frame rotates about u when u tilts by
// δ. It is parallel transport over the sphere: tan(θ/2) of the tilt across the
// great circle from a to u. It grows without bound towards u = −a, where the
// smallest rotation is not defined, and is held at 1e-9 from there.
func (s *Solver) twist(u r3.Vec) r3.Vec {
	a := s.rig.axis
	// The tilt δ moves u by δ×u; (u×a)·(δ×u) = −δ·(a − (a·u)u).
	c := r3.Dot(a, u)
	return r3.Scale(-1/max(1+c, 1e-9), r3.Sub(a, r3.Scale(c, u)))
}

// inside reports whether p lies in the working volume.
func (g *rig) inside(p r3.Vec) bool { return r3.Box(g.problem.Volume).Contains(p) }
