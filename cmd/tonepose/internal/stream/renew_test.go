package stream

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// slowly is a source that comes later than the work that is done beside it ends.
type slowly struct{ toned }

func (s *slowly) ReadPlanar(dst [][]float64) (int, error) {
	time.Sleep(time.Millisecond)
	return s.toned.ReadPlanar(dst)
}

// Mains that come up 0.6 s after the beginning are seen in the first second, which counts
// from 1.25 s on, and are taken off 0.2 s later: from the first window on that ends with the
// block there, however long the work took.
func TestLinesCountFromASampleOn(t *testing.T) {
	const rate, hop = 20000, 100
	info := recording.Info{SampleRate: rate, Channels: 2, Names: []string{"drive", "rx"}, Samples: -1}
	quick := &toned{dripping{info: info, end: 2 * rate, waits: true}, 150, rand.New(rand.NewPCG(5, 6)), hop, 0.6 * rate}
	slow := *quick
	// 2.5 bins away a Hann window leaves 4 % of 20 mV, 0.8 mV. Beside the line, noise of
	// 1e-4/√2 leaves 2e-5 V, and a line 0.1 Hz off its frequency a hundredth of it.
	const small = 1.5e-4
	var ends []int64
	for name, src := range map[string]Source{"quick": quick, "slow": &slowly{slow}} {
		const due = (1.25 + renewSeconds) * rate
		before, since, after := 0.0, int64(0), 0.0 // largest errors [V], and from which sample on they are small
		m := Measurement{Tones: []multitone.Tone{{Name: "a", Hz: 1000, Reference: multitone.OnChannel(0)}}, Windows: Windows{Length: 10e-3, Hop: 5e-3}}
		_, _, err := Follow(t.Context(), src, clock.Common, m, func(f *Measured) error {
			v, _ := f.At(0, 1)
			off := math.Hypot(real(v)-0.1*math.Cos(1), imag(v)+0.1*math.Sin(1))
			switch {
			case f.Start < 0.6*rate:
			case since > 0:
				after = max(after, off)
			case off < small:
				since = f.Stop
			default:
				before = max(before, off)
			}
			return nil
		}, nil)
		// A search begins and counts at the end of a block, and so does what it has found:
		// each of these is up to 300 samples late.
		if err != nil || before < 5e-4 || since < due || since > due+3*300 || after > small {
			t.Errorf("%s: %v; off by up to %.2g V before sample %d and %.2g after, which should be up to %d behind %.0f", name, err, before, since, after, 3*300, due)
		}
		if ends = append(ends, since); ends[0] != since {
			t.Errorf("lines are taken off from samples %v on", ends)
		}
	}
}
