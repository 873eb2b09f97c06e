// Package prediction says before anything is built or recorded how well a bench
// will find its sensors: the Cramér–Rao bound of position and orientation over
// the working volume, poses that cannot be found, and better positions for the emitters.
// A bench with a covariance of its own, as calibrations leave it, errs by that too.
//
// New takes a solver.Problem and the noise of its couplings; Survey visits many
// positions, Summarise condenses them; Optimise moves the emitters. Positions are in metres,
// orientations in radians, noise in henry, all in the rig frame.
package prediction

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
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
	// the noise of its reference channel makes it: common to all of its coils.
	// Nil: none.
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

// inform adds the information of the couplings of one emitter, given their values [H] and
// derivatives. With m the values and D the variances of the pickups' noise their
// covariance is D + r²·m·mᵀ, and its inverse D⁻¹ − r²/(1+r²·mᵀD⁻¹m)·D⁻¹m·mᵀD⁻¹
// (Sherman and Morrison, Annals of Mathematical Statistics 21, 1950).
func (n *Noise) inform(f *information, emitter int, value []float64, slope [][6]float64) {
	sigmas := n.SigmaH[emitter*len(value):]
	var along [6]float64
	square := 0.0
	for c, m := range value {
		w := 1 / (sigmas[c] * sigmas[c])
		f.add(&slope[c], w)
		square += w * m * m
		for k, d := range slope[c] {
			along[k] += w * m * d
		}
	}
	if n.Relative != nil {
		r := n.Relative[emitter] * n.Relative[emitter]
		f.add(&along, -r/(1+r*square))
	}
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
	model *mutual.Model
	noise Noise
	coils int
	basis
	value []float64
	slope [][6]float64

	// stated solves for the sensor of a bench with errors of its own: what it states
	// is the bound. Nil: the bench is exact.
	stated   *solver.Solver
	variance []float64
	common   []float64
}

// basis is what a bound is taken by.
type basis struct {
	freedom int
	blind   r3.Vec  // the sensor's BlindAxis, else zero
	center  r3.Vec  // of the coils of a sensor with one, where its position is taken; else zero
	limit   float64 // of a position's deviation [m]
}

// newBasis returns the sensor as its poses are bounded: one with a blind axis has
// its origin at the centroid of its coils.
func newBasis(p *solver.Problem) (basis, mutual.Sensor) {
	b := basis{freedom: p.Sensor.DegreesOfFreedom(), limit: r3.Norm(r3.Sub(p.Volume.Max, p.Volume.Min))}
	axis, ok := p.Sensor.BlindAxis()
	if !ok {
		return b, p.Sensor
	}
	b.blind = axis
	s := mutual.Sensor{Name: p.Sensor.Name, Coils: slices.Clone(p.Sensor.Coils), Covariance: p.Sensor.Covariance}
	for _, c := range s.Coils {
		b.center = r3.Add(b.center, r3.Scale(1/float64(len(s.Coils)), c.Center))
	}
	for i := range s.Coils {
		s.Coils[i].Center = r3.Sub(s.Coils[i].Center, b.center)
	}
	return b, s
}

// New prepares the bounds of a problem's sensor under the given noise.
func New(p solver.Problem, n Noise) (*Predictor, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if err := n.check(&p); err != nil {
		return nil, err
	}
	basis, sensor := newBasis(&p)
	model, err := mutual.New(p.Array, sensor)
	if err != nil {
		return nil, err
	}
	out := &Predictor{model: model, noise: n, coils: len(sensor.Coils), basis: basis}
	if m := p.ErrorModel(); !m.Exact() {
		if p.Sensor = sensor; p.Errors != nil && basis.center != (r3.Vec{}) {
			p.Errors = moved{p.Errors, basis.center}
		}
		if out.stated, err = solver.New(p, solver.Options{}); err != nil {
			return nil, err
		}
	}
	return out.clone(), nil
}

// moved is the errors of a sensor by the pose of another origin, at a place in its
// own frame.
type moved struct {
	solver.Errors
	origin r3.Vec
}

func (m moved) Covariance(dst []float64, pose rigid.Pose) error {
	pose.Position = pose.Apply(r3.Scale(-1, m.origin))
	return m.Errors.Covariance(dst, pose)
}

// Freedom returns the degrees of freedom of a pose: those of the problem's sensor.
func (p *Predictor) Freedom() int { return p.freedom }

// Exact tells whether the bench has no errors of its own: bounds are then
// proportional to the noise.
func (p *Predictor) Exact() bool { return p.stated == nil }

// Scaled returns a Predictor for so many times the noise.
func (p *Predictor) Scaled(by float64) *Predictor {
	c := p.clone()
	c.noise.SigmaH, c.noise.Relative = slices.Clone(p.noise.SigmaH), slices.Clone(p.noise.Relative)
	floats.Scale(by, c.noise.SigmaH)
	floats.Scale(by, c.noise.Relative)
	return c
}

// clone returns a Predictor with working memory of its own.
func (p *Predictor) clone() *Predictor {
	c, n := *p, len(p.noise.SigmaH)
	c.value, c.slope = make([]float64, n), make([][6]float64, n)
	if p.stated != nil {
		c.stated, c.variance, c.common = p.stated.Clone(), make([]float64, n), make([]float64, n/p.coils)
	}
	return &c
}

// At returns the bound at a pose of the sensor. On a conductor nothing is
// observable.
func (p *Predictor) At(pose rigid.Pose) Bound {
	pose.Position = pose.Apply(p.center)
	if p.model.Evaluate(pose, p.value, p.slope) != nil {
		return unobservable
	}
	if p.stated != nil {
		c, ok := p.stated.CovarianceAt(p.couplings(), pose)
		return p.judge(&c, ok)
	}
	var f information
	for first := 0; first < len(p.value); first += p.coils {
		p.noise.inform(&f, first/p.coils, p.value[first:][:p.coils], p.slope[first:])
	}
	return p.bound(&f, pose)
}

// couplings are those that Evaluate left, with their noise.
func (p *Predictor) couplings() solver.Couplings {
	for e := range p.common {
		if p.noise.Relative != nil {
			p.common[e] = p.noise.Relative[e] * p.noise.Relative[e]
		}
	}
	for i, m := range p.value {
		sigma := p.noise.SigmaH[i]
		p.variance[i] = sigma*sigma + p.common[i/p.coils]*m*m
	}
	return solver.Couplings{Value: p.value, Variance: p.variance, Common: p.common}
}

// unobservable is the bound of a pose that the couplings do not determine.
var unobservable = Bound{PositionM: math.Inf(1), RotationRad: math.Inf(1)}

// bound inverts the information at a pose.
func (m *basis) bound(f *information, pose rigid.Pose) Bound {
	var c [6][6]float64
	ok := f.invert(&c, pose.Rotate(m.blind))
	return m.judge(&c, ok)
}

// judge is the bound by a covariance, if there is one.
func (m *basis) judge(c *[6][6]float64, ok bool) Bound {
	if !ok {
		return unobservable
	}
	b := Bound{Covariance: *c, Observable: true}
	var position, rotation float64
	for i := range 3 {
		position += b.Covariance[i][i]
		rotation += b.Covariance[3+i][3+i]
		if !(b.Covariance[i][i] < m.limit*m.limit) || !(b.Covariance[3+i][3+i] < 1) {
			return unobservable
		}
	}
	b.PositionM, b.RotationRad = math.Sqrt(position), math.Sqrt(rotation)
	return b
}
