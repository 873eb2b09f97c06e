package stream

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"tonepose/multitone/clock"
)

// Faults words what was wrong with the samples: the kind, the channel or tone,
// and when. Never nil.
func (s *Survey) Faults() []string {
	return slices.Concat([]string{}, s.Monitor.Summary(), s.Slips(), s.DoubtfulReferences())
}

// Slips words where the time line breaks without a mark: what the phases of all drives
// say together.
func (s *Survey) Slips() (lines []string) {
	for _, v := range s.Track.Slips {
		n, how := v.Lost, "lost"
		if n < 0 {
			n, how = -n, "too many"
		}
		noun := "samples"
		if n == 1 {
			noun = "sample"
		}
		lines = append(lines, fmt.Sprintf("%d %s %s at %.4g s (sample %d): the time line goes on after them", n, noun, how, float64(v.At)/s.info.SampleRate, v.At))
		if len(lines) == mostSlipLines {
			if more := len(s.Track.Slips) - mostSlipLines; more > 0 {
				lines = append(lines, fmt.Sprintf("and %d more breaks of the time line", more))
			}
			break
		}
	}
	return lines
}

// mostSlipLines is how many slips are named one by one.
const mostSlipLines = 10

// Time is that of a point among the samples [s] after the first, with those counted
// that the phases of the drives show to be lost.
func (s *Survey) Time(sample float64) float64 {
	for _, v := range s.Track.Slips {
		if float64(v.At) > sample {
			break
		}
		sample += float64(v.Lost)
	}
	return sample / s.info.SampleRate
}

// Sample is the sample of a time [s].
func (s *Survey) Sample(time float64) int64 {
	at := time * s.info.SampleRate
	lost := int64(0)
	for _, v := range s.Track.Slips {
		if float64(v.At+lost+v.Lost) > at {
			break
		}
		lost += v.Lost
	}
	return int64(math.Round(at - float64(lost)))
}

// DoubtfulReferences words where the references of tones were lost, a line a
// tone, and names a tone that does not share the others' clock.
func (s *Survey) DoubtfulReferences() (lines []string) {
	rate := s.info.SampleRate
	lines = append(lines, s.drives.Words...)
	if off := s.Track.StrayOffset; off != 0 && !s.Absent(s.Track.StrayTone) {
		lines = append(lines, fmt.Sprintf("tone %s is off the other tones' clock by %.3g ppm: if they do not share one, use --clock each", s.tones[s.Track.StrayTone].Name, off*1e6))
	}
	for k, t := range s.tones {
		list := stretchesLost(s.Track.Lost, k)
		channel, ok := t.Reference.Channel()
		if !ok || len(list) == 0 || s.Absent(k) {
			continue
		}
		var samples int64
		var words []string
		for _, l := range list {
			l.Stop = min(l.Stop, int64(math.Round(s.seen*rate))) // of a stream: until it is seen again
			samples += l.Stop - l.Start
			words = append(words, fmt.Sprintf("%.4g to %.4g s", float64(l.Start)/rate, float64(l.Stop)/rate))
		}
		text := strings.Join(words[:min(3, len(words))], ", ")
		if more := len(words) - 3; more > 0 {
			text += fmt.Sprintf(" and %d more stretches", more)
		}
		lines = append(lines, fmt.Sprintf("reference lost or too small: tone %s on channel %s for %.4g s (%s)", t.Name, s.info.Names[channel], float64(samples)/rate, text))
	}
	return lines
}

// stretchesLost joins the losses of a tone that touch or overlap.
func stretchesLost(all []clock.Loss, tone int) (list []clock.Loss) {
	for _, l := range all {
		if l.Tone == tone {
			list = append(list, l)
		}
	}
	slices.SortFunc(list, func(a, b clock.Loss) int { return cmp.Compare(a.Start, b.Start) })
	kept := list[:0]
	for _, l := range list {
		if n := len(kept); n > 0 && l.Start <= kept[n-1].Stop {
			kept[n-1].Stop = max(kept[n-1].Stop, l.Stop)
			continue
		}
		kept = append(kept, l)
	}
	return kept
}
