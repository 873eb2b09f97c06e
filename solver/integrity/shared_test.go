package integrity

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/leastsquares"
)

// An array known to 0.1 mm, 1 mrad and one in a thousand: its errors are ten
// and more times the noise, and alike in the three coils.
var arraySigmas = [fieldmodels.ParametersPerEmitter]float64{1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 1e-3}

// newToleratedBench states these errors as the array's covariance or, of the
// couplings, as the problem's own.
func newToleratedBench(t *testing.T, asErrors bool) *solver.Solver {
	t.Helper()
	p := benchProblem()
	n := len(p.Array.Emitters) * fieldmodels.ParametersPerEmitter
	p.Array.Covariance = mat.NewSymDense(n, nil)
	for i := range n {
		s := arraySigmas[i%fieldmodels.ParametersPerEmitter]
		p.Array.Covariance.SetSym(i, i, s*s)
	}
	if asErrors {
		p.Array.Covariance = nil
		p.Errors = misplaced(p)
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// misplaced is the covariance of a bench's couplings by errors of its emitters.
type misplaced solver.Problem

func (p misplaced) Covariance(dst []float64, pose rigid.Pose) error {
	derivatives, err := derivativesOf(solver.Problem(p), pose)
	if err != nil {
		return err
	}
	coils, n := len(p.Sensor.Coils), len(derivatives)
	clear(dst)
	for e := range p.Array.Emitters {
		slopes := mat.NewDense(coils, fieldmodels.ParametersPerEmitter, nil)
		for c := range coils {
			for k, v := range derivatives[e*coils+c].Emitter {
				slopes.Set(c, k, arraySigmas[k]*v)
			}
		}
		var own mat.Dense
		own.Mul(slopes, slopes.T())
		for a := range coils {
			for b := range coils {
				dst[(e*coils+a)*n+e*coils+b] = own.At(a, b)
			}
		}
	}
	return nil
}

func derivativesOf(p solver.Problem, pose rigid.Pose) ([]mutual.Derivatives, error) {
	m, err := mutual.New(p.Array, p.Sensor)
	if err != nil {
		return nil, err
	}
	d := make([]mutual.Derivatives, len(p.Array.Emitters)*len(p.Sensor.Coils))
	return d, m.Derivatives(d, pose)
}

// observeTolerated observes with an array that differs from the stated one as
// its covariance says.
func observeTolerated(t *testing.T, s *solver.Solver, pose rigid.Pose, r *rand.Rand) Observation {
	t.Helper()
	o := observe(s, pose, r, nil)
	misplace(t, s, &o, pose, arraySigmas, r)
	return o
}

// misplace changes couplings as random errors of the emitters do, to first order.
func misplace(t *testing.T, s *solver.Solver, o *Observation, pose rigid.Pose, sigmas [fieldmodels.ParametersPerEmitter]float64, r *rand.Rand) {
	t.Helper()
	p := s.Problem()
	derivatives, err := derivativesOf(p, pose)
	if err != nil {
		t.Fatal(err)
	}
	coils := len(p.Sensor.Coils)
	for e := range p.Array.Emitters {
		var off [fieldmodels.ParametersPerEmitter]float64
		for k := range off {
			off[k] = sigmas[k] * r.NormFloat64()
		}
		for i := e * coils; i < (e+1)*coils; i++ {
			for k := range off {
				o.Value[i] += derivatives[i].Emitter[k] * off[k]
			}
		}
	}
}

// Errors that the array states are no faults, faults are found in spite of
// them, and a robust fit stays honest.
func TestStatedArrayErrorsAreAllowedFor(t *testing.T) {
	for name, asErrors := range map[string]bool{"covariance": false, "errors": true} {
		t.Run(name, func(t *testing.T) { allowedFor(t, newToleratedBench(t, asErrors)) })
	}
}

func allowedFor(t *testing.T, s *solver.Solver) {
	t.Helper()
	x := New(s)
	r := rand.New(rand.NewPCG(31, 1))
	const n = 200
	robust, covered := 0.0, 0
	for range n {
		pose := randomPose(r)
		o := observeTolerated(t, s, pose, r)
		fit := s.Warm(o.Couplings, pose)
		v, err := x.Verdict(&o, &fit, false)
		if err != nil {
			t.Fatal(err)
		}
		if v.Distorted {
			t.Errorf("chances %.2g and %.2g: called distorted", v.Chance, v.QuadratureChance)
		}
		if dp, _ := pose.Minus(fit.Pose); r3.Norm(dp) < v.PositionError {
			covered++
		}
		rob, err := x.Robust(o.Couplings, &fit, leastsquares.Cauchy{})
		if err != nil {
			t.Fatal(err)
		}
		robust += normalised(&rob.Result, pose) / (6 * n)
	}
	if float64(covered) < n*0.95-3*math.Sqrt(n*0.95*0.05) {
		t.Errorf("%d of %d errors are covered", covered, n)
	}
	// Residuals that are correlated in threes weigh as a third as many.
	if robust > 1+4*math.Sqrt(2/(2.0*n)) || robust < 0.5 {
		t.Errorf("squared errors of the robust fits are %.2f of what is stated", robust)
	}
	gain, count := 0.0, 0
	for i, c := range injected {
		if i%2 == 1 {
			continue // half of them do
		}
		pose := randomPose(r)
		o := observeTolerated(t, s, pose, r)
		spoil(x, &o, c.fault)
		found := identify(t, x, []solver.Couplings{o.Couplings}, []solver.Result{s.Cold(o.Couplings)})
		if found.Fault == nil || !strings.HasPrefix(found.Fault.Words(coilNames, emitterNames), c.words) {
			t.Errorf("%s: found %+v of chi-square %.0f", c.words, found.Fault, found.ChiSquare)
			continue
		}
		if f := found.Fault; f.Kind != Exchanged && f.Kind != Off {
			z := (f.Gain - c.fault.Gain) / f.GainSigma
			gain += z * z
			count++
		}
	}
	if mean := gain / float64(count); mean > 1+4*math.Sqrt(2/float64(count)) {
		t.Errorf("squared errors of %d gains are %.2f of what is stated", count, mean)
	}
}
