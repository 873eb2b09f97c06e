package campaign

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// sinusoid adds a line to the first channels, of so many volts on each, with phases of
// its own.
func sinusoid(random *rand.Rand, hz float64, volts ...float64) Disturbance {
	var phase []float64
	for range volts {
		phase = append(phase, 2*math.Pi*random.Float64())
	}
	return func(rate float64, x [][]float64) [][]float64 {
		for c, v := range volts {
			for i := range x[c] {
				x[c][i] += v * math.Cos(2*math.Pi*math.Mod(hz*float64(i)/rate, 1)+phase[c])
			}
		}
		return x
	}
}

// disturbed is a sensor at rest or moving, and a line beside the tone of one emitter.
type disturbed struct {
	name         string
	windows      stream.Windows // intervals: as long as Length, one after the other
	plain        bool           // plain averages of intervals, not tapered windows
	speed, turns float64
	toneHz       float64 // of e1; 0: the rig's
	away         float64 // of the line from the tone of e1, in the generator's clock [Hz]
	volts        float64 // on the first pickup; a half and a third of it on the others
	leaveOut     bool
	names        string // is said of the line or of the tone; empty: nothing may be said
}

// seen is what recordings with and without the line give.
type seen struct {
	with, without Score
	flags, sound  map[verdict.Flags]int // of the frames with the line, and without
	words         []string
}

// play simulates recordings of so many seconds.
func (d *disturbed) play(t *testing.T, recordings int, seconds float64) *seen {
	s := &seen{flags: map[verdict.Flags]int{}, sound: map[verdict.Flags]int{}}
	r := PipeBench(t)
	if d.toneHz > 0 {
		r.Emitters[0].ToneHz = d.toneHz
	}
	for seed := range uint64(recordings) {
		for _, score := range []*Score{&s.without, &s.with} {
			d.one(t, r, seed+1, seconds, score, score == &s.with, s)
		}
	}
	return s
}

func (d *disturbed) one(t *testing.T, r *rig.Rig, seed uint64, seconds float64, score *Score, with bool, s *seen) {
	random := rand.New(rand.NewPCG(seed, 50))
	b, w := bench.New(r), NewWander(random, d.speed, d.turns)
	how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, ClockPPM: 20, Seed: seed}
	volts := d.volts
	if !with {
		volts = 0
	}
	name := Record(t, b, w.Path(t, b, seconds), how, sinusoid(random, r.Emitters[0].ToneHz*(1+20e-6)+d.away, volts, volts/2, volts/3))
	o := engine.Options{Windows: d.windows, Verdict: verdict.Options{LeaveOut: d.leaveOut}}
	if d.plain {
		for i := range int(seconds / d.windows.Length) {
			o.Windows.Intervals = append(o.Windows.Intervals, stream.Interval{Start: d.windows.Length * float64(i), Stop: d.windows.Length * float64(i+1)})
		}
		o.Windows.Length = 0
	}
	rec, err := b.Open(t.Context(), name, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := engine.New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	survey, averaging, err := e.Run(t.Context(), rec, func(o *engine.Observation) error {
		v := &o.Sensors[0]
		score.Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(o.Time))
		if with {
			s.flags[v.Flags]++
		} else {
			s.sound[v.Flags]++
		}
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !with {
		if len(survey.Foreign) > 0 {
			t.Errorf("%s, seed %d: without a line: %v", d.name, seed, survey.Foreign)
		}
		return
	}
	all, err := e.Conclude(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	s.words = append(s.words, all[0].Lines()...)
	for i := range averaging.Disturbers {
		s.words = append(s.words, averaging.Disturbers[i].String())
	}
}

// check holds a case to its bars: the RMS error with the line at most most times that
// of the same noise without it, the poses inside their regions, no frame flagged as
// moving or distorted, and the line named.
func (d *disturbed) check(t *testing.T, recordings int, seconds, most float64) {
	s := d.play(t, recordings, seconds)
	s.with.Log(t)
	t.Logf("without the line %.4f mm; flags %v; %q", 1e3*s.without.RMS(), s.flags, s.words[:min(2, len(s.words))])
	s.with.Covers(t, 0)
	// Both have the same noise: their ratio scatters by less than either.
	if ratio := s.with.RMS() / s.without.RMS(); ratio > most+RMSLoose(float64(s.with.N))/3 {
		t.Errorf("RMS error %.3f times that without the line, want %.2f", ratio, most)
	}
	for f, n := range s.flags {
		if f&^(verdict.DisturbedTone|verdict.Motion) != 0 || f&verdict.Motion != 0 && d.speed == 0 {
			t.Errorf("%d frames are flagged %q", n, f)
		}
	}
	if !strings.Contains(strings.Join(s.words, "\n"), d.names) || d.names == "" && len(s.words) > 0 {
		t.Errorf("said %q, want %q", s.words, d.names)
	}
}

// A line beside a tone is estimated with it, or what it leaves is in sigma; on the tone
// itself it is told from metal by what all other tones say. The bars are 1.3 for 7 Hz
// in 80 ms, 1.05 for 70 Hz; what a tone costs that is left out is known from a bench
// without it, some 1.1.
func TestLinesBesideTones(t *testing.T) {
	on := "tone e1 is disturbed: it lies on the 103rd harmonic of 50 Hz"
	for _, c := range []struct {
		disturbed
		most float64
	}{
		{disturbed{name: "7 Hz in 80 ms", windows: hann(80e-3), plain: true, away: 7, volts: 10e-3, names: "Hz above tone e1: estimated with the tones"}, 1.3},
		{disturbed{name: "70 Hz, strong", windows: hann(20e-3), away: -70, volts: 1, names: "70 Hz below tone e1: estimated with the tones"}, 1.05},
		{disturbed{name: "2 Hz in 20 ms", windows: hann(20e-3), away: 2.5, volts: 1e-3, names: "its power is in the tone's sigma"}, 1.3},
		{disturbed{name: "on the tone", windows: hann(20e-3), toneHz: 5150, away: -0.07, volts: 1e-3, names: on}, 1.3},
		{disturbed{name: "left out", windows: hann(20e-3), toneHz: 5150, away: -0.07, volts: 5e-3, leaveOut: true, names: on}, 1.3},
		{disturbed{name: "on the tone, unknown", windows: hann(20e-3), away: 0.16, volts: 1e-3, names: "tone e1 is disturbed: something adds to it that no pose explains"}, 1.3},
		{disturbed{name: "moving", windows: hann(20e-3), speed: 0.3, turns: 2, away: 70, volts: 20e-3, names: "estimated with the tones"}, 1.15},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 1, 1.2, c.most)
		})
	}
}

// offsets adds an offset to each pickup and mains of 20, 10 and 6 mV up to the fifth
// harmonic, as on the bench's shipped recordings.
func offsets(random *rand.Rand) Disturbance {
	return func(rate float64, x [][]float64) [][]float64 {
		for i, v := range []float64{20e-3, 10e-3, 6e-3} {
			x = sinusoid(random, 49.99*float64(2*i+1), v, v, v)(rate, x)
		}
		for c, v := range []float64{-4e-3, 0, 4e-3} {
			for i := range x[c] {
				x[c][i] += v
			}
		}
		return x
	}
}

// soft plays recordings of a sensor at rest behind a low-pass that hardly holds
// back the mains and the offsets.
func soft(t *testing.T, spec window.Spec, recordings int, seconds float64) {
	b := bench.New(PipeBench(t))
	var s Score
	flagged := 0
	for seed := range uint64(recordings) {
		random := rand.New(rand.NewPCG(seed+1, 53))
		w := NewWander(random, 0, 0)
		how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, ClockPPM: 20, Seed: seed + 1}
		name := Record(t, b, w.Path(t, b, seconds), how, offsets(random))
		Play(t, b, name, recording.Options{}, engine.Options{Windows: lowPass(spec)}, func(o *engine.Observation) {
			v := &o.Sensors[0]
			s.Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(o.Time))
			if v.Flags != 0 {
				flagged++
			}
		})
	}
	s.Log(t)
	p, err := window.Design(spec, 1e5)
	if err != nil {
		t.Fatal(err)
	}
	// White noise behind a low-pass is independent every 1/(2·ENBW).
	s.Covers(t, min(float64(s.N), float64(recordings)*seconds*2*p.ENBWHz()))
	if flagged > 0 {
		t.Errorf("%d of %d frames are flagged", flagged, s.N)
	}
}

// What a soft low-pass lets through of mains and offsets is taken off: it is no metal,
// and sigma holds.
func TestSoftLowPassesBesideMains(t *testing.T) {
	for name, spec := range softPasses {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			soft(t, spec, 1, 0.8)
		})
	}
}

var softPasses = map[string]window.Spec{
	"cascade1":     {Kind: window.Cascade, Order: 1, TimeConstantS: 3e-3},
	"cascade2":     {Kind: window.Cascade, Order: 2, TimeConstantS: 1e-3},
	"butterworth2": {Kind: window.Butterworth, Order: 2, CutoffHz: 100},
}
