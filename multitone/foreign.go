package multitone

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tonepose/multitone/spectrum"
)

// Line is a sinusoid that is no tone.
type Line struct {
	Hz, SigmaHz float64
	// Power is the mean square of its peak amplitude on each channel [V²], Noise the
	// variance of a white sample whose density is that of the noise beside it [V²].
	Power, Noise []float64
}

const (
	foreignSeconds = 4.0 // how much of a recording is looked at
	// foreignSamples bounds the windows of the search, and so its memory: only above 4 MHz
	// can tones be so close, for the rate, that it is in the way.
	foreignSamples = 1 << 20
	// False alarms of a search in noise alone.
	foreignChance = 1e-6
	// toneApart is how near a line may be to its tone, and to another one [bins of
	// the search]: where the main lobes of a Hann window end.
	toneApart = 2.0
	// bandBins is how far from its tone a line is looked for, in bins of the
	// baseband's windows: what folds there comes from beyond 5 bins, where four
	// cosines suppress by 92 dB.
	bandBins    = 2.5
	windowsLobe = 8 // windows of the baseband overlap by so much: one a bin of its rate
	// floorBins on either side of a frequency are what its noise is judged by, from
	// floorClear bins on.
	floorBins, floorClear = 32, 3
	mostForeign           = 8 // of a tone
	// foldedShare of a line's power may appear elsewhere: twice what the windows' 92 dB
	// leave.
	foldedShare = 1.3e-9
)

// The minimum four-term Blackman–Harris window (Harris, Proc. IEEE 66(1), 1978).
var blackmanHarris = []float64{0.35875, 0.48829, 0.14128, 0.01168}

// Foreign looks for lines beside the tones in the first seconds of samples: about
// each tone, as far as half of the least distance between tones. Every channel is
// mixed with every tone and decimated; the tone is taken off, and in what is left a
// line stands out of the noise at one frequency on some or all channels.
//
// What moves a sensor, or changes a drive, modulates a tone: it puts equal powers on
// both sides of it. So a line must also stand out of what is on the tone's other side.
type Foreign struct {
	cfg    Config
	bank   *Bank
	hop    int
	limit  int            // frames
	series [][]complex128 // tone·channels + channel: phasors [V] about the nominal frequency
	lobe   shape          // of the bank's windows
	chance float64        // of a false alarm in noise alone
}

// NewForeign prepares the search.
func NewForeign(c Config) (*Foreign, error) {
	length := int(math.Ceil(4.5 * c.SampleRate / c.minSpacing()))
	if float64(length) > foreignSeconds*c.SampleRate/16 || length > foreignSamples {
		return nil, fmt.Errorf("multitone: tones %g Hz apart leave no room to look for lines beside them", c.minSpacing())
	}
	hop := max(8, (length+windowsLobe-1)/windowsLobe)
	length = windowsLobe * hop
	s := &Foreign{cfg: c, hop: hop, chance: foreignChance, lobe: shape{length, blackmanHarris}, limit: int(foreignSeconds * c.SampleRate / float64(hop))}
	s.cfg.Tones = slices.Clone(c.Tones)
	for k := range s.cfg.Tones {
		s.cfg.Tones[k].Reference = Reference{}
	}
	s.cfg.Lines, s.cfg.Foreign = nil, nil
	var err error
	s.bank, err = NewBank(s.cfg, Framing{Length: length, Hop: hop, Cosine: blackmanHarris, Precision: Double, NoNoise: true, NoBend: true})
	s.series = make([][]complex128, len(c.Tones)*c.Channels)
	return s, err
}

// Expect makes room, before the first samples, for what a recording of so many will
// hold; a negative number: not known.
func (s *Foreign) Expect(samples int64) {
	for i := range s.series {
		s.series[i] = make([]complex128, 0, room(s.limit, samples, s.hop))
	}
}

// Write feeds samples [V], channel by channel.
func (s *Foreign) Write(x [][]float64) error {
	if s.Full() {
		return nil
	}
	return s.bank.Write(x, s.take)
}

// WriteInt16 feeds counts, all channels of a sample side by side.
func (s *Foreign) WriteInt16(x []int16) error {
	if s.Full() {
		return nil
	}
	return s.bank.WriteInt16(x, s.take)
}

func (s *Foreign) take(f *Frame) error {
	if !s.Full() {
		for i, v := range f.Phasor {
			if n := len(s.series[i]); cmplx.IsNaN(v) || cmplx.IsInf(v) { // of samples that are no numbers
				if v = 0; n > 0 {
					v = s.series[i][n-1]
				}
			}
			s.series[i] = append(s.series[i], v)
		}
	}
	return nil
}

// Snapshot is a copy of what there is so far, to be asked for Lines while more is
// written.
func (s *Foreign) Snapshot() *Foreign {
	c := *s
	c.series = slices.Clone(s.series)
	return &c
}

// Restart forgets what was written, in the memory at hand. A Snapshot must not be in
// use any more.
func (s *Foreign) Restart() {
	for i := range s.series {
		s.series[i] = s.series[i][:0]
	}
	s.bank.restart()
}

// Seconds is how much of the samples has been seen [s].
func (s *Foreign) Seconds() float64 {
	return float64(len(s.series[0])*s.hop) / s.cfg.SampleRate
}

// Full tells that the first seconds are complete.
func (s *Foreign) Full() bool { return len(s.series[0]) >= s.limit }

// Lines are the lines found so far beside tones of the given frequencies [Hz], in
// rising order. tracked tells that these are measured, not nominal. It may be asked at
// any time.
func (s *Foreign) Lines(hz []float64, tracked bool) []Line {
	n := len(s.series[0])
	for n > 1 && !spectrum.Smooth(n) {
		n--
	}
	if n < 2*(floorBins+floorClear) {
		return nil
	}
	z := newZoom(s, n)
	var all []found
	for k := range hz {
		all = append(all, z.beside(k, hz[k], tracked)...)
	}
	// Two tones may see the same line: the nearer one sees it better.
	slices.SortFunc(all, func(a, b found) int { return cmp.Compare(math.Abs(a.offset), math.Abs(b.offset)) })
	var lines []Line
	for _, f := range all {
		if !slices.ContainsFunc(lines, func(l Line) bool { return math.Abs(l.Hz-f.Hz) < toneApart*z.bin }) {
			lines = append(lines, f.Line)
		}
	}
	strongest := make([]float64, s.cfg.Channels)
	for _, l := range lines {
		for c, p := range l.Power {
			strongest[c] = max(strongest[c], p)
		}
	}
	lines = slices.DeleteFunc(lines, func(l Line) bool {
		for c, p := range l.Power {
			if p > foldedShare*strongest[c] {
				return false
			}
		}
		return true
	})
	slices.SortFunc(lines, func(a, b Line) int { return cmp.Compare(a.Hz, b.Hz) })
	return lines
}
