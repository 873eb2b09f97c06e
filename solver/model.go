package solver

import (
	"gonum.org/v1/gonum/num/quat"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// pickup is a coil as the model sees it, in the sensor's frame.
type pickup struct {
	coil    mutual.Pickup // its centre as seen from the sensor's pivot
	unit    vec3          // its axis
	area    float64       // AreaTurns [m²]
	inverse float64       // 1/AreaTurns [1/m²]
	arm     vec3          // from the sensor's pivot to the centre [m]
	point   bool          // it has no radius
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
	model   *mutual.Model
	sources []fieldmodels.Source
	pickups []pickup
	pivot   vec3            // centroid of the coils, sensor frame [m]
	blocks  int             // of kernel.Lanes emitters
	freedom int             // degrees of freedom of a pose
	axial   bool            // five of them: the sensor has a blind axis
	axis    vec3            // that of the first coil, sensor frame
	reach   float64         // half the diagonal of the volume [m]
	stride  float64         // one over the square of the longest step [1/m²]
	dipoles []kernel.Dipole // one per block when every source is a dipole
	spread  []kernel.Dipole // then one per emitter, the same in every lane
	points  [][6]float64    // and axis [m²] and arm [m] of each coil
	grid    *grid
	errors  ErrorModel
	first   []int // see arrangeErrors
}

func (g *rig) stateOf(p rigid.Pose) state {
	st := state{q: rigid.Normalize(p.Rotation)}
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
	frame := st.frame()
	var placed mutual.Placed
	var k mutual.Coupling
	for c := range s.rig.pickups {
		s.rig.pickups[c].coil.Place(&placed, &frame)
		for e, src := range s.rig.sources {
			i := e/kernel.Lanes*coils + c
			l := e % kernel.Lanes
			row, w := &s.rows[i], s.data[i][1][l]
			if w == 0 {
				for j := range row {
					row[j][l] = 0
				}
				continue
			}
			if placed.CoupleFast(&k, src) != nil {
				return false
			}
			row[0][l], row[1][l], row[2][l] = w*k.Position.X, w*k.Position.Y, w*k.Position.Z
			row[3][l], row[4][l], row[5][l] = w*k.Rotation.X, w*k.Rotation.Y, w*k.Rotation.Z
			row[6][l] = w * (k.M - s.data[i][0][l])
		}
	}
	return true
}

// frame is where the state puts the sensor's pivot.
func (st *state) frame() mutual.Frame {
	r := &st.r
	return mutual.Frame{Origin: toR3(st.x), R: [3][3]float64{{r[0], r[1], r[2]}, {r[3], r[4], r[5]}, {r[6], r[7], r[8]}}}
}

// Evaluate puts the couplings [H] that the model predicts at a pose into m and
// their derivatives into jacobian: by the position of the sensor's origin [H/m]
// and by the rotation vector of the rig frame [H/rad], at index e·coils+c like
// Couplings. Either may be nil. It is mutual.Model.Evaluate, and leaves the
// Solver's observation alone.
func (s *Solver) Evaluate(pose rigid.Pose, m []float64, jacobian [][6]float64) error {
	return s.rig.model.Evaluate(pose, m, jacobian)
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
