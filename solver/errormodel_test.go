package solver

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// observeCommon returns the couplings at a pose with noise, and with a relative
// error of each emitter's current.
func observeCommon(tb testing.TB, s *Solver, pose rigid.Pose, sigma float64, common []float64, r *rand.Rand) Couplings {
	c := observe(tb, s, pose, sigma, r)
	exact := make([]float64, len(c.Value))
	if err := s.Evaluate(pose, exact, nil); err != nil {
		tb.Fatal(err)
	}
	coils := len(c.Value) / len(common)
	for e, variance := range common {
		error := math.Sqrt(variance) * r.NormFloat64()
		for i := e * coils; i < (e+1)*coils; i++ {
			c.Value[i] += error * exact[i]
			c.Variance[i] += variance * c.Value[i] * c.Value[i]
		}
	}
	c.Common = common
	return c
}

// Poses from emitters whose currents are known to 0.3 to 1 % where pickups are
// known to 0.01 %: the 95 % ellipsoids of position hold 95 in 100, and squared
// errors are one a degree of freedom, when the error is known to be common to an
// emitter's couplings. Taken for three independent errors it is not. Of n poses the
// share inside scatters by √(0.95·0.05/n), the mean square of six numbers by √(2/6n).
func TestCommonErrors(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	p.Volume.Min.Z = 0.1
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(9, 11))
	common := make([]float64, len(p.Array.Emitters))
	for e := range common {
		v := 0.003 + 0.001*float64(e)
		common[e] = v * v
	}
	n := float64(honestPoses)
	limit := 7.814727903 // 95 % of chi-square with three degrees of freedom
	var inside, square, apart [2]float64
	var u []float64
	for range honestPoses {
		pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
		y := observeCommon(t, s, pose, sigma, common, r)
		for k, c := range []Couplings{y, {Value: y.Value, Variance: y.Variance}} {
			f := s.Cold(c)
			if f.Status != Converged {
				t.Fatalf("%v: %v", pose, f.Status)
			}
			warm := s.Warm(c, f.Pose)
			if d := deviation(s, warm.Pose, f.Pose); mahalanobis(t, s, &f.Covariance, &d) > 1e-3 {
				t.Errorf("%v: warm %v, cold %v", pose, warm.Pose, f.Pose)
			}
			e := deviation(s, pose, f.Pose)
			square[k] += mahalanobis(t, s, &f.Covariance, &e) / 6
			if overPosition(t, &f.Covariance, &e) < limit {
				inside[k]++
			}
			apart[k] += r3.Norm2(r3.Sub(pose.Position, f.Pose.Position))
			if k == 0 {
				u = append(u, distuv.ChiSquared{K: float64(f.DOF)}.CDF(f.ChiSquare))
			}
		}
	}
	for k := range inside {
		inside[k], square[k], apart[k] = inside[k]/n, square[k]/n, math.Sqrt(apart[k]/n)
	}
	spread := math.Sqrt(0.95 * 0.05 / n)
	t.Logf("as common: %.2f %% inside, squared error %.3f, rms %.4g mm; as independent: %.2f %%, %.3f, %.4g mm; one sigma of the share %.2f %%",
		100*inside[0], square[0], 1e3*apart[0], 100*inside[1], square[1], 1e3*apart[1], 100*spread)
	if math.Abs(inside[0]-0.95) > 4*spread {
		t.Errorf("%.2f %% inside the 95 %% ellipsoids: want 95 ± %.2f %%", 100*inside[0], 400*spread)
	}
	if bound := 4 * math.Sqrt(2/(6*n)); math.Abs(square[0]-1) > bound {
		t.Errorf("squared error %.3f a degree of freedom: want 1 ± %.3f", square[0], bound)
	}
	if ks := kolmogorov(u); ks < 1e-3 {
		t.Errorf("chi-square does not follow its distribution: p = %.2g", ks)
	}
	if math.Abs(inside[1]-0.95) < 4*spread && math.Abs(square[1]-1) < 0.1 {
		t.Errorf("taken as independent, %.2f %% are inside and the squared error is %.3f: the test shows nothing", 100*inside[1], square[1])
	}
}

func overPosition(t *testing.T, c *[6][6]float64, e *[6]float64) float64 {
	t.Helper()
	m := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			m.SetSym(i, j, c[i][j])
		}
	}
	var chol mat.Cholesky
	var x mat.VecDense
	d := mat.NewVecDense(3, e[:3])
	if !chol.Factorize(m) || chol.SolveVecTo(&x, d) != nil {
		t.Fatalf("covariance %v", *c)
	}
	return mat.Dot(d, &x)
}

// References too good to matter change nothing at all, and one coil has nothing to
// share an error with.
func TestNegligibleCommonErrors(t *testing.T) {
	for _, dof := range []int{6, 5} {
		p, sigma := bench(t, 8, dof)
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(4, uint64(dof)))
		pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
		y := observe(t, s, pose, sigma, r)
		alone := s.Warm(y, pose)
		y.Common = make([]float64, len(p.Array.Emitters))
		for e := range y.Common {
			if dof == 6 {
				sum := 0.0
				for i := 3 * e; i < 3*e+3; i++ {
					sum += y.Value[i] * y.Value[i]
				}
				y.Common[e] = 0.9 * commonShare * sigma * sigma / sum
			} else {
				y.Common[e] = 1e-12
			}
		}
		if got := s.Warm(y, pose); got != alone {
			t.Errorf("%d degrees of freedom: %+v, without common errors %+v", dof, got, alone)
		}
		if n := testing.AllocsPerRun(20, func() { s.Warm(y, pose) }); n != 0 {
			t.Errorf("%v allocations", n)
		}
		for e := range y.Common {
			y.Common[e] = 0.1 * sigma * sigma / (y.Value[(dof-5)*3*e] * y.Value[(dof-5)*3*e])
		}
		s.Warm(y, pose)
		if n := testing.AllocsPerRun(20, func() { s.Warm(y, pose) }); n != 0 {
			t.Errorf("%v allocations with common errors that matter", n)
		}
	}
}

// The parts of the model sum to the covariance of a pose, and those that solve
// leaves out add to them.
func TestContributions(t *testing.T) {
	for _, test := range []struct {
		dof   int
		joint bool
	}{{6, false}, {5, false}, {6, true}} {
		t.Run(fmt.Sprintf("dof=%d/joint=%v", test.dof, test.joint), func(t *testing.T) {
			p, sigma := bench(t, 8, test.dof)
			if test.dof == 5 { // off the origin, so that turns move it
				u := r3.Unit(r3.Vec{X: 1, Y: 2, Z: 3})
				p.Sensor.Coils = []mutual.Coil{{Center: r3.Vec{X: 0.02}, Axis: u, AreaTurns: 1},
					{Center: r3.Add(r3.Vec{X: 0.02}, r3.Scale(0.02, u)), Axis: u, AreaTurns: 1.5}}
			}
			emitters := diagonal(len(p.Array.Emitters), 1e-4, 1e-3, 2e-3)
			pickups := diagonal(len(p.Sensor.Coils), 5e-5, 2e-3, 1e-3)
			exact, err := New(p, Options{})
			if err != nil {
				t.Fatal(err)
			}
			p.Array.Covariance, p.Sensor.Covariance = emitters, pickups
			if test.joint {
				exact := p
				exact.Array.Covariance, exact.Sensor.Covariance = nil, nil
				p.Errors = ofEmitters{exact, emitters}
			}
			s, err := New(p, Options{})
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(7, 7))
			common := make([]float64, len(p.Array.Emitters))
			for e := range common {
				common[e] = 1e-6
			}
			for range 20 {
				pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
				y := observeCommon(t, s, pose, sigma, common, r)
				y.Variance[3] = math.Inf(1)
				f := s.Warm(y, pose)
				parts, err := s.Contributions(y, f.Pose, nil)
				if err != nil || f.Status != Converged {
					t.Fatal(f.Status, err)
				}
				// Weights and covariance are of poses within a hundredth of a sigma.
				compare(t, "sum of the parts", sumOf(parts[:]), f.Covariance, 0.02)
				for part, c := range parts {
					some := c[0][0] > 0
					if want := Part(part) == Noise || Part(part) == Drive || (Part(part) == Joint) == test.joint; some != want {
						t.Errorf("part %d makes a variance of %g", part, c[0][0])
					}
				}
				problem := s.Problem()
				whole := problem.ErrorModel()
				twice, err := s.Contributions(y, f.Pose, &whole)
				if err != nil {
					t.Fatal(err)
				}
				for part := Emitters; part < Parts; part++ {
					compare(t, "a part counted twice", twice[part], sumOf([][6][6]float64{parts[part], parts[part]}), 1e-9)
				}
				// A model that solve knows nothing of leaves the noise as it is.
				gains := mat.NewSymDense(len(common), nil)
				for e := range common {
					gains.SetSym(e, e, common[e])
				}
				y.Common = nil
				base, err := exact.Contributions(y, f.Pose, &ErrorModel{Drives: gains})
				if err != nil {
					t.Fatal(err)
				}
				compare(t, "noise alone", base[Noise], exact.Warm(y, f.Pose).Covariance, 0.02)
				if !(base[Drive][0][0] > 0) || base[Emitters] != ([6][6]float64{}) {
					t.Errorf("gains of the drives make a variance of %g, emitters that are exact %g", base[Drive][0][0], base[Emitters][0][0])
				}
			}
		})
	}
}

// ErrorCovariance is what the array's own derivatives make of it.
func TestErrorCovariance(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	cov := diagonal(len(p.Array.Emitters), 1e-4, 1e-3, 2e-3)
	stated := p
	stated.Array.Covariance = cov
	s, err := New(stated, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 1))
	pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
	y := observe(t, s, pose, sigma, r)
	y.Variance[4] = math.Inf(1)
	n := len(y.Value)
	got, want := make([]float64, n*n), make([]float64, n*n)
	if err := s.ErrorCovariance(got, y, pose); err != nil {
		t.Fatal(err)
	}
	if err := (ofEmitters{p, cov}).Covariance(want, pose); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		want[i*n+i] += y.Variance[i]
		want[i*n+4], want[4*n+i] = 0, 0
	}
	want[4*n+4] = math.Inf(1)
	for i, v := range want {
		// Some ten products of numbers good to 1e-15, over variances.
		if d := math.Abs(got[i] - v); d > 1e-12*math.Sqrt(want[i/n*(n+1)]*want[i%n*(n+1)]) {
			t.Errorf("covariance of couplings %d and %d is %g: want %g", i/n, i%n, got[i], v)
		}
	}
}

func diagonal(things int, place, tilt, strength float64) *mat.SymDense {
	c := mat.NewSymDense(7*things, nil)
	for i := range 7 * things {
		s := []float64{place, place, place, tilt, tilt, tilt, strength}[i%7]
		c.SetSym(i, i, s*s)
	}
	return c
}

func sumOf(parts [][6][6]float64) (sum [6][6]float64) {
	for _, p := range parts {
		for i := range p {
			for j, v := range p[i] {
				sum[i][j] += v
			}
		}
	}
	return sum
}

// compare holds elements against each other, in units of the deviations that they
// belong to.
func compare(t *testing.T, what string, got, want [6][6]float64, tolerance float64) {
	t.Helper()
	for i := range got {
		for j, v := range got[i] {
			if size := math.Sqrt(want[i][i] * want[j][j]); !(math.Abs(v-want[i][j]) <= tolerance*size) {
				t.Errorf("%s: element %d %d is %g: want %g ± %g of %g", what, i, j, v, want[i][j], tolerance, size)
			}
		}
	}
}

// Derivatives of couplings by the parameters of emitters and coils against
// differences of the model itself. A step of 1e-5 (of a metre, a radian, of one)
// leaves (1e-5/0.1)² of a coupling's own size, rounding 1e-16/1e-5.
func TestParameterDerivatives(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	p.Sensor.Coils[1].Radius, p.Sensor.Coils[2].Radius = 0.004, 0.004
	for i, e := range p.Array.Emitters { // loops: dipoles would take the kernel's way
		p.Array.Emitters[i].Source = fieldmodels.Place(fieldmodels.Loop{Radius: 0.03, Turns: 40}, rigid.Pose{Position: e.Center, Rotation: rigid.Between(r3.Vec{Z: 1}, e.Axis)})
	}
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(5, 5))
	pose := rigid.Pose{Position: r3.Vec{X: 0.03, Y: -0.02, Z: 0.15}, Rotation: randomQuat(r)}
	y := observe(t, s, pose, sigma, r)
	st := s.rig.stateOf(pose)
	if !s.load(new(Result), y) {
		t.Fatal("couplings refused")
	}
	if err := s.unweigh(&st); err != nil {
		t.Fatal(err)
	}
	const h = 1e-5
	value := func(moved Problem) []float64 {
		m := make([]float64, len(y.Value))
		other, err := New(moved, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := other.Evaluate(s.rig.poseOf(&st), m, nil); err != nil {
			t.Fatal(err)
		}
		return m
	}
	unit := func(k int, d float64) (place, tilt r3.Vec, size float64) {
		v := [7]float64{}
		v[k] = d
		return r3.Vec{X: v[0], Y: v[1], Z: v[2]}, r3.Vec{X: v[3], Y: v[4], Z: v[5]}, 1 + v[6]
	}
	largest := 0.0
	for _, v := range y.Value {
		largest = max(largest, math.Abs(v))
	}
	for k := range 7 {
		var emitter, coil [2][]float64
		for side, d := range []float64{h, -h} {
			place, tilt, size := unit(k, d)
			moved := p
			moved.Array.Emitters = slices.Clone(p.Array.Emitters)
			for i, e := range p.Array.Emitters {
				turned := rigid.Rotate(rigid.Exp(tilt), e.Axis)
				moved.Array.Emitters[i].Source = fieldmodels.Place(fieldmodels.Loop{Radius: 0.03, Turns: 40 * size}, rigid.Pose{Position: r3.Add(e.Center, place), Rotation: rigid.Between(r3.Vec{Z: 1}, turned)})
			}
			emitter[side] = value(moved)
			moved = p
			moved.Sensor.Coils = slices.Clone(p.Sensor.Coils)
			for c := range moved.Sensor.Coils {
				to := &moved.Sensor.Coils[c]
				to.Center, to.Axis, to.AreaTurns = r3.Add(to.Center, place), rigid.Rotate(rigid.Exp(tilt), to.Axis), to.AreaTurns*size
			}
			coil[side] = value(moved)
		}
		for i := range y.Value {
			for _, of := range []struct {
				name      string
				got, want float64
			}{
				{"emitter", s.white.emitter[i][k], (emitter[0][i] - emitter[1][i]) / (2 * h)},
				{"coil", s.white.coil[i][k], (coil[0][i] - coil[1][i]) / (2 * h)},
			} {
				if math.Abs(of.got-of.want) > 1e-6*largest/0.05 {
					t.Errorf("coupling %d by parameter %d of its %s: %g, want %g", i, k, of.name, of.got, of.want)
				}
			}
		}
	}
}

// What a part contributes is what the errors do: poses from couplings of arrays
// drawn from a covariance that solve knows nothing of scatter as predicted. The mean
// of 400 squares scatters by √(2/400).
func TestContributionOfTolerances(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	cov := diagonal(len(p.Array.Emitters), 1e-5, 1e-4, 1e-4)
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
	y := observe(t, s, pose, 0, r)
	for i := range y.Variance {
		y.Variance[i] = sigma * sigma
	}
	parts, err := s.Contributions(y, pose, &ErrorModel{Emitters: cov})
	if err != nil {
		t.Fatal(err)
	}
	const runs = 400
	var squares [6]float64
	for range runs {
		v := make([]float64, cov.SymmetricDim())
		for i := range v {
			v[i] = math.Sqrt(cov.At(i, i)) * r.NormFloat64()
		}
		built, err := New(disturbed(p, v), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := built.Evaluate(pose, y.Value, nil); err != nil {
			t.Fatal(err)
		}
		f := s.Warm(y, pose)
		e := deviation(s, pose, f.Pose)
		for k := range e {
			squares[k] += e[k] * e[k] / runs
		}
	}
	for k, got := range squares {
		if q := got / parts[Emitters][k][k]; math.Abs(q-1) > 4*math.Sqrt(2./runs) {
			t.Errorf("component %d scatters by %.3f of the predicted variance", k, q)
		}
	}
}
