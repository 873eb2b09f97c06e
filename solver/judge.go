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
		var n [6]float64
		var b [3]float64
		for e := range emitters {
			v := s.data[e/kernel.Lanes*coils+co][0][e%kernel.Lanes] * s.rig.pickups[co].inverse
			w := 1 / (s.search.noise[e*coils+co] + gridError*gridError*v*v) // 0: missing
			x, y, z := field[3*e][l], field[3*e+1][l], field[3*e+2][l]
			n[0] += w * x * x
			n[1] += w * x * y
			n[2] += w * x * z
			n[3] += w * y * y
			n[4] += w * y * z
			n[5] += w * z * z
			b[0] += w * v * x
			b[1] += w * v * y
			b[2] += w * v * z
		}
		axis, ok := solve3(&n, &b)
		if !ok {
			continue
		}
		unit := s.rig.pickups[co].unit
		sign := math.Copysign(1, r3.Dot(unit, s.rig.axis))
		axial = r3.Add(axial, r3.Scale(sign, vector(axis)))
		f := 1.0
		if m := r3.Norm(vector(axis)); m > 2 { // a runaway of a poor fit must not rule
			f = 2 / m
		}
		for q, a := range array(unit) {
			for r, n := range axis {
				k[3*r+q] += f * n * a
			}
		}
	}
	if !s.rig.axial {
		st.setRotation(attitude(&k))
		return true
	}
	m := r3.Norm(axial)
	if !(m > 0) {
		return false
	}
	st.setRotation(between(s.rig.axis, r3.Scale(1/m, axial)))
	return true
}

// solve3 solves the symmetric 3×3 system with upper triangle n.
func solve3(n *[6]float64, b *[3]float64) ([3]float64, bool) {
	c00, c01, c02 := n[3]*n[5]-n[4]*n[4], n[2]*n[4]-n[1]*n[5], n[1]*n[4]-n[2]*n[3]
	c11, c12, c22 := n[0]*n[5]-n[2]*n[2], n[1]*n[2]-n[0]*n[4], n[0]*n[3]-n[1]*n[1]
	d := n[0]*c00 + n[1]*c01 + n[2]*c02
	if !(d > 0) {
		return [3]float64{}, false
	}
	d = 1 / d
	return [3]float64{
		d * (c00*b[0] + c01*b[1] + c02*b[2]),
		d * (c01*b[0] + c11*b[1] + c12*b[2]),
		d * (c02*b[0] + c12*b[1] + c22*b[2]),
	}, true
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
