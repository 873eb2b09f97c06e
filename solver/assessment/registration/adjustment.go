package registration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"tonepose/solver/leastsquares"
)

// model is what a fit looks for.
type model interface {
	// start finds the model of some of the data in closed form.
	start(use []int) error
	// numbers is the model as its manifold stores it, where the iteration begins.
	numbers() []float64
	set(x []float64)
	// residual writes that of datum i in its own unit, derivative its derivative
	// along the manifold into j from row on.
	residual(i int, r []float64)
	derivative(i int, j *mat.Dense, row int)
}

// adjustment is the weighted fit of a model to n data.
type adjustment struct {
	model
	n          int
	size       int // the fewest data that determine the model, and some more
	components int // of a residual
	parameters int // of the model
	manifold   leastsquares.Manifold
	weights    []whitener // one each; of all ones at first
	stated     bool       // weights are those of stated covariances
	open       string     // what data lack that determine only a part of the model

	buffer []float64
}

// weigh takes the covariance of every residual; at is element (i, j) of that of
// datum k, name what a datum is.
func (a *adjustment) weigh(name string, at func(k, i, j int) float64) (err error) {
	for k := range a.weights {
		if a.weights[k], err = newWhitener(a.components, func(i, j int) float64 { return at(k, i, j) }); err != nil {
			return fmt.Errorf("%s %d: %w", name, k+1, err)
		}
	}
	return nil
}

// run leaves outliers out and fits the rest. scale is the factor on the fit's
// covariance: 1 where the covariances were stated.
func (a *adjustment) run(o Options) (fit leastsquares.Result, q Quality, scale float64, err error) {
	q.Used = make([]bool, a.n)
	for i := range q.Used {
		q.Used[i] = true
	}
	if !o.KeepAll {
		q.Used = a.consensus(o.Seed)
	}
	use := indices(q.Used)
	if err = a.start(use); err != nil {
		return fit, q, 0, err
	}
	if fit, err = a.refine(use); err != nil {
		return fit, q, 0, err
	}
	a.set(fit.X)
	for _, i := range use {
		for _, v := range a.raw(i)[:min(3, a.components)] { // lengths alone
			q.RMS += v * v / float64(len(use))
		}
	}
	q.RMS = math.Sqrt(q.RMS)
	q.Stated, q.DOF, q.ChiSquare = a.stated, fit.DOF(), 2*fit.Cost
	switch {
	case a.stated:
		return fit, q, 1, nil
	case q.DOF <= 0:
		return fit, q, math.NaN(), nil
	}
	q.ChiSquare = float64(q.DOF)
	return fit, q, fit.Variance(), nil
}

// raw is the residual of datum i, valid until the next call.
func (a *adjustment) raw(i int) []float64 {
	if a.buffer == nil {
		a.buffer = make([]float64, a.components)
	}
	a.residual(i, a.buffer)
	return a.buffer
}

// distance is the square of a datum's residual in units of its variance, or in any
// one unit without covariances.
func (a *adjustment) distance(i int) (sum float64) {
	r := a.raw(i)
	a.weights[i].apply(r)
	for _, v := range r {
		sum += v * v
	}
	return sum
}

// refine iterates from where the model is, and refuses data that leave a part of it
// open.
func (a *adjustment) refine(use []int) (leastsquares.Result, error) {
	c := a.components
	fit, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: c * len(use),
		Manifold:  a.manifold,
		Function: func(x, r []float64) error {
			a.set(x)
			for k, i := range use {
				d := r[c*k : c*k+c]
				a.residual(i, d)
				a.weights[i].apply(d)
			}
			return nil
		},
		Jacobian: func(x []float64, j *mat.Dense) error {
			a.set(x)
			for k, i := range use {
				a.derivative(i, j, c*k)
				a.weights[i].rows(j, c*k)
			}
			return nil
		},
	}, a.numbers(), leastsquares.Options{RankTol: 1e-9})
	if err != nil {
		return fit, fmt.Errorf("registration: %w", err)
	}
	if fit.Rank < fit.Covariance.SymmetricDim() {
		return fit, fmt.Errorf("%w: %s", ErrUndetermined, a.open)
	}
	// Exact data stall at rounding; any other early stop is a failure.
	if err := fit.Status.Err(); err != nil && fit.Status != leastsquares.Stalled {
		return fit, fmt.Errorf("registration: %w", err)
	}
	return fit, nil
}
