package leastsquares

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// fit is the state of one Solve.
type fit struct {
	p      Problem
	opt    Options
	x      []float64
	r      []float64 // residuals at x
	trial  []float64
	rTrial []float64
	j      *mat.Dense // at x
	scale  []float64  // D, the largest norm that each column of J had
	size   []float64
	delta  []float64
	bend   []float64
	plain  bool // steps are straight
	f      *factor
}

// Solve minimises p from start, which it leaves untouched. The error is for a
// wrong call, or a start where the residuals have no value; how the iteration
// ended is Result.Status.
//
// Trust region after Moré (1978) with column scaling and second-order
// correction. The bends of the latter may lead off a far start to where nothing is left
// to follow; where they find no minimum, a second descent from the start goes without.
func Solve(p Problem, start []float64, opt Options) (Result, error) {
	var results [2]Result
	for k := range results {
		s, err := newFit(p, start, opt)
		if err != nil {
			return Result{}, err
		}
		s.plain = k == 1
		s.opt.MaxIterations = cmp.Or(opt.MaxIterations, [...]int{bentIterations, plainIterations}[k])
		if results[k], err = s.run(); err != nil {
			return Result{}, err
		}
		status := results[k].Status
		if status.Err() == nil || status == iterationLimit && opt.MaxIterations > 0 {
			return results[k], nil
		}
	}
	if results[1].Cost < results[0].Cost {
		return results[1], nil
	}
	return results[0], nil
}

// rounding is the relative error of a cost, from residuals good to some ε.
const rounding = 1e-14

func newFit(p Problem, start []float64, opt Options) (*fit, error) {
	opt, err := opt.check(p.Jacobian == nil)
	if err != nil {
		return nil, err
	}
	if p.Manifold == nil {
		p.Manifold = Euclidean(len(start))
	}
	ambient, n := p.Manifold.dimensions()
	switch {
	case p.Function == nil:
		return nil, fmt.Errorf("leastsquares: Problem.Function is nil: must write the residuals")
	case p.Residuals < 1 || n < 1:
		return nil, fmt.Errorf("leastsquares: %d residuals of %d parameters: need at least one of each", p.Residuals, n)
	case len(start) != ambient:
		return nil, fmt.Errorf("leastsquares: start has %d numbers: the manifold stores %d", len(start), ambient)
	}
	if p.Jacobian == nil {
		p.Jacobian = p.differences
	}
	return &fit{
		p: p, opt: opt,
		x: slices.Clone(start), r: make([]float64, p.Residuals),
		trial: make([]float64, len(start)), rTrial: make([]float64, p.Residuals),
		j:     mat.NewDense(p.Residuals, n, nil),
		scale: make([]float64, n), size: make([]float64, n), delta: make([]float64, n), bend: make([]float64, n),
		f: newFactor(p.Residuals, n),
	}, nil
}

func (s *fit) run() (Result, error) {
	if err := s.p.Function(s.x, s.r); err != nil {
		return Result{}, fmt.Errorf("leastsquares: at the start: %w", err)
	}
	cost := halfSquare(s.r)
	if !isFinite(cost) {
		return Result{}, fmt.Errorf("leastsquares: at the start: the cost is %g: residuals must be finite", cost)
	}
	if err := s.linearise(); err != nil {
		return Result{}, err
	}
	radius := firstRadius * s.scaledSize()
	if radius == 0 {
		radius = firstRadius
	}
	status := notStarted
	iterations, stale, lowest := 0, 0, math.Inf(1)
	if s.f.gradient() == 0 {
		status = gradientZero
	}
	for status == notStarted {
		if iterations == s.opt.MaxIterations {
			status = iterationLimit
			break
		}
		iterations++
		length, fall, lambda := s.f.step(s.delta, s.scale, radius)
		flat := fall <= costTol*cost
		short := length <= stepTol*s.scaledSize()
		if !flat && !short && !s.plain {
			s.accelerate(lambda, length)
		}
		s.p.Manifold.plus(s.trial, s.x, s.delta)
		trialCost := math.Inf(1)
		if err := s.p.Function(s.trial, s.rTrial); err == nil {
			if c := halfSquare(s.rTrial); isFinite(c) {
				trialCost = c
			}
		}
		ratio := (cost - trialCost) / fall
		// Where the promised fall drowns in the rounding of the cost itself, a
		// step need only not make matters worse.
		drowned := fall <= rounding*cost && trialCost <= (1+rounding)*cost
		accept := ratio >= 1e-4 || drowned
		if accept {
			s.x, s.trial = s.trial, s.x
			s.r, s.rTrial = s.rTrial, s.r
			cost = trialCost
		}
		switch {
		case flat:
			status = costFlat
		case short:
			status = stepSmall
		case drowned:
			// The predicted fall, which rounding spares, judges progress here.
			if fall > 0.9*lowest {
				radius = length / 2
				if stale++; stale == 5 {
					status = costFlat
				}
			}
			lowest = min(lowest, fall)
		case ratio < 0.25:
			// Shrink towards the minimum of the parabola through both costs and
			// the slope at x, within 0.1 to 0.5.
			slope := -2 * fall
			shrink := 0.5
			if rise := trialCost - cost; !accept {
				shrink = 0.1
				if isFinite(rise) {
					shrink = min(0.5, max(0.1, -slope/2/(rise-slope)))
				}
			}
			radius = shrink * min(radius, 10*length)
			if radius <= 1e-16*s.scaledSize() || radius == 0 {
				status = Stalled
			}
		case ratio >= 0.75 || lambda == 0:
			radius = 2 * length
		}
		if accept {
			if err := s.linearise(); err != nil {
				return Result{}, err
			}
			if status == notStarted && s.f.gradient() == 0 {
				status = gradientZero
			}
		}
	}
	return s.result(status, iterations, cost)
}

// result fills the covariance with the scale of the last Jacobian alone. In that scale,
// too, a point must be a minimum: columns that have shrunk since the start count for nothing
// in the descent's.
func (s *fit) result(status Status, iterations int, cost float64) (Result, error) {
	s.columnNorms(false)
	if err := s.f.factorise(s.j, s.r, s.scale, s.opt.RankTol); err != nil {
		return Result{}, err
	}
	if status.Err() == nil && cost > zeroCost {
		if length, fall, _ := s.f.step(s.delta, s.scale, math.Inf(1)); length > leastStep*s.scaledSize() && fall > leastFall*cost {
			status = slopeLeft
		}
	}
	return Result{
		X: s.x, Residuals: s.r, Cost: cost,
		Covariance: s.f.covariance(s.scale), Rank: s.f.rank,
		Status: status, Iterations: iterations,
	}, nil
}

func halfSquare(r []float64) float64 { return floats.Dot(r, r) / 2 }

// linearise takes the Jacobian at x and factorises it.
func (s *fit) linearise() error {
	if err := s.p.Jacobian(s.x, s.j); err != nil {
		return fmt.Errorf("leastsquares: Jacobian: %w", err)
	}
	if err := s.columnNorms(true); err != nil {
		return err
	}
	return s.f.factorise(s.j, s.r, s.scale, stepRank*s.opt.RankTol)
}

// columnNorms sets the scale to the norms of the Jacobian's columns, or raises
// it to them when it has to keep what it was.
func (s *fit) columnNorms(keep bool) error {
	raw := s.j.RawMatrix()
	for k := range s.scale {
		norm := blas64.Nrm2(blas64.Vector{N: raw.Rows, Inc: raw.Stride, Data: raw.Data[k:]})
		if !isFinite(norm) {
			return fmt.Errorf("leastsquares: Jacobian: column %d has the norm %g: must be finite", k, norm)
		}
		if keep {
			norm = max(norm, s.scale[k])
		}
		if norm == 0 {
			norm = 1
		}
		s.scale[k] = norm
	}
	return nil
}

// scaledSize is |D·size of the parameters|.
func (s *fit) scaledSize() float64 {
	s.p.Manifold.sizes(s.size, s.x)
	floats.Mul(s.size, s.scale)
	return floats.Norm(s.size, 2)
}

// accelerate bends the step along the curve that the residuals' second
// derivative along it asks for. It carries the iteration down narrow, winding
// valleys in tens of steps instead of thousands, for one more call of the
// function. A bend too large for the expansion to hold is left out.
//
// Source: Transtrum and Sethna, Improvements to the Levenberg–Marquardt
// algorithm for nonlinear least-squares minimization, arXiv:1201.5885, 2012;
// h and the limit of 0.75 are theirs.
func (s *fit) accelerate(lambda, length float64) {
	const h = 0.1
	floats.ScaleTo(s.bend, h, s.delta)
	s.p.Manifold.plus(s.trial, s.x, s.bend)
	if s.p.Function(s.trial, s.rTrial) != nil {
		return
	}
	for i, r := range s.rTrial {
		slope := floats.Dot(s.j.RawRowView(i), s.delta)
		second := ((r-s.r[i])/h - slope) / h // half of it
		if !isFinite(second) {
			return
		}
		s.rTrial[i] = second
	}
	if 2*s.f.correction(s.bend, s.rTrial, s.scale, lambda) <= 0.75*length {
		floats.Add(s.delta, s.bend)
	}
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
