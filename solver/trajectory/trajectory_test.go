package trajectory

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// nees is the mean of eᵀC⁻¹e over the degrees of freedom.
func nees(states []State, path []motion) float64 {
	var sum float64
	for i := range states {
		dp, dr := states[i].Pose.Minus(path[i].pose)
		e := six(dp, dr)
		sum += over(states[i].Covariance, e[:]) / 6
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

// The flow against differences: h = 1e-6 leaves h² = 1e-12 of truncation and
// 1e-16/h = 1e-10 of rounding, relative to entries of at most 1.
func TestFlowAgainstDifferences(t *testing.T) {
	x := motion{pose: rigid.Pose{Position: r3.Vec{X: 0.1}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: -0.5, Z: 0.2})},
		v: r3.Vec{X: 1, Y: 2, Z: -1}, w: r3.Vec{X: 5, Y: -3, Z: 8}, a: r3.Vec{Z: 9}, b: r3.Vec{X: 30, Y: 10, Z: -20}}
	const dt, h = 0.02, 1e-6
	f := x.flow(dt)
	var unit matrix
	for i := range unit {
		unit[i][i] = 1
	}
	f.apply(&unit)
	base := x.after(dt)
	for j := range size {
		var difference [2]vector
		for side, s := range []float64{h, -h} {
			var d vector
			d[j] = s
			y := x.plus(&d)
			y = y.after(dt)
			difference[side] = y.minus(&base)
		}
		for i := range size {
			if got := (difference[0][i] - difference[1][i]) / (2 * h); math.Abs(got-unit[i][j]) > 1e-8 {
				t.Errorf("∂%d/∂%d: %g by differences, %g", i, j, got, unit[i][j])
			}
		}
	}
}

// The process noise's covariance against its definition, the integral of
// Φ(s)·G·Gᵀ·Φ(s)ᵀ, by the midpoint rule with 4000 steps: (1/4000)² relative.
func TestNoiseAgainstItsIntegral(t *testing.T) {
	const dt, q, r = 0.3, 2.0, 3.0
	for _, m := range []Motion{ConstantVelocity, ConstantAcceleration} {
		var want, got matrix
		const steps = 4000
		rest := motion{pose: rigid.Identity()}
		for k := range steps {
			f := rest.flow((float64(k) + 0.5) / steps * dt)
			for c := range 6 {
				var g matrix // in its first column
				g[m.free()-6+c][0] = math.Sqrt(map[bool]float64{true: q, false: r}[c < 3] * dt / steps)
				f.apply(&g)
				for i := range size {
					for j := range size {
						want[i][j] += g[i][0] * g[j][0]
					}
				}
			}
		}
		m.addNoise(&got, dt, q, r, &rigid.Unit3)
		for i := range size {
			for j := range size {
				if d := math.Abs(got[i][j] - want[i][j]); d > 1e-6*math.Sqrt(want[i][i]*want[j][j])+1e-15 {
					t.Errorf("motion %v, %d %d: %g, want %g", m, i, j, got[i][j], want[i][j])
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

// The strengths that are learnt are likelier than any nearby, but for what learning leaves:
// of motions that no model drew, of few windows and of many, one strength given or none.
func TestLearnsTheLikeliest(t *testing.T) {
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(8, 1))
	for _, speed := range []float64{0.02, 0.3, 1} {
		path := wander(speed, 4*speed, rng)
		frames, rho := hann(t, s, path, 1.5, 0.01, 50, 5e-13, rng)
		for _, given := range []float64{0, 1} {
			o, err := Options{WindowSpread: 0.0018, Correlation: rho, RotationNoise: given}.withDefaults()
			if err != nil {
				t.Fatal(err)
			}
			tr := newTracker(t.Context(), s, o)
			tr.windows = Frames(frames)
			stretches, _, err := tr.stretches(8, 40)
			if err != nil {
				t.Fatal(err)
			}
			cost := func(position, rotation float64) (sum float64) {
				tr.options.PositionNoise, tr.options.RotationNoise = position, rotation
				for _, part := range stretches {
					sum += tr.surprise(part)
				}
				return sum
			}
			if err := tr.likeliest(stretches, 0, given, tr.guess(stretches), firstStep); err != nil {
				t.Fatal(err)
			}
			q, r := tr.options.PositionNoise, tr.options.RotationNoise
			if given != 0 && r != given {
				t.Errorf("speed %g: rotation noise %g, given %g", speed, r, given)
			}
			least := cost(q, r)
			for _, by := range []float64{0.2, 0.5, 0.8, 1.25, 2, 5} {
				around := []float64{cost(by*q, r)}
				if given == 0 {
					around = append(around, cost(q, by*r), cost(by*q, by*r), cost(by*q, r/by))
				}
				for _, c := range around {
					if c < least-2*leastFall { // one more sweep of less than leastFall from each of both
						t.Errorf("speed %g: strengths %.3g, %.3g: likelier by %.2g at a factor %g", speed, q, r, least-c, by)
					}
				}
			}
		}
	}
}

// The second pass of a smoother is the first again: at the last window nothing is known
// later, and the smoother's pose is the filter's to the last bit. Windows that come with
// their poses tell a velocity at the start.
func TestSmootherEndsWhereTheFilterDoes(t *testing.T) {
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(11, 1))
	path := wander(1, 6, rng)
	var x []motion
	for i := range 8 {
		x = append(x, motion{pose: path(float64(i) * 5e-3)})
	}
	frames := observe(t, s, x, 5e-3, 3e-11, rng)
	for i := range frames {
		pose := s.Warm(frames[i].Couplings, x[i].pose).Pose
		frames[i].Pose = &pose
	}
	var last [2]rigid.Pose
	for k, smooth := range []bool{false, true} {
		track, err := Run(t.Context(), s, frames, Options{PositionNoise: 5, RotationNoise: 100, Smooth: smooth, WindowSpread: 1.8e-3})
		if err != nil {
			t.Fatal(err)
		}
		last[k] = track.States[len(frames)-1].Pose
	}
	if last[0] != last[1] {
		dp, dr := last[1].Minus(last[0])
		t.Errorf("the smoother ends %.2g m and %.2g rad off the filter", r3.Norm(dp), r3.Norm(dr))
	}
}
