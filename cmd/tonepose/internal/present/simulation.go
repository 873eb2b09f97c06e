package present

import (
	"io"
	"strings"

	"tonepose/cmd/tonepose/internal/simulate"
)

// Simulation prints what a simulation left.
func Simulation(w io.Writer, s *simulate.Summary) error {
	names := []string{s.Recording, s.Truth}
	if s.Intervals != "" {
		names = append(names, s.Intervals)
	}
	p := newPage(w)
	p.line("%s: %d channels, %g s at %g Hz", strings.Join(names, ", "), s.Channels, s.DurationS, s.RateHz)
	return p.err
}
