package engine

import (
	"context"
	"fmt"
	"sync"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Survey is what an Observer has learnt.
type Survey struct {
	Track        *clock.Track
	MainsHz      float64 // fundamental, 0: none seen
	MainsSigmaHz float64
	Lines        []float64          // its harmonics that stand out [Hz]
	Monitor      *recording.Monitor // faults of the samples
	tones        []multitone.Tone
	info         recording.Info
	faulty       bool
}

// Observer learns from the samples of a stream, as they come, what measuring them
// needs to know. It is for one goroutine.
type Observer struct {
	info    recording.Info
	tones   []multitone.Tone
	tracker *clock.Tracker
	mains   *multitone.Mains
	monitor *recording.Monitor
	volts   converter

	find  func() // the mains, once
	early bool   // find has been started beside the work
	found Survey // of the mains
}

// NewObserver watches a source whose tones are near the given frequencies.
func NewObserver(src Source, tones []multitone.Tone, mode clock.Mode) (*Observer, error) {
	info := src.Info()
	tracker, err := clock.NewTracker(mode, info.SampleRate, tones, info.Samples)
	if err != nil {
		return nil, err
	}
	o := &Observer{info: info, tones: tones, tracker: tracker, monitor: recording.NewMonitor(info),
		mains: multitone.NewMains(info.SampleRate, info.Channels, info.Samples), volts: converter{info: info}}
	o.find = sync.OnceFunc(func() { o.found.MainsHz, o.found.MainsSigmaHz, o.found.Lines = o.mains.Lines() })
	src.Watch(o.monitor)
	return o, nil
}

// Write takes the next block.
func (o *Observer) Write(b *Block) error {
	x := o.volts.volts(b, func(c int) bool { return !o.mains.Full() || o.tracker.Follows(c) })
	o.mains.Write(x)
	if o.mains.Full() && !o.early {
		o.early = true
		go o.find() // beside the rest of the pass
	}
	return o.tracker.Write(x)
}

// close waits for what runs beside the work.
func (o *Observer) close() {
	if o.early {
		o.find()
	}
}

// finish ends the observation.
func (o *Observer) finish() (*Survey, error) {
	track, err := o.tracker.Finish()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.info.Name, err)
	}
	o.find()
	s := o.found
	s.Track, s.Monitor, s.tones, s.info = track, o.monitor, o.tones, o.info
	s.faulty = len(o.monitor.Events()) > 0
	return &s, nil
}

// Observe reads a source to its end.
func Observe(ctx context.Context, src Source, tones []multitone.Tone, mode clock.Mode, progress Progress) (*Survey, error) {
	o, err := NewObserver(src, tones, mode)
	if err != nil {
		return nil, err
	}
	defer o.close()
	err = Blocks(ctx, src, o.info.Int16, func(b *Block) error {
		progress.Report("survey", b.First, o.info.Samples)
		return o.Write(b)
	})
	if err != nil {
		return nil, err
	}
	return o.finish()
}

// Hz are the tones' frequencies in the ADC's clock, means over the recording.
func (s *Survey) Hz() []float64 { return s.Track.Hz(0, s.info.Duration()) }

// Flags are the faults of a stretch of samples on one channel.
func (s *Survey) Flags(channel int, start, stop int64) (f tables.Flags) {
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

// Lost tells whether a tone's reference was lost somewhere in the samples.
func (s *Survey) Lost(tone int, start, stop int64) bool {
	for _, l := range s.Track.Lost {
		if l.Tone == tone && l.Start < stop && start < l.Stop {
			return true
		}
	}
	return false
}
