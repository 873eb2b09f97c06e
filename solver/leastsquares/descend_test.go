package leastsquares_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"tonepose/solver/leastsquares"
)

// normal is a problem as Descend needs it: its normal equations, by a Cholesky factor.
type normal struct {
	p          leastsquares.Problem
	x, before  []float64
	j, jBefore *mat.Dense
	r, rBefore []float64
	step       []float64
}

func newNormal(t *testing.T, p leastsquares.Problem, start []float64) *normal {
	t.Helper()
	n := &normal{p: p, x: start, j: mat.NewDense(p.Residuals, len(start), nil), r: make([]float64, p.Residuals)}
	if p.Function(n.x, n.r) != nil || p.Jacobian(n.x, n.j) != nil {
		t.Fatal("no value at the start")
	}
	return n
}

func (n *normal) cost() float64 { return floats.Dot(n.r, n.r) }

func (n *normal) Step(damping float64) (fall float64, ok bool) {
	_, k := n.j.Dims()
	scaled, norm := mat.DenseCopyOf(n.j), make([]float64, k)
	for i := range k {
		norm[i] = mat.Norm(n.j.ColView(i), 2)
		if norm[i] == 0 {
			return 0, false
		}
		for r := range n.r {
			scaled.Set(r, i, scaled.At(r, i)/norm[i])
		}
	}
	var square mat.SymDense
	square.SymOuterK(1, scaled.T())
	b := mat.NewVecDense(k, nil)
	b.MulVec(scaled.T(), mat.NewVecDense(len(n.r), n.r))
	for i := range k {
		square.SetSym(i, i, square.At(i, i)*(1+damping))
	}
	var factor mat.Cholesky
	if !factor.Factorize(&square) {
		return 0, false
	}
	step := mat.NewVecDense(k, nil)
	if err := factor.SolveVecTo(step, b); err != nil {
		return 0, false
	}
	n.step = step.RawVector().Data
	for i, d := range n.step { // |r|² − |r − J·d|²
		fall += d * (b.AtVec(i) + damping/(1+damping)*square.At(i, i)*d)
	}
	for i := range n.step {
		n.step[i] /= -norm[i]
	}
	return fall, true
}

func (n *normal) Take() (float64, error) {
	n.before, n.jBefore, n.rBefore = n.x, n.j, n.r
	n.x = make([]float64, len(n.x))
	floats.AddTo(n.x, n.before, n.step)
	n.j, n.r = mat.NewDense(n.p.Residuals, len(n.x), nil), make([]float64, n.p.Residuals)
	if err := n.p.Function(n.x, n.r); err != nil {
		return 0, err
	}
	if err := n.p.Jacobian(n.x, n.j); err != nil {
		return 0, err
	}
	if c := n.cost(); !math.IsNaN(c) {
		return c, nil
	}
	return math.Inf(1), nil
}

func (n *normal) Back() error {
	n.x, n.j, n.r = n.before, n.jBefore, n.rBefore
	return nil
}

// Where Descend says that it has converged, it has found what NIST certifies. It promises a minimum near its start alone: from
// four of the far first starts it ends elsewhere, and says that it has not converged.
//
// Lanczos1 is left out: its residuals are the rounding of the data.
func TestDescendNIST(t *testing.T) {
	runs, converged := 0, 0
	for _, d := range loadStRD(t) {
		if d.Name == "Lanczos1" {
			continue
		}
		for k, start := range [][]float64{d.Start1, d.Start2} {
			n := newNormal(t, d.problem(false), start)
			// A fall of 1e-14 of the certified sum is a step of √(1e-14·dof) standard
			// deviations, which is not taken any more; where steps shrink slowly, as much may
			// follow. Six digits beside that are for what rounding does to alike columns.
			const tol = 1e-14
			dof := float64(len(d.Data.Y) - len(start))
			cost, iterations, status, err := leastsquares.Descend(n, n.cost(), tol*d.RSS, 2000)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%s, start %d: %v after %d, sum of squares over the certified %.8g, %.1f digits", d.Name, k+1, status, iterations, cost/d.RSS, digits(n.x, d.Certified))
			runs++
			if !status.Converged() {
				continue
			}
			converged++
			if rss := digits([]float64{cost}, []float64{d.RSS}); rss < 6 {
				t.Errorf("%s, start %d: %.1f digits of the sum of squares, yet %v", d.Name, k+1, rss, status)
			}
			for i, want := range d.Certified {
				if off := math.Abs(n.x[i] - want); off > 2*math.Sqrt(tol*dof)*d.SD[i]+1e-6*math.Abs(want) {
					t.Errorf("%s, start %d: parameter %d is %.12g, certified %.12g with a standard deviation of %.3g, yet %v", d.Name, k+1, i+1, n.x[i], want, d.SD[i], status)
				}
			}
		}
	}
	if converged < runs-4 {
		t.Errorf("%d of %d descents converged, want all but four", converged, runs)
	}
}
