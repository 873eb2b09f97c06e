package campaign

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// course is a motion seen through windows, to be joined.
type course struct {
	length float64 // of a window [s]
	parts  float64 // windows begin every length/parts
	speed  float64 // [m/s]
	turns  float64 // [rad/s]
}

func (c course) name() string {
	return fmt.Sprintf("%g ms, %g a window, %g m/s, %g rad/s", 1e3*c.length, c.parts, c.speed, c.turns)
}

// joining is a way to join the windows, with its score.
type joining struct {
	name string
	join func(t testing.TB, s *solver.Solver, frames []trajectory.Frame, o trajectory.Options) *trajectory.Track
	Score
	independent float64 // poses that do not hang together
}

func joinings() []*joining {
	run := func(smooth bool) func(testing.TB, *solver.Solver, []trajectory.Frame, trajectory.Options) *trajectory.Track {
		return func(t testing.TB, s *solver.Solver, frames []trajectory.Frame, o trajectory.Options) *trajectory.Track {
			o.Smooth = smooth
			track, err := trajectory.Run(t.Context(), s, frames, o)
			if err != nil {
				t.Fatal(err)
			}
			return track
		}
	}
	return []*joining{{name: "filter", join: run(false)}, {name: "smooth", join: run(true)}, {name: "spline", join: func(t testing.TB, s *solver.Solver, frames []trajectory.Frame, o trajectory.Options) *trajectory.Track {
		track, err := trajectory.Spline(t.Context(), s, frames, o)
		if err != nil {
			t.Fatal(err)
		}
		return track
	}}}
}

// play joins the poses of one recording in each way. Every other bench is drawn.
func (c course) play(t *testing.T, seconds float64, seed uint64, ways []*joining) {
	t.Helper()
	random := rand.New(rand.NewPCG(seed, 20))
	r := PipeBench(t)
	if seed%2 == 0 {
		r = Draw(t, random)
	}
	b := bench.New(r)
	s, err := b.Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	wander := NewWander(random, c.speed, c.turns)
	name := Record(t, b, wander.Path(t, b, seconds), simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed}, nil)
	w := stream.Windows{Length: c.length, Hop: c.length / c.parts}
	var frames []trajectory.Frame
	clipped := map[float64]bool{}
	variance := 0.0
	Play(t, b, name, recording.Options{}, engine.Options{Windows: w, Sharp: true}, func(seen *engine.Observation) {
		v := &seen.Sensors[0]
		clipped[seen.Time] = v.Flags&^verdict.Motion != 0
		pose := v.Fit.Pose
		frames = append(frames, trajectory.Frame{Time: seen.Time, Couplings: v.Fitted.Clone(), Pose: &pose})
		variance += Variance(&v.Fit.Covariance) / 3
	})
	variance /= float64(len(frames))
	o := trajectory.Options{WindowSpread: w.Spread(), WindowKurtosis: w.Kurtosis(), Correlation: w.Correlation()}
	for _, way := range ways {
		track := way.join(t, s, frames, o)
		for i := range track.States {
			if st := &track.States[i]; !clipped[st.Time] {
				way.Add(t, st.Pose, &st.Covariance, wander.At(st.Time))
			}
		}
		way.independent += independentPoses(seconds, track.PositionNoise, variance, o.Correlation, w)
	}
}

// independentPoses is how many joined poses of a duration [s] do not hang together. A smoother passes
// the motion of a white jerk of a density below a frequency [rad/s] that depends on the variance of
// the frames, correlated as they are; so much noise is independent at twice its frequency in hertz.
func independentPoses(seconds, jerk, variance float64, correlation []float64, w stream.Windows) float64 {
	shared := 1.0
	for _, rho := range correlation {
		shared += 2 * rho
	}
	cutoff := math.Pow(jerk/(variance*shared*w.Hop), 1./6)
	return seconds * min(cutoff/math.Pi, 1/w.Length)
}

// check holds each way of joining to 93 to 97 % in the 95 % regions, widened by three
// sampling errors.
func (c course) check(t *testing.T, recordings int, seconds float64) {
	ways := joinings()
	for seed := range recordings {
		c.play(t, seconds, uint64(seed+1), ways)
	}
	for _, way := range ways {
		t.Run(way.name, func(t *testing.T) {
			way.Log(t)
			way.Covers(t, way.independent)
		})
	}
}

// Joined poses are as good as they say, whether windows overlap or not.
func TestTrajectories(t *testing.T) {
	for _, c := range []course{
		{10e-3, 1, 0.3, 2},
		{10e-3, 5, 1, 6},
		{20e-3, 2, 0.5, 3},
	} {
		t.Run(c.name(), func(t *testing.T) {
			t.Parallel()
			c.check(t, 2, 2)
		})
	}
}
