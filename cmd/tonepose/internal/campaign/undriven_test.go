package campaign

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// undriven is a kind of recording without a digitised drive: the recorder plays the
// drives from a file that began somewhere in half a second.
type undriven struct {
	current  float64   // tolerance, relative
	phaseDeg float64   // tolerance
	tones    []float64 // [Hz]; nil: drawn with the bench
	coils    int       // of the probe, the last ones; 0: all three
	ppm      float64   // between the clocks of player and recorder
	drift    float64   // of these [ppm/s]
	seconds  float64
	speed    float64 // [m/s]
}

// benches are one as stated, drawn from a seed, and as it really is: each current is
// off by a draw of its tolerance, and so is its phase.
func (u *undriven) benches(t *testing.T, seed uint64) (stated, built *bench.Bench) {
	t.Helper()
	var both [2]*bench.Bench
	for i := range both {
		random := rand.New(rand.NewPCG(seed, 20))
		r := Draw(t, random)
		r.Playback = &rig.Playback{EarliestS: -0.2, LatestS: 0.3}
		if u.coils > 0 {
			r.Sensors[0].Coils = r.Sensors[0].Coils[3-u.coils:]
		}
		for k := range r.Emitters {
			e := &r.Emitters[k]
			e.Reference, e.PhaseDeg = nil, 360*random.Float64()
			e.Tolerance = rig.Tolerance{Current: u.current, PhaseDeg: u.phaseDeg}
			if u.tones != nil {
				e.ToneHz = u.tones[k]
			}
			if off, turned := random.NormFloat64(), random.NormFloat64(); i == 1 {
				e.CurrentPeakA *= 1 + u.current*off
				e.PhaseDeg += u.phaseDeg * turned
			}
		}
		both[i] = bench.New(r)
	}
	return both[0], both[1]
}

// play solves one recording and counts one of its poses, drawn at random: all share
// the errors of the currents. It returns the flags of all.
func (u *undriven) play(t *testing.T, seed uint64, s *Score) (start *engine.Start, flags []verdict.Flags) {
	t.Helper()
	stated, built := u.benches(t, seed)
	random := rand.New(rand.NewPCG(seed, 21))
	w := NewWander(random, u.speed, 5*u.speed)
	how := simulate.Options{DurationS: u.seconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: u.ppm, ClockDriftPPM: u.drift, Seed: seed}
	name := Record(t, built, w.Path(t, built, u.seconds), how, nil)
	wait := int(random.Float64() * (u.seconds/10e-3 - 4)) // the first frames wait for those after them
	survey := Play(t, stated, name, recording.Options{}, engine.Options{Windows: hann(10e-3)}, func(seen *engine.Observation) {
		v := &seen.Sensors[0]
		if v.Flags&verdict.Clipped != 0 {
			return // near an emitter
		}
		flags = append(flags, v.Flags)
		if len(flags) == wait+1 && s != nil {
			s.Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(seen.Time))
		}
	})
	return survey.Start, flags
}

// check holds poses of as many recordings, each of a bench, start and path of its own,
// to their stated errors, and to no flag.
func (u *undriven) check(t *testing.T, recordings int) (s Score) {
	t.Helper()
	for seed := range uint64(recordings) {
		start, flags := u.play(t, seed+1, &s)
		for i, f := range flags {
			if f&^verdict.Motion != 0 {
				t.Errorf("seed %d: pose %d is flagged %q", seed+1, i, f)
				break
			}
		}
		if doubts := start.Doubts(); len(doubts) > 0 {
			t.Errorf("seed %d: %q", seed+1, doubts)
		}
	}
	s.Log(t)
	s.Covers(t, 0)
	if loose := 3 * math.Sqrt(2./6/float64(s.N)); math.Abs(s.Normalised()-1) > 0.1+loose {
		t.Errorf("normalised error² is %.3f, want 1 ± 0.1 ± %.3f", s.Normalised(), loose)
	}
	return s
}

// multiples of 125 Hz about those of the pipe bench: all odd, so that half a period
// of 125 Hz later every tone is reversed, or odd and even.
func multiples(even bool) (hz []float64) {
	for k := range 8 {
		n := 41 + 10*k
		if even && k%3 == 0 {
			n++
		}
		hz = append(hz, 125*float64(n))
	}
	return hz
}

// Without a digitised drive, poses are found whenever the file began and have the
// error that they state: the tolerances of the currents are in it. Neither a clock of
// the player's own that drifts nor a sensor that moves spoils this.
func TestUndriven(t *testing.T) {
	for name, u := range map[string]undriven{
		"at rest":       {current: 0.02, phaseDeg: 2, seconds: 0.2},
		"moving":        {current: 0.01, seconds: 0.2, speed: 0.2},
		"own clock":     {current: 0.02, ppm: 35, drift: 0.5, seconds: 0.5, speed: 0.05},
		"odd multiples": {current: 0.02, tones: multiples(false), seconds: 0.2},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			u.check(t, 3)
		})
	}
}

// One coil reads all the couplings with the other sign when its axis is reversed: where
// a file that began half a period later reverses all tones, nothing tells which it was.
// All poses say so. Tones of which some come back unreversed tell it.
func TestUndrivenSignsThatStayAmbiguous(t *testing.T) {
	for _, even := range []bool{false, true} {
		t.Run(fmt.Sprintf("even multiples %v", even), func(t *testing.T) {
			t.Parallel()
			u := undriven{current: 0.02, tones: multiples(even), coils: 1, seconds: 0.1}
			start, flags := u.play(t, 1, nil)
			for i, f := range flags {
				if f&verdict.Ambiguous != 0 == even {
					t.Errorf("pose %d of %d is flagged %q", i, len(flags), f)
					break
				}
			}
			if even {
				if len(start.Rivals) > 0 {
					t.Errorf("%q", start.Doubts())
				}
				return
			}
			if len(start.Rivals) != 1 || len(start.Rivals[0].Reversed) != 8 || len(start.Doubts()) != 1 {
				t.Fatalf("%d rivals, %q", len(start.Rivals), start.Doubts())
			}
			r := &start.Rivals[0]
			// Half a period of 125 Hz is 4 ms; the axis turns by 180°.
			if away := math.Remainder(r.Seconds-start.Seconds-4e-3, 8e-3); math.Abs(away) > 10*start.SigmaS || math.Abs(r.RotationRad-math.Pi) > 1e-3 {
				t.Errorf("%+v of %+v", r, start)
			}
		})
	}
}

// Before the file begins the pickups hear noise alone: those frames have no pose, and
// say that the drive is missing. The rest is as good as ever.
func TestUndrivenBeforeTheFileBegins(t *testing.T) {
	t.Parallel()
	u := undriven{current: 0.02}
	stated, built := u.benches(t, 1)
	const seconds, begins = 0.2, 0.0537
	w := NewWander(rand.New(rand.NewPCG(1, 22)), 0, 0)
	how := simulate.Options{DurationS: seconds, Noise: 8e-9, Seed: 1}
	name := Record(t, built, w.Path(t, built, seconds), how, func(rate float64, volts [][]float64) [][]float64 {
		random := rand.New(rand.NewPCG(1, 23))
		for _, x := range volts {
			for i := range int(begins * rate) {
				x[i] = 2e-4 * random.NormFloat64()
			}
		}
		return volts
	})
	var s Score
	Play(t, stated, name, recording.Options{}, engine.Options{Windows: hann(10e-3)}, func(seen *engine.Observation) {
		v := &seen.Sensors[0]
		want := verdict.Flags(0)
		if seen.Time-seen.Duration/2 < begins {
			want = verdict.ReferenceLost
		}
		if v.Flags&verdict.ReferenceLost != want || want == 0 && v.Flags != 0 {
			t.Errorf("at %.3f s flagged %q", seen.Time, v.Flags)
		}
		if want == 0 {
			s.Add(t, v.Fit.Pose, &v.Fit.Covariance, w.At(seen.Time))
		}
	})
	// All share the errors of one draw of the currents.
	if s.N != 14 || s.Normalised() > 4 {
		t.Errorf("%d poses, normalised error² %.2f", s.N, s.Normalised())
	}
}

// A phase that is not that of the file is named, once it exceeds its tolerance.
func TestUndrivenNamesAWrongPhase(t *testing.T) {
	t.Parallel()
	u := undriven{current: 0.02, phaseDeg: 2, seconds: 0.1}
	stated, built := u.benches(t, 2)
	built.Rig().Emitters[4].PhaseDeg += 25
	w := NewWander(rand.New(rand.NewPCG(2, 22)), 0, 0)
	name := Record(t, built, w.Path(t, built, u.seconds), simulate.Options{DurationS: u.seconds, Noise: 8e-9, Seed: 2}, nil)
	survey := Play(t, stated, name, recording.Options{}, engine.Options{Windows: hann(10e-3)}, func(*engine.Observation) {})
	doubts := survey.Start.Doubts()
	if len(doubts) == 0 || !strings.Contains(doubts[0], "tone e5 is off by 2") {
		t.Errorf("%q", doubts)
	}
}

// Where no pickup hears a drive, there is no start, and no pose.
func TestUndrivenInSilence(t *testing.T) {
	t.Parallel()
	u := undriven{current: 0.02}
	stated, _ := u.benches(t, 1)
	random := rand.New(rand.NewPCG(1, 24))
	volts := make([][]float64, len(stated.Rig().Channels))
	for c := range volts {
		for range 10000 {
			volts[c] = append(volts[c], 2e-4*random.NormFloat64())
		}
	}
	name := filepath.Join(t.TempDir(), "silence")
	Digitise(t, stated, name, volts)
	rec, err := stated.Open(t.Context(), name+".sigmf-meta", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := engine.New(stated, engine.Options{Windows: hann(10e-3)})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := e.Run(t.Context(), rec, func(*engine.Observation) error { return nil }, nil); !errors.Is(err, clock.ErrNoStart) {
		t.Errorf("%v", err)
	}
}
