package solver

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

func TestNewRefuses(t *testing.T) {
	good, _ := fixedProblem(t, 6, knownDipole)
	for name, c := range map[string]struct {
		spoil func(*Problem, *Options)
		want  string
	}{
		"no emitters": {func(p *Problem, _ *Options) { p.Array.Emitters = nil }, "no emitters"},
		"no source":   {func(p *Problem, _ *Options) { p.Array.Emitters = []fieldmodels.Emitter{{Name: "e1"}} }, `"e1"`},
		"no coils":    {func(p *Problem, _ *Options) { p.Sensor.Coils = nil }, "no coils"},
		"axis":        {func(p *Problem, _ *Options) { p.Sensor.Coils = []mutual.Coil{{Axis: r3.Vec{X: 2}, AreaTurns: 1}} }, "unit vector"},
		"area":        {func(p *Problem, _ *Options) { p.Sensor.Coils = []mutual.Coil{{Axis: r3.Vec{X: 1}}} }, "AreaTurns = 0"},
		"radius": {func(p *Problem, _ *Options) {
			p.Sensor.Coils = []mutual.Coil{{Axis: r3.Vec{X: 1}, AreaTurns: 1, Radius: -1}}
		}, "Radius = -1"},
		"center": {func(p *Problem, _ *Options) {
			p.Sensor.Coils = []mutual.Coil{{Center: r3.Vec{X: math.NaN()}, Axis: r3.Vec{X: 1}, AreaTurns: 1}}
		}, "finite"},
		"volume":     {func(p *Problem, _ *Options) { p.Volume.Max.X = p.Volume.Min.X }, "Min must lie below Max"},
		"covariance": {func(p *Problem, _ *Options) { p.Array.Covariance = mat.NewSymDense(7, nil) }, "need 56×56"},
		"iterations": {func(_ *Problem, o *Options) { o.MaxIterations = -1 }, "MaxIterations = -1"},
		"tolerance":  {func(_ *Problem, o *Options) { o.StepTol = math.NaN() }, "StepTol = NaN"},
	} {
		p, o := good, Options{}
		c.spoil(&p, &o)
		if _, err := New(p, o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}

// Missing couplings are left out, one by one, an emitter or a coil at a time;
// the pose stays that of the others.
func TestMissingCouplings(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(2, 3))
	for name, missing := range map[string]func(e, c int) bool{
		"one":             func(e, c int) bool { return e == 3 && c == 1 },
		"an emitter":      func(e, c int) bool { return e == 5 },
		"three emitters":  func(e, c int) bool { return e >= 5 },
		"a coil":          func(e, c int) bool { return c == 0 },
		"a coil and more": func(e, c int) bool { return c == 2 || e == c },
		"every third":     func(e, c int) bool { return (e+c)%3 == 0 },
	} {
		var sum float64
		dof := 0
		const n = 100
		for range n {
			pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
			y := observe(t, s, pose, sigma, r)
			keep := make([]bool, len(y.Value))
			dof = -6
			for i := range keep {
				keep[i] = !missing(i/3, i%3)
				if keep[i] {
					dof++
				} else {
					y.Value[i] = math.NaN()
				}
			}
			res := s.Cold(only(y, keep))
			if res.Status != Converged || res.DOF != dof {
				t.Errorf("%s: %v, %d degrees of freedom, want %d", name, res.Status, res.DOF, dof)
				continue
			}
			e := deviation(s, pose, res.Pose)
			sum += mahalanobis(t, s, &res.Covariance, &e)
		}
		// Five standard deviations of a mean of n chi-squares of six.
		if m := sum / n; math.Abs(m-6) > 5*math.Sqrt(12./n) {
			t.Errorf("%s: mean squared error over sigma %.2f, want 6", name, m)
		}
	}
}

func TestStatus(t *testing.T) {
	p, tasks := fixedProblem(t, 6, knownDipole)
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	y := tasks[0].couplings
	keep := make([]bool, len(y.Value))
	for i := range 5 {
		keep[i] = true
	}
	for _, res := range []Result{s.Cold(only(y, keep)), s.Warm(only(y, keep), tasks[0].start)} {
		if res.Status != Unobservable || !errors.Is(res.Err(), ErrUnobservable) || res.DOF != -1 || res.HasPose() {
			t.Errorf("five couplings: %v, %v, %d", res.Status, res.Err(), res.DOF)
		}
	}
	// Two emitters leave six couplings of three coils, but a free rotation
	// about no axis in general; one emitter's three never fix a pose.
	for i := range keep {
		keep[i] = i < 6
	}
	if res := s.Cold(only(y, keep)); res.DOF != 0 {
		t.Errorf("six couplings leave %d degrees of freedom", res.DOF)
	}
	bad := Couplings{Value: y.Value, Variance: append([]float64(nil), y.Variance...)}
	bad.Variance[4] = 0
	for _, c := range []Couplings{bad, {Value: append([]float64{math.Inf(1)}, y.Value[1:]...), Variance: y.Variance}} {
		if res := s.Cold(c); res.Status != Invalid || !errors.Is(res.Err(), ErrInvalid) || res.HasPose() {
			t.Errorf("invalid input: %v", res.Status)
		}
	}
	if res := s.Cold(y); res.Status != Converged || res.Err() != nil || !res.HasPose() {
		t.Errorf("after invalid input: %v", res.Status)
	}
	// Noise as large as the couplings: nothing is known of the pose.
	loud := Couplings{Value: y.Value, Variance: append([]float64(nil), y.Variance...)}
	for i := range loud.Variance {
		loud.Variance[i] *= 1e12
	}
	if res := s.Warm(loud, tasks[0].start); res.Status != Unobservable || res.HasPose() || !res.Pose.Finite() {
		t.Errorf("drowned in noise: %v", res.Status)
	}
	one, err := New(p, Options{MaxIterations: 1})
	if err != nil {
		t.Fatal(err)
	}
	if res := one.Warm(y, tasks[0].start); res.Status != NotConverged || !errors.Is(res.Err(), ErrNotConverged) || !res.HasPose() {
		t.Errorf("one iteration: %v", res.Status)
	}
	p.Volume.Min, p.Volume.Max = r3.Vec{X: 0.1, Y: -0.15, Z: 0.1}, r3.Vec{X: 0.15, Y: -0.1, Z: 0.15}
	small, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if res := small.Warm(y, tasks[0].start); !res.Outside {
		t.Errorf("outside the volume: %v", res.Outside)
	}
	defer func() {
		if recover() == nil {
			t.Error("couplings of another shape did not panic")
		}
	}()
	s.Cold(Couplings{Value: y.Value[1:], Variance: y.Variance[1:]})
}

// Clones solve side by side and alike.
func TestClones(t *testing.T) {
	p, tasks := fixedProblem(t, 6, knownDipole)
	s, err := New(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	got := make([][]Result, 4)
	for i := range got {
		c := s.Clone()
		wg.Go(func() {
			for _, k := range tasks[:100] {
				got[i] = append(got[i], c.Cold(k.couplings))
			}
		})
	}
	wg.Wait()
	for i := range got {
		for k := range got[i] {
			if got[i][k] != got[0][k] {
				t.Fatalf("clone %d, pose %d: %+v, clone 0: %+v", i, k, got[i][k], got[0][k])
			}
		}
	}
}

// Five degrees of freedom with the coil off the sensor's origin, and with two
// opposed coils on one axis: the pose is the smallest rotation, and errors of
// the origin under it are as the covariance says.
func TestCoilOffOrigin(t *testing.T) {
	p, sigma := bench(t, 8, 5)
	axis := r3.Unit(r3.Vec{X: 1, Y: -2, Z: 0.5})
	center := r3.Vec{X: 0.012, Y: 0.005, Z: -0.008}
	for name, coils := range map[string][]mutual.Coil{
		"one coil": {{Center: center, Axis: axis, AreaTurns: 1}},
		"two coaxial": {
			{Center: center, Axis: axis, AreaTurns: 1},
			{Center: r3.Add(center, r3.Scale(0.02, axis)), Axis: r3.Scale(-1, axis), AreaTurns: 0.5},
		},
	} {
		p.Sensor.Coils = coils
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Freedom() != 5 {
			t.Fatalf("%s: %d degrees of freedom", name, s.Freedom())
		}
		r := rand.New(rand.NewPCG(6, 6))
		var sum float64
		const n = 1000
		count := 0
		for range n {
			a := randomQuat(r)
			var st state
			st.setRotation(a)
			s.smallestRotation(&st)
			if r3.Dot(st.Out(s.rig.axis), s.rig.axis) < -0.8 {
				continue // the smallest rotation is all but undefined there
			}
			count++
			pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: st.q}
			res := s.Cold(observe(t, s, pose, sigma, r))
			if res.Status != Converged {
				t.Errorf("%s: %v: %v", name, pose, res.Status)
			}
			smallest := rigid.Between(axis, rigid.Pose{Rotation: res.Pose.Rotation}.Rotate(axis))
			for _, d := range []float64{smallest.Real - res.Pose.Rotation.Real, smallest.Imag - res.Pose.Rotation.Imag,
				smallest.Jmag - res.Pose.Rotation.Jmag, smallest.Kmag - res.Pose.Rotation.Kmag} {
				if math.Abs(d) > 1e-12 {
					t.Errorf("%s: rotation %v is not the smallest, %v", name, res.Pose.Rotation, smallest)
				}
			}
			u := res.Pose.Rotate(s.rig.axis)
			for i := range 6 {
				row := vector([3]float64(res.Covariance[i][3:]))
				if v := math.Abs(r3.Dot(row, u)); v > 1e-9*math.Sqrt(res.Covariance[i][i]) {
					t.Errorf("%s: covariance about the axis %g", name, v)
				}
			}
			e := deviation(s, pose, res.Pose)
			sum += mahalanobis(t, s, &res.Covariance, &e)
		}
		// Four standard deviations of the mean of chi-squares of five.
		if m := sum / float64(count); math.Abs(m-5) > 4*math.Sqrt(10/float64(count)) {
			t.Errorf("%s: mean squared error over sigma %.3f, want 5", name, m)
		}
	}
}

// Any number of coils in general directions: two fix a pose as well as five.
func TestCoilCounts(t *testing.T) {
	p, sigma := bench(t, 8, 6)
	r := rand.New(rand.NewPCG(12, 12))
	for coils := 2; coils <= 5; coils++ {
		p.Sensor.Coils = nil
		for range coils {
			p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{
				Center:    r3.Vec{X: 0.01 * r.NormFloat64(), Y: 0.01 * r.NormFloat64(), Z: 0.01 * r.NormFloat64()},
				Axis:      r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}),
				AreaTurns: 0.5 + r.Float64(),
			})
		}
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		const n = 300
		sum := 0.0
		for range n {
			pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
			res := s.Cold(observe(t, s, pose, sigma, r))
			if res.Status != Converged {
				t.Errorf("%d coils, %v: %v", coils, pose, res.Status)
			}
			e := deviation(s, pose, res.Pose)
			sum += mahalanobis(t, s, &res.Covariance, &e)
		}
		// Four standard deviations of the mean of chi-squares of six.
		if m := sum / n; math.Abs(m-6) > 4*math.Sqrt(12./n) {
			t.Errorf("%d coils: mean squared error over sigma %.2f, want 6", coils, m)
		}
	}
}
