package integrity

import (
	"math"

	"gonum.org/v1/gonum/floats"

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
	// Misfit: the in-phase parts alone deny the field model, whatever the reason.
	// Growth is then by what the covariance of noise is multiplied, and Covariance
	// the pose's with that and with the emitters' contradictions; else 1 and the
	// fit's own.
	Misfit     bool
	Growth     float64
	Covariance [6][6]float64
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

// Verdict judges the fit of one frame. One that is excused, as its samples are known to
// be wrong, is not called distorted; one that moves within its window not for its
// imaginary parts.
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
//
// Covariance says the same in six dimensions where a misfit is beyond chance: the
// growth of the noise's and the jackknife's second moments. Elsewhere it stays as the
// fit states it: sound poses are neither widened nor told from others by their noise.
func (x *Inspector) Verdict(o *Observation, r *solver.Result, excused bool) (Verdict, error) {
	v := Verdict{Spread: math.NaN(), RotationSpread: math.NaN(), Chance: Chance(r.ChiSquare, r.DOF), Growth: 1, Covariance: r.Covariance}
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
	var spread [6][6]float64
	if min(v.Chance, v.QuadratureChance) < doubt {
		if second, ok := x.spread(o.Couplings, r, growth); ok {
			spread = second
			p, q := trace(&second, 0), trace(&second, 3)
			v.Spread, v.RotationSpread = math.Sqrt(p), math.Sqrt(q)
			position += within95 / 3 * p
			rotation += within95 / 3 * q
		}
	}
	v.PositionError, v.RotationError = math.Sqrt(position), math.Sqrt(rotation)
	v.Misfit = v.Chance < alarm
	eddy := v.QuadratureChance < alarm && !o.Moving
	if v.Misfit || eddy {
		v.Growth = growth
		for i := range v.Covariance {
			for j := range v.Covariance[i] {
				v.Covariance[i][j] = growth*r.Covariance[i][j] + spread[i][j]
			}
		}
	}
	if !excused {
		v.Eddy, v.Distorted = eddy, eddy || v.Misfit
	}
	return v, nil
}

// trace sums the diagonal of the 3×3 block of a covariance at from.
func trace(c *[6][6]float64, from int) float64 {
	return c[from][from] + c[from+1][from+1] + c[from+2][from+2]
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

// spread refits without each emitter in turn: the jackknife's second moments of
// the pose, position [m] before rotation [rad]. Where couplings err each by itself, the
// misfit counts as their noise, by which all variances grow: that moves no minimum, and
// the fits end as soon as they are near it by that noise.
func (x *Inspector) spread(c solver.Couplings, r *solver.Result, growth float64) (second [6][6]float64, ok bool) {
	n := 0
	for e := range x.emitters {
		if used(c.Variance[e*x.coils:(e+1)*x.coils]) == 0 {
			continue
		}
		x.take(c)
		if x.solver.Independent(&c) {
			floats.Scale(growth, x.trial.Variance)
			x.trial.Common = x.trial.Common[:0]
		}
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			x.trial.Variance[i] = math.Inf(1)
		}
		without := x.solver.Warm(x.trial, r.Pose)
		if without.Status != solver.Converged {
			continue
		}
		AddDoubt(&second, r.Pose, without.Pose)
		n++
	}
	if n < 2 {
		return second, false
	}
	for i := range second {
		for j := range second[i] {
			second[i][j] *= float64(n-1) / float64(n)
		}
	}
	return second, true
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
