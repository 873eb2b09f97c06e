package source

import (
	"errors"
	"fmt"
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
		if n, err = s.Stream.ReadInt16(dst); !s.again(n, &err) {
			return n, err
		}
	}
}

func (s *flow) ReadPlanar(dst [][]float64) (n int, err error) {
	for {
		if n, err = s.Stream.ReadPlanar(dst); !s.again(n, &err) {
			return n, err
		}
	}
}

// again looks at what a read has given, and tells whether to read on after a break.
func (s *flow) again(n int, err *error) bool {
	if n > 0 && s.start.IsZero() {
		s.start = s.feed.arrived.Add(-time.Duration(float64(n) / s.Info().SampleRate * float64(time.Second)))
	}
	if !errors.Is(*err, errBroken) {
		return false
	}
	why := s.feed.begin()
	if part := s.Part(); part > 0 {
		why = fmt.Errorf("%w; the last %d bytes were no whole sample", why, part)
	}
	if *err = s.Restart(s.feed); *err != nil && !errors.Is(*err, errBroken) {
		return false
	}
	if len(s.lost) < mostLosses {
		s.lost = append(s.lost, stream.Gap{At: s.Next(), Why: why.Error()})
	}
	return true
}
