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
)

// clockCourse is a course of the generator's clock over a recording of so many
// seconds: offset and drift [ppm, ppm/s] and what is beside them.
type clockCourse struct {
	name          string
	offset, drift float64
	beside        func(random *rand.Rand, seconds float64) func(t float64) (ahead, rate float64)
	current       float64 // relative wander of each drive's amplitude
	short         bool    // in the ordinary run
}

var clockCourses = []clockCourse{
	{name: "slow", offset: -20, drift: 0.02},
	{name: "line", offset: 15, drift: 0.5},
	{name: "steep", offset: -250, drift: 5, short: true},
	{name: "warming", offset: 200, beside: warming},
	{name: "swaying", offset: -40, beside: swaying, current: 0.02, short: true},
	{name: "wandering", offset: 40, beside: wandering},
	{name: "current", offset: 15, current: 0.02},
}

// warming approaches 30 ppm exponentially, at 5 ppm/s in the beginning.
func warming(*rand.Rand, float64) func(t float64) (ahead, rate float64) {
	const size, tau = 30e-6, 6.0
	return func(t float64) (ahead, rate float64) {
		e := math.Exp(-t / tau)
		return size * (t - tau*(1-e)), size * (1 - e)
	}
}

// swaying is a sinusoid of 0.3 Hz that drifts by up to 5 ppm/s.
func swaying(random *rand.Rand, _ float64) func(t float64) (ahead, rate float64) {
	const w = 2 * math.Pi * 0.3
	const size = 5e-6 / w
	phase := 2 * math.Pi * random.Float64()
	return func(t float64) (ahead, rate float64) {
		s, c := math.Sincos(w*t + phase)
		return -size * c / w, size * s
	}
}

// wandering is a random walk of the frequency, 1 ppm in a second, in steps of 50 ms
// joined by lines.
func wandering(random *rand.Rand, seconds float64) func(t float64) (ahead, rate float64) {
	const step = 0.05
	rates, aheads := []float64{0}, []float64{0}
	for range int(seconds/step) + 3 {
		n := len(rates) - 1
		next := rates[n] + 1e-6*math.Sqrt(step)*random.NormFloat64()
		aheads = append(aheads, aheads[n]+(rates[n]+next)/2*step)
		rates = append(rates, next)
	}
	return func(t float64) (ahead, rate float64) {
		n := max(int(t/step), 0)
		u := t - float64(n)*step
		slope := (rates[n+1] - rates[n]) / step
		return aheads[n] + u*(rates[n]+u*slope/2), rates[n] + u*slope
	}
}

// pause is the move from one station to the next [s].
const pause = 20e-3

// play adds the stations of one recording, or the windows inside of them.
func (c *clockCourse) play(t *testing.T, b *bench.Bench, o engine.Options, stations int, seconds float64, seed uint64, s *Score) {
	t.Helper()
	random := rand.New(rand.NewPCG(seed, 30))
	how := simulate.Options{Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, Seed: seed, ClockPPM: c.offset, ClockDriftPPM: c.drift, CurrentDrift: c.current}
	var poses []rigid.Pose
	for range stations {
		poses = append(poses, Pose(random))
	}
	path := Rests(t, b, seconds, poses...)
	how.DurationS = float64(stations)*(seconds+pause) - pause
	if c.beside != nil {
		how.Clock = c.beside(random, how.DurationS)
	}
	if o.Windows.Length == 0 {
		for i := range poses {
			start := float64(i) * (seconds + pause)
			o.Windows.Intervals = append(o.Windows.Intervals, stream.Interval{Start: start, Stop: start + seconds, Origin: "station"})
		}
	}
	Play(t, b, Record(t, b, path, how, nil), recording.Options{}, o, func(seen *engine.Observation) {
		i := int(seen.Time / (seconds + pause))
		start, half := float64(i)*(seconds+pause), seen.Duration/2
		v := &seen.Sensors[0]
		if i == stations || seen.Time-half < start-1e-4 || seen.Time+half > start+seconds+1e-4 || v.Flags&verdict.Clipped != 0 {
			return // on the move, or too near an emitter
		}
		if v.Flags != 0 {
			t.Errorf("%s, seed %d, at %.3f s: flagged %v", c.name, seed, seen.Time, v.Flags)
		}
		s.Add(t, v.Fit.Pose, &v.Fit.Covariance, poses[i])
	})
}

// check holds a course to the twin of its noise with a clock that keeps still: the same
// stated error within 5 %, and an RMS error within 5 % of the twin's, in terms of the
// stated one, widened by three of its sampling errors: of both together, as the
// turning phases mix the noise anew; 6n squares have a relative error of √(2/6n).
func (c *clockCourse) check(t *testing.T, s, twin *Score) {
	t.Helper()
	s.Log(t)
	if r := s.Stated() / twin.Stated(); math.Abs(r-1) > 0.05 {
		t.Errorf("%s: states %.4f mm, the twin %.4f mm", c.name, 1e3*s.Stated(), 1e3*twin.Stated())
	}
	loose := 3 * math.Sqrt(2*2/(6*float64(s.N))) / 2
	if r := math.Sqrt(s.Normalised() / twin.Normalised()); r > 1.05+loose {
		t.Errorf("%s: the error is %.3f times the twin's, want 1.05 ± %.3f", c.name, r, loose/3)
	}
}

// slowBench is the pipe bench at half its sample rate, for long recordings.
func slowBench(t *testing.T) *bench.Bench {
	r := PipeBench(t)
	r.SampleRateHz = 50e3
	return bench.New(r)
}

// Long stations are as good as the noise lets them be, and unflagged, whatever the
// clock does.
func TestClockThatDriftsWithinStations(t *testing.T) {
	b := slowBench(t)
	var twin Score
	(&clockCourse{name: "still"}).play(t, b, engine.Options{}, 2, 2, 1, &twin)
	for i := range clockCourses {
		c := &clockCourses[i]
		if !c.short {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var s Score
			c.play(t, b, engine.Options{}, 2, 2, 1, &s)
			c.check(t, &s, &twin)
		})
	}
}
