//go:build slow

package campaign

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Lines of random distance and level, over the whole range of both, beside a tone:
// poses stay as good as the bars allow and as well known as they say.
func TestLinesBesideTonesManyTimes(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 51))
	for range 12 {
		away := math.Exp(math.Log(2) + random.Float64()*math.Log(100)) // 2 to 200 Hz
		volts := math.Pow(10, -5+4.8*random.Float64())
		if random.IntN(2) == 0 {
			away = -away
		}
		c := disturbed{windows: hann([]float64{10e-3, 20e-3, 80e-3}[random.IntN(3)]), plain: random.IntN(3) == 0, away: away, volts: volts}
		if random.IntN(3) == 0 && !c.plain {
			c.speed, c.turns = 0.3, 2
		}
		s := c.play(t, 2, 2.5)
		t.Logf("%.1f Hz away, %.2g V, windows of %g s (plain %v), %g m/s: %q", away, volts, c.windows.Length, c.plain, c.speed, s.words[:min(1, len(s.words))])
		s.with.Log(t)
		s.with.Covers(t, 0)
		if ratio := s.with.RMS() / s.without.RMS(); ratio > 1.3+RMSLoose(float64(s.with.N))/3 {
			t.Errorf("RMS error %.3f times that without the line", ratio)
		}
		for f, n := range s.flags {
			// Chance flags one frame in 1e5: two of the 3,400 here with a probability of 6e-4.
			if f != 0 && c.speed == 0 && n > s.sound[f]+1 {
				t.Errorf("%d frames are flagged %q, %d without the line", n, f, s.sound[f])
			}
		}
	}
}

// No recording without lines shows one, at rest, moving, between stations, under
// clocks and currents that drift: of 48 the share is below 6 % with 95 % confidence.
func TestNoLinesWhereThereAreNone(t *testing.T) {
	for seed := range uint64(48) {
		random := rand.New(rand.NewPCG(seed+1, 52))
		b := bench.New(Draw(t, random))
		how := simulate.Options{DurationS: 1 + 3.5*random.Float64(), Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6,
			ClockPPM: 100 * random.NormFloat64(), ClockDriftPPM: random.NormFloat64(), CurrentDrift: 1e-3, Seed: seed + 1}
		how.ClockPPM = max(-150, min(150, how.ClockPPM))
		path := NewWander(random, random.Float64(), 5*random.Float64()).Path(t, b, how.DurationS)
		if seed%3 == 0 {
			w := NewWander(random, 0, 0)
			path = Rests(t, b, how.DurationS/8-20e-3, w.At(0), Pose(random), Pose(random), Pose(random), Pose(random), Pose(random), Pose(random), Pose(random))
			how.DurationS -= 20e-3
		}
		rec, err := b.Open(t.Context(), Record(t, b, path, how, nil), recording.Options{})
		if err != nil {
			t.Fatal(err)
		}
		survey, err := stream.Observe(t.Context(), rec, b.Tones(), clock.Common, nil)
		rec.Close()
		if err != nil {
			t.Fatal(err)
		}
		if len(survey.Foreign) > 0 {
			t.Errorf("seed %d: %v", seed+1, survey.Foreign)
		}
	}
}

// Of 40 recordings without lines inspect lists some of at most three: each of three
// spectra may show one in a thousand, 0.12 in all, and three or fewer of 40 have a
// probability of 1 − 10⁻⁵ then.
func TestInspectInventsNoLinesManyTimes(t *testing.T) {
	if n := listed(t, 40, 2); n > 3 {
		t.Errorf("%d of 40 recordings list lines", n)
	}
}

// At length, each low-pass over eight recordings of two seconds.
func TestSoftLowPassesBesideMainsAtLength(t *testing.T) {
	for name, spec := range softPasses {
		t.Run(name, func(t *testing.T) { soft(t, spec, 8, 2) })
	}
}
