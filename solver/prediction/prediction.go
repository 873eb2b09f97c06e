// Package prediction tells before anything is built or recorded how well a bench
// will find its sensors: the Cramér–Rao bound of position and orientation over
// the working volume, blind spots, and where emitters had better stand.
//
// New takes a solver.Problem and the noise of its couplings; Survey visits many
// places, Summarise condenses them; Optimise moves the emitters.
package prediction

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Noise is what the couplings of one measurement suffer.
type Noise struct {
	// SigmaH is the standard deviation [H] of each coupling that the noise of its
	// pickup's channel makes, at index e·len(Coils)+c.
	SigmaH []float64
	// Relative is the relative standard deviation of each emitter's current, as
	// the noise of its reference channel makes it. Like the solver's own
	// variances it counts as independent from coil to coil. Nil: none.
	Relative []float64
}

func (n *Noise) check(p *solver.Problem) error {
	e, c := len(p.Array.Emitters), len(p.Sensor.Coils)
	if len(n.SigmaH) != e*c {
		return fmt.Errorf("prediction: %d couplings have %d values of Noise.SigmaH", e*c, len(n.SigmaH))
	}
	if n.Relative != nil && len(n.Relative) != e {
		return fmt.Errorf("prediction: %d emitters have %d values of Noise.Relative", e, len(n.Relative))
	}
	for i, v := range n.SigmaH {
		if !(v > 0) || math.IsInf(v, 1) {
			return fmt.Errorf("prediction: Noise.SigmaH[%d] = %g: must be positive and finite", i, v)
		}
	}
	for i, v := range n.Relative {
		if !(v >= 0) || math.IsInf(v, 1) {
			return fmt.Errorf("prediction: Noise.Relative[%d] = %g: must not be negative", i, v)
		}
	}
	return nil
}

// variance of the coupling m [H] of an emitter and coil.
func (n *Noise) variance(i, emitter int, m float64) float64 {
	v := n.SigmaH[i] * n.SigmaH[i]
	if n.Relative != nil {
		r := n.Relative[emitter] * m
		v += r * r
	}
	return v
}

// Bound is the Cramér–Rao bound of one pose: no unbiased estimate has a smaller
// covariance, and the solver's reaches it where the noise is small against the
// field's curvature.
type Bound struct {
	PositionM   float64 // √ of the trace of the position's covariance: predicted rms error [m]
	RotationRad float64 // the same of the rotation vector [rad]
	// Covariance as that of solver.Result, except that for a sensor whose coils
	// lie on one axis the position is that of the coils' centroid.
	Covariance [6][6]float64
	// Observable as the solver judges: no singular matrix, no deviation beyond
	// the working volume's diagonal or one radian. Else the deviations are +Inf.
	Observable bool
}

// Predictor bounds the poses of one sensor. It is not safe for concurrent use;
// Survey is.
type Predictor struct {
	solver *solver.Solver
	noise  Noise
	model
}

// model is what turns couplings into information.
type model struct {
	coils    int
	axial    bool
	axis     r3.Vec  // of an axial sensor, unit, sensor frame
	centroid r3.Vec  // of the coils, where its position is taken; else zero
	limit    float64 // of a position's deviation [m]
	m        []float64
	jacobian [][6]float64
}

func newModel(p *solver.Problem, freedom int) model {
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	return model{
		coils: len(p.Sensor.Coils), axial: freedom == 5, axis: r3.Unit(p.Sensor.Coils[0].Axis),
		limit: r3.Norm(r3.Sub(p.Volume.Max, p.Volume.Min)),
		m:     make([]float64, n), jacobian: make([][6]float64, n),
	}
}

// centred is a sensor whose frame's origin is the centroid of its coils, and
// where that was [m].
func centred(s mutual.Sensor) (mutual.Sensor, r3.Vec) {
	var c r3.Vec
	for _, coil := range s.Coils {
		c = r3.Add(c, r3.Scale(1/float64(len(s.Coils)), coil.Center))
	}
	out := mutual.Sensor{Name: s.Name}
	for _, coil := range s.Coils {
		coil.Center = r3.Sub(coil.Center, c)
		out.Coils = append(out.Coils, coil)
	}
	return out, c
}

// New prepares the bounds of a problem's sensor under the given noise.
func New(p solver.Problem, n Noise) (*Predictor, error) {
	if err := n.check(&p); err != nil {
		return nil, err
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		return nil, err
	}
	var centroid r3.Vec
	if s.Freedom() == 5 {
		p.Sensor, centroid = centred(p.Sensor)
		if s, err = solver.New(p, solver.Options{}); err != nil {
			return nil, err
		}
	}
	out := &Predictor{solver: s, noise: n, model: newModel(&p, s.Freedom())}
	out.centroid = centroid
	return out, nil
}

// Freedom returns the degrees of freedom of a pose: 6, or 5 about an unknown roll.
func (p *Predictor) Freedom() int { return p.solver.Freedom() }

func (p *Predictor) clone() *Predictor {
	problem := p.solver.Problem()
	c := &Predictor{solver: p.solver.Clone(), noise: p.noise, model: newModel(&problem, p.Freedom())}
	c.centroid = p.centroid
	return c
}

// At returns the bound at a pose of the sensor. On a conductor nothing is
// observable.
func (p *Predictor) At(pose rigid.Pose) Bound {
	pose.Position = pose.Apply(p.centroid)
	if p.solver.Evaluate(pose, p.m, p.jacobian) != nil {
		return blind
	}
	var f information
	for i := range p.m {
		f.add(&p.jacobian[i], p.noise.variance(i, i/p.coils, p.m[i]))
	}
	return p.bound(&f, pose)
}

var blind = Bound{PositionM: math.Inf(1), RotationRad: math.Inf(1)}

// bound inverts the information at a pose.
func (m *model) bound(f *information, pose rigid.Pose) Bound {
	var b Bound
	u := r3.Vec{}
	if m.axial {
		u = pose.Rotate(m.axis)
	}
	if !f.invert(&b.Covariance, u) {
		return blind
	}
	var position, rotation float64
	b.Observable = true
	for i := range 3 {
		position += b.Covariance[i][i]
		rotation += b.Covariance[3+i][3+i]
		if !(b.Covariance[i][i] < m.limit*m.limit) || !(b.Covariance[3+i][3+i] < 1) {
			return blind
		}
	}
	b.PositionM, b.RotationRad = math.Sqrt(position), math.Sqrt(rotation)
	return b
}
