package campaign

import (
	"fmt"
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

// lags are the poses of streams that are joined as they come, by lag [s].
type lags []*lag

type lag struct {
	seconds float64
	Score
	independent float64 // poses that do not hang together
}

// play joins the poses of one stream, 150 ppm off, and counts those after the first second.
func (all lags) play(t *testing.T, b *bench.Bench, w stream.Windows, seconds float64, wander *Wander, seed uint64) {
	t.Helper()
	s, err := b.Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	o := trajectory.Options{WindowSpread: w.Spread(), WindowKurtosis: w.Kurtosis(), Correlation: w.Correlation()}
	var frames []trajectory.Frame
	doubtful := map[float64]bool{}
	variance := 0.0
	how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 49.98, MainsV: 5e-6, ClockPPM: 150, Seed: seed}
	Play(t, b, Record(t, b, wander.Path(t, b, seconds), how, nil), recording.Options{}, engine.Options{Windows: w, Causal: true, Sharp: true}, func(seen *engine.Observation) {
		v := &seen.Sensors[0]
		doubtful[seen.Time] = seen.Time < settled || v.Flags&^verdict.Motion != 0
		f := trajectory.Frame{Time: seen.Time, Couplings: v.Fitted.Clone()}
		if v.Fit.Status == solver.Converged {
			pose := v.Fit.Pose
			f.Pose = &pose
		}
		frames = append(frames, f)
		variance += Variance(&v.Fit.Covariance) / 3
	})
	variance /= float64(len(frames))
	for _, l := range all {
		f, err := trajectory.NewFollower(s, o, w.Hop, l.seconds)
		if err != nil {
			t.Fatal(err)
		}
		count := func(states []trajectory.State, err error) {
			if err != nil {
				t.Fatal(err)
			}
			for i := range states {
				if st := &states[i]; !doubtful[st.Time] {
					l.Add(t, st.Pose, &st.Covariance, wander.At(st.Time))
				}
			}
		}
		for _, frame := range frames {
			count(f.Add(t.Context(), frame))
		}
		count(f.Flush())
		f.Close()
	}
	// The lags of a smoother.
	o.Smooth = true
	whole, err := trajectory.Run(t.Context(), s, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all {
		l.independent += independentPoses(seconds-settled, whole.PositionNoise, variance, o.Correlation, w)
	}
}

// lagged plays benches and motions drawn from seeds as they come: joined poses are as good
// as they say, with a lag and without, and the better the longer it is.
func lagged(t *testing.T, benches int, w stream.Windows, seconds, speed float64) {
	all := lags{{}, {seconds: 20e-3}, {seconds: 50e-3}}
	for seed := range uint64(benches) {
		random := rand.New(rand.NewPCG(seed+1, 21))
		b := bench.New(Draw(t, random))
		all.play(t, b, w, seconds, NewWander(random, speed, 6*speed), seed+1)
	}
	for i, l := range all {
		l.Log(t)
		l.Covers(t, l.independent)
		if i > 0 && l.RMS() > all[i-1].RMS() {
			t.Errorf("a lag of %g s: RMS %.4f mm, with %g s it is %.4f mm", l.seconds, 1e3*l.RMS(), all[i-1].seconds, 1e3*all[i-1].RMS())
		}
	}
}

func TestDrawnBenchesWithALag(t *testing.T) {
	for _, hop := range []float64{5e-3, 10e-3} {
		t.Run(fmt.Sprintf("hop %g s", hop), func(t *testing.T) {
			lagged(t, 2, stream.Windows{Length: 10e-3, Hop: hop}, 2, 0.3)
		})
	}
}
