package campaign

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
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

// spoil is a way in which samples go wrong.
type spoil struct {
	name string
	bits int
	// at does it to a recording of sound volts.
	at func(random *rand.Rand, sampleRate float64, volts [][]float64)
	// named is a word of what is said of the samples; lost the greatest share of them
	// that weighs nothing.
	named string
	lost  float64
}

// everyChannel does the same stretch of samples to all channels, about so many a second.
func everyChannel(perSecond float64, do func(random *rand.Rand, volts [][]float64, start int)) func(*rand.Rand, float64, [][]float64) {
	return func(random *rand.Rand, rate float64, volts [][]float64) {
		n, mean := len(volts[0]), rate/perSecond
		for at := int(mean * random.Float64()); at+400 < n; at += int(mean * (0.5 + random.Float64())) {
			if at > 0 {
				do(random, volts, at)
			}
		}
	}
}

// held fills 10 to 400 samples with the one before, or with zeros.
func held(zero bool) func(random *rand.Rand, volts [][]float64, start int) {
	return func(random *rand.Rand, volts [][]float64, start int) {
		n := 10 + random.IntN(391)
		for _, x := range volts {
			v := x[start-1]
			if zero {
				v = 0
			}
			for i := range n {
				x[start+i] = v
			}
		}
	}
}

// single spoils single samples of each channel by itself, one in so many.
func single(oneIn int, by func(random *rand.Rand, v float64) float64) func(*rand.Rand, float64, [][]float64) {
	return func(random *rand.Rand, _ float64, volts [][]float64) {
		for _, x := range volts {
			for i := random.IntN(2 * oneIn); i < len(x); i += 1 + random.IntN(2*oneIn) {
				x[i] = by(random, x[i])
			}
		}
	}
}

var spoils = []spoil{
	{"not a number", 0, single(800, func(*rand.Rand, float64) float64 { return math.NaN() }), "gap", 1.5e-3},
	{"zeros", 16, everyChannel(4, held(true)), "gap", 0.01},
	{"held", 16, everyChannel(4, held(false)), "gap", 0.01},
	{"bursts", 16, single(2000, func(random *rand.Rand, v float64) float64 {
		return v + math.Copysign(0.2, random.Float64()-0.5)
	}), "burst", 6e-4},
}

// average is what the samples are measured with.
type average struct {
	name    string
	windows stream.Windows
}

// averagesOf are several for so many stations of a length [s] with moves of 20 ms between.
func averagesOf(stations int, seconds float64) []average {
	var rows []stream.Interval
	for k := range stations {
		start := float64(k) * (seconds + 0.02)
		rows = append(rows, stream.Interval{Start: start + 0.01, Stop: start + seconds - 0.01})
	}
	return []average{
		{"hann 10 ms", hann(10e-3)},
		{"hann 80 ms", hann(80e-3)},
		{"stations", stream.Windows{Intervals: rows}},
		{"cascade", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 2e-3})},
	}
}

// restOf is the pose in which the sensor rests during a frame, of length seconds each
// with moves of 20 ms between; false where it moves within what the frame rests on.
func restOf(poses []rigid.Pose, length float64, f *engine.Observation) (rigid.Pose, bool) {
	start, stop := float64(f.Start)/sampleHz, float64(f.Stop)/sampleHz
	k := int(f.Time / (length + 0.02))
	from := float64(k) * (length + 0.02)
	return poses[min(k, len(poses)-1)], k < len(poses) && start > from-1e-9 && stop < from+length+1e-9
}

// besideMove is how far from a move bursts are surely found: a piece of the tones' fit.
const besideMove = 600

// restStart is the first sample of the rest that a frame lies in.
func restStart(f *engine.Observation, length float64) int64 {
	return int64(sampleHz * (length + 0.02) * math.Floor(f.Time/(length+0.02)))
}

const sampleHz = 100e3 // of the pipe bench

// A recording of which samples are bad is as good as its twin with the same noise
// but for those samples: the errors grow by no more than what is lost, and are
// those that are stated; no frame is flagged for anything else.
func TestSamplesThatAreBad(t *testing.T) {
	b := bench.New(PipeBench(t))
	for _, s := range spoils {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			s.check(t, b, 1, 2, 0.4)
		})
	}
}

// check plays as many recordings of several stations, with every averaging.
func (s *spoil) check(t *testing.T, b *bench.Bench, recordings, stations int, seconds float64) {
	averages := averagesOf(stations, seconds)
	spoilt, sound := make([]Score, len(averages)), make([]Score, len(averages))
	for seed := range uint64(recordings) {
		random := rand.New(rand.NewPCG(seed+1, 60))
		poses := make([]rigid.Pose, stations)
		for k := range poses {
			poses[k] = Pose(random)
		}
		path := Rests(t, b, seconds, poses...)
		how := simulate.Options{DurationS: float64(stations)*(seconds+0.02) - 0.02, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed + 1}
		for i, disturb := range []Disturbance{nil, func(rate float64, volts [][]float64) [][]float64 {
			s.at(rand.New(rand.NewPCG(seed+1, 61)), rate, volts)
			return volts
		}} {
			name := record(t, b, path, how, s.bits, disturb)
			for k, a := range averages {
				to := &sound[k]
				if i == 1 {
					to = &spoilt[k]
				}
				survey := Play(t, b, name, recording.Options{}, engine.Options{Windows: a.windows}, func(seen *engine.Observation) {
					truth, rests := restOf(poses, seconds, seen)
					if !rests || a.windows.LowPass != nil && seen.Start-(seen.Stop-seen.Start)/2 < restStart(seen, seconds) {
						return // a low-pass remembers the move for some longer than it rests on to 99 %
					}
					if from := restStart(seen, seconds); s.named == "burst" && (seen.Start < from+besideMove || seen.Stop > from+int64(sampleHz*seconds)-besideMove) {
						return // a burst is not told from the move beside it: the frame is flagged
					}
					v := &seen.Sensors[0]
					other := v.Flags &^ (verdict.Gap | verdict.Stuck)
					from, span := restStart(seen, seconds), seen.Stop-seen.Start
					if a.windows.Intervals == nil && (seen.Start < from+span || seen.Stop > from+int64(sampleHz*seconds)-span) {
						other &^= verdict.Motion // a path to a pose within the move leaves the rest right beside it in doubt
					}
					if other != 0 || !v.Solved {
						t.Errorf("%s, %g s: %v, solved %v", a.name, seen.Time, v.Flags, v.Solved)
					}
					to.Add(t, v.Fit.Pose, &v.Fit.Covariance, truth)
				})
				if said := strings.Join(survey.Faults(), "\n"); strings.Contains(said, s.named) != (i == 1) {
					t.Errorf("%s: said of the samples: %q", a.name, said)
				}
			}
		}
	}
	for k, a := range averages {
		t.Logf("%s: sound, then spoilt", a.name)
		sound[k].Log(t)
		spoilt[k].Log(t)
		n := float64(spoilt[k].N)
		if a.windows.LowPass != nil {
			n = float64(recordings*stations) * seconds * 50 // independent rows behind a low-pass of 20 ms
		}
		// The twin has the same noise: of a share f that is lost the errors differ by
		// √(2f) of themselves or so, each pose by itself.
		if rms, twin := spoilt[k].RMS(), sound[k].RMS(); rms > 1.05*twin*(1+3*math.Sqrt(2*s.lost/n)) {
			t.Errorf("%s: RMS error %.4f mm, of the twin %.4f", a.name, 1e3*rms, 1e3*twin)
		}
		if len(a.windows.Intervals) == 0 {
			spoilt[k].Covers(t, n)
		}
	}
}

// slip takes n samples out of all channels at a place, or gives the last −n twice.
func slip(volts [][]float64, at, n int) [][]float64 {
	for c, x := range volts {
		if n > 0 {
			volts[c] = slices.Delete(x, at, at+n)
		} else {
			volts[c] = slices.Insert(x, at, slices.Clone(x[at+n:at])...)
		}
	}
	return volts
}

// Samples that were lost or came twice without a mark are named with their number and
// place; poses after them are at their times, as good as those of the twin, and only
// the frames about the breaks are flagged.
func TestSamplesThatSlip(t *testing.T) {
	slips(t, 1, 1.6)
}

// A rest in whose middle samples were lost is measured from its longer part.
func TestRestWithASlip(t *testing.T) {
	b := bench.New(PipeBench(t))
	random := rand.New(rand.NewPCG(1, 63))
	poses := []rigid.Pose{Pose(random), Pose(random), Pose(random), Pose(random), Pose(random), Pose(random)}
	const seconds = 0.1
	how := simulate.Options{DurationS: float64(len(poses))*(seconds+0.02) - 0.02, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: 1}
	name := Record(t, b, Rests(t, b, seconds, poses...), how, func(rate float64, volts [][]float64) [][]float64 {
		return slip(volts, int(0.285*rate), 7) // 45 ms into the third rest
	})
	var rows []stream.Interval
	for k := range poses {
		rows = append(rows, stream.Interval{Start: float64(k) * (seconds + 0.02), Stop: float64(k)*(seconds+0.02) + seconds - 1e-3})
	}
	var s Score
	k := 0
	Play(t, b, name, recording.Options{}, engine.Options{Windows: stream.Windows{Intervals: rows}}, func(seen *engine.Observation) {
		v := &seen.Sensors[0]
		if flags := v.Flags; (flags == verdict.Gap) != (k == 2) || flags&^verdict.Gap != 0 {
			t.Errorf("rest %d: %v", k+1, flags)
		}
		s.Add(t, v.Fit.Pose, &v.Fit.Covariance, poses[k])
		k++
	})
	s.Log(t)
	// 36 normal deviates: their mean square is 1 ± √(2/36).
	if k != len(poses) || s.Normalised() > 1+4*math.Sqrt(2./36) {
		t.Errorf("%d of %d rests, normalised error² %.2f", k, len(poses), s.Normalised())
	}
}

func slips(t *testing.T, recordings int, seconds float64) {
	b := bench.New(PipeBench(t))
	windows := []stream.Windows{hann(10e-3), lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 1e-3})}
	slipped, sound := make([]Score, len(windows)), make([]Score, len(windows))
	for seed := range uint64(recordings) {
		random := rand.New(rand.NewPCG(seed+1, 62))
		w := NewWander(random, 0.5, 3)
		how := simulate.Options{DurationS: seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed + 1}
		path := w.Path(t, b, seconds)
		twin := Record(t, b, path, how, nil)
		var want []string
		name := Record(t, b, path, how, func(rate float64, volts [][]float64) [][]float64 {
			for at := int(0.3*rate) + random.IntN(10_000); at < int((seconds-0.3)*rate); at += int((0.2 + 0.4*random.Float64()) * rate) {
				n := 1 + random.IntN(100)
				text := fmt.Sprintf("%d samples lost", n)
				if random.IntN(3) == 0 {
					text = fmt.Sprintf("%d samples too many", n)
					n = -n
				}
				if n == 1 || n == -1 {
					text = strings.Replace(text, "samples", "sample", 1)
				}
				volts, want = slip(volts, at, n), append(want, text)
			}
			return volts
		})
		for k, averaging := range windows {
			Play(t, b, twin, recording.Options{}, engine.Options{Windows: averaging}, func(seen *engine.Observation) {
				sound[k].Add(t, seen.Sensors[0].Fit.Pose, &seen.Sensors[0].Fit.Covariance, w.At(seen.Time))
			})
			flagged := 0
			survey := Play(t, b, name, recording.Options{}, engine.Options{Windows: averaging}, func(seen *engine.Observation) {
				v := &seen.Sensors[0]
				if v.Flags&(verdict.Gap|verdict.Repeated) != 0 { // a frame may reach into what came twice with its edge alone
					flagged++
					return
				}
				if other := v.Flags &^ verdict.Motion; other != 0 {
					t.Errorf("seed %d, %g s: %v", seed+1, seen.Time, v.Flags)
				}
				slipped[k].Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(seen.Time))
			})
			said := strings.Join(survey.Slips(), "\n")
			for _, text := range want {
				if !strings.Contains(said, text) {
					t.Errorf("seed %d: %q is not said:\n%s", seed+1, text, said)
				}
			}
			if len(survey.Slips()) != len(want) || len(survey.DoubtfulReferences()) > 0 {
				t.Errorf("seed %d: said %q, want %q", seed+1, survey.Faults(), want)
			}
			if flagged < len(want) || flagged > 20*len(want) {
				t.Errorf("seed %d: %d frames flagged for %d breaks", seed+1, flagged, len(want))
			}
		}
	}
	for k, averaging := range windows {
		sound[k].Log(t)
		slipped[k].Log(t)
		n := float64(slipped[k].N)
		if averaging.LowPass != nil {
			n = float64(recordings) * seconds * 100
		}
		if rms, twin := slipped[k].RMS(), sound[k].RMS(); rms > twin*(1.05+RMSLoose(n)) {
			t.Errorf("RMS error %.4f mm, of the twin %.4f", 1e3*rms, 1e3*twin)
		}
	}
}
