package trajectory

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// followed are the states of all frames, each with so many windows ahead of it.
func followed(t testing.TB, s *solver.Solver, frames []Frame, o Options, hop, lag float64) []State {
	t.Helper()
	f, err := NewFollower(s, o, hop, lag)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var states []State
	for _, fr := range frames {
		due, err := f.Add(t.Context(), fr)
		if err != nil {
			t.Fatal(err)
		}
		states = append(states, due...)
	}
	due, err := f.Flush()
	if err != nil {
		t.Fatal(err)
	}
	states = append(states, due...)
	if len(states) != len(frames) {
		t.Fatalf("%d states of %d windows", len(states), len(frames))
	}
	for i := range states {
		if states[i].Time != frames[i].Time {
			t.Fatalf("state %d is of %g s, its window of %g s", i, states[i].Time, frames[i].Time)
		}
	}
	return states
}

// The estimate with a lag is that of a smoother to which the windows within the lag are
// the last: both do the same sums. (The second window has no couplings: else the smoother
// would begin with the velocity to it, as the filter cannot.)
func TestFixedLagIsASmootherOfWhatHasCome(t *testing.T) {
	const n, dt, sigma, q, r = 40, 5e-3, 3e-11, 5.0, 100.0
	for _, coils := range []int{3, 1} {
		s := bench(t, coils)
		rng := rand.New(rand.NewPCG(7, 7))
		frames := observe(t, s, drive(ConstantAcceleration, n, dt, q, r, rng), dt, sigma, rng)
		o := Options{PositionNoise: q, RotationNoise: r}
		for _, ahead := range []int{0, 1, 10} {
			states := followed(t, s, frames, o, dt, float64(ahead)*dt)
			for i := range states {
				full, err := o.withDefaults()
				if err != nil {
					t.Fatal(err)
				}
				full.Smooth = true
				whole := Joiner{tracker: newTracker(t.Context(), s, full), steps: make([]kept, block)}
				whole.windows = Frames(frames[:min(i+ahead+1, n)])
				whole.share = share{of: [2]float64{1, 1}}
				smoothed, err := whole.Next()
				if err != nil {
					t.Fatal(err)
				}
				have, want := states[i], smoothed[i]
				dp, dr := have.Pose.Minus(want.Pose)
				for k, d := range six(dp, dr) {
					if v := want.Covariance[k][k]; !(math.Abs(d) <= 1e-9*math.Sqrt(v)) || math.Abs(have.Covariance[k][k]-v) > 1e-9*v {
						t.Fatalf("%d coils, %d ahead, window %d, component %d: off by %g, variance %g, want %g", coils, ahead, i, k, d, have.Covariance[k][k], v)
					}
				}
			}
		}
	}
}

// Followed with a lag, motions that no model drew are as well known as is stated, and
// better the longer the lag: by then close to the smoother of the whole.
func TestFixedLagAgainstTheTruth(t *testing.T) {
	const length, sigma, runs, seconds = 10e-3, 5e-13, 3, 3.0
	s := bench(t, 3)
	for _, parts := range []int{50, 25} { // windows side by side, and by half over each other
		hop := length * float64(parts) / 50
		var filtered, lagged, smoothed, alone float64
		var scored [2]score
		for run := range runs {
			rng := rand.New(rand.NewPCG(11, uint64(run)))
			path := wander(0.3, 2, rng)
			frames, rho := hann(t, s, path, seconds, length, parts, sigma, rng)
			o := Options{WindowSpread: 0.18076 * length, Correlation: rho}
			for i := range frames {
				result := s.Warm(frames[i].Couplings, path(frames[i].Time))
				frames[i].Pose = &result.Pose
			}
			whole := o
			whole.Smooth = true
			track, err := Run(t.Context(), s, frames, whole)
			if err != nil {
				t.Fatal(err)
			}
			square := func(states []State, scored *score) (sum float64) {
				for i := range states {
					if states[i].Time < 1 {
						continue
					}
					truth := path(states[i].Time)
					if states[i].Unknown {
						t.Fatalf("nothing is known at %g s", states[i].Time)
					}
					sum += r3.Norm2(r3.Sub(states[i].Pose.Position, truth.Position))
					if scored != nil {
						scored.add(&states[i], truth)
					}
				}
				return sum
			}
			filtered += square(followed(t, s, frames, o, hop, 0), &scored[0])
			lagged += square(followed(t, s, frames, o, hop, 50e-3), &scored[1])
			smoothed += square(track.States, nil)
			for i := range frames {
				if frames[i].Time >= 1 {
					alone += r3.Norm2(r3.Sub(frames[i].Pose.Position, path(frames[i].Time).Position))
				}
			}
		}
		t.Logf("%d parts: RMS over that of the smoother: filter %.3f, lag %.3f, alone %.3f", parts, math.Sqrt(filtered/smoothed), math.Sqrt(lagged/smoothed), math.Sqrt(alone/smoothed))
		if !(math.Sqrt(lagged/smoothed) < 1.1 && lagged < filtered && filtered < alone) {
			t.Errorf("hop %g s: squared errors: smoothed %.3g, with a lag %.3g, filtered %.3g, alone %.3g", hop, smoothed, lagged, filtered, alone)
		}
		for k := range scored {
			sc := &scored[k]
			inside, normal := float64(sc.position)/float64(sc.n), sc.normal/float64(sc.n)
			t.Logf("%d: %d states, %.3f inside, squared error over variance %.3f", k, sc.n, inside, normal)
			// Errors of some ten windows hang together: of n states n/10 are independent.
			if few := 4 * math.Sqrt(0.95*0.05*10/float64(sc.n)); math.Abs(inside-0.95) > few {
				t.Errorf("lag %v: %.3f of %d positions inside their 95 %% ellipsoid: want 0.95 ± %.3f", k == 1, inside, sc.n, few)
			}
		}
	}
}

// A sensor that rested and moves off all at once is followed within a few windows, though
// what was learnt at rest leaves no room for that.
func TestFixedLagFollowsWhatMovesOff(t *testing.T) {
	const hop, sigma = 5e-3, 3e-11
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(12, 1))
	var path []motion
	for i := range 600 {
		x := motion{pose: rigid.Pose{Position: r3.Vec{X: -0.05, Z: 0.15}, Rotation: rigid.Identity().Rotation}}
		if moved := float64(i-400) * hop; moved > 0 { // 0.1 m/s at once
			x.pose.Position.X += 0.1 * moved
		}
		path = append(path, x)
	}
	frames := observe(t, s, path, hop, sigma, rng)
	alone := make([]rigid.Covariance, len(frames)) // of windows by themselves
	for i := range frames {
		result := s.Warm(frames[i].Couplings, path[i].pose)
		frames[i].Pose, alone[i] = &result.Pose, result.Covariance
	}
	for _, lag := range []float64{0, 50e-3} {
		states := followed(t, s, frames, Options{}, hop, lag)
		for i := 420; i < 600; i++ {
			st := &states[i]
			dp, dr := st.Pose.Minus(path[i].pose)
			for k, d := range six(dp, dr) {
				// Of 180 windows with six components each, twice, chance takes one beyond six
				// sigmas in 200,000 runs (normal distribution: 2·10⁻⁹).
				if sd := math.Sqrt(st.Covariance[k][k]); !(math.Abs(d) <= 6*sd) {
					t.Errorf("lag %g s, window %d, component %d: off by %g, sigma %g", lag, i, k, d, sd)
				}
				// What knows a window, and more, is no worse than the window alone. Both are of
				// models linear at poses a sigma apart, 0.12 mm at 0.15 m: derivatives of a field
				// that fades with r³ are then 4·0.12/150 apart, variances twice that.
				if v := alone[i][k][k]; !(st.Covariance[k][k] <= 1.01*v) {
					t.Errorf("lag %g s, window %d, component %d: variance %g, of the window alone %g", lag, i, k, st.Covariance[k][k], v)
				}
			}
		}
	}
}

// The same windows give the same states, whatever else runs; and memory does not grow with
// their number.
func TestFixedLagAgain(t *testing.T) {
	const hop, sigma = 5e-3, 3e-11
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(13, 1))
	way := wander(0.3, 2, rng)
	var path []motion
	for i := range 2000 {
		path = append(path, motion{pose: way(float64(i) * hop)})
	}
	frames := observe(t, s, path, hop, sigma, rng)
	for i := range frames {
		frames[i].Pose = &path[i].pose
	}
	one, two := followed(t, s, frames, Options{}, hop, 20e-3), followed(t, s, frames, Options{}, hop, 20e-3)
	if diff := cmp.Diff(one, two); diff != "" {
		t.Errorf("a second run is another: %.500s", diff)
	}
	f, err := NewFollower(s, Options{PositionNoise: 1, RotationNoise: 10}, hop, 20e-3)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	f.course.next = math.MaxInt
	i := 0
	add := func() {
		if _, err := f.Add(t.Context(), frames[i]); err != nil {
			t.Fatal(err)
		}
		i++
	}
	for i < 1200 { // memory has turned once
		add()
	}
	if n := testing.AllocsPerRun(500, add); n != 0 {
		t.Errorf("%g allocations a window", n)
	}
}

func TestFixedLagRefuses(t *testing.T) {
	s := bench(t, 3)
	for _, c := range [][2]float64{{0, 0}, {5e-3, -1}, {5e-3, 1}} {
		if _, err := NewFollower(s, Options{}, c[0], c[1]); err == nil {
			t.Errorf("hop %g s, lag %g s: no error", c[0], c[1])
		}
	}
	f, err := NewFollower(s, Options{}, 5e-3, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fr := observe(t, s, []motion{{pose: rigid.Pose{Position: r3.Vec{Z: 0.16}, Rotation: rigid.Identity().Rotation}}}, 5e-3, 3e-11, rand.New(rand.NewPCG(1, 1)))[0]
	if _, err := f.Add(t.Context(), fr); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Add(t.Context(), fr); err == nil {
		t.Error("a window that does not follow: no error")
	}
}
