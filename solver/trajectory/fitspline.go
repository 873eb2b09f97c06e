package trajectory

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/internal/statistics"
	"tonepose/solver/leastsquares"
)

// folds of the cross-validation: every fifth window is predicted by the others.
const folds = 5

// Spline fits one smooth curve of poses to the couplings of all frames at once,
// by Levenberg–Marquardt on banded normal equations. Where there is no window, a
// vague bound on the acceleration bridges.
//
// Spline ends with the context's error soon after that is done.
func Spline(ctx context.Context, s *solver.Solver, frames []Frame, o Options) (*Track, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if len(frames) < order {
		return nil, fmt.Errorf("trajectory: %d windows are too few for a spline: %d are needed", len(frames), order)
	}
	frames = slices.Clone(frames)
	f := newFilter(ctx, s, o, columns)
	fit := &splineFit{filter: f, frames: frames, out: make([]bool, len(frames))}
	fit.solved = f.solved(frames)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(fit.solved) == 0 {
		return nil, ErrNoStart
	}
	if o.Knots == 0 {
		if o.Knots, err = fit.validate(); err != nil {
			return nil, err
		}
	}
	c, err := fit.run(o.Knots)
	if err != nil {
		return nil, err
	}
	foreign := 0
	for i := range frames {
		e, _, err := fit.window(c, i)
		if err != nil {
			return nil, err
		}
		if e.c > float64(e.used) && statistics.Chance(e.c, e.used) < o.Gate {
			fit.out[i] = true
			foreign++
		}
	}
	if foreign > 0 && foreign < len(frames)-order {
		if c, err = fit.run(o.Knots); err != nil {
			return nil, err
		}
	}
	t, err := fit.track(c)
	if err != nil {
		return nil, err
	}
	return t, f.addShared(t.States, frames)
}

type splineFit struct {
	filter *filter
	frames []Frame
	out    []bool  // left out
	solved []Frame // one by one, for a start
}

// initial sets the control points to the poses solved one by one.
func (f *splineFit) initial(knots float64) *curve {
	c := newCurve(f.frames[0].Time, f.frames[len(f.frames)-1].Time, knots)
	k := 0
	for i := range c.control {
		t := c.center(i)
		for k+1 < len(f.solved) && f.solved[k+1].Time <= t {
			k++
		}
		a := f.solved[k]
		if k+1 == len(f.solved) || t <= a.Time {
			c.control[i] = a.seen.Pose
			continue
		}
		b := f.solved[k+1]
		u := (t - a.Time) / (b.Time - a.Time)
		dp, dr := b.seen.Pose.Minus(a.seen.Pose)
		c.control[i] = a.seen.Pose.Plus(r3.Scale(u, dp), r3.Scale(u, dr))
	}
	return c
}

const (
	splineIterations = 30
	// splineTol is the fall of chi-square, over the couplings, that a step must
	// promise: all of it is a hundredth of a sigma, over all components.
	splineTol = 1e-8
	// bridges between control points that no window sees: far beyond a hand
	splineAcceleration = 1e4 // [m/s²]
	splineTurnAccel    = 1e5 // [rad/s²]
	splineFree         = 0.3 // of a rotation that can't be seen [rad]
)

// run fits the curve with the given time between knots.
func (f *splineFit) run(knots float64) (*curve, error) {
	start := f.initial(knots)
	e, err := f.linearise(start, start)
	if err != nil {
		return nil, err
	}
	d := &descent{fit: f, start: start, at: e}
	_, _, _, err = leastsquares.Descend(d, e.cost, splineTol*float64(e.used), splineIterations)
	return d.at.curve, err
}

// descent is a fit as leastsquares.Descend asks it.
type descent struct {
	fit        *splineFit
	start      *curve
	at, before *normal
	step       []float64
}

func (d *descent) Step(damping float64) (fall float64, ok bool) {
	d.step, fall, ok = d.at.solve(damping)
	return fall, ok
}

func (d *descent) Take() (float64, error) {
	e, err := d.fit.linearise(d.at.curve.move(d.step), d.start)
	if err != nil {
		return 0, err
	}
	d.before, d.at = d.at, e
	return e.cost, nil
}

func (d *descent) Back() error {
	d.at = d.before
	return nil
}

// linearise gathers the normal equations of all frames in use.
func (f *splineFit) linearise(c, start *curve) (*normal, error) {
	e := newNormal(c)
	for i := range f.frames {
		if err := f.filter.ctx.Err(); err != nil {
			return nil, err
		}
		if f.out[i] {
			continue
		}
		window, first, err := f.window(c, i)
		if err != nil {
			return nil, err
		}
		e.add(6*first, window)
	}
	f.bridge(c, start, e)
	return e, nil
}

// window compares frame i with the curve: by the control points of two segments,
// the first of which is returned too.
func (f *splineFit) window(c *curve, i int) (e *evidence, first int, err error) {
	fr, spread := &f.frames[i], f.filter.options.WindowSpread
	if 2*math.Sqrt(3)*spread > c.step { // more than two segments: its middle has to do
		spread = 0
	}
	first, _ = c.locate(fr.Time - math.Sqrt(3)*spread)
	e, err = f.filter.measure(fr, spread, func(dt float64) (rigid.Pose, *mat.Dense) {
		var d [order][6][6]float64
		pose, segment := c.at(fr.Time+dt, &d)
		byControl := mat.NewDense(6, columns, nil)
		for r := range 6 {
			for j := range d {
				copy(byControl.RawRowView(r)[6*(segment-first+j):], d[j][r][:])
			}
		}
		return pose, byControl
	})
	return e, first, err
}

// row is one equation row·x = residual with a standard deviation.
func row(row []float64, residual, sigma float64) *evidence {
	e := newEvidence(len(row))
	e.a.SymOuterK(1/(sigma*sigma), mat.NewVecDense(len(row), row))
	floats.AddScaled(e.b, residual/(sigma*sigma), row)
	e.c = residual * residual / (sigma * sigma)
	return e
}

// bridge bounds the second differences of the control points, and holds a rotation
// that can't be seen near its start.
func (f *splineFit) bridge(c, start *curve, e *normal) {
	h2 := c.step * c.step
	for i := 1; i+1 < len(c.control); i++ {
		backP, backR := c.control[i-1].Minus(c.control[i])
		onP, onR := c.control[i+1].Minus(c.control[i])
		for k, second := range flat(r3.Add(backP, onP), r3.Add(backR, onR)) {
			sigma := splineAcceleration * h2
			if k >= 3 {
				sigma = splineTurnAccel * h2
			}
			byControl := make([]float64, 13)
			byControl[0], byControl[6], byControl[12] = 1, -2, 1
			e.add(6*(i-1)+k, row(byControl, -second, sigma))
		}
	}
	if f.filter.axis == nil {
		return
	}
	for i := range c.control {
		a := c.control[i].Rotate(*f.filter.axis)
		_, dr := c.control[i].Minus(start.control[i])
		e.add(6*i+3, row(flat(a), -r3.Dot(dr, a), splineFree))
	}
}

// validate chooses the time between knots under which windows that were left
// out are predicted best.
func (f *splineFit) validate() (float64, error) {
	// Poses solved one by one stand for their couplings: the same evidence, and
	// some hundred fits need no field models.
	f = &splineFit{filter: f.filter, frames: f.solved, solved: f.solved, out: make([]bool, len(f.solved))}
	if len(f.frames) < 2*order {
		return 0, fmt.Errorf("trajectory: %d windows with a pose are too few to choose the spline's knots: give them", len(f.frames))
	}
	span := f.frames[len(f.frames)-1].Time - f.frames[0].Time
	hop := span / float64(len(f.frames)-1)
	best, chosen := math.Inf(1), 0.0
	worse := 0
	for knots := 2 * hop; knots < span/2; knots *= math.Sqrt2 {
		var score float64
		for fold := range folds {
			for i := range f.out {
				f.out[i] = i%folds == fold
			}
			c, err := f.run(knots)
			if done := f.filter.ctx.Err(); done != nil {
				return 0, done
			}
			if err != nil {
				score = math.Inf(1)
				break
			}
			for i := fold; i < len(f.frames); i += folds {
				e, _, err := f.window(c, i)
				if err != nil {
					return 0, err
				}
				// one foreign window must not decide
				score += math.Min(e.c, 10*float64(e.used))
			}
		}
		if score < best {
			best, chosen, worse = score, knots, 0
		} else if worse++; worse == 3 {
			break
		}
	}
	if chosen == 0 {
		return 0, errors.New("trajectory: no spacing of knots fits these windows")
	}
	return chosen, nil
}

// track reads poses, velocities and covariances off the curve.
func (f *splineFit) track(c *curve) (*Track, error) {
	e, err := f.linearise(c, c)
	if err != nil {
		return nil, err
	}
	var chol mat.BandCholesky
	if !chol.Factorize(e.a) {
		return nil, errors.New("trajectory: the spline's normal equations are singular")
	}
	t := &Track{Knots: c.step}
	n := len(e.b)
	for i, fr := range f.frames {
		if err := f.filter.ctx.Err(); err != nil {
			return nil, err
		}
		s := State{Time: fr.Time, Passed: f.out[i]}
		var d [order][6][6]float64
		var segment int
		s.Pose, segment = c.at(fr.Time, &d)
		s.Velocity, s.TurnRate = c.rates(fr.Time)
		right, solved := mat.NewDense(n, 6, nil), mat.NewDense(n, 6, nil)
		for j := range d {
			for r := range 6 {
				for k := range 6 {
					right.Set(6*(segment+j)+k, r, d[j][r][k])
				}
			}
		}
		if err := chol.SolveTo(solved, right); err != nil {
			if _, ok := err.(mat.Condition); !ok {
				return nil, err
			}
		}
		var cov mat.Dense
		cov.Mul(right.T(), solved)
		for r := range 6 {
			for k := range 6 {
				s.Covariance[r][k] = (cov.At(r, k) + cov.At(k, r)) / 2
			}
		}
		window, _, err := f.window(c, i)
		if err != nil {
			return nil, err
		}
		s.ChiSquare, s.DOF = window.c, window.used
		if f.filter.axis != nil {
			f.filter.smallestRotation(&s)
		}
		t.States = append(t.States, s)
	}
	return t, nil
}

// rates are the derivatives by central differences of a thousandth of a knot:
// exact to 1e-6 of the curve's second derivative times the knots' spacing.
func (c *curve) rates(t float64) (velocity, turn r3.Vec) {
	h := c.step / 1000
	a, _ := c.at(t-h, nil)
	b, _ := c.at(t+h, nil)
	dp, dr := b.Minus(a)
	return r3.Scale(1/(2*h), dp), r3.Scale(1/(2*h), dr)
}
