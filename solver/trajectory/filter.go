package trajectory

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/internal/statistics"
)

// What is known before the first window: little. A hand moves at metres and
// tens of radians a second.
const (
	startSpeed        = 5.0   // [m/s]
	startTurnRate     = 50.0  // [rad/s]
	startAcceleration = 200.0 // [m/s²]
	startTurnAccel    = 2000.0
	freeSigma         = 1e-3 // of the rotation about an axis that no coil sees [rad]: fixed, not known
	maxUpdates        = 12   // linearisations of one update
	maxHalvings       = 5    // of one step
	maxOutage         = 10   // windows passed over in a row before the filter starts afresh
)

type filter struct {
	ctx      context.Context // of the one call that it serves
	solver   *solver.Solver
	shared   *shared // nil: the model is exact
	options  Options
	axis     *r3.Vec // about which a rotation can't be seen, sensor frame; nil: none
	center   r3.Vec  // the point on it that the coils see
	mean     []float64
	value    []float64
	residual []float64
	inverse  []float64 // of sigma
	jacobian [][6]float64
	h        *mat.Dense // derivatives of the couplings by the unknowns
	along    []float64  // as many as unknowns
}

// newFilter prepares a filter for frames that depend on so many unknowns each.
func newFilter(ctx context.Context, s *solver.Solver, o Options, unknowns int) *filter {
	p := s.Problem()
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	f := &filter{ctx: ctx, solver: s, shared: newShared(s), options: o, mean: make([]float64, n), value: make([]float64, n),
		residual: make([]float64, n), inverse: make([]float64, n), jacobian: make([][6]float64, n),
		h: mat.NewDense(n, unknowns, nil), along: make([]float64, unknowns)}
	if axis, ok := p.Sensor.BlindAxis(); ok {
		f.axis, f.center = &axis, p.Sensor.Coils[0].Center
	}
	return f
}

// run filters all frames.
func (f *filter) run(frames []Frame) ([]step, float64, error) {
	steps := make([]step, len(frames))
	var likelihood float64
	started, outage := false, 0
	for i, fr := range frames {
		if err := f.ctx.Err(); err != nil {
			return nil, 0, err
		}
		p := &steps[i]
		if !started || outage > maxOutage {
			ok, err := f.start(p, fr)
			if err != nil {
				return nil, 0, err
			}
			switch {
			case ok:
				started, outage = true, 0
				continue
			case !started:
				return nil, 0, fmt.Errorf("%w: frame %d at %g s", ErrNoStart, i, fr.Time)
			}
		}
		before := &steps[i-1]
		dt := fr.Time - frames[i-1].Time
		n := f.options.Motion.size()
		p.transition = before.x.transition(dt, n)
		p.predicted = before.x.after(dt)
		p.predictedC = f.options.Motion.noise(dt, f.options.PositionNoise, f.options.RotationNoise, f.across(p.predicted.pose))
		p.predictedC.AddSym(p.predictedC, sandwich(p.transition, before.cov))
		l, err := f.update(p, &frames[i])
		if err != nil {
			return nil, 0, fmt.Errorf("trajectory: frame %d at %g s: %w", i, fr.Time, err)
		}
		if p.passed {
			outage++
		} else {
			outage = 0
			likelihood += l
		}
	}
	return steps, likelihood, nil
}

// start begins at a frame solved by itself.
func (f *filter) start(p *step, fr Frame) (bool, error) {
	var r solver.Result
	if fr.seen != nil {
		r = fr.seen.Result
	} else {
		r = f.solver.Cold(fr.Couplings)
	}
	if r.Status != solver.Converged {
		return false, nil
	}
	n := f.options.Motion.size()
	p.restarted = true
	p.x = motion{pose: r.Pose}
	p.cov = mat.NewSymDense(n, nil)
	pose := f.covariance(&r, freeSigma)
	for i := range n {
		if i >= 6 {
			sigma := [...]float64{startSpeed, startTurnRate, startAcceleration, startTurnAccel}[i/3-2]
			p.cov.SetSym(i, i, sigma*sigma)
			continue
		}
		for j := i; j < 6; j++ {
			p.cov.SetSym(i, j, pose.At(i, j))
		}
	}
	p.chi2, p.dof = r.ChiSquare, r.DOF
	return true, nil
}

// update corrects the prediction by a frame: the minimum of both misfits,
// found by repeated linearisation with halved steps where one misleads. It
// returns the log-likelihood of the innovation.
//
// The misfit at the minimum is the innovation's chi-square where the model is
// linear, and stays fair where the prediction is too vague for that.
func (f *filter) update(p *step, fr *Frame) (float64, error) {
	n := f.options.Motion.size()
	prior, logPrior, err := inverse(p.predictedC)
	if err != nil {
		return 0, err
	}
	x := p.predicted
	measure := func(x motion) (*evidence, error) {
		return f.measure(fr, f.options.WindowSpread, func(dt float64) (rigid.Pose, *mat.Dense) {
			return x.after(dt).pose, x.transition(dt, n)
		})
	}
	e, err := measure(x)
	if err != nil {
		return 0, err
	}
	pass := func() (float64, error) {
		p.x, p.cov, p.passed = p.predicted, p.predictedC, true
		return 0, nil
	}
	if e.used == 0 {
		return pass()
	}
	cost := e.c
	information := mat.NewSymDense(n, nil)
	var posterior *mat.SymDense
	var logInformation float64
	for range maxUpdates {
		information.AddSym(prior, e.a)
		if posterior, logInformation, err = inverse(information); err != nil {
			return 0, err
		}
		var right, d mat.VecDense
		right.MulVec(prior, mat.NewVecDense(n, p.predicted.minus(x, n)))
		right.AddVec(&right, mat.NewVecDense(n, e.b))
		d.MulVec(posterior, &right)
		// squared step in its own standard deviations
		if mat.Inner(&d, information, &d) < 1e-8*float64(e.used) {
			break
		}
		better := false
		for range maxHalvings {
			next := x.plus(d.RawVector().Data)
			trial, err := measure(next)
			if err != nil {
				return 0, err
			}
			off := mat.NewVecDense(n, next.minus(p.predicted, n))
			if c := trial.c + mat.Inner(off, prior, off); c < cost {
				better, x, e, cost = true, next, trial, c
				break
			}
			d.ScaleVec(0.5, &d)
		}
		if !better {
			break
		}
	}
	p.chi2, p.dof = cost, e.used
	if p.chi2 > float64(p.dof) && statistics.Chance(p.chi2, p.dof) < f.options.Gate {
		return pass()
	}
	p.x, p.cov = x, posterior
	return -0.5 * (cost + e.logR + logPrior + logInformation), nil
}

// inverse of a covariance or information matrix, scaled to unit diagonal first
// (metres and radians, positions and accelerations differ by many orders), with
// the logarithm of its determinant.
func inverse(m *mat.SymDense) (*mat.SymDense, float64, error) {
	n := m.SymmetricDim()
	scale := make([]float64, n)
	for i := range n {
		if !(m.At(i, i) > 0) {
			return nil, 0, fmt.Errorf("component %d of the state has variance or information %g", i, m.At(i, i))
		}
		scale[i] = 1 / math.Sqrt(m.At(i, i))
	}
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s.SetSym(i, j, m.At(i, j)*scale[i]*scale[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(s) {
		return nil, 0, fmt.Errorf("the state's covariance is not positive definite")
	}
	out := mat.NewSymDense(n, nil)
	if err := chol.InverseTo(out); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return nil, 0, err
		}
	}
	logDet := chol.LogDet()
	for i := range n {
		logDet -= 2 * math.Log(scale[i])
		for j := i; j < n; j++ {
			out.SetSym(i, j, out.At(i, j)*scale[i]*scale[j])
		}
	}
	return out, logDet, nil
}
