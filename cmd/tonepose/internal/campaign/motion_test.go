package campaign

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// cell is one way of averaging a motion.
type cell struct {
	name         string
	windows      stream.Windows
	speed, turns float64
	causal       bool // as a stream, without the frames to come
}

func hann(length float64) stream.Windows { return stream.Windows{Length: length, Hop: length} }

func lowPass(s window.Spec) stream.Windows {
	return stream.Windows{LowPass: &stream.LowPass{Spec: s}}
}

// play adds the frames of one recording, and the variances that noise alone gives
// their positions [m²].
func (c *cell) play(t *testing.T, b *bench.Bench, seconds float64, seed uint64, s *Score, alone *float64) {
	t.Helper()
	w := NewWander(rand.New(rand.NewPCG(seed, 10)), c.speed, c.turns)
	how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed}
	name := Record(t, b, w.Path(t, b, seconds), how, nil)
	variance := map[float64]float64{}
	for _, sharp := range []bool{true, false} {
		Play(t, b, name, recording.Options{}, engine.Options{Windows: c.windows, Sharp: sharp, Causal: c.causal}, func(seen *engine.Observation) {
			if seen.Sensors[0].Flags&^verdict.Motion != 0 {
				return // clipped near an emitter
			}
			fit := &seen.Sensors[0].Fit
			if sharp {
				variance[seen.Time] = Variance(&fit.Covariance)
				return
			}
			s.Add(t, fit.Pose, &fit.Covariance, w.At(seen.Time))
			*alone += variance[seen.Time]
		})
	}
}

// check plays as many recordings and holds a cell to its bounds: the RMS error is at
// most 1.15 times what noise alone predicts, the stated sigma at most 1.2 times the
// RMS error, and 93 to 97 % of the poses lie in their 95 % regions, each bound
// widened by three of its own sampling errors. Poses close in time share noise where
// windows overlap: as many as make independent ones count.
func (c cell) check(t *testing.T, recordings int, seconds float64) {
	b := bench.New(PipeBench(t))
	var s Score
	sum := 0.0
	for seed := range recordings {
		c.play(t, b, seconds, uint64(seed+1), &s, &sum)
	}
	s.Log(t)
	n := float64(s.N)
	independent := n
	if c.windows.LowPass != nil {
		p, err := window.Design(c.windows.LowPass.Spec, 1e5)
		if err != nil {
			t.Fatal(err)
		}
		// White noise behind a low-pass is independent every 1/(2·ENBW).
		independent = min(n, float64(recordings)*seconds*2*p.ENBWHz())
	}
	rms, stated, alone := s.RMS(), s.Stated(), math.Sqrt(sum/n)
	if loose := RMSLoose(independent); rms > (1.15+loose)*alone || stated > (1.2+loose)*rms {
		t.Errorf("RMS error %.4f mm, stated %.4f, of noise alone %.4f (each ± %.2f)", 1e3*rms, 1e3*stated, 1e3*alone, loose/3)
	}
	s.Covers(t, independent)
}

// Poses of a sensor that moves during a window are those at its centre, and as well
// known as they say.
func TestMotionInsideWindows(t *testing.T) {
	for _, c := range []cell{
		{"at rest", hann(10e-3), 0, 0, false},
		{"hann 20 ms", hann(20e-3), 0.5, 3, false},
		{"hann 20 ms, live", hann(20e-3), 0.5, 3, true},
		{"hann 40 ms", hann(40e-3), 1, 6, false},
		{"cascade", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 2e-3}), 0.5, 3, false},
		{"soft cascade", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 0.5e-3}), 0.5, 3, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 2, 2)
		})
	}
}

// A sensor that jumps from rest to rest, in 20 ms every 100 ms, is no metal, whatever
// averages over the jumps, and where its poses are doubted they are as well known as
// they say: of those at rest 90 % lie in their 95 % regions, less three sampling errors:
// of low-passes 92 to 93 % do by position, and 87 to 90 % by all six.
func TestJumpsBetweenRests(t *testing.T) {
	for _, c := range []cell{
		{"hann 10 ms", hann(10e-3), 0, 0, false},
		{"hann 20 ms", hann(20e-3), 0, 0, false},
		{"cascade1", lowPass(window.Spec{Kind: window.Cascade, Order: 1, TimeConstantS: 3e-3}), 0, 0, false},
		{"cascade2", lowPass(window.Spec{Kind: window.Cascade, Order: 2, TimeConstantS: 3e-3}), 0, 0, false},
		{"butterworth2", lowPass(window.Spec{Kind: window.Butterworth, Order: 2, CutoffHz: 60}), 0, 0, false},
		{"cascade4", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 2e-3}), 0, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := bench.New(PipeBench(t))
			random := rand.New(rand.NewPCG(1, 11))
			const rest = 0.08
			var poses []rigid.Pose
			for range 24 {
				poses = append(poses, Pose(random))
			}
			how := simulate.Options{DurationS: float64(len(poses))*(rest+0.02) - 0.02, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: 1}
			name := Record(t, b, Rests(t, b, rest, poses...), how, nil)
			var s Score
			frames, metal := 0, 0
			Play(t, b, name, recording.Options{}, engine.Options{Windows: c.windows}, func(seen *engine.Observation) {
				v := &seen.Sensors[0]
				frames++
				if v.Flags&verdict.Distorted != 0 {
					metal++
				}
				if into := math.Mod(seen.Time, rest+0.02); into > seen.Duration/4 && into < rest-seen.Duration/4 && v.Solved {
					s.Add(t, v.Fit.Pose, &v.Fit.Covariance, poses[int(seen.Time/(rest+0.02))])
				}
			})
			s.Log(t)
			position, all := s.Coverage()
			if least := 0.9 - 3*math.Sqrt(0.9*0.1/float64(s.N)); min(position, all) < least {
				t.Errorf("inside their 95 %% regions: position %.3f, all six %.3f, want %.3f", position, all, least)
			}
			if metal*20 > frames {
				t.Errorf("%d of %d frames read as distorted", metal, frames)
			}
		})
	}
}
