package drives

import (
	"math"
	"strings"
	"testing"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// The strongest of a channel's tones is named with its amplitude, as it was made: 20 mV at a whole number of cycles in
// 0.35 s, which a Hann taper shows to 1e-9.
func TestStrongestIsNamed(t *testing.T) {
	tones := []multitone.Tone{{Name: "e1", Hz: 1000, Reference: multitone.OnChannel(1)}, {Name: "e2", Hz: 1400, Reference: multitone.OnChannel(1)}}
	f := NewFirst(recording.Info{SampleRate: 20000, Channels: 2, Samples: 20000, Names: []string{"rx", "drive"}}, tones)
	x := [][]float64{make([]float64, 7000), make([]float64, 7000)}
	for n := range x[1] {
		x[0][n] = math.Cos(2 * math.Pi * 1000 * float64(n) / 20000) // a pickup is not asked
		x[1][n] = 0.02*math.Cos(2*math.Pi*1400*float64(n)/20000) + 1e-3*math.Cos(2*math.Pi*1000*float64(n)/20000)
	}
	f.Write(x)
	if words := f.Strongest(); !strings.Contains(words, "channel drive has at most 0.02 V of its tones (e2 at 1400 Hz") || strings.Contains(words, "rx") {
		t.Errorf("says %q", words)
	}
}
