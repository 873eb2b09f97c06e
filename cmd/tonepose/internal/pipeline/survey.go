package pipeline

import (
	"context"
	"fmt"
	"runtime"
	"sync"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Survey is what one pass over a recording tells before anything is measured.
type Survey struct {
	Track        *clock.Track
	MainsHz      float64 // fundamental, 0: none seen
	MainsSigmaHz float64
	Lines        []float64 // its harmonics that stand out [Hz]
	SHA256       string
	Monitor      *recording.Monitor // faults of the samples
	faulty       bool
}

// survey reads the whole recording once and hashes it.
func (b *Bench) survey(ctx context.Context, r *recording.Reader, mode clock.Mode, progress Progress) (*Survey, error) {
	hash := hashRecording(ctx, r)
	defer hash.stop()
	s, err := b.look(ctx, r, mode, progress)
	if err == nil {
		s.SHA256, err = hash.wait()
	}
	return s, err
}

// look is survey without the hash.
func (b *Bench) look(ctx context.Context, r *recording.Reader, mode clock.Mode, progress Progress) (*Survey, error) {
	info := r.Info()
	tracker, err := clock.NewTracker(mode, info.SampleRate, b.Tones)
	if err != nil {
		return nil, err
	}
	mains := multitone.NewMains(info.SampleRate, info.Channels, b.Tones)
	monitor := recording.NewMonitor(info)
	r.Watch(monitor)
	s := new(Survey)
	find := sync.OnceFunc(func() { s.MainsHz, s.MainsSigmaHz, s.Lines = mains.Lines() })
	early := false
	defer func() {
		if early {
			find() // has ended
		}
	}()
	look := func(x [][]float64, first int64) error {
		progress.report("survey", first, info.Samples)
		mains.Write(x)
		if mains.Full() && !early {
			early = true
			go find() // beside the rest of the pass
		}
		return tracker.Write(x)
	}
	if info.Int16 {
		err = counts(ctx, r, volts(info, func(c int) bool { return !mains.Full() || tracker.Follows(c) }, look))
	} else {
		err = blocks(ctx, r, look)
	}
	if err != nil {
		return nil, err
	}
	s.Monitor, s.faulty = monitor, len(monitor.Events()) > 0
	if s.Track, err = tracker.Finish(); err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	find()
	return s, nil
}

// volts converts counts of the channels that are wanted; the others' samples
// are not to be used.
func volts(info recording.Info, wanted func(channel int) bool, use func(x [][]float64, first int64) error) func(x []int16, first int64) error {
	buffer, view := make([][]float64, info.Channels), make([][]float64, info.Channels)
	for c := range buffer {
		buffer[c] = make([]float64, blockSamples(info.Channels))
	}
	return func(x []int16, first int64) error {
		n := len(x) / info.Channels
		for c := range view {
			view[c] = buffer[c][:n]
			if !wanted(c) {
				continue
			}
			at, scale := c, info.Scale[c]
			for i := range view[c] {
				view[c][i] = float64(x[at]) * scale
				at += info.Channels
			}
		}
		return use(view, first)
	}
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

// hashing is the SHA-256 of a recording in the making.
type hashing struct {
	cancel context.CancelFunc
	sum    func() (string, error)
}

// hashRecording hashes beside all else, or within the next pass where there is
// only one processor.
func hashRecording(ctx context.Context, r *recording.Reader) *hashing {
	ctx, cancel := context.WithCancel(ctx)
	h := &hashing{cancel, sync.OnceValues(func() (string, error) { return r.SHA256(ctx) })}
	if runtime.GOMAXPROCS(0) == 1 {
		r.HashReads()
	} else {
		go h.sum()
	}
	return h
}

func (h *hashing) wait() (string, error) { return h.sum() }

// stop ends it, finished or not.
func (h *hashing) stop() {
	h.cancel()
	h.sum()
}

// Progress is told how far a pass has come, in samples; nil is silent.
type Progress func(pass string, done, total int64)

func (p Progress) report(pass string, done, total int64) {
	if p != nil {
		p(pass, done, total)
	}
}
