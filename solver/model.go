package solver

import (
	"fmt"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// pickup is a coil as the model sees it, in the sensor's frame.
type pickup struct {
	unit    vec3    // its axis
	area    float64 // AreaTurns [m²]
	inverse float64 // 1/AreaTurns [1/m²]
	arm     vec3    // from the sensor's pivot to the centre [m]
	disc    *disc   // nil for a point
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
	spread  []kernel.Dipole // then one per emitter, the same in every lane
	points  [][6]float64    // and axis [m²] and arm [m] of each coil
	grid    *grid
	errors  ErrorModel
	first   []int  // see arrangeErrors
	centers []vec3 // of the emitters
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
	if !s.fillRows(st) {
		return false
	}
	if s.white.active {
		s.whiten()
	}
	kernel.Normal(&s.next, s.rows)
	if s.pin.weight > 0 {
		s.pin.add(&s.next, st)
	}
	c := s.next[chiSquare]
	return c-c == 0 // neither NaN nor infinite
}

// fillRows fills s.rows at st, weighted as s.data says.
func (s *Solver) fillRows(st *state) bool {
	if s.rig.dipoles != nil {
		s.evaluateDipoles(st)
		return true
	}
	return s.evaluateSources(st)
}

// chiSquare is the place of the residuals' sum of squares in a kernel.Sum.
const chiSquare = kernel.Products - 1

// gradientAt is the place of the gradient by parameter i in a kernel.Sum.
var gradientAt = [6]int{6, 12, 17, 21, 24, 26}

// evaluateSources calls every emitter's own field and gradient.
func (s *Solver) evaluateSources(st *state) bool {
	coils := len(s.rig.pickups)
	for c := range s.rig.pickups {
		p := &s.rig.pickups[c]
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
			var k coupling
			if k.set(src, p, st, true) != nil {
				return false
			}
			w *= p.area
			for j := range 3 {
				row[j][l], row[3+j][l] = w*k.g[j], w*k.turn[j]
			}
			row[6][l] = w * (k.m - y*p.inverse)
		}
	}
	return true
}

// coupling is that of a source and a pickup, over AreaTurns: m = u·B with u
// the coil's axis, its derivative by the position, g = Jᵀu, and by the rotation,
// u×B + arm×g.
type coupling struct {
	m       float64
	g, turn vec3
}

// set computes the coupling at st. fast allows derivatives of a coil with a
// radius that are off by up to 1e-4 of themselves.
func (k *coupling) set(src fieldmodels.Source, p *pickup, st *state, fast bool) error {
	*k = coupling{}
	if p.disc != nil {
		return k.mean(src, p, st, fast)
	}
	u, a := st.r.apply(&p.unit), st.r.apply(&p.arm)
	b, jac, err := src.Gradient(r3.Vec{X: st.x[0] + a[0], Y: st.x[1] + a[1], Z: st.x[2] + a[2]})
	if err != nil {
		return err
	}
	k.add(&u, &a, b, &jac, 1, 0, 1)
	return nil
}

// add adds a field point: value times u·B plus slope times its derivative along
// u to the coupling, deriv times theirs to the derivatives.
func (k *coupling) add(u, a *vec3, b r3.Vec, j *fieldmodels.Jacobian, value, slope, deriv float64) {
	gx := j[0][0]*u[0] + j[1][0]*u[1] + j[2][0]*u[2]
	gy := j[0][1]*u[0] + j[1][1]*u[1] + j[2][1]*u[2]
	gz := j[0][2]*u[0] + j[1][2]*u[1] + j[2][2]*u[2]
	k.m += value*(u[0]*b.X+u[1]*b.Y+u[2]*b.Z) + slope*(u[0]*gx+u[1]*gy+u[2]*gz)
	k.g[0] += deriv * gx
	k.g[1] += deriv * gy
	k.g[2] += deriv * gz
	k.turn[0] += deriv * (u[1]*b.Z - u[2]*b.Y + a[1]*gz - a[2]*gy)
	k.turn[1] += deriv * (u[2]*b.X - u[0]*b.Z + a[2]*gx - a[0]*gz)
	k.turn[2] += deriv * (u[0]*b.Y - u[1]*b.X + a[0]*gy - a[1]*gx)
}

// Evaluate puts the couplings [H] that the model predicts at a pose into m and
// their derivatives into jacobian: by the position of the sensor's origin [H/m]
// and by the rotation vector of the rig frame [H/rad], at index e·coils+c like
// Couplings. Either may be nil. Of a coil with a radius both are means over its
// disc, exact to 1e-9 of the field from 6 radii on. It leaves the Solver's observation alone.
func (s *Solver) Evaluate(pose rigid.Pose, m []float64, jacobian [][6]float64) error {
	st := s.rig.stateOf(pose)
	pivot := st.r.apply(&s.rig.pivot)
	for c := range s.rig.pickups {
		p := &s.rig.pickups[c]
		for e, src := range s.rig.sources {
			var k coupling
			if err := k.set(src, p, &st, false); err != nil {
				return fmt.Errorf("solver: emitter %d (%q), coil %d: %w", e, s.rig.problem.Array.Emitters[e].Name, c, err)
			}
			i := e*len(s.rig.pickups) + c
			if m != nil {
				m[i] = p.area * k.m
			}
			if jacobian != nil {
				t := cross(&pivot, &k.g)
				row := &jacobian[i]
				for j := range 3 {
					row[j], row[3+j] = p.area*k.g[j], p.area*(k.turn[j]+t[j])
				}
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
