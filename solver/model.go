package solver

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// pickup is a coil as the model sees it, in the sensor's frame.
type pickup struct {
	coil    mutual.Pickup // its centre as seen from the sensor's pivot
	unit    r3.Vec        // its axis
	area    float64       // AreaTurns [m²]
	inverse float64       // 1/AreaTurns [1/m²]
	arm     r3.Vec        // from the sensor's pivot to the centre [m]
	point   bool          // it has no radius
}

// state is a pose as the descent holds it: the frame has its origin at the sensor's
// pivot (the centroid of its coils), so that shift and rotation are as little
// correlated as can be.
type state struct {
	mutual.Frame
	q quat.Number // of the frame's rotation
}

// setRotation gives st a rotation.
func (st *state) setRotation(q quat.Number) {
	st.q = q
	rigid.SetMatrix(&st.R, q)
}

func array(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

func vector(a [3]float64) r3.Vec { return r3.Vec{X: a[0], Y: a[1], Z: a[2]} }

// rig is what New prepares; clones share it and nothing writes to it.
type rig struct {
	problem Problem
	options Options
	model   *mutual.Model
	sources []fieldmodels.Source
	placed  *mutual.Sources // the same, by blocks
	pickups []pickup
	pivot   r3.Vec          // centroid of the coils, sensor frame [m]
	blocks  int             // of kernel.Lanes emitters
	freedom int             // degrees of freedom of a pose
	axial   bool            // five of them: the sensor has a blind axis
	axis    r3.Vec          // that of the first coil, sensor frame
	reach   float64         // half the diagonal of the volume [m]
	stride  float64         // one over the square of the longest step [1/m²]
	dipoles []kernel.Dipole // one per block when every source is a dipole
	points  [][6]float64    // and axis [m²] and arm [m] of each coil
	grid    *grid
	twins   []twin // symmetries of the array
	errors  ErrorModel
	joined  bool // see arrangeErrors
}

// slot is where coupling i is in the solver's rows and data.
func (g *rig) slot(i int) (row, lane int) {
	coils := len(g.pickups)
	e := i / coils
	return e/kernel.Lanes*coils + i%coils, e % kernel.Lanes
}

// since is the step from another state, good for small rotations: half the
// antisymmetric part of R·R_fromᵀ is sin(angle) times the axis. trace is that of the
// product, 1 + 2·cos(angle).
func (st *state) since(from *state) (step [6]float64, trace float64) {
	d := r3.Sub(st.Origin, from.Origin)
	step[0], step[1], step[2] = d.X, d.Y, d.Z
	a, b := &from.R, &st.R
	for i := range 3 {
		j, k := (i+1)%3, (i+2)%3
		for c := range 3 {
			step[3+i] += (a[j][c]*b[k][c] - a[k][c]*b[j][c]) / 2
			trace += a[i][c] * b[i][c]
		}
	}
	return step, trace
}

func (g *rig) stateOf(p rigid.Pose) (st state) {
	st.setRotation(rigid.Normalize(p.Rotation))
	st.Origin = r3.Add(p.Position, st.Out(g.pivot))
	return st
}

func (g *rig) poseOf(st *state) rigid.Pose {
	return rigid.Pose{Position: r3.Sub(st.Origin, st.Out(g.pivot)), Rotation: st.q}
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
	kernel.Normal(s.next, s.rows)
	if s.pin.weight > 0 {
		s.pin.add(s.next, st)
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

// chiSquare is the index of the residuals' sum of squares in a kernel.Sum.
const chiSquare = kernel.Products - 1

// gradientAt is the index of the gradient by parameter i in a kernel.Sum.
var gradientAt = [6]int{6, 12, 17, 21, 24, 26}

// evaluateSources calls every emitter's own field and gradient.
func (s *Solver) evaluateSources(st *state) bool {
	coils := len(s.rig.pickups)
	var placed mutual.Sampled
	var k mutual.Couplings
	for c := range s.rig.pickups {
		placed.Place(&s.rig.pickups[c].coil, &st.Frame)
		for b := range s.rig.blocks {
			if placed.CoupleBlock(&k, s.rig.placed, b, true) != nil {
				return false
			}
			row, data := &s.rows[b*coils+c], &s.data[b*coils+c]
			for l, w := range &data[1] {
				if w == 0 { // nothing was observed, or there is no emitter
					for j := range row {
						row[j][l] = 0
					}
					continue
				}
				for j := range 3 {
					row[j][l], row[3+j][l] = w*k.Position[j][l], w*k.Rotation[j][l]
				}
				row[6][l] = w * (k.Value[l] - data[0][l])
			}
		}
	}
	return true
}

// A block of sources fills the lanes.
const _ = uint(kernel.Lanes-mutual.Block) + uint(mutual.Block-kernel.Lanes)

// Evaluate writes the couplings [H] that the model predicts at a pose into m and
// their derivatives into jacobian: by the position of the sensor's origin [H/m]
// and by the rotation vector of the rig frame [H/rad], at index e·coils+c like
// Couplings. Either may be nil. It is mutual.Model.Evaluate, and leaves the
// Solver's observation alone.
func (s *Solver) Evaluate(pose rigid.Pose, m []float64, jacobian [][6]float64) error {
	return s.rig.model.Evaluate(pose, m, jacobian)
}

// EvaluateFast is Evaluate with the errors of mutual.Placed.CoupleFast, which are those
// of a fit: enough for differences between poses.
func (s *Solver) EvaluateFast(pose rigid.Pose, m []float64, jacobian [][6]float64) error {
	return s.rig.model.EvaluateFast(pose, m, jacobian)
}

// evaluateDipoles hands the whole array to the kernel.
func (s *Solver) evaluateDipoles(st *state) {
	origin := array(st.Origin)
	for c := range s.coils {
		p, to := &s.rig.points[c], &s.coils[c]
		for i := range 3 {
			r := &st.R[i]
			arm := r[0]*p[3] + r[1]*p[4] + r[2]*p[5]
			to[i], to[3+i], to[6+i] = origin[i]+arm, r[0]*p[0]+r[1]*p[1]+r[2]*p[2], arm
		}
	}
	kernel.DipoleRows(s.rows, s.rig.dipoles, s.coils, s.data)
}
