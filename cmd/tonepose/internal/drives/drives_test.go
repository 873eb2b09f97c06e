package drives

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// Three tones are driven on channel 2 and picked up on 0 and 1. What is fed is a sum of
// cosines of known size and frequency, in noise of 0.1 mV; whatever else is found is wrong.
func TestDrivesFound(t *testing.T) {
	tones := []multitone.Tone{{Name: "e1", Hz: 1000, Reference: multitone.OnChannel(2)}, {Name: "e2", Hz: 1370, Reference: multitone.OnChannel(2)}, {Name: "e3", Hz: 1810, Reference: multitone.OnChannel(2)}}
	stated := []float64{0.5, 0.4, 0.3}
	info := recording.Info{SampleRate: 20000, Channels: 3, Samples: 20000, Names: []string{"rx1", "rx2", "drive"}}
	type channel map[float64]float64 // peak [V] by frequency [Hz]
	driven := channel{1000.01: 0.5, 1370: 0.4, 1810: 0.3}
	pickup := channel{1000: 0.02, 1370: 0.3, 1810: 0.004}
	for name, c := range map[string]struct {
		channels [3]channel
		absent   []bool
		words    string
	}{
		"all there":         {channels: [3]channel{pickup, pickup, driven}, absent: []bool{false, false, false}},
		"none recorded":     {channels: [3]channel{pickup, pickup, {}}, absent: []bool{true, true, true}, words: "channel drive carries none of its 3 tones"},
		"one switched off":  {channels: [3]channel{pickup, pickup, {1000: 0.5, 1810: 0.3}}, absent: []bool{false, true, false}, words: "does not carry the drive of e2: switched off"},
		"one elsewhere":     {channels: [3]channel{pickup, pickup, {1000: 0.5, 1450: 0.4, 1810: 0.3}}, absent: []bool{false, true, false}, words: "on channel drive, 80 Hz from its tone_hz in the rig, 1370"},
		"columns exchanged": {channels: [3]channel{driven, pickup, pickup}, absent: []bool{true, true, true}, words: "channel rx1 carries the drives that the rig expects on channel drive"},
	} {
		random := rand.New(rand.NewPCG(1, 2))
		f := NewFirst(info, tones)
		for from := 0; from < 20000; from += 700 { // more than is looked at
			x := make([][]float64, 3)
			for i, ch := range c.channels {
				x[i] = make([]float64, 700)
				for n := range x[i] {
					x[i][n] = 1e-4 * random.NormFloat64()
					for hz, peak := range ch {
						x[i][n] += peak * math.Cos(2*math.Pi*hz*float64(from+n)/info.SampleRate+hz)
					}
				}
			}
			f.Write(x)
		}
		found := f.Compare(stated)
		if words := strings.Join(found.Words, "\n"); !slices.Equal(found.Absent, c.absent) || !strings.Contains(words, c.words) || (words == "") != (c.words == "") {
			t.Errorf("%s: absent %v, want %v; says %q, want %q", name, found.Absent, c.absent, words, c.words)
		}
	}
}
