package trajectory

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver"
	"tonepose/solver/internal/statistics"
	"tonepose/solver/leastsquares"
)

// SplineOptions tunes Spline. The zero value of a field means its default.
type SplineOptions struct {
	// Knots is the time between knots [s]; 0: chosen by cross-validation.
	Knots float64
	// WindowSpread and Correlation are those of Options.
	WindowSpread float64
	Correlation  float64
	// Gate is the probability below which a window's misfit to the curve counts
	// as foreign to it; default 1e-6. Such windows are left out of a second fit.
	Gate float64
}

// folds of the cross-validation: every fifth window is predicted by the others.
const folds = 5

// Spline fits one smooth curve of poses to the couplings of all frames at once,
// by Levenberg–Marquardt on banded normal equations. Where no window speaks, a
// vague bound on the acceleration bridges.
//
// Spline ends with the context's error soon after that is done.
func Spline(ctx context.Context, s *solver.Solver, frames []Frame, o SplineOptions) (*Track, error) {
	if o.Correlation == 0 {
		o.Correlation = 1
	}
	if o.Gate == 0 {
		o.Gate = 1e-6
	}
	if o.Knots < 0 || o.WindowSpread < 0 || o.Correlation < 1 {
		return nil, fmt.Errorf("trajectory: SplineOptions %+v: Knots and WindowSpread must not be negative, Correlation at least 1", o)
	}
	if len(frames) < order {
		return nil, fmt.Errorf("trajectory: %d windows are too few for a spline: %d are needed", len(frames), order)
	}
	frames = slices.Clone(frames)
	f := newFilter(ctx, s, Options{Motion: ConstantVelocity, WindowSpread: o.WindowSpread, Correlation: o.Correlation})
	fit := &splineFit{filter: f, frames: frames, use: make([]bool, len(frames))}
	for i := range fit.use {
		fit.use[i] = true
	}
	fit.solved = f.solved(frames)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if len(fit.solved) == 0 {
		return nil, ErrNoStart
	}
	if o.Knots == 0 {
		var err error
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
		chi2, dof, err := fit.misfit(c, i)
		if err != nil {
			return nil, err
		}
		if chi2 > float64(dof) && statistics.Chance(chi2, dof) < o.Gate {
			fit.use[i] = false
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
	use    []bool
	solved []Frame // one by one, for a start
}

// initial places the control points on the poses solved one by one.
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
	splineBlind        = 0.3 // of a turn that can't be seen [rad]
)

// run fits the curve with the given time between knots.
func (f *splineFit) run(knots float64) (*curve, error) {
	start := f.initial(knots)
	e, err := f.linearise(start, start)
	if err != nil {
		return nil, err
	}
	d := &descent{fit: f, start: start, at: point{start, e}}
	_, _, _, err = leastsquares.Descend(d, e.cost, splineTol*float64(e.used), splineIterations)
	return d.at.curve, err
}

// descent is a fit as leastsquares.Descend asks it.
type descent struct {
	fit        *splineFit
	start      *curve
	at, before point
	step       []float64
}

// point is a curve with its equations.
type point struct {
	curve  *curve
	normal *normal
}

func (d *descent) Step(damping float64) (fall float64, ok bool) {
	d.step, fall, ok = d.at.normal.solve(damping)
	return fall, ok
}

func (d *descent) Take() (float64, error) {
	next := d.at.curve.move(d.step)
	e, err := d.fit.linearise(next, d.start)
	if err != nil {
		return 0, err
	}
	d.before, d.at = d.at, point{next, e}
	return e.cost, nil
}

func (d *descent) Back() error {
	d.at = d.before
	return nil
}

// linearise gathers the normal equations of all frames in use.
func (f *splineFit) linearise(c, start *curve) (*normal, error) {
	e := newNormal(6 * len(c.control))
	for i := range f.frames {
		if err := f.filter.ctx.Err(); err != nil {
			return nil, err
		}
		if f.use[i] {
			if err := f.window(c, &f.frames[i], e); err != nil {
				return nil, err
			}
		}
	}
	f.bridge(c, start, e)
	return e, nil
}

// window adds one frame: the weighted mean of the couplings along the curve
// during the window.
func (f *splineFit) window(c *curve, fr *Frame, e *normal) error {
	g := f.filter
	if fr.seen != nil {
		return f.solvedWindow(c, fr, e)
	}
	if !fr.widened {
		middle, _ := c.at(fr.Time, nil)
		if err := g.widen(fr, middle); err != nil {
			return err
		}
	}
	first, _ := c.locate(fr.Time - math.Sqrt(3)*g.options.WindowSpread)
	clear(g.mean)
	rows := make([][]float64, len(g.mean))
	for i, all := 0, make([]float64, len(g.mean)*columns); i < len(rows); i++ {
		rows[i] = all[i*columns:][:columns]
	}
	for k, node := range nodes {
		weight := node.weight
		if g.options.WindowSpread == 0 {
			if k > 0 {
				break
			}
			weight = 1
		}
		var d [order][6][6]float64
		pose, segment := c.at(fr.Time+node.at*g.options.WindowSpread, &d)
		if segment-first > 1 { // a window of several segments: its middle has to do
			weight = 0
		}
		if weight == 0 {
			continue
		}
		if err := g.solver.Evaluate(pose, g.value, g.jacobian); err != nil {
			return err
		}
		for i, jac := range g.jacobian {
			g.mean[i] += weight * g.value[i]
			for j := range d {
				out := rows[i][6*(segment-first+j):]
				for r, v := range jac {
					for s := range 6 {
						out[s] += weight * v * d[j][r][s]
					}
				}
			}
		}
	}
	g.compareWith(fr)
	_, used := g.weigh(fr, g.residual, rows)
	for i, r := range g.residual {
		e.add(6*first, rows[i], r, 1)
	}
	e.used += used
	return nil
}

// solvedWindow adds the pose of a frame that was solved by itself.
func (f *splineFit) solvedWindow(c *curve, fr *Frame, e *normal) error {
	var d [order][6][6]float64
	pose, segment := c.at(fr.Time, &d)
	says, err := f.filter.compare(motion{pose: pose}, fr.seen)
	if err != nil {
		return err
	}
	// rows of a square root of the information: whitened
	info := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			info.SetSym(i, j, says.a.At(i, j))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		return nil // nothing known
	}
	var upper mat.TriDense
	chol.UTo(&upper)
	var white mat.VecDense // U⁻ᵀ·b = U·r
	if err := white.SolveVec(upper.T(), mat.NewVecDense(6, says.b[:6])); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return err
		}
	}
	row := make([]float64, 6*order)
	for r := range 6 {
		clear(row)
		for j := range d {
			for k := r; k < 6; k++ {
				for s := range 6 {
					row[6*j+s] += upper.At(r, k) * d[j][k][s]
				}
			}
		}
		e.add(6*segment, row, white.AtVec(r), 1)
	}
	e.used += 6
	return nil
}

// add puts one weighted row into the normal equations.
func (e *normal) add(at int, row []float64, residual, weight float64) {
	e.cost += weight * residual * residual
	if e.a == nil { // only the cost is asked
		return
	}
	raw := e.a.RawSymBand() // row i holds its diagonal first
	for p, v := range row {
		if v == 0 {
			continue
		}
		e.b[at+p] += weight * residual * v
		line := raw.Data[(at+p)*raw.Stride:]
		for q, w := range row[p:] {
			if w != 0 {
				line[q] += weight * v * w
			}
		}
	}
}

// bridge bounds the second differences of the control points, and holds a turn
// that can't be seen near its start.
func (f *splineFit) bridge(c, start *curve, e *normal) {
	h2 := c.step * c.step
	for i := 1; i+1 < len(c.control); i++ {
		backP, backR := c.control[i-1].Minus(c.control[i])
		onP, onR := c.control[i+1].Minus(c.control[i])
		for k := range 6 {
			residual, sigma := at(backP, k%3)+at(onP, k%3), splineAcceleration*h2
			if k >= 3 {
				residual, sigma = at(backR, k%3)+at(onR, k%3), splineTurnAccel*h2
			}
			row := make([]float64, 13)
			row[0], row[6], row[12] = 1, -2, 1
			e.add(6*(i-1)+k, row, -residual, 1/(sigma*sigma))
		}
	}
	if f.filter.axis == nil {
		return
	}
	for i := range c.control {
		a := c.control[i].Rotate(*f.filter.axis)
		_, dr := c.control[i].Minus(start.control[i])
		e.add(6*i+3, []float64{a.X, a.Y, a.Z}, -r3.Dot(dr, a), 1/(splineBlind*splineBlind))
	}
}

// misfit is a frame's chi-square to the curve.
func (f *splineFit) misfit(c *curve, i int) (float64, int, error) {
	var e normal
	if err := f.window(c, &f.frames[i], &e); err != nil {
		return 0, 0, err
	}
	return e.cost, e.used, nil
}

// validate chooses the time between knots under which windows that were left
// out are predicted best.
func (f *splineFit) validate() (float64, error) {
	// Poses solved one by one stand for their couplings: the same evidence, and
	// some hundred fits need no field models.
	f = &splineFit{filter: f.filter, frames: f.solved, solved: f.solved, use: make([]bool, len(f.solved))}
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
			for i := range f.use {
				f.use[i] = i%folds != fold
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
				chi2, dof, err := f.misfit(c, i)
				if err != nil {
					return 0, err
				}
				// one foreign window must not decide
				score += math.Min(chi2, 10*float64(dof))
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
		s := State{Time: fr.Time, Passed: !f.use[i]}
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
		if s.ChiSquare, s.DOF, err = f.misfit(c, i); err != nil {
			return nil, err
		}
		if f.filter.axis != nil {
			f.filter.smallestTurn(&s)
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
