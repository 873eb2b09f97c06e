package pipeline

import "fmt"

// Faults words what was wrong with the samples: the kind, the channel or tone,
// and when. Never nil.
func (s *Summary) Faults() []string {
	return append(append([]string{}, s.Survey.Monitor.Summary()...), s.lost...)
}

// lostReferences words where the references of tones were lost, a line a tone.
func (b *Bench) lostReferences(s *Survey, rate float64, names []string) (lines []string) {
	for k, t := range b.Tones {
		var count int
		var samples int64
		text := ""
		for _, l := range s.Track.Lost {
			if l.Tone != k {
				continue
			}
			if count < 3 {
				if text != "" {
					text += ", "
				}
				text += fmt.Sprintf("%.4g to %.4g s", float64(l.Start)/rate, float64(l.Stop)/rate)
			}
			count++
			samples += l.Stop - l.Start
		}
		if count == 0 {
			continue
		}
		if count > 3 {
			text += fmt.Sprintf(" and %d more stretches", count-3)
		}
		lines = append(lines, fmt.Sprintf("reference lost or too small: tone %s on channel %s for %.4g s (%s)", t.Name, names[t.Reference], float64(samples)/rate, text))
	}
	return lines
}
