package source

import (
	"errors"
	"io"
	"math"
	"time"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// flow is a source whose samples come as bytes of a feed.
type flow struct {
	*recording.Stream
	feed  *feed
	lost  []stream.Gap
	waits bool
	ended bool // what was missing at the end is noted
	start time.Time
}

// mostLosses bounds what is kept of a connection that fails all day.
const mostLosses = 1 << 16

// newFlow waits until the peer has described its samples, where the options do not. It takes over the feed, also when it
// fails.
func newFlow(f *feed, name string, o Options) (*flow, error) {
	s := &flow{feed: f, waits: math.IsInf(o.Pace, 1)}
	for {
		var err error
		if s.Stream, err = recording.NewStream(f, name, o.Reading); err == nil {
			return s, nil
		}
		if !errors.Is(err, errBroken) {
			f.close()
			return nil, err
		}
		f.begin() // the connection ended before a sample came
	}
}

func (s *flow) Start() time.Time   { return s.start }
func (s *flow) Arrived() time.Time { return s.feed.arrived }
func (s *flow) Waits() bool        { return s.waits }
func (s *flow) Lost() []stream.Gap { return s.lost }
func (s *flow) Close() error       { return s.feed.close() }

func (s *flow) ReadInt16(dst []int16) (n int, err error) {
	for {
		if n, err = s.Stream.ReadInt16(dst); err == nil || !s.mend(&err) {
			return s.passed(n), err
		}
	}
}

func (s *flow) ReadPlanar(dst [][]float64) (n int, err error) {
	for {
		if n, err = s.Stream.ReadPlanar(dst); err == nil || !s.mend(&err) {
			return s.passed(n), err
		}
	}
}

// passed takes the time of the first sample.
func (s *flow) passed(n int) int {
	if n > 0 && s.start.IsZero() {
		s.start = s.feed.arrived.Add(-time.Duration(float64(n) / s.Info().SampleRate * float64(time.Second)))
	}
	return n
}

// filledSeconds is how much is filled in for samples that are lost, to keep the time line whole.
const filledSeconds = 10

// mend notes what was lost, and tells whether reading goes on after it.
func (s *flow) mend(err *error) bool {
	var lost *recording.LostError
	switch {
	case errors.As(*err, &lost) && float64(lost.Samples) <= filledSeconds*s.Info().SampleRate:
		s.Fill(lost.Samples)
		s.lose(stream.Gap{At: s.Next() + lost.Samples, Samples: lost.Samples, Why: lost.Error()})
	case errors.As(*err, &lost):
		s.Slip()
		s.lose(stream.Gap{At: s.Next(), Why: lost.Error()})
	case errors.Is(*err, errBroken):
		why, cut := s.feed.begin().Error(), s.Cut()
		if cut != "" {
			why += "; " + cut
		}
		if *err = s.Restart(s.feed); *err != nil {
			return errors.Is(*err, errBroken)
		}
		s.lose(stream.Gap{At: s.Next(), Why: why})
	case errors.Is(*err, io.EOF) && s.Cut() != "" && !s.ended:
		s.ended = true
		s.lose(stream.Gap{At: s.Next(), Why: s.Cut()})
		return false
	default:
		return false
	}
	return true
}

func (s *flow) lose(g stream.Gap) {
	if len(s.lost) < mostLosses {
		s.lost = append(s.lost, g)
	}
}
