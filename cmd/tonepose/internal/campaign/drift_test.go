package campaign

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/simulate"
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
}

var clockCourses = []clockCourse{
	{name: "still"},
	{name: "slow", offset: -20, drift: 0.02},
	{name: "line", offset: 15, drift: 0.5},
	{name: "steep", offset: -250, drift: 5},
	{name: "warming", offset: 200, beside: warming},
	{name: "swaying", offset: -40, beside: swaying},
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

// play adds the stations of one recording, or its windows.
func (c *clockCourse) play(t *testing.T, b *bench.Bench, w engine.Windows, stations int, seconds float64, seed uint64, s *Score, flags *int) {
	t.Helper()
	random := rand.New(rand.NewPCG(seed, 30))
	how := simulate.Options{Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, Seed: seed, ClockPPM: c.offset, ClockDriftPPM: c.drift, CurrentDrift: c.current}
	var poses []rigid.Pose
	for range stations {
		poses = append(poses, Pose(random))
	}
	path := Rests(t, b, seconds, poses...)
	how.DurationS = float64(stations)*(seconds+20e-3) - 20e-3
	if c.beside != nil {
		how.Clock = c.beside(random, how.DurationS)
	}
	if w.Length == 0 {
		for i := range poses {
			start := float64(i) * (seconds + 20e-3)
			w.Intervals = append(w.Intervals, engine.Interval{Start: start, Stop: start + seconds, Origin: "station"})
		}
	}
	Play(t, b, Record(t, b, path, how, nil), recording.Options{}, engine.Options{Windows: w}, func(seen *engine.Observation) {
		i := int(seen.Time / (seconds + 20e-3))
		if start := float64(i) * (seconds + 20e-3); seen.Time-seen.Duration/2 < start-1e-4 || seen.Time+seen.Duration/2 > start+seconds+1e-4 {
			return // on the move
		}
		v := &seen.Sensors[0]
		if v.Flags&^verdict.Clipped != 0 {
			*flags++
			t.Logf("%s, seed %d, %.3f s: %v", c.name, seed, seen.Time, v.Flags)
		}
		s.Add(t, v.Fit.Pose, &v.Fit.Covariance, poses[i])
	})
}

// Stations of two seconds are as good as the noise lets them be, and unflagged, whatever
// the clock does. Each course has the twin of its noise with a clock that keeps still.
func TestClockThatDriftsWithinStations(t *testing.T) {
	r := PipeBench(t)
	r.SampleRateHz = 50e3
	b := bench.New(r)
	for i := range clockCourses {
		c := &clockCourses[i]
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var s Score
			var flags int
			c.play(t, b, engine.Windows{}, 4, 2, 1, &s, &flags)
			s.Log(t)
			if flags > 0 {
				t.Errorf("%d flagged", flags)
			}
		})
	}
}
