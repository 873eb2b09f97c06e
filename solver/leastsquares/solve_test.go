package leastsquares_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tonepose/solver/leastsquares"
)

func ExampleSolve() {
	// NIST StRD data set Misra1a, certified b = (238.94212918, 0.00055015643181).
	x := []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760}
	y := []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47, 81.78}
	res, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: len(x),
		Function: func(b, r []float64) error {
			for i := range x {
				r[i] = b[0]*(1-math.Exp(-b[1]*x[i])) - y[i]
			}
			return nil
		},
	}, []float64{500, 0.0001}, leastsquares.Options{})
	fmt.Printf("%.4f %.5e %v\n", res.X[0], res.X[1], err)
	// Output: 238.9421 5.50156e-04 <nil>
}

// Directions that the data do not fix are found and left alone.
func TestRankDeficient(t *testing.T) {
	p := leastsquares.Problem{
		Residuals: 3,
		Function: func(x, r []float64) error {
			for i := range r { // only x0 + x1 is seen
				r[i] = x[0] + x[1] - float64(i)
			}
			return nil
		},
	}
	for _, start := range [][]float64{{0, 0, 5}, {3, -7, 5}} {
		res, err := leastsquares.Solve(p, start, leastsquares.Options{})
		if err != nil || !res.Status.Converged() {
			t.Fatal(err, res.Status)
		}
		if res.Rank != 1 || res.DOF() != 2 {
			t.Errorf("rank %d, %d degrees of freedom, want 1 and 2", res.Rank, res.DOF())
		}
		if sum := res.X[0] + res.X[1]; math.Abs(sum-1) > 1e-9 || res.X[2] != 5 {
			t.Errorf("x = %v: the sum must be 1, the third untouched", res.X)
		}
		if d := res.X[0] - res.X[1]; math.Abs(d-(start[0]-start[1])) > 1e-9 {
			t.Errorf("the difference moved from %g to %g", start[0]-start[1], d)
		}
		// The sum itself has the variance 1/3 of a mean of three.
		v := res.Covariance.At(0, 0) + 2*res.Covariance.At(0, 1) + res.Covariance.At(1, 1)
		if math.Abs(v-1./3) > 1e-9 {
			t.Errorf("variance of the sum %g, want 1/3", v)
		}
	}
}

func TestFewerResidualsThanParameters(t *testing.T) {
	res, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: 1,
		Function: func(x, r []float64) error {
			r[0] = x[0] + 2*x[1] + 2*x[2] - 9
			return nil
		},
	}, []float64{0, 0, 0}, leastsquares.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if res.Rank != 1 || res.Cost > 1e-18 {
		t.Errorf("rank %d, cost %g: want 1, 0", res.Rank, res.Cost)
	}
}

// A rotation and a shift found from exact vectors: Wahba's problem, SIAM
// Review 7(3), 1965.
func TestRotationAndShift(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	axis := [3]float64{2. / 3, -1. / 3, 2. / 3}
	half := 1.1
	truth := []float64{math.Cos(half), axis[0] * math.Sin(half), axis[1] * math.Sin(half), axis[2] * math.Sin(half), 0.6, 0, -0.8}
	var bodies [5][3]float64
	for i := range bodies {
		bodies[i] = [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
	}
	predict := func(x []float64) []float64 {
		var out []float64
		w, a, b, c := x[0], x[1], x[2], x[3]
		for _, v := range bodies {
			out = append(out,
				(w*w+a*a-b*b-c*c)*v[0]+2*(a*b-w*c)*v[1]+2*(a*c+w*b)*v[2],
				2*(a*b+w*c)*v[0]+(w*w-a*a+b*b-c*c)*v[1]+2*(b*c-w*a)*v[2],
				2*(a*c-w*b)*v[0]+2*(b*c+w*a)*v[1]+(w*w-a*a-b*b+c*c)*v[2])
		}
		return append(out, x[4:]...)
	}
	want := predict(truth)
	m := leastsquares.Product{leastsquares.Rotation{}, leastsquares.Euclidean(3)}
	res, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: len(want),
		Manifold:  m,
		Function: func(x, r []float64) error {
			for i, v := range predict(x) {
				r[i] = v - want[i]
			}
			return nil
		},
	}, []float64{1, 0, 0, 0, 0, 0, 1}, leastsquares.Options{})
	if err != nil || !res.Status.Converged() {
		t.Fatal(err, res.Status)
	}
	for i, v := range res.X {
		if math.Abs(v-truth[i]) > 1e-9 { // derivatives by differences: last steps of 1e-10
			t.Fatalf("at %v: want %v", res.X, truth)
		}
	}
}

// Errors over predicted sigma are standard normal, and the sum of squares is
// χ² distributed: 500 fits of a decay with an offset.
func TestMonteCarlo(t *testing.T) {
	const runs, points, sigma = 500, 40, 0.02
	rng := rand.New(rand.NewPCG(3, 4))
	truth := []float64{1, 0.3, 0.1}
	var squares [3]float64
	chi2 := 0.0
	noise := make([]float64, points)
	p := leastsquares.Problem{
		Residuals: points,
		Function: func(b, r []float64) error {
			for i := range r {
				x := float64(i) / 4
				r[i] = (b[0]*math.Exp(-b[1]*x) + b[2] - truth[0]*math.Exp(-truth[1]*x) - truth[2] - noise[i]) / sigma
			}
			return nil
		},
		Jacobian: func(b []float64, j *mat.Dense) error {
			for i := range points {
				x := float64(i) / 4
				e := math.Exp(-b[1] * x)
				j.SetRow(i, []float64{e / sigma, -x * b[0] * e / sigma, 1 / sigma})
			}
			return nil
		},
	}
	for range runs {
		for i := range noise {
			noise[i] = sigma * rng.NormFloat64()
		}
		res, err := leastsquares.Solve(p, []float64{0.7, 0.5, 0}, leastsquares.Options{})
		if err != nil || !res.Status.Converged() {
			t.Fatal(err, res.Status)
		}
		chi2 += 2 * res.Cost / float64(res.DOF()) / runs
		for k, s := range res.Sigma() {
			z := (res.X[k] - truth[k]) / s
			squares[k] += z * z / runs
		}
	}
	// Four standard deviations of a mean of 500 squares of normals, √(2/500)
	// each, plus 2 % for the model's bend.
	for k, s := range squares {
		if math.Abs(s-1) > 4*math.Sqrt(2./runs)+0.02 {
			t.Errorf("parameter %d: mean square of error over sigma %.3f, want 1", k, s)
		}
	}
	if math.Abs(chi2-1) > 4*math.Sqrt(2./runs/(points-3)) {
		t.Errorf("χ² per degree of freedom %.4f, want 1", chi2)
	}
}

// Where the function refuses or overflows, the step is shortened.
func TestRefusedStepIsShortened(t *testing.T) {
	refused := 0
	res, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: 1,
		Function: func(x, r []float64) error {
			if x[0] < 0 {
				refused++
				return errors.New("no root")
			}
			r[0] = math.Sqrt(x[0]) - 0.01 // whose tangent crosses zero at −x
			return nil
		},
	}, []float64{10}, leastsquares.Options{})
	if err != nil || !res.Status.Converged() || math.Abs(res.X[0]-1e-4) > 1e-13 {
		t.Errorf("x = %v, %v, %v: want 1e-4", res.X, res.Status, err)
	}
	if refused == 0 {
		t.Error("a step was meant to be refused")
	}
}

func TestWrongCalls(t *testing.T) {
	one := func(x, r []float64) error { r[0] = x[0]; return nil }
	for want, call := range map[string]func() error{
		"Options.RankTol = -1": func() error {
			_, err := leastsquares.Solve(leastsquares.Problem{Residuals: 1, Function: one}, []float64{1}, leastsquares.Options{RankTol: -1})
			return err
		},
		"start has 3 numbers: the manifold stores 4": func() error {
			_, err := leastsquares.Solve(leastsquares.Problem{Residuals: 1, Function: one, Manifold: leastsquares.Rotation{}}, []float64{1, 0, 0}, leastsquares.Options{})
			return err
		},
		"residuals must be finite": func() error {
			_, err := leastsquares.Solve(leastsquares.Problem{Residuals: 1, Function: one}, []float64{math.NaN()}, leastsquares.Options{})
			return err
		},
		"Problem.Function is nil": func() error {
			_, err := leastsquares.Solve(leastsquares.Problem{Residuals: 1}, []float64{1}, leastsquares.Options{})
			return err
		},
	} {
		if err := call(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q in it", err, want)
		}
	}
}

func TestEarlyStopFillsResult(t *testing.T) {
	res, err := leastsquares.Solve(leastsquares.Problem{
		Residuals: 2,
		Function: func(x, r []float64) error {
			r[0], r[1] = 10*(x[1]-x[0]*x[0]), 1-x[0]
			return nil
		},
	}, []float64{-1.2, 1}, leastsquares.Options{MaxIterations: 2})
	if err != nil {
		t.Fatal(err)
	}
	if res.Status != leastsquares.IterationLimit || !errors.Is(res.Status.Err(), leastsquares.ErrNotConverged) {
		t.Errorf("status %v, %v", res.Status, res.Status.Err())
	}
	if len(res.X) != 2 || res.Covariance == nil || res.Iterations != 2 || res.Cost > 12.1 {
		t.Errorf("result %+v", res)
	}
}
