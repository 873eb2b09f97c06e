package stream

import (
	"io"
	"math/rand/v2"
	"testing"

	"go.uber.org/goleak"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// bursting is a source that does not wait: it has so many samples at once, then stands
// still until it is told to end.
type bursting struct {
	toned
	stands chan struct{} // closed when all was read
	ends   chan struct{}
}

func (s *bursting) Waits() bool { return false }

func (s *bursting) ReadPlanar(dst [][]float64) (int, error) {
	if s.at == s.end {
		close(s.stands)
		<-s.ends
		return 0, io.EOF
	}
	return s.toned.ReadPlanar(dst)
}

// Of samples that come all at once, those that the clock is captured from are measured
// before anything else comes, and every window that is not measured is counted, wherever
// between two skips the stream ends.
func TestABurstIsCaptured(t *testing.T) {
	defer goleak.VerifyNone(t)
	const rate, length, hop = 20000, 200, 100
	type trial struct {
		step float64 // without one, windows follow each other
		end  int64
	}
	trials := []trial{{5e-3, 3 * rate}, {0, 3 * rate}}
	for blocks := range int64(ringSeconds*rate/hop) + 2 { // all there are in a ring
		trials = append(trials, trial{5e-3, rate + blocks*hop})
	}
	for _, c := range trials {
		step := c.step
		hop := int64(hop)
		if step == 0 {
			hop = length
		}
		info := recording.Info{SampleRate: rate, Channels: 2, Names: []string{"drive", "rx"}, Samples: -1}
		src := &bursting{toned{dripping{info: info, end: c.end}, 150, rand.New(rand.NewPCG(1, 2)), 1 << 30, 0}, make(chan struct{}), make(chan struct{})}
		m := Measurement{Tones: []multitone.Tone{{Name: "a", Hz: 1000, Reference: multitone.OnChannel(0)}}, Windows: Windows{Length: 10e-3, Hop: step}}
		captured := (int64(captureSeconds*rate)-length)/hop + 1
		next, windows, skipped := int64(0), int64(0), int64(0)
		survey, _, err := Follow(t.Context(), src, clock.Common, m, func(f *Measured) error {
			if windows < captured && f.Skipped > 0 {
				t.Errorf("%d windows skipped before window %d, from which the clock is captured", f.Skipped, windows)
			}
			if want := next + hop*int64(f.Skipped); f.Start != want {
				t.Errorf("a window begins at %d with %d skipped before it, want at %d", f.Start, f.Skipped, want)
			}
			next, windows, skipped = f.Start+hop, windows+1, skipped+int64(f.Skipped)
			if windows == captured { // nothing that comes later is waited for
				<-src.stands
				close(src.ends)
			}
			return nil
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		skipped += int64(survey.Skipped)
		if all := (c.end-length)/hop + 1; windows+skipped != all {
			t.Errorf("%d samples: %d windows measured, %d skipped, want %d in all", c.end, windows, skipped, all)
		}
	}
}
