package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// blockSamples is how many samples of every channel are read at a time.
const blockSamples = 8192

// Survey is what one pass over a recording tells before anything is measured.
type Survey struct {
	Track   *clock.Track
	MainsHz float64   // fundamental, 0: none seen
	Lines   []float64 // its harmonics that stand out [Hz]
	SHA256  string
	Monitor *recording.Monitor // faults of the samples
	faulty  bool
}

// survey reads the whole recording once.
func (b *Bench) survey(ctx context.Context, r *recording.Reader, mode clock.Mode, progress Progress) (*Survey, error) {
	info := r.Info()
	tracker, err := clock.NewTracker(mode, info.SampleRate, b.Tones, info.Samples)
	if err != nil {
		return nil, err
	}
	mains := multitone.NewMains(info.SampleRate, info.Channels)
	monitor := recording.NewMonitor(info)
	r.Watch(monitor)
	hash := make(chan hashed, 1)
	go func() {
		sum, err := r.SHA256()
		hash <- hashed{sum, err}
	}()
	err = blocks(ctx, r, func(x [][]float64, first int64) error {
		progress.report("survey", first, info.Samples)
		mains.Write(x)
		return tracker.Write(x)
	})
	h := <-hash
	if err = errors.Join(err, h.err); err != nil {
		return nil, err
	}
	s := &Survey{SHA256: h.sum, Monitor: monitor, faulty: len(monitor.Events()) > 0}
	if s.Track, err = tracker.Finish(); err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	s.MainsHz, s.Lines = mains.Lines()
	return s, nil
}

// faults translates the faults of a stretch of samples on one channel.
func (s *Survey) faults(channel int, start, stop int64) (f tables.Flags) {
	if !s.faulty {
		return 0
	}
	seen := s.Monitor.Flags(channel, start, stop)
	for from, to := range map[recording.Flags]tables.Flags{
		recording.Clipped: tables.Clipped, recording.Gap: tables.Gap, recording.Repeated: tables.Repeated, recording.Stuck: tables.Stuck,
	} {
		if seen&from != 0 {
			f |= to
		}
	}
	return f
}

// lost tells whether a tone's reference was lost somewhere in the samples.
func (s *Survey) lost(tone int, start, stop int64) bool {
	for _, l := range s.Track.Lost {
		if l.Tone == tone && l.Start < stop && start < l.Stop {
			return true
		}
	}
	return false
}

type hashed struct {
	sum string
	err error
}

// blocks reads a recording from its start to its end.
func blocks(ctx context.Context, r *recording.Reader, use func(x [][]float64, first int64) error) error {
	if err := r.Rewind(); err != nil {
		return err
	}
	info := r.Info()
	buffer := make([][]float64, info.Channels)
	view := make([][]float64, info.Channels)
	for c := range buffer {
		buffer[c] = make([]float64, blockSamples)
	}
	var first int64
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := r.ReadPlanar(buffer)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for c := range view {
			view[c] = buffer[c][:n]
		}
		if err := use(view, first); err != nil {
			return err
		}
		first += int64(n)
	}
}

// Progress is told how far a pass has come, in samples; nil is silent.
type Progress func(pass string, done, total int64)

func (p Progress) report(pass string, done, total int64) {
	if p != nil {
		p(pass, done, total)
	}
}
