package trajectory

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// bench is an invented array of tilted dipoles with a probe of three coils, or
// of one.
func bench(t *testing.T, coils int) *solver.Solver {
	t.Helper()
	p := solver.Problem{Volume: solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.08}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}}
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range 8 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 8)
		r := 0.12 + 0.08*float64(i%2)
		m := r3.Scale(0.15, r3.Unit(r3.Vec{X: 0.4 * rng.NormFloat64(), Y: 0.4 * rng.NormFloat64(), Z: 1}))
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Name: string(rune('a' + i)), Center: r3.Vec{X: r * c, Y: r * s}, Axis: r3.Unit(m),
			Source: fieldmodels.Place(fieldmodels.Dipole{Moment: m}, rigid.Pose{Position: r3.Vec{X: r * c, Y: r * s}, Rotation: rigid.Identity().Rotation}),
		})
	}
	axes := []r3.Vec{{Z: 1}, {X: 1}, {Y: 1}}
	for i := range coils {
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axes[i], AreaTurns: 0.004})
	}
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// drive simulates the very motion that the filter believes in: white jerk, or
// white acceleration, drawn exactly from the model's covariance.
func drive(m Motion, n int, dt, q, r float64, rng *rand.Rand) []motion {
	x := motion{pose: rigid.Pose{Position: r3.Vec{Z: 0.16}, Rotation: rigid.Exp(r3.Vec{X: 0.3})}}
	var chol mat.Cholesky
	chol.Factorize(m.noise(dt, q, r, rigid.Unit3))
	var lower mat.TriDense
	chol.LTo(&lower)
	path := []motion{x}
	for range n - 1 {
		z := mat.NewVecDense(m.size(), nil)
		for i := range m.size() {
			z.SetVec(i, rng.NormFloat64())
		}
		var d mat.VecDense
		d.MulVec(&lower, z)
		x = x.after(dt).plus(d.RawVector().Data)
		path = append(path, x)
	}
	return path
}

func observe(t *testing.T, s *solver.Solver, path []motion, dt, sigma float64, rng *rand.Rand) []Frame {
	t.Helper()
	var frames []Frame
	for i, x := range path {
		n := len(s.Problem().Array.Emitters) * len(s.Problem().Sensor.Coils)
		c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
		if err := s.Evaluate(x.pose, c.Value, nil); err != nil {
			t.Fatal(err)
		}
		for k := range c.Value {
			c.Value[k] += sigma * rng.NormFloat64()
			c.Variance[k] = sigma * sigma
		}
		frames = append(frames, Frame{Time: float64(i) * dt, Couplings: c})
	}
	return frames
}

// nees is the mean of eᵀC⁻¹e over the degrees of freedom.
func nees(states []State, path []motion) float64 {
	var sum float64
	for i, s := range states {
		dp, dr := s.Pose.Minus(path[i].pose)
		c := mat.NewSymDense(6, nil)
		for r := range 6 {
			for k := r; k < 6; k++ {
				c.SetSym(r, k, s.Covariance[r][k])
			}
		}
		inv, _, err := inverse(c)
		if err != nil {
			return math.NaN()
		}
		d := mat.NewVecDense(6, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
		sum += mat.Inner(d, inv, d) / 6
	}
	return sum / float64(len(states))
}

// Filter and smoother are consistent: normalised errors have mean 1. Smoothed
// errors of neighbours hang together over some ten windows, so twelve runs of
// 60 windows hold about 72·6 independent squares: 4·√(2/432) = 27 %; a filter's
// errors are worth more, the same bar holds them. The smoother is better than
// the filter, and both than windows alone. (White jerk drives a path away with
// t^2.5: 0.3 s keep it near the array.)
func TestConsistent(t *testing.T) {
	const n, runs, dt, sigma = 60, 12, 5e-3, 3e-11
	for _, m := range []Motion{ConstantAcceleration, ConstantVelocity} {
		q, r := 5.0, 100.0
		if m == ConstantVelocity {
			q, r = 0.05, 0.7
		}
		s := bench(t, 3)
		var rms, normal [2]float64
		var alone float64
		for run := range runs {
			rng := rand.New(rand.NewPCG(2, uint64(run)))
			path := drive(m, n, dt, q, r, rng)
			frames := observe(t, s, path, dt, sigma, rng)
			for k, smooth := range []bool{false, true} {
				track, err := Run(t.Context(), s, frames, Options{Motion: m, PositionNoise: q, RotationNoise: r, Smooth: smooth})
				if err != nil {
					t.Fatal(err)
				}
				normal[k] += nees(track.States, path) / runs
				for i, st := range track.States {
					if st.Passed {
						t.Errorf("motion %v: clean window %d was passed over", m, i)
					}
					rms[k] += r3.Norm2(r3.Sub(st.Pose.Position, path[i].pose.Position))
				}
			}
			for i, f := range frames {
				alone += r3.Norm2(r3.Sub(s.Warm(f.Couplings, path[i].pose).Pose.Position, path[i].pose.Position))
			}
		}
		for k := range normal {
			if math.Abs(normal[k]-1) > 0.27 {
				t.Errorf("motion %v smooth %v: normalised error %.3f", m, k == 1, normal[k])
			}
		}
		if !(rms[1] < rms[0] && rms[0] < alone) {
			t.Errorf("motion %v: squared errors: smoothed %.3g, filtered %.3g, alone %.3g", m, rms[1], rms[0], alone)
		}
	}
}

// The strengths of the process noise are found to within what 80 windows can
// tell: a variance from less than 3·80 increments, seen through noise; a factor
// of three either way is beyond four of its sigmas.
func TestLearnsTheProcessNoise(t *testing.T) {
	const n, dt, sigma, q, r = 80, 5e-3, 1e-11, 5.0, 100.0
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(3, 3))
	path := drive(ConstantAcceleration, n, dt, q, r, rng)
	track, err := Run(t.Context(), s, observe(t, s, path, dt, sigma, rng), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if f := track.PositionNoise / q; f < 1.0/3 || f > 3 {
		t.Errorf("position noise %.3g, drawn with %g", track.PositionNoise, q)
	}
	if f := track.RotationNoise / r; f < 1.0/3 || f > 3 {
		t.Errorf("rotation noise %.3g, drawn with %g", track.RotationNoise, r)
	}
}

// A foreign window is passed over, and through an outage the covariance grows.
func TestOutage(t *testing.T) {
	const n, dt, sigma, q, r = 100, 4e-3, 3e-11, 5.0, 100.0
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(4, 4))
	path := drive(ConstantAcceleration, n, dt, q, r, rng)
	frames := observe(t, s, path, dt, sigma, rng)
	for i := 60; i < 66; i++ {
		for k := range frames[i].Couplings.Variance {
			frames[i].Couplings.Variance[k] = math.Inf(1)
		}
	}
	for k := range frames[90].Couplings.Value {
		frames[90].Couplings.Value[k] *= 1.5
	}
	track, err := Run(t.Context(), s, frames, Options{PositionNoise: q, RotationNoise: r})
	if err != nil {
		t.Fatal(err)
	}
	for i := 61; i < 66; i++ {
		if a, b := track.States[i].Covariance[0][0], track.States[i-1].Covariance[0][0]; !(a > b) || !track.States[i].Passed {
			t.Errorf("window %d without couplings: variance %.3g after %.3g", i, a, b)
		}
	}
	if !track.States[90].Passed {
		t.Error("a window half as large again was taken for motion")
	}
	if e := nees(track.States, path); e > 1.6 { // 100 windows, see TestConsistent
		t.Errorf("normalised error %.2f", e)
	}
}

// After a jump that no motion explains the filter starts afresh.
func TestRestart(t *testing.T) {
	const dt, sigma = 5e-3, 3e-11
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(5, 5))
	var path []motion
	for i := range 60 {
		x := motion{pose: rigid.Pose{Position: r3.Vec{X: -0.05, Z: 0.15}, Rotation: rigid.Identity().Rotation}}
		if i >= 30 {
			x.pose.Position.X = 0.05
		}
		path = append(path, x)
	}
	track, err := Run(t.Context(), s, observe(t, s, path, dt, sigma, rng), Options{PositionNoise: 1e-2, RotationNoise: 1e-2})
	if err != nil {
		t.Fatal(err)
	}
	last := track.States[59]
	if r3.Norm(r3.Sub(last.Pose.Position, path[59].pose.Position)) > 1e-3 {
		t.Errorf("still at %v", last.Pose.Position)
	}
}

// One coil: the turn about its axis stays unknown, and the pose keeps the
// solver's convention.
func TestFiveDegrees(t *testing.T) {
	const n, dt, sigma, q, r = 70, 5e-3, 1e-11, 5.0, 100.0
	s := bench(t, 1)
	rng := rand.New(rand.NewPCG(6, 6))
	path := drive(ConstantAcceleration, n, dt, q, r, rng)
	track, err := Run(t.Context(), s, observe(t, s, path, dt, sigma, rng), Options{PositionNoise: q, RotationNoise: r, Smooth: true})
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	for i, st := range track.States {
		d := r3.Sub(st.Pose.Position, path[i].pose.Position)
		sum += (d.X*d.X/st.Covariance[0][0] + d.Y*d.Y/st.Covariance[1][1] + d.Z*d.Z/st.Covariance[2][2]) / (3 * n)
		a := st.Pose.Rotate(r3.Vec{Z: 1})
		v := [3]float64{a.X, a.Y, a.Z}
		var about, most float64
		for r := range 3 {
			for c := range 3 {
				about += v[r] * st.Covariance[3+r][3+c] * v[c]
			}
			most = max(most, st.Covariance[3+r][3+r])
		}
		if math.Abs(about) > 1e-9*most {
			t.Fatalf("window %d: variance %g about the blind axis, %g across", i, about, most)
		}
		if got := rigid.Between(r3.Vec{Z: 1}, a); math.Abs(got.Real*st.Pose.Rotation.Real+got.Imag*st.Pose.Rotation.Imag+got.Jmag*st.Pose.Rotation.Jmag+got.Kmag*st.Pose.Rotation.Kmag) < 1-1e-12 {
			t.Fatalf("window %d: not the smallest rotation", i)
		}
	}
	if sum > 2.2 || sum < 0.1 { // 70 windows, 3 components, some ten hang together: 21 squares, 1 + 4·√(2/21) above; chi-square below 2 of 21 by chance of 1e-8
		t.Errorf("normalised position error %.3f", sum)
	}
}

// Transition against differences: h = 1e-6 leaves h² = 1e-12 of truncation and
// 1e-16/h = 1e-10 of rounding, relative to entries of at most 1.
func TestTransitionAgainstDifferences(t *testing.T) {
	x := motion{pose: rigid.Pose{Position: r3.Vec{X: 0.1}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: -0.5, Z: 0.2})},
		v: r3.Vec{X: 1, Y: 2, Z: -1}, w: r3.Vec{X: 5, Y: -3, Z: 8}, a: r3.Vec{Z: 9}, b: r3.Vec{X: 30, Y: 10, Z: -20}}
	for _, n := range []int{12, 18} {
		const dt, h = 0.02, 1e-6
		y := x
		if n == 12 {
			y.a, y.b = r3.Vec{}, r3.Vec{}
		}
		f := y.transition(dt, n)
		for j := range n {
			d := make([]float64, n)
			d[j] = h
			up := y.plus(d).after(dt)
			d[j] = -h
			down := y.plus(d).after(dt)
			base := y.after(dt)
			a, b := up.minus(base, n), down.minus(base, n)
			for i := range n {
				if got := (a[i] - b[i]) / (2 * h); math.Abs(got-f.At(i, j)) > 1e-8 {
					t.Errorf("n=%d ∂%d/∂%d: %g by differences, %g", n, i, j, got, f.At(i, j))
				}
			}
		}
	}
}

// The process noise's covariance against its definition, the integral of
// Φ(s)·G·Gᵀ·Φ(s)ᵀ, by the midpoint rule with 4000 steps: (1/4000)² relative.
func TestNoiseAgainstItsIntegral(t *testing.T) {
	const dt, q, r = 0.3, 2.0, 3.0
	for _, m := range []Motion{ConstantVelocity, ConstantAcceleration} {
		n := m.size()
		want := mat.NewDense(n, n, nil)
		const steps = 4000
		for k := range steps {
			s := (float64(k) + 0.5) / steps * dt
			phi := motion{pose: rigid.Identity()}.transition(s, n)
			g := mat.NewDense(n, 6, nil)
			for i := range 3 {
				g.Set(n-6+i, i, math.Sqrt(q*dt/steps))
				g.Set(n-3+i, 3+i, math.Sqrt(r*dt/steps))
			}
			var pg, pgg mat.Dense
			pg.Mul(phi, g)
			pgg.Mul(&pg, pg.T())
			want.Add(want, &pgg)
		}
		got := m.noise(dt, q, r, rigid.Unit3)
		for i := range n {
			for j := range n {
				if d := math.Abs(got.At(i, j) - want.At(i, j)); d > 1e-6*math.Sqrt(want.At(i, i)*want.At(j, j))+1e-15 {
					t.Errorf("motion %v, %d %d: %g, want %g", m, i, j, got.At(i, j), want.At(i, j))
				}
			}
		}
	}
}

func TestNoStart(t *testing.T) {
	s := bench(t, 3)
	n := 24
	c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
	for i := range c.Variance {
		c.Variance[i] = math.Inf(1)
	}
	if _, err := Run(t.Context(), s, []Frame{{Couplings: c}}, Options{PositionNoise: 1, RotationNoise: 1}); !errors.Is(err, ErrNoStart) {
		t.Errorf("error %v, want ErrNoStart", err)
	}
}
