package stream

import (
	"context"
	"errors"
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

// Before anything is solved, the first samples show whether the channels that should
// carry the drives do: a current that was not recorded, or under another frequency or
// in another column than the rig says, makes couplings of nothing.

// driveSeconds is how much is looked at: a bin is then some 3 Hz wide.
const driveSeconds = 0.35

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

// driveSamples is how many samples that are; fewer of a short recording.
func driveSamples(info recording.Info) int {
	n := int64(driveSeconds * info.SampleRate)
	if info.Samples >= 0 {
		n = min(n, info.Samples)
	}
	return int(n)
}

// drives keeps the first samples of all channels.
type drives struct {
	volts [][]float64
	want  int
}

func (d *drives) write(x [][]float64) {
	if d.volts == nil {
		d.volts = planes(len(x), d.want)
		for c := range d.volts {
			d.volts[c] = d.volts[c][:0]
		}
	}
	if n := min(d.want-len(d.volts[0]), len(x[0])); n > 0 {
		for c := range x {
			d.volts[c] = append(d.volts[c], x[c][:n]...)
		}
	}
}

// Drives is what the first samples show of the tones on the channels that should
// carry their drives.
type Drives struct {
	Absent []bool   // by tone: not there at its frequency
	Words  []string // what is wrong, a line a cause
}

// Drives compares them with the amplitudes stated [V], by tone; 0: not known.
func (s *Survey) Drives(stated []float64) Drives {
	out := Drives{Absent: make([]bool, len(s.tones))}
	if s.first == nil || len(s.first.volts) == 0 {
		return out
	}
	n := len(s.first.volts[0])
	for n > 1 && !spectrum.Smooth(n) {
		n--
	}
	if n < 64 {
		return out
	}
	levels, hz := s.levels(n), s.nominal()
	for c := range levels {
		var all, weak []int // tones of a drive channel
		for k, t := range s.tones {
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
		absent, words := s.drive(c, all, weak, levels, stated)
		out.Words = append(out.Words, words...)
		for _, k := range absent {
			out.Absent[k] = true
		}
	}
	return out
}

// nominal are the tones' frequencies as the rig has them: a clock that was followed on
// the wrong channel tells nothing.
func (s *Survey) nominal() (hz []float64) {
	for _, t := range s.tones {
		hz = append(hz, t.Hz)
	}
	return hz
}

// DrivesAbsent tells whether no drive is where the rig says: there are no couplings then.
func (s *Survey) DrivesAbsent() bool {
	return len(s.drives.Absent) > 0 && !slices.Contains(s.drives.Absent, false)
}

// drive words why tones of a channel are weak there, and returns those that are
// absent.
func (s *Survey) drive(channel int, all, weak []int, levels []level, stated []float64) (absent []int, words []string) {
	hz, name := s.nominal(), s.info.Names[channel]
	if !carries(&levels[channel], all, hz, stated) {
		for c := range levels {
			if c != channel && carries(&levels[c], all, hz, stated) {
				return all, []string{fmt.Sprintf("channel %s carries the drives that the rig expects on channel %s: the columns of the recording, or the channels in the rig, are in another order", s.info.Names[c], name)}
			}
		}
	}
	var silent []string
	for _, k := range weak {
		l := &levels[channel]
		if found, ok := s.moved(l, k, hz, stated[k]); ok {
			absent = append(absent, k)
			words = append(words, fmt.Sprintf("tone %s is at %.6g Hz on channel %s, %.3g Hz from its tone_hz in the rig, %g: correct it there", s.tones[k].Name, found, name, found-s.tones[k].Hz, s.tones[k].Hz))
		} else if at := l.at(hz[k]); at < absentShare*stated[k] || at < lineOverFloor*l.floor(hz[k]) {
			absent = append(absent, k)
			silent = append(silent, s.tones[k].Name)
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
func (s *Survey) moved(l *level, tone int, hz []float64, stated float64) (float64, bool) {
	reach := math.Inf(1)
	for k := range hz {
		if k != tone {
			reach = min(reach, math.Abs(hz[k]-hz[tone])/2)
		}
	}
	found, amplitude := l.strongest(hz[tone]-min(reach, hz[tone]), hz[tone]+reach, func(f float64) bool {
		return slices.ContainsFunc(hz, func(other float64) bool { return math.Abs(f-other) < ownBins*l.step })
	})
	return found, amplitude > presentShare*stated
}

// level is the amplitude spectrum of one channel under a Hann taper [V].
type level struct {
	step      float64 // [Hz]
	amplitude []float64
}

// levels are those of the first n samples of all channels.
func (s *Survey) levels(n int) (all []level) {
	taper := window.Hann(slices.Repeat([]float64{1}, n))
	sum, transform := floats.Sum(taper), spectrum.NewTransform(taper)
	for _, volts := range s.first.volts {
		l := level{step: s.info.SampleRate / float64(n), amplitude: make([]float64, n/2+1)}
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
	if best == 0 {
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

// Absent tells whether a tone was not found on the channel of its drive.
func (s *Survey) Absent(tone int) bool { return s.drives.Absent != nil && s.drives.Absent[tone] }

// ObserveDriven is Observe for a recording whose drives are digitised, and reads once
// more where tones are not on their channels: these say nothing of the clock. volts are
// what the drives' amplitudes should be, as Survey.Drives wants them.
func ObserveDriven(ctx context.Context, src Source, tones []multitone.Tone, volts []float64, mode clock.Mode, progress Progress) (*Survey, error) {
	s, err := Observe(ctx, src, tones, mode, progress)
	if errors.Is(err, clock.ErrNoReference) {
		return nil, fmt.Errorf("%w: no drive is recorded: connect it, or correct the rig's reference channels", err)
	}
	if err != nil {
		return nil, err
	}
	drives := s.Drives(volts)
	if slices.Contains(drives.Absent, true) && slices.Contains(drives.Absent, false) {
		sound := slices.Clone(tones)
		for k, absent := range drives.Absent {
			if absent {
				sound[k].Reference = multitone.Reference{}
			}
		}
		if s, err = Observe(ctx, src, sound, mode, progress); err != nil {
			return nil, err
		}
		s.tones = tones
	}
	s.drives = drives
	s.first = nil // asked for no more
	return s, nil
}
