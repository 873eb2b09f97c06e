package trajectory

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// unfollowed is κ: of a motion of white jerk of strength q, the best cubic spline with
// knots h apart leaves the variance κ·q·h⁵, in the mean over time,
//
//	κ = ∫E(ω)/ω⁶ dω/2π,  E = 1 − B(ω)²/Σ_k B(ω+2πk)²,  B = (sin(ω/2)/(ω/2))⁴,
//
// E being what a cubic spline with unit knots can't follow of a frequency (Blu and
// Unser, Quantitative Fourier analysis of approximation techniques, IEEE Transactions on
// Signal Processing 47(10), 1999). Of white acceleration it leaves κ·q·h³ with ω⁴.
func (m Motion) unfollowed() float64 {
	if m == ConstantVelocity {
		return 3.716e-3
	}
	return 2.600e-4
}

// leftover is what windows' own poses have left over from a curve beyond their noise:
// the motion that its knots can't follow, as far as it shows.
type leftover struct {
	excess   [2]float64 // of squares over what is expected, of position and rotation
	variance [2]float64 // of the excess
	count    float64
}

// add adds a window with the mean of the curve, in which it took part: of its variance R,
// the curve's own P is not left over.
func (l *leftover) add(s *spline, i int, mean *[6]float64, own *rigid.Covariance) {
	rec := &s.records[i]
	noise, step := rec.solve(1)
	if s.axis != nil {
		noise = rigid.WithoutRotation(&noise, rec.pose.Rotate(*s.axis))
	}
	across := s.across(rec.pose)
	r := rigid.MulVec(&across, r3.Sub(vec(step[3:]), vec(mean[3:])))
	for k, v := range six(r3.Sub(vec(step[:]), vec(mean[:])), r) {
		l.excess[k/3] += v*v - noise[k][k] + own[k][k]
		l.variance[k/3] += 2 * noise[k][k] * noise[k][k]
	}
	l.count++
}

// of gives the variances of position and rotation, each component, that knots h apart
// leave: of fine ones what the process noise makes of it. What wider ones leave shows, and
// the motion there need not be as the process noise has it: what is left over beyond
// doubt (three standard deviations) holds, else it bounds the process noise's.
func (l *leftover) of(s *spline, h float64) (v [2]float64) {
	for k, strength := range []float64{s.options.PositionNoise, s.options.RotationNoise} {
		v[k] = s.options.Motion.unfollowed() * strength * math.Pow(h, float64(s.options.Motion.free()/3-1))
		if h <= s.fine() {
			continue
		}
		seen := max(0, l.excess[k]/(3*l.count))
		// Windows that overlap are left over together.
		if doubt := 3 * math.Sqrt(l.variance[k]*s.variance); l.excess[k] > doubt {
			v[k] = seen
		} else {
			v[k] = min(v[k], seen)
		}
	}
	return v
}
