// Package drives tells from the first samples of a recording whether the channels that
// should carry the drives do: a current that was not recorded, or under another frequency
// or in another column than the rig says, makes couplings of nothing.
package drives

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/dsp/window"
	"gonum.org/v1/gonum/floats"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/spectrum"
)

// seconds is how much is looked at: a bin is then some 3 Hz wide. Fewer than fewest samples
// are not looked at.
const (
	seconds = 0.35
	fewest  = 64
)

const (
	// A drive below absentShare of what the rig states is crosstalk, whatever it is: no
	// current is set a hundred times too low. One below weakShare is absent if it is not
	// to be told from the noise, or if a line above presentShare is in its place.
	absentShare, weakShare, presentShare = 0.01, 0.1, 0.3
	// alikeShare is by how much the levels of one channel's tones may differ, relative
	// to those stated, to be taken for their drives: pickups' differ by far more.
	alikeShare = 0.15
	// lineOverFloor is how far a bin stands above the median of those about it when it is
	// more than noise: by chance once in exp(−0.69·36).
	lineOverFloor = 6
	// ownBins is how near a tone a line is its own, in bins.
	ownBins = 4
)

// First keeps the first samples of all channels.
type First struct {
	info  recording.Info
	tones []multitone.Tone
	volts [][]float64
}

// NewFirst prepares for the samples of a recording whose tones are driven on the
// channels of their references.
func NewFirst(info recording.Info, tones []multitone.Tone) *First {
	n := int64(seconds * info.SampleRate)
	if info.Samples >= 0 {
		n = min(n, info.Samples)
	}
	f := &First{info: info, tones: tones, volts: make([][]float64, info.Channels)}
	for c := range f.volts {
		f.volts[c] = make([]float64, 0, n)
	}
	return f
}

// Write takes the next samples [V], by channel, and keeps those that are wanted.
func (f *First) Write(x [][]float64) {
	n := min(cap(f.volts[0])-len(f.volts[0]), len(x[0]))
	for c := range x {
		f.volts[c] = append(f.volts[c], x[c][:n]...)
	}
}

// Found is what the first samples show of the tones on the channels that should
// carry their drives.
type Found struct {
	Absent []bool   // by tone: not there at its frequency
	Words  []string // what is wrong, a line a cause
}

// Compare compares them with the amplitudes stated [V], by tone; 0: not known.
func (f *First) Compare(stated []float64) Found {
	out := Found{Absent: make([]bool, len(f.tones))}
	n := len(f.volts[0])
	for n > 1 && !spectrum.Smooth(n) {
		n--
	}
	if n < fewest {
		return out
	}
	levels, hz := f.levels(n), f.nominal()
	for c := range levels {
		var all, weak []int // tones of a drive channel
		for k, t := range f.tones {
			if t.Reference != multitone.OnChannel(c) || !(stated[k] > 0) {
				continue
			}
			all = append(all, k)
			if at := levels[c].at(hz[k]); at < weakShare*stated[k] {
				weak = append(weak, k)
			}
		}
		if len(weak) == 0 && (len(all) == 0 || carries(&levels[c], all, hz, stated)) {
			continue
		}
		absent, words := f.drive(c, all, weak, levels, stated)
		out.Words = append(out.Words, words...)
		for _, k := range absent {
			out.Absent[k] = true
		}
	}
	return out
}

// Undriven words that no channel carries its drive: what is there instead, and what to check.
func (f *First) Undriven() string {
	return fmt.Sprintf("no drive is recorded: %s: connect it, or correct the rig's reference channels", f.Strongest())
}

// Strongest words, for each channel that should carry drives, which of its tones is the
// strongest there, and how strong that is beside the channel's noise.
func (f *First) Strongest() string {
	n := len(f.volts[0])
	for n > 1 && !spectrum.Smooth(n) {
		n--
	}
	if n < fewest {
		return fmt.Sprintf("of %d samples no level can be told", len(f.volts[0]))
	}
	var words []string
	levels, hz := f.levels(n), f.nominal()
	for c := range levels {
		strongest, most := -1, 0.0
		for k, t := range f.tones {
			if at := levels[c].at(hz[k]); t.Reference == multitone.OnChannel(c) && (strongest < 0 || at > most) {
				strongest, most = k, at
			}
		}
		if strongest >= 0 {
			words = append(words, fmt.Sprintf("channel %s has at most %.3g V of its tones (%s at %g Hz; beside it lines of noise have %.3g V)",
				f.info.Names[c], most, f.tones[strongest].Name, hz[strongest], levels[c].floor(hz[strongest])))
		}
	}
	return strings.Join(words, ", ")
}

// nominal are the tones' frequencies as the rig has them: a clock that was followed on
// the wrong channel tells nothing.
func (f *First) nominal() (hz []float64) {
	for _, t := range f.tones {
		hz = append(hz, t.Hz)
	}
	return hz
}

// drive words why tones of a channel are weak there, and returns those that are
// absent.
func (f *First) drive(channel int, all, weak []int, levels []level, stated []float64) (absent []int, words []string) {
	hz, name := f.nominal(), f.info.Names[channel]
	if !carries(&levels[channel], all, hz, stated) {
		for c := range levels {
			if c != channel && carries(&levels[c], all, hz, stated) {
				return all, []string{fmt.Sprintf("channel %s carries the drives that the rig expects on channel %s: the columns of the recording, or the channels in the rig, are in another order", f.info.Names[c], name)}
			}
		}
	}
	var silent []string
	for _, k := range weak {
		l := &levels[channel]
		if found, ok := f.moved(l, k, hz, stated[k]); ok {
			absent = append(absent, k)
			words = append(words, fmt.Sprintf("tone %s is at %.6g Hz on channel %s, %.3g Hz from its tone_hz in the rig, %g: correct it there", f.tones[k].Name, found, name, found-f.tones[k].Hz, f.tones[k].Hz))
		} else if at := l.at(hz[k]); at < absentShare*stated[k] || at < lineOverFloor*l.floor(hz[k]) {
			absent = append(absent, k)
			silent = append(silent, f.tones[k].Name)
		}
	}
	switch {
	case len(silent) == 0:
	case len(silent) == len(all):
		words = append(words, fmt.Sprintf("no drive is recorded: channel %s carries none of its %d tones; without the currents there are no couplings: connect the drive, or correct the rig's reference channels", name, len(all)))
	default:
		words = append(words, fmt.Sprintf("channel %s does not carry the drive of %s: switched off, or on another channel", name, strings.Join(silent, ", ")))
	}
	return absent, words
}

// carries tells whether a channel has all of the tones in the proportions stated.
func carries(l *level, tones []int, hz, stated []float64) bool {
	var ratios []float64
	for _, k := range tones {
		ratios = append(ratios, l.at(hz[k])/stated[k])
	}
	low, high := slices.Min(ratios), slices.Max(ratios)
	if len(tones) < 3 && (low < presentShare || high > 1/presentShare) {
		return false // two proportions may agree by chance
	}
	return low > 0.001 && high < (1+alikeShare)*low
}

// moved looks for the line of a tone at a frequency of its own.
func (f *First) moved(l *level, tone int, hz []float64, stated float64) (float64, bool) {
	reach := math.Inf(1)
	for k := range hz {
		if k != tone {
			reach = min(reach, math.Abs(hz[k]-hz[tone])/2)
		}
	}
	found, amplitude := l.strongest(hz[tone]-min(reach, hz[tone]), hz[tone]+reach, func(at float64) bool {
		return slices.ContainsFunc(hz, func(other float64) bool { return math.Abs(at-other) < ownBins*l.step })
	})
	return found, amplitude > presentShare*stated
}

// level is the amplitude spectrum of one channel under a Hann taper [V].
type level struct {
	step      float64 // [Hz]
	amplitude []float64
}

// levels are those of the first n samples of all channels.
func (f *First) levels(n int) (all []level) {
	taper := window.Hann(slices.Repeat([]float64{1}, n))
	sum, transform := floats.Sum(taper), spectrum.NewTransform(taper)
	for _, volts := range f.volts {
		l := level{step: f.info.SampleRate / float64(n), amplitude: make([]float64, n/2+1)}
		transform.Powers(l.amplitude, volts[:n], nil, 0)
		for i, v := range l.amplitude {
			l.amplitude[i] = 2 * math.Sqrt(v) / sum
		}
		all = append(all, l)
	}
	return all
}

// at is the amplitude of a tone near a frequency [V], as far off as a clock may be. A bin
// of a line δ bins away is low by sinc(δ)/(1−δ²), and δ is (2r−1)/(1+r), r being the
// ratio of its larger neighbour to it (Harris, Proc. IEEE 66, 1978, for Hann; not
// checked against the original).
func (l *level) at(hz float64) float64 {
	reach := max(1, int(math.Ceil(clock.MaxOffset*hz/l.step)))
	from, to := max(1, int(hz/l.step)-reach+1), min(len(l.amplitude)-1, int(hz/l.step)+reach+1)
	best := 0
	for i := from; i < to; i++ {
		if best == 0 || l.amplitude[i] > l.amplitude[best] {
			best = i
		}
	}
	if best == 0 || l.amplitude[best] == 0 {
		return 0
	}
	peak := l.amplitude[best]
	ratio := max(l.amplitude[best-1], l.amplitude[best+1]) / peak
	offset := min(max((2*ratio-1)/(1+ratio), 0), 0.5)
	if offset == 0 {
		return peak
	}
	return peak * (1 - offset*offset) * math.Pi * offset / math.Sin(math.Pi*offset)
}

// floor is the median amplitude about a frequency [V].
func (l *level) floor(hz float64) float64 {
	const reach = 50
	i := int(hz / l.step)
	near := slices.Sorted(slices.Values(l.amplitude[max(0, i-reach):min(len(l.amplitude), i+reach)]))
	if len(near) == 0 {
		return 0
	}
	return near[len(near)/2]
}

// strongest is the strongest bin between two frequencies, others than those passed
// over, refined by the parabola through the logarithms about it.
func (l *level) strongest(low, high float64, pass func(hz float64) bool) (hz, amplitude float64) {
	for i := max(1, int(math.Ceil(low/l.step))); i+1 < len(l.amplitude) && float64(i)*l.step <= high; i++ {
		if a := l.amplitude[i]; a > amplitude && !pass(float64(i)*l.step) {
			before, after := math.Log(l.amplitude[i-1]), math.Log(l.amplitude[i+1])
			shift := (before - after) / (2 * (before - 2*math.Log(a) + after))
			hz, amplitude = (float64(i)+shift)*l.step, a
		}
	}
	return hz, amplitude
}
