package measure

import (
	"math"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
)

// Phasors turns frames into rows, one a tone and channel, and writes them; counts
// counts their flags, unless it is nil.
func Phasors(tones []multitone.Tone, channels []string, counts *verdict.Counts, write func(...tables.Phasor) error) func(*stream.Measured) error {
	var rows []tables.Phasor // one frame's, reused
	return func(f *stream.Measured) error {
		rows = rows[:0]
		for k, t := range tones {
			for c, name := range channels {
				v, variance := f.At(k, c)
				rows = append(rows, tables.Phasor{Time: f.Time, Duration: f.Duration, Channel: name, Tone: t.Name, ToneHz: f.Hz[k],
					InPhase: real(v), Quadrature: imag(v), Sigma: math.Sqrt(variance), Flags: f.Doubts(t, k, c)})
				if counts != nil {
					counts.Add(rows[len(rows)-1].Flags)
				}
			}
		}
		return write(rows...)
	}
}
