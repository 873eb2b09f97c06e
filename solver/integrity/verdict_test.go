package integrity

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver"
)

var metals = []string{"sphere", "ring", "plate", "steel sphere", "floor"}

// The estimated error covers the true one, and not by being huge: with
// simulated metal of five kinds and three conductivities at random places about
// the bench, wherever it is called distorted or does harm.
func TestErrorCoversMetal(t *testing.T) {
	s := newBench(t)
	x := New(s)
	const n = 150
	for kind, name := range metals {
		r := rand.New(rand.NewPCG(5, uint64(kind)))
		covered, turned, missed := 0, 0, 0
		var ratio []float64
		for len(ratio) < n {
			pose := randomPose(r)
			o := observe(s, pose, r, randomMetal(r, kind, pose.Position, s.Problem()))
			fit := s.Warm(o.Couplings, pose)
			if fit.Status != solver.Converged {
				continue
			}
			v, err := x.Verdict(&o, &fit, false)
			if err != nil {
				t.Fatal(err)
			}
			dp, dr := pose.Minus(fit.Pose)
			// Three times the noise's 95 % radius is no noise.
			harm := r3.Norm2(dp) > 9*within95*widest(&fit.Covariance, 0)
			if !harm && !v.Distorted {
				continue
			}
			if !v.Distorted {
				missed++
			}
			if r3.Norm(dp) <= v.PositionError {
				covered++
			}
			if r3.Norm(dr) <= v.RotationError {
				turned++
			}
			ratio = append(ratio, r3.Norm(dp)/v.PositionError)
		}
		slices.Sort(ratio)
		t.Logf("%s: position covered %d, rotation %d of %d, unnoticed %d; true over estimated error: median %.2f, largest %.2f", name, covered, turned, n, missed, ratio[n/2], ratio[n-1])
		// A promise of 95 %, less three standard deviations of so many trials.
		if least := n*0.95 - 3*math.Sqrt(n*0.95*0.05); float64(covered) < least || float64(turned) < least {
			t.Errorf("%s: %d positions and %d rotations of %d are covered", name, covered, turned, n)
		}
		// For a normal error in one direction the median over the 95 % point is
		// 0.34, in three 0.55; a quarter of it would say nothing any more.
		if ratio[n/2] < 0.15 {
			t.Errorf("%s: the median error is %.2f of its estimate", name, ratio[n/2])
		}
		if missed > n/50 {
			t.Errorf("%s: %d of %d harmful distortions pass unnoticed", name, missed, n)
		}
	}
}

// alarms counts what clean frames are accused of.
func alarms(t *testing.T, n int, seed uint64) (distorted, named, doubted int, covered float64) {
	t.Helper()
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(seed, 1))
	for range n {
		pose := randomPose(r)
		o := observe(s, pose, r, nil)
		fit := s.Warm(o.Couplings, pose)
		v, err := x.Verdict(&o, &fit, false)
		if err != nil {
			t.Fatal(err)
		}
		if v.Distorted {
			distorted++
		}
		if !math.IsNaN(v.Spread) {
			doubted++
		}
		if identify(t, x, []solver.Couplings{o.Couplings}, []solver.Result{fit}).Fault != nil {
			named++
		}
		if dp, _ := pose.Minus(fit.Pose); r3.Norm(dp) <= v.PositionError {
			covered += 1 / float64(n)
		}
	}
	return
}

// Clean frames raise no alarm: of two thousand, at a probability of 1e-5 each,
// one now and then in fifty runs.
func TestCleanFramesRaiseNoAlarm(t *testing.T) {
	const n = 2000
	distorted, named, doubted, covered := alarms(t, n, 1)
	if distorted > 1 || named > 0 {
		t.Errorf("%d of %d clean frames are called distorted, %d wrong", distorted, n, named)
	}
	// Two tests of one per cent each; four standard deviations.
	if p := 2 * doubt; math.Abs(float64(doubted)-n*p) > 4*math.Sqrt(n*p) {
		t.Errorf("%d of %d frames are doubted, want 2 %%", doubted, n)
	}
	if covered < 0.95 {
		t.Errorf("%.3f of the errors are covered", covered)
	}
}

// Motion and wrong delays are no metal: they are fitted and taken off, and the
// delays are reported.
func TestMotionAndDelaysAreNoMetal(t *testing.T) {
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(21, 1))
	delays := []float64{30e-9, -80e-9, 0} // [s]
	model, jacobian := make([]float64, 24), make([][6]float64, 24)
	sum, squares := 0.0, 0.0
	const n = 400
	for range n {
		pose := randomPose(r)
		o := observe(s, pose, r, nil)
		if err := s.Evaluate(pose, model, jacobian); err != nil {
			t.Fatal(err)
		}
		var twist [6]float64 // up to some 0.3 m/s and 1 rad/s
		for k := range 3 {
			twist[k], twist[3+k] = 0.3*r.NormFloat64(), r.NormFloat64()
		}
		moved := 0.0
		for i := range o.Quadrature {
			omega := 2 * math.Pi * o.Hz[i/3]
			d := 0.0
			for k, v := range twist {
				d -= jacobian[i][k] * v / omega
			}
			moved = max(moved, math.Abs(d)/sigmas(3)[i])
			o.Quadrature[i] += d - omega*delays[i%3]*model[i]
		}
		fit := s.Warm(o.Couplings, pose)
		v, err := x.Verdict(&o, &fit, false)
		if err != nil {
			t.Fatal(err)
		}
		if v.Eddy {
			t.Errorf("chance %.2g: taken for eddy currents, motion of %.0f sigmas", v.QuadratureChance, moved)
		}
		sum += v.Quadrature.ChiSquare / float64(v.Quadrature.DOF)
		for c, d := range delays {
			z := (v.Quadrature.Delay[c] - d) / v.Quadrature.DelaySigma[c]
			squares += z * z / (3 * n)
		}
	}
	// 24 parts less 6 of motion and 3 delays.
	if scatter := 4 * math.Sqrt(2/(15.0*n)); math.Abs(sum/n-1) > scatter {
		t.Errorf("mean chi-square over its degrees of freedom is %.3f", sum/n)
	}
	if scatter := 4 * math.Sqrt(2/(3.0*n)); math.Abs(squares-1) > scatter {
		t.Errorf("squared errors of the delays are %.3f of what is stated", squares)
	}
}

// What lags in metal shows in the quadrature parts, unless the frame moves.
func TestEddyCurrentsShow(t *testing.T) {
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(23, 1))
	pose := randomPose(r)
	// Stainless steel, some six skin depths at 15 kHz, beside the probe.
	m := sphere{center: r3.Add(pose.Position, r3.Vec{X: 0.03, Y: 0.05}), radius: 0.02, conductivity: 1.4e6, permeability: 1}
	o := observe(s, pose, r, m)
	fit := s.Warm(o.Couplings, pose)
	v, err := x.Verdict(&o, &fit, false)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Eddy || !v.Distorted {
		t.Errorf("chances %.2g in phase, %.2g in quadrature: not called metal", v.Chance, v.QuadratureChance)
	}
	if moving, err := x.Verdict(&o, &fit, true); err != nil || moving.Distorted || moving.Eddy {
		t.Errorf("a frame that moves is called distorted (%v)", err)
	}
}

// widest against the eigenvalues of matrices made from them.
func TestWidest(t *testing.T) {
	r := rand.New(rand.NewPCG(25, 1))
	for range 200 {
		turn := randomTurn(r)
		axes := [3]r3.Vec{rotate(turn, r3.Vec{X: 1}), rotate(turn, r3.Vec{Y: 1}), rotate(turn, r3.Vec{Z: 1})}
		values := [3]float64{math.Exp(3 * r.NormFloat64()), math.Exp(3 * r.NormFloat64()), 0}
		var c [6][6]float64
		for k, a := range axes {
			v := [3]float64{a.X, a.Y, a.Z}
			for i := range 3 {
				for j := range 3 {
					c[3+i][3+j] += values[k] * v[i] * v[j]
				}
			}
		}
		// The cubic's cosine loses half the digits where eigenvalues meet.
		if want := max(values[0], values[1]); math.Abs(widest(&c, 3)-want) > 1e-7*want {
			t.Errorf("%g of %v", widest(&c, 3), values)
		}
	}
}

// BenchmarkVerdict judges frames that raise no doubt, as nearly all do.
func BenchmarkVerdict(b *testing.B) {
	s := newBench(b)
	x := New(s)
	r := rand.New(rand.NewPCG(1, 1))
	pose := randomPose(r)
	o := observe(s, pose, r, nil)
	fit := s.Warm(o.Couplings, pose)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := x.Verdict(&o, &fit, false); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkIdentify searches all faults of a frame.
func BenchmarkIdentify(b *testing.B) {
	s := newBench(b)
	x := New(s)
	r := rand.New(rand.NewPCG(1, 1))
	o := observe(s, randomPose(r), r, nil)
	spoil(x, &o, Fault{Part: Coil, Gain: 1.31})
	frames, fits := []solver.Couplings{o.Couplings}, []solver.Result{s.Cold(o.Couplings)}
	for b.Loop() {
		if identify(b, x, frames, fits).Fault == nil {
			b.Fatal("no fault found")
		}
	}
}
