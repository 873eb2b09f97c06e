package trajectory

import (
	"context"
	"errors"
	"math"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/leastsquares"
)

// Spline lays smooth curves of poses through the windows: the smoother finds out
// where the motion goes on without a break, and each such part becomes one
// cubic curve, by Gauss–Newton on banded normal equations with the process noise as
// prior: it bounds the third derivative (of a constant velocity the second) by
//
//	∫|p⁽³⁾|²/q dt
//
// and bridges where there is no window, so that the curve's knots may be as close as
// windows tell apart. What wider knots can't follow is in the covariances: see
// unfollowed. Parts with fewer windows than a segment has control points stay as
// smoothed.
//
// Spline ends with the context's error soon after that is done.
func Spline(ctx context.Context, s *solver.Solver, frames []Frame, o Options) (*Track, error) {
	o.Spline = true
	return Run(ctx, s, frames, o)
}

// splinePiece is how many windows are fitted at once. A piece reaches margin windows (see
// smoothPiece) beyond what is read off it on either side. So memory and the time to an
// end that is asked for do not grow with the recording.
const splinePiece = 16 * block

// grid is where the knots of one part of the motion lie.
type grid struct {
	from        int // number of the part's first frame in memory; below 0: it is gone
	start, step float64
}

// curve is that with the grid's knots from one time to another.
func (g *grid) curve(from, to float64) *curve {
	first, last := math.Floor((from-g.start)/g.step), math.Floor((to-g.start)/g.step)
	return &curve{start: g.start + first*g.step, step: g.step, control: make([]rigid.Pose, int(last-first)+order)}
}

// layNext lays a curve through the next windows of the part of the motion at hand that
// goes on without a break, or begins the next part.
func (j *Joiner) layNext() error {
	from := j.done
	if err := j.smoothTo(from + j.piece + j.margin); err != nil {
		return err
	}
	for j.done < j.smoothed && j.records[j.done].unknown {
		j.done++
	}
	if j.done > from {
		return nil
	}
	if j.records[from].restarted {
		// Centred, should the part last to the end: what the last knot overhangs is shared.
		lasts := j.end - j.frames[from].Time
		overhang := j.knots*max(1, math.Ceil(lasts/j.knots-1e-9)) - lasts
		j.grid = grid{from, j.frames[from].Time - overhang/2, j.knots}
	}
	to := from + 1
	for to < j.smoothed && !j.records[to].restarted {
		to++
	}
	ended := to < j.smoothed || to == j.left()
	until := from + j.piece
	if ended && until+j.margin >= to {
		until = to
	}
	s := &spline{Joiner: j, from: max(j.grid.from, from-j.margin, 0), to: min(to, until+j.margin)}
	if err := s.lay(j.states, from, until, j.grid.curve(j.frames[s.from].Time, j.frames[s.to-1].Time)); err != nil {
		return err
	}
	j.done = until
	return nil
}

// knotShare is the share of a smoother's variance that knots chosen for it may leave.
const knotShare = 0.01

// fine is the time between knots that leave little.
func (t *tracker) fine() float64 {
	// A smoother's variance is q·τ^(2m−1)/(2m·sin(π/2m)): the integral of A·S.
	order := float64(t.options.Motion.free() / 3)
	return min(t.spans[0], t.spans[1]) * math.Pow(knotShare/(t.options.Motion.unfollowed()*order*math.Sin(math.Pi/order)), 1/(order-1))
}

// spline is a curve being laid through windows.
type spline struct {
	*Joiner
	from, to int // the windows
	start    []rigid.Pose
	at       *normal
	before   *normal
	step     []float64
}

// normal is the normal equations of a fit at a curve.
type normal struct {
	curve *curve
	a     *band
	b     []float64
	cost  float64
}

const (
	splineIterations = 30
	// splineTol is the fall of chi-square that a step must promise.
	splineTol  = 1e-4
	splineFree = 0.3 // of a rotation that can't be seen [rad]
)

// lay fits a curve to the windows and writes what it says of those from one to
// another into states.
func (s *spline) lay(states []State, first, end int, c *curve) error {
	used := 0
	for i := s.from; i < s.to; i++ {
		if !s.records[i].passed {
			used++
		}
	}
	if used < order {
		return nil
	}
	k := s.from
	for i := range c.control {
		at := c.center(i)
		for k+2 < s.to && states[k+1].Time <= at {
			k++
		}
		a, b := &states[k], &states[k+1]
		u := (at - a.Time) / (b.Time - a.Time)
		dp, dr := b.Pose.Minus(a.Pose)
		c.control[i] = a.Pose.Plus(r3.Scale(u, dp), r3.Scale(u, dr))
	}
	s.start = c.control
	if err := s.run(c); err != nil {
		return err
	}
	// To knots too wide for the motion all windows are foreign.
	if c.step <= s.fine() && s.sort() {
		if err := s.run(s.at.curve); err != nil {
			return err
		}
	}
	return s.read(states, first, end)
}

// run descends to the best curve.
func (s *spline) run(c *curve) (err error) {
	if s.at, err = s.linearise(c); err != nil {
		return err
	}
	_, _, _, err = leastsquares.Descend(s, s.at.cost, splineTol, splineIterations)
	return err
}

// Step, Take and Back make a spline a problem of leastsquares.Descend.
func (s *spline) Step(damping float64) (fall float64, ok bool) {
	u, ok := s.at.a.factor(damping)
	if !ok {
		return 0, false
	}
	s.step = append(s.step[:0], s.at.b...)
	lapack64.Pbtrs(u, blas64.General{Rows: len(s.step), Cols: 1, Stride: 1, Data: s.step})
	for i, d := range s.step { // |r|² − |r − J·d|²
		fall += d * (s.at.b[i] + damping*(*s.at.a.at(i, i))*d)
	}
	return fall, true
}

func (s *spline) Take() (float64, error) {
	e, err := s.linearise(s.at.curve.move(s.step))
	if err != nil {
		return 0, err
	}
	s.before, s.at = s.at, e
	return e.cost, nil
}

func (s *spline) Back() error {
	s.at = s.before
	return nil
}

// linearise gathers the normal equations of the windows in use and of the prior.
func (s *spline) linearise(c *curve) (*normal, error) {
	c.ready()
	n := 6 * len(c.control)
	e := &normal{curve: c, a: newBand(n), b: make([]float64, n)}
	var w window
	for i := s.from; i < s.to; i++ {
		if err := s.ctx.Err(); err != nil {
			return nil, err
		}
		rec := &s.records[i]
		if rec.passed {
			continue
		}
		s.window(c, i, &w)
		for j := range w.row {
			e.add(6*w.first, w.row[j][:], w.residual[j], 1/s.variance)
		}
	}
	s.prior(e)
	return e, nil
}

// add adds an equation row·x = residual.
func (e *normal) add(first int, row []float64, residual, weight float64) {
	e.a.addSquare(first, row, weight)
	for p, v := range row[:min(len(row), len(e.b)-first)] {
		e.b[first+p] += weight * v * residual
	}
	e.cost += weight * residual * residual
}

// window is what a frame says of the control points from number first on.
type window struct {
	first    int
	row      [6][columns]float64
	residual [6]float64
}

// mean is that of the curve's poses during frame i, as an offset from the pose that the
// frame was read about. What it has of the errors of the control points from first on
// goes to w, unless nil.
func (s *spline) mean(c *curve, i int, w *[order + 1]weight) (mean [6]float64, first int) {
	rec := &s.records[i]
	at, weigh := s.reader.nodes()
	time := s.frames[i].Time
	first, _ = c.locate(time - at)
	var here *[order]weight
	if w != nil {
		*w, here = [order + 1]weight{}, new([order]weight)
	}
	for _, node := range [3]struct{ at, weight float64 }{{0, 1 - 2*weigh}, {-at, weigh}, {at, weigh}} {
		pose, segment := c.at(time+node.at, here)
		dp, dr := pose.Minus(rec.pose)
		for k, v := range six(dp, dr) {
			mean[k] += node.weight * v
		}
		if w == nil {
			continue
		}
		for j := range here {
			to := &w[segment-first+j]
			to.place += node.weight * here[j].place
			for r := range 3 {
				for k, v := range here[j].turn[r] {
					to.turn[r][k] += node.weight * v
				}
			}
		}
	}
	return mean, first
}

// window compares frame i with a curve.
func (s *spline) window(c *curve, i int, w *window) {
	rec := &s.records[i]
	var by [order + 1]weight
	var mean [6]float64
	mean, w.first = s.mean(c, i, &by)
	for j := range 6 {
		w.residual[j] = rec.misfit(j, &mean)
		u := &rec.root[j]
		for p := range by {
			row := (*[6]float64)(w.row[j][6*p:])
			for k := range 3 {
				t := &by[p].turn
				row[k] = u[k] * by[p].place
				row[3+k] = u[3]*t[0][k] + u[4]*t[1][k] + u[5]*t[2][k]
			}
		}
	}
}

// prior adds the process noise: what its strengths expect of the curve's derivatives.
// The third is constant in each segment; the square of the second is integrated
// exactly by Gauss's rule of two points.
func (s *spline) prior(e *normal) {
	c, h := e.curve, e.curve.step
	type rule struct{ by [order - 1]float64 } // of the differences of the control points
	rules, power := []rule{{[3]float64{1, -2, 1}}}, math.Pow(h, 5)
	if s.options.Motion == ConstantVelocity {
		rules = rules[:0]
		for _, u := range []float64{0.5 - 0.5/math.Sqrt(3), 0.5 + 0.5/math.Sqrt(3)} {
			rules = append(rules, rule{[3]float64{u - 1, 1 - 2*u, u}})
		}
		power = 2 * h * h * h
	}
	for i := 0; i+order <= len(c.control); i++ {
		var difference [order - 1][6]float64
		var right, left [order - 1][3][3]float64 // derivatives of the rotations by the later and the earlier point
		for j := range difference {
			dp, dr := c.control[i+j+1].Minus(c.control[i+j])
			difference[j] = six(dp, dr)
			right[j], left[j] = rigid.LeftJacobianInverse(dr), rigid.RightJacobianInverse(dr)
		}
		for _, r := range rules {
			for k := range 6 {
				var row [6 * order]float64
				residual, strength := 0.0, s.options.PositionNoise
				if k >= 3 {
					strength = s.options.RotationNoise
				}
				for j, by := range r.by {
					residual -= by * difference[j][k]
					if k < 3 {
						row[6*(j+1)+k] += by
						row[6*j+k] -= by
						continue
					}
					for l := range 3 {
						row[6*(j+1)+3+l] += by * right[j][k-3][l]
						row[6*j+3+l] -= by * left[j][k-3][l]
					}
				}
				e.add(6*i, row[:], residual, 1/(strength*power))
			}
		}
	}
	if s.axis == nil {
		return
	}
	for i := range c.control {
		a := c.control[i].Rotate(*s.axis)
		_, dr := c.control[i].Minus(rigid.Pose{Rotation: s.start[i].Rotation})
		e.add(6*i+3, []float64{a.X, a.Y, a.Z}, -r3.Dot(dr, a), 1/(splineFree*splineFree))
	}
}

// sort compares all windows with the curve: which of them are foreign to it, now that
// it is known from both sides. It reports whether that changed.
func (s *spline) sort() (changed bool) {
	passed := make([]bool, s.to-s.from)
	used := 0
	for i := s.from; i < s.to; i++ {
		rec := &s.records[i]
		if rec.used == 0 {
			passed[i-s.from] = true
			continue
		}
		s.misfit(s.at.curve, i)
		passed[i-s.from] = s.foreign(rec)
		if passed[i-s.from] != rec.passed {
			changed = true
		}
		if !passed[i-s.from] {
			used++
		}
	}
	if used < order {
		return false
	}
	for i := range passed {
		s.records[s.from+i].passed = passed[i]
	}
	return changed
}

// misfit sets a frame's chi-square to that against a curve, and returns the mean of it.
func (s *spline) misfit(c *curve, i int) (mean [6]float64) {
	mean, _ = s.mean(c, i, nil)
	rec := &s.records[i]
	rec.chi2 = rec.rest / s.variance
	for j := range mean {
		v := rec.misfit(j, &mean)
		rec.chi2 += v * v / s.variance
	}
	return mean
}

var errSingular = errors.New("trajectory: the spline's normal equations are singular")

// read reads poses, velocities and covariances of windows from first to end off the
// curve.
func (s *spline) read(states []State, first, end int) error {
	c := s.at.curve
	u, ok := s.at.a.factor(0)
	if !ok {
		return errSingular
	}
	z := inverse(u)
	var left leftover
	var w [order]weight
	for i := first; i < end; i++ {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		mean := s.misfit(c, i)
		rec, state := &s.records[i], State{Time: s.frames[i].Time}
		state.ChiSquare, state.DOF, state.Passed = rec.chi2, rec.used, rec.passed
		var segment int
		state.Pose, segment = c.at(state.Time, &w)
		state.Velocity, state.TurnRate = c.rates(state.Time)
		covariance(&state.Covariance, z, 6*segment, &w)
		if !rec.passed {
			left.add(s, i, &mean, &state.Covariance)
		}
		states[i] = state
	}
	unfollowed := left.of(s, c.step)
	for i := first; i < end; i++ {
		state := &states[i]
		s.share.scale(&state.Covariance, s.sides[i])
		across := s.across(state.Pose)
		for k := range 3 {
			state.Covariance[k][k] += unfollowed[0]
			for l := range 3 {
				state.Covariance[3+k][3+l] += unfollowed[1] * across[k][l]
			}
		}
		if s.axis != nil {
			s.smallestRotation(state)
		}
	}
	return nil
}

// covariance is W·Z·Wᵀ of the control points from unknown first on.
func covariance(to *rigid.Covariance, z *band, first int, w *[order]weight) {
	const n = 6 * order
	for r := range 6 {
		// half = W_r·Z, of which positions and rotations have three components a point
		var half [n]float64
		for p := range n {
			var v float64
			switch {
			case r >= 3 && p%6 >= 3:
				v = w[p/6].turn[r-3][p%6-3]
			case r == p%6:
				v = w[p/6].place
			}
			if v == 0 {
				continue
			}
			for q := range p {
				half[q] += v * z.data[(first+q)*columns+p-q]
			}
			for q, w := range z.data[(first+p)*columns:][:n-p] {
				half[p+q] += v * w
			}
		}
		for c := range r + 1 {
			v := 0.0
			for p := range w {
				own := (*[6]float64)(half[6*p:])
				if c < 3 {
					v += own[c] * w[p].place
				} else {
					t := &w[p].turn[c-3]
					v += own[3]*t[0] + own[4]*t[1] + own[5]*t[2]
				}
			}
			to[r][c], to[c][r] = v, v
		}
	}
}
