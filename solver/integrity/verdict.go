package integrity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver"
	"tonepose/solver/internal/statistics"
)

// Verdict is what one frame's fit is worth.
type Verdict struct {
	// Chance is the probability of a chi-square at least as large as the fit's
	// when the model is right and the noise as stated.
	Chance float64
	// Quadrature judges the imaginary parts, QuadratureChance is the
	// probability of its chi-square.
	Quadrature       Quadrature
	QuadratureChance float64
	// Spread and RotationSpread are the jackknife's standard deviations of the
	// position [m] and the rotation [rad] over fits that leave out one emitter
	// each: how much the emitters contradict each other. NaN where Chance gave
	// no cause to look.
	Spread, RotationSpread float64
	// PositionError [m] and RotationError [rad] are radii that hold the true
	// pose about 95 times in 100, noise and distortion together.
	PositionError, RotationError float64
	// Eddy: the imaginary parts show currents that lag, as in metal near the
	// bench. Distorted: the couplings as a whole do not fit the field model.
	Eddy, Distorted bool
}

const (
	// alarm is the probability below which a frame counts as distorted: chance
	// does it to one frame in a hundred thousand, half by each of two tests.
	alarm = 0.5e-5
	// doubt is the probability below which the leave-one-out fits are made:
	// they cost a fit per emitter.
	doubt = 1e-2
)

// The 95 % points of chi-square with three degrees of freedom and of a normal
// deviate (one-sided).
const (
	within95 = 7.814727903
	upper95  = 1.644853627
)

// Verdict judges the fit of one frame. A frame that moves within its window
// (moving) is not called distorted.
//
// The estimated error joins three things. The noise: the radius of a sphere
// about the 95 % ellipsoid. Distortion that raised chi-square: what the
// residuals show of it is the part that no pose explains; the other part went
// into the pose, and for a disturbance without preference for either, its size
// per degree of freedom is the same. So the covariance grows by 1 + λ/ν, λ being
// the non-centrality of the chi-square with ν degrees of freedom (the Birge
// ratio), taken at its upper 95 % limit: what stays below detection counts too.
// And distortion that one emitter carries: the jackknife's spread over fits
// that leave out one emitter each. Simulated spheres, rings and plates show
// that each alone falls short where the disturbance is not of its kind. With the
// three degrees of freedom that one coil and eight emitters leave, metal shows
// less: a tenth of what does harm there goes beyond the estimate.
func (x *Inspector) Verdict(o *Observation, r *solver.Result, moving bool) (Verdict, error) {
	v := Verdict{Spread: math.NaN(), RotationSpread: math.NaN(), Chance: Chance(r.ChiSquare, r.DOF)}
	q, err := x.quadrature(o, r.Pose)
	if err != nil {
		return v, err
	}
	v.Quadrature, v.QuadratureChance = q, Chance(q.ChiSquare, q.DOF)
	growth := 1.0
	if r.DOF > 0 {
		growth += nonCentrality(r.ChiSquare, float64(r.DOF)) / float64(r.DOF)
	}
	position := within95 * growth * widest(&r.Covariance, 0)
	rotation := within95 * growth * widest(&r.Covariance, 3)
	if min(v.Chance, v.QuadratureChance) < doubt {
		if p, q, ok := x.spread(o.Couplings, r); ok {
			v.Spread, v.RotationSpread = p, q
			position += within95 / 3 * p * p
			rotation += within95 / 3 * q * q
		}
	}
	v.PositionError, v.RotationError = math.Sqrt(position), math.Sqrt(rotation)
	if !moving {
		v.Eddy = v.QuadratureChance < alarm
		v.Distorted = v.Eddy || v.Chance < alarm
	}
	return v, nil
}

// Chance is the probability of a chi-square at least this large; 1 without
// degrees of freedom.
func Chance(chi2 float64, dof int) float64 { return statistics.Chance(chi2, dof) }

// nonCentrality is the upper 95 % limit of the non-centrality λ of a
// chi-square: its mean is ν+λ, its variance 2ν+4λ, and at five degrees of
// freedom and more it is near enough to normal for a limit.
func nonCentrality(chi2, dof float64) float64 {
	excess := chi2 - dof
	return max(0, excess+upper95*math.Sqrt(2*dof+4*max(0, excess)))
}

// spread refits without each emitter in turn.
func (x *Inspector) spread(c solver.Couplings, r *solver.Result) (position, rotation float64, ok bool) {
	n := 0
	for e := range x.emitters {
		if used(c.Variance[e*x.coils:(e+1)*x.coils]) == 0 {
			continue
		}
		x.take(c)
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			x.trial.Variance[i] = math.Inf(1)
		}
		without := x.solver.Warm(x.trial, r.Pose)
		if without.Status != solver.Converged {
			continue
		}
		dp, dr := without.Pose.Minus(r.Pose)
		position += r3.Norm2(dp)
		rotation += r3.Norm2(dr)
		n++
	}
	if n < 2 {
		return 0, 0, false
	}
	f := float64(n-1) / float64(n)
	return math.Sqrt(f * position), math.Sqrt(f * rotation), true
}

// widest is the largest eigenvalue of the 3×3 block of a covariance at from, by
// the trigonometric solution of the characteristic cubic.
func widest(c *[6][6]float64, from int) float64 {
	a, b, d := c[from][from], c[from+1][from+1], c[from+2][from+2]
	e, f, g := c[from][from+1], c[from][from+2], c[from+1][from+2]
	mean := (a + b + d) / 3
	a, b, d = a-mean, b-mean, d-mean
	p := math.Sqrt((a*a + b*b + d*d + 2*(e*e+f*f+g*g)) / 6)
	if !(p > 0) {
		return mean
	}
	det := a*(b*d-g*g) - e*(e*d-f*g) + f*(e*g-b*f)
	return mean + 2*p*math.Cos(math.Acos(max(-1, min(1, det/(2*p*p*p))))/3)
}
