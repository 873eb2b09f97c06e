package solver

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// plan takes the variances over the coils' areas and sees which emitters are
// seen by all coils.
func (s *Solver) plan() {
	c, coils := &s.search, len(s.rig.pickups)
	c.stale = false
	c.whole = true
	clear(c.seen)
	for e := range s.rig.sources {
		missing := 0
		for k := range coils {
			a := s.rig.pickups[k].inverse
			v := s.variances[e*coils+k] * a * a
			c.noise[e*coils+k] = v
			if math.IsInf(v, 1) {
				missing++
			} else {
				c.seen[k]++
			}
		}
		if missing != 0 && missing != coils {
			c.whole = false
		}
	}
}

// judge fills the scores of all cells for couplings y.
func (s *Solver) judge(y []float64) {
	c, coils := &s.search, len(s.rig.pickups)
	if c.stale {
		s.plan()
	}
	field := s.rig.grid.field
	group := 3
	if coils == 1 || !c.whole {
		group = 1
	}
	scores := c.scores
	for from := 0; from < coils; from += group {
		if !c.whole && c.seen[from] < 3 {
			continue // no axis follows from fewer
		}
		power := s.weights(y, from, min(from+group, coils), group)
		kernel.Score(scores, field, c.w, c.wy, group, power)
		if from > 0 {
			for i := range scores {
				for l := range kernel.Lanes {
					c.scores[i][l] += scores[i][l]
				}
			}
		}
		scores = c.part
	}
}

// weights fills c.w and c.wy, padded to group columns with zeros, from the
// couplings of coils from up to (not including) to, and returns the sum of
// their weighted squares. An emitter's weight is one over the mean variance plus
// the error that the grid's spacing makes at such couplings.
func (s *Solver) weights(y []float64, from, to, group int) float64 {
	c, coils := &s.search, len(s.rig.pickups)
	n := float64(to - from)
	power := 0.0
	for e := range s.rig.sources {
		wy := c.wy[e*group : (e+1)*group]
		clear(wy[to-from:])
		square := 0.0
		noise := c.noise[e*coils+from : e*coils+to]
		sum := 0.0
		for k := from; k < to; k++ {
			v := y[e*coils+k] * s.rig.pickups[k].inverse
			sum += noise[k-from]
			square += v * v
			wy[k-from] = v
		}
		if math.IsInf(sum, 1) {
			c.w[e] = 0
			clear(wy)
			continue
		}
		w := n / (sum + gridError*gridError*square)
		c.w[e] = w
		for k := range wy {
			wy[k] *= w
		}
		power += w * square
	}
	return power
}

// orient gives st the centre of cell i and the orientation that suits the
// couplings best there; false when they fix none.
func (s *Solver) orient(st *state, i int) bool {
	coils, g := len(s.rig.pickups), s.rig.grid
	emitters := len(s.rig.sources)
	st.Origin = g.centers[i]
	field := g.field[i/kernel.Lanes*emitters*3:]
	l := i % kernel.Lanes
	var k [9]float64 // Σ n_c a_cᵀ
	var axial r3.Vec
	for co := range coils {
		var xx, xy, xz, yy, yz, zz, bx, by, bz float64
		for e := range emitters {
			v := s.data[e/kernel.Lanes*coils+co][0][e%kernel.Lanes] * s.rig.pickups[co].inverse
			w := 1 / (s.search.noise[e*coils+co] + gridError*gridError*v*v) // 0: missing
			x, y, z := field[3*e][l], field[3*e+1][l], field[3*e+2][l]
			wx, wy, wz := w*x, w*y, w*z
			xx += wx * x
			xy += wx * y
			xz += wx * z
			yy += wy * y
			yz += wy * z
			zz += wz * z
			bx += wx * v
			by += wy * v
			bz += wz * v
		}
		axis, ok := solve3(xx, xy, xz, yy, yz, zz, r3.Vec{X: bx, Y: by, Z: bz})
		if !ok {
			continue
		}
		unit := s.rig.pickups[co].unit
		sign := math.Copysign(1, r3.Dot(unit, s.rig.axis))
		axial = r3.Add(axial, r3.Scale(sign, axis))
		if s.rig.axial {
			continue
		}
		f := 1.0
		if m2 := r3.Norm2(axis); m2 > 4 { // a runaway of a poor fit must not rule
			f = 2 / math.Sqrt(m2)
		}
		for q, a := range array(unit) {
			for r, n := range array(axis) {
				k[3*r+q] += f * n * a
			}
		}
	}
	if !s.rig.axial {
		st.setRotation(attitude(&k))
		return true
	}
	m := math.Sqrt(r3.Norm2(axial))
	if !(m > 0) {
		return false
	}
	st.setRotation(between(s.rig.axis, r3.Scale(1/m, axial)))
	return true
}

// solve3 solves the symmetric 3×3 system with that upper triangle.
func solve3(xx, xy, xz, yy, yz, zz float64, b r3.Vec) (r3.Vec, bool) {
	cxx, cxy, cxz := yy*zz-yz*yz, xz*yz-xy*zz, xy*yz-xz*yy
	cyy, cyz, czz := xx*zz-xz*xz, xy*xz-xx*yz, xx*yy-xy*xy
	d := xx*cxx + xy*cxy + xz*cxz
	if !(d > 0) {
		return r3.Vec{}, false
	}
	return r3.Scale(1/d, r3.Vec{
		X: cxx*b.X + cxy*b.Y + cxz*b.Z,
		Y: cxy*b.X + cyy*b.Y + cyz*b.Z,
		Z: cxz*b.X + cyz*b.Y + czz*b.Z,
	}), true
}

// attitude returns the rotation R that makes Σ n_c·R a_c largest, k = Σ n_c a_cᵀ:
// the eigenvector of Davenport's matrix with the largest eigenvalue, by Jacobi
// rotations (Wahba's problem; Markley and Crassidis, Fundamentals of Spacecraft
// Attitude Determination and Control, 2014, section 5.3; not checked against the original).
func attitude(k *[9]float64) quat.Number {
	a := eigen{
		{k[0] + k[4] + k[8], k[7] - k[5], k[2] - k[6], k[3] - k[1]},
		{0, k[0] - k[4] - k[8], k[1] + k[3], k[2] + k[6]},
		{0, 0, k[4] - k[0] - k[8], k[5] + k[7]},
		{0, 0, 0, k[8] - k[0] - k[4]},
	}
	for i := range 4 {
		for j := range i {
			a[i][j] = a[j][i]
		}
	}
	var v eigen
	v.diagonalise(&a, 4, 1e-8) // a start for a descent, not a result
	best := 0
	for i := 1; i < 4; i++ {
		if a[i][i] > a[best][best] {
			best = i
		}
	}
	return rigid.Normalize(quat.Number{Real: v[0][best], Imag: v[1][best], Jmag: v[2][best], Kmag: v[3][best]})
}
