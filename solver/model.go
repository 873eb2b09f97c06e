package solver

import (
	"fmt"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// pickup is a coil as the model sees it: axis times AreaTurns, and the points
// at which the field is taken, as arms from the sensor's pivot with weights
// that sum to one. All in the sensor frame.
type pickup struct {
	axis    vec3    // [m²]
	inverse float64 // 1/AreaTurns [1/m²]
	nodes   []node
}

type node struct {
	arm    vec3 // [m]
	weight float64
}

// state is a pose as the descent holds it: x is the place of the sensor's
// pivot (the centroid of its coils), so that shift and turn are as little
// correlated as can be.
type state struct {
	x vec3
	q quat.Number
	r rotation // R(q)
}

// rig is what New prepares; clones share it and nothing writes to it.
type rig struct {
	problem Problem
	options Options
	sources []fieldmodels.Source
	pickups []pickup
	pivot   vec3            // centroid of the coils, sensor frame [m]
	blocks  int             // of kernel.Lanes emitters
	axial   bool            // all coils on one axis: five degrees of freedom
	axis    vec3            // that axis, sensor frame
	reach   float64         // half the diagonal of the volume [m]
	stride  float64         // one over the square of the longest step [1/m²]
	dipoles []kernel.Dipole // one per block when every source is a dipole
	points  [][6]float64    // then axis [m²] and arm [m] of each coil
	grid    *grid
}

func (g *rig) stateOf(p rigid.Pose) state {
	st := state{q: unitQuat(p.Rotation)}
	st.r.set(&st.q)
	a := st.r.apply(&g.pivot)
	st.x = vec3{p.Position.X + a[0], p.Position.Y + a[1], p.Position.Z + a[2]}
	return st
}

func (g *rig) poseOf(st *state) rigid.Pose {
	a := st.r.apply(&g.pivot)
	return rigid.Pose{Position: toR3(vec3{st.x[0] - a[0], st.x[1] - a[1], st.x[2] - a[2]}), Rotation: st.q}
}

// evaluate fills s.rows and s.next at st. It reports false where a source has
// no finite field.
func (s *Solver) evaluate(st *state) bool {
	if s.rig.dipoles != nil {
		s.evaluateDipoles(st)
	} else if !s.evaluateSources(st) {
		return false
	}
	kernel.Normal(&s.next, s.rows)
	c := s.next[chiSquare]
	return c-c == 0 // neither NaN nor infinite
}

// chiSquare is the place of the residuals' sum of squares in a kernel.Sum.
const chiSquare = kernel.Products - 1

// gradientAt is the place of the gradient by parameter i in a kernel.Sum.
var gradientAt = [6]int{6, 12, 17, 21, 24, 26}

// evaluateSources calls every emitter's own field and gradient.
func (s *Solver) evaluateSources(st *state) bool {
	r := &st.r
	coils := len(s.rig.pickups)
	for c := range s.rig.pickups {
		p := &s.rig.pickups[c]
		n := r.apply(&p.axis)
		s.points = s.points[:0]
		for k := range p.nodes {
			s.points = append(s.points, r.apply(&p.nodes[k].arm))
		}
		for e, src := range s.rig.sources {
			i := e/kernel.Lanes*coils + c
			l := e % kernel.Lanes
			row, w, y := &s.rows[i], s.data[i][1][l], s.data[i][0][l]
			if w == 0 {
				for j := range row {
					row[j][l] = 0
				}
				continue
			}
			m, g, turn, err := couple(src, &st.x, &n, s.points, p.nodes)
			if err != nil {
				return false
			}
			for j := range 3 {
				row[j][l], row[3+j][l] = w*g[j], w*turn[j]
			}
			row[6][l] = w * (m - y)
		}
	}
	return true
}

// couple returns the coupling m = n·B of a source and a pickup at x with arms
// a, its derivative by the position, g = Jᵀn, and by the rotation, n×B + a×g.
func couple(src fieldmodels.Source, x, n *vec3, arms []vec3, nodes []node) (m float64, g, turn vec3, err error) {
	for k := range arms {
		a := &arms[k]
		b, j, err := src.Gradient(r3.Vec{X: x[0] + a[0], Y: x[1] + a[1], Z: x[2] + a[2]})
		if err != nil {
			return 0, g, turn, err
		}
		w := nodes[k].weight
		gx := j[0][0]*n[0] + j[1][0]*n[1] + j[2][0]*n[2]
		gy := j[0][1]*n[0] + j[1][1]*n[1] + j[2][1]*n[2]
		gz := j[0][2]*n[0] + j[1][2]*n[1] + j[2][2]*n[2]
		m += w * (n[0]*b.X + n[1]*b.Y + n[2]*b.Z)
		g[0] += w * gx
		g[1] += w * gy
		g[2] += w * gz
		turn[0] += w * (n[1]*b.Z - n[2]*b.Y + a[1]*gz - a[2]*gy)
		turn[1] += w * (n[2]*b.X - n[0]*b.Z + a[2]*gx - a[0]*gz)
		turn[2] += w * (n[0]*b.Y - n[1]*b.X + a[0]*gy - a[1]*gx)
	}
	return m, g, turn, nil
}

// Evaluate puts the couplings [H] that the model predicts at a pose into m and
// their derivatives into jacobian: by the position of the sensor's origin [H/m]
// and by the rotation vector of the rig frame [H/rad], at index e·coils+c like
// Couplings. Either may be nil. It leaves the Solver's observation alone.
func (s *Solver) Evaluate(pose rigid.Pose, m []float64, jacobian [][6]float64) error {
	st := s.rig.stateOf(pose)
	r := &st.r
	pivot := r.apply(&s.rig.pivot)
	for c := range s.rig.pickups {
		p := &s.rig.pickups[c]
		n := r.apply(&p.axis)
		s.points = s.points[:0]
		for k := range p.nodes {
			s.points = append(s.points, r.apply(&p.nodes[k].arm))
		}
		for e, src := range s.rig.sources {
			v, g, turn, err := couple(src, &st.x, &n, s.points, p.nodes)
			if err != nil {
				return fmt.Errorf("solver: emitter %d (%q), coil %d: %w", e, s.rig.problem.Array.Emitters[e].Name, c, err)
			}
			i := e*len(s.rig.pickups) + c
			if m != nil {
				m[i] = v
			}
			if jacobian != nil {
				t := cross(&pivot, &g)
				jacobian[i] = [6]float64{g[0], g[1], g[2], turn[0] + t[0], turn[1] + t[1], turn[2] + t[2]}
			}
		}
	}
	return nil
}

// evaluateDipoles hands the whole array to the kernel.
func (s *Solver) evaluateDipoles(st *state) {
	r := &st.r
	x, y, z := st.x[0], st.x[1], st.x[2]
	for c := range s.coils {
		p, co := &s.rig.points[c], &s.coils[c]
		nx, ny, nz, ax, ay, az := p[0], p[1], p[2], p[3], p[4], p[5]
		co[3] = r[0]*nx + r[1]*ny + r[2]*nz
		co[4] = r[3]*nx + r[4]*ny + r[5]*nz
		co[5] = r[6]*nx + r[7]*ny + r[8]*nz
		bx := r[0]*ax + r[1]*ay + r[2]*az
		by := r[3]*ax + r[4]*ay + r[5]*az
		bz := r[6]*ax + r[7]*ay + r[8]*az
		co[6], co[7], co[8] = bx, by, bz
		co[0], co[1], co[2] = x+bx, y+by, z+bz
	}
	kernel.DipoleRows(s.rows, s.rig.dipoles, s.coils, s.data)
}
