package solver

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/solver/internal/kernel"
)

// NonlinearityLimit is the Nonlinearity from which on Covariance should not be
// relied on for regions of confidence: the model then bends by a third of the
// noise within one standard deviation, and by more than the noise within the two
// of a 95 % region.
const NonlinearityLimit = 0.3

// Nonlinearity tells how far the model bends away from its tangent within the
// uncertainty of a solved pose, in standard deviations: along each principal
// direction v of the covariance, one standard deviation long,
//
//	½ |r(x+v) + r(x−v) − 2 r(x)|
//
// with r the weighted residuals; the largest is returned, +Inf where a source
// has no field. It is Bates and Watts' curvature (Journal of the Royal
// Statistical Society B 42, 1980), parameter effects included, over the noise.
// It costs some thirteen evaluations of the model.
func (s *Solver) Nonlinearity(c Couplings, r *Result) float64 {
	st, ok := s.resume(c, r)
	defer s.plain()
	if !ok {
		return math.Inf(1)
	}
	var cov [6][6]float64
	s.factor.Inverse(&cov)
	if s.rig.axial {
		project(&cov, st.Out(s.rig.axis))
	}
	var scale [6]float64
	for i := range 6 {
		scale[i] = math.Sqrt(math.Max(cov[i][i], 0))
	}
	var a, v eigen
	for i := range 6 {
		for j := range 6 {
			if scale[i] > 0 && scale[j] > 0 {
				a[i][j] = cov[i][j] / (scale[i] * scale[j])
			}
		}
	}
	v.diagonalise(&a, 6, 1e-20)
	s.residuals = append(s.residuals[:0], s.rows...)
	worst := 0.0
	for k := range 6 {
		length := math.Sqrt(math.Max(a[k][k], 0))
		var step [6]float64
		for i := range step {
			step[i] = length * v[i][k] * scale[i]
		}
		bend, ok := s.bend(&st, &step)
		if !ok {
			return math.Inf(1)
		}
		worst = math.Max(worst, bend)
	}
	return worst
}

// bend returns the norm of half the second difference of the residuals along a
// step; those at st are in s.residuals.
func (s *Solver) bend(st *state, step *[6]float64) (float64, bool) {
	var to state
	for _, sign := range []float64{1, -1} {
		var d [6]float64
		for i := range d {
			d[i] = sign * step[i]
		}
		s.move(&to, st, &d)
		if !s.evaluate(&to) {
			return 0, false
		}
		if sign > 0 {
			for i := range s.rows {
				s.residuals[i][0] = s.rows[i][6]
			}
		}
	}
	sum := 0.0
	for i := range s.rows {
		for l := range kernel.Lanes {
			b := (s.residuals[i][0][l] + s.rows[i][6][l] - 2*s.residuals[i][6][l]) / 2
			sum += b * b
		}
	}
	return math.Sqrt(sum), true
}

// resume evaluates the model at a result and factorises its normal matrix; false
// when the result has no covariance.
func (s *Solver) resume(c Couplings, r *Result) (state, bool) {
	if !s.load(new(Result), c) {
		return state{}, false
	}
	st := s.rig.stateOf(r.Pose)
	if !s.alone() && !s.reweigh(&st) {
		return st, false
	}
	if !s.evaluate(&st) {
		return st, false
	}
	s.sum, s.next = s.next, s.sum
	return st, s.factor.Decompose(s.sum, 0, s.gauge(&st)) > minPivot
}

// pin holds one coordinate of the pivot at a target.
type pin struct {
	axis   int
	target float64
	weight float64 // 0: no pin
}

// add adds the pin to the sums at st.
func (p *pin) add(sum *kernel.Sum, st *state) {
	d := array(st.Origin)[p.axis] - p.target
	sum[kernel.At(p.axis, p.axis)] += p.weight
	sum[kernel.At(p.axis, 6)] += p.weight * d
	sum[chiSquare] += p.weight * d * d
}

// Interval returns the profile-likelihood interval of one coordinate (axis 0, 1,
// 2 for x, y, z) of the centroid of the sensor's coils [m] at a level such as
// 0.95: the values for which chi-square, all else fitted anew, rises by no more
// than the quantile of one degree of freedom above that of result r. It follows
// the curvature of the model where Covariance does not; a side on which
// chi-square never rises so far within the diagonal of the working volume is
// infinite. It costs some ten solves a side.
func (s *Solver) Interval(c Couplings, r *Result, axis int, level float64) (low, high float64, err error) {
	if axis < 0 || axis > 2 {
		return 0, 0, fmt.Errorf("solver: Interval: axis = %d: must be 0, 1 or 2", axis)
	}
	if !(level > 0 && level < 1) {
		return 0, 0, fmt.Errorf("solver: Interval: level = %g: must lie between 0 and 1", level)
	}
	st, ok := s.resume(c, r)
	defer s.plain()
	if !ok {
		return math.Inf(-1), math.Inf(1), ErrUnobservable
	}
	base := s.sum[chiSquare]
	rise := distuv.ChiSquared{K: 1}.Quantile(level)
	var cov [6][6]float64
	s.factor.Inverse(&cov)
	sigma := math.Sqrt(cov[axis][axis])
	at := array(st.Origin)[axis]
	return at - s.side(&st, axis, -sigma, base, rise), at + s.side(&st, axis, sigma, base, rise), nil
}

// side returns the distance from st along an axis, in the direction of sigma's
// sign, at which the profile of chi-square has risen by rise above base.
func (s *Solver) side(st *state, axis int, sigma, base, rise float64) float64 {
	defer func() { s.pin = pin{} }()
	size := math.Abs(sigma)
	// Stiff enough that the pin gives by 1e-6 of sigma.
	s.pin = pin{axis: axis, weight: 1e6 / (size * size)}
	want := math.Sqrt(rise)
	// The root of the rise is nearly linear in the distance: false position on
	// it, halved when one end stays (the Illinois rule).
	from := *st
	value := func(t float64) float64 {
		trial := from
		s.pin.target = array(st.Origin)[axis] + math.Copysign(t, sigma)
		d := s.descend(&trial, 0, 2*s.rig.options.MaxIterations)
		if d.status != Converged {
			return math.Inf(1)
		}
		from = trial
		return math.Sqrt(math.Max(0, d.chi2-base)) - want
	}
	a, fa := 0.0, -want
	b := size * want
	fb := value(b)
	for fb < 0 {
		a, fa = b, fb
		b *= 1.6
		if b > 2*s.rig.reach {
			return math.Inf(1)
		}
		fb = value(b)
	}
	for range 40 {
		if b-a < 1e-3*size {
			break
		}
		m := (a + b) / 2
		if !math.IsInf(fb, 0) {
			m = (a*fb - b*fa) / (fb - fa)
		}
		f := value(m)
		switch {
		case math.Abs(f) < 1e-4:
			return m
		case f < 0:
			a, fa = m, f
			fb /= 2
		default:
			b, fb = m, f
			fa /= 2
		}
	}
	return (a + b) / 2
}
