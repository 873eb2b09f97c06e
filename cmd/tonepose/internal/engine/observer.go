package engine

import (
	"context"
	"fmt"
	"sync"

	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Survey is what an Observer has learnt. It does not change any more, but for the
// faults that its Monitor goes on to find.
type Survey struct {
	Mains
	Track   *clock.Track
	Monitor *recording.Monitor // faults of the samples
	Start   *Start             // of the drives that the recorder plays; nil: they are digitised, or not looked for

	tones []multitone.Tone
	info  recording.Info
	seen  float64 // how much of the stream was seen [s]
}

// Observer learns from the samples of a stream, as they come, what measuring them
// needs to know. It can be asked at any time. It is for one goroutine.
type Observer struct {
	info    recording.Info
	tones   []multitone.Tone
	tracker *clock.Tracker
	mains   *multitone.Mains
	monitor *recording.Monitor
	volts   converter
	seen    int64 // samples

	// What the first seconds hold of the mains is found beside the rest of the work.
	find    func() Mains
	started bool
}

// Mains is what a stream shows of the mains.
type Mains struct {
	MainsHz      float64 // fundamental, 0: none seen
	MainsSigmaHz float64
	Lines        []float64 // its harmonics that stand out [Hz]
}

// NewObserver watches a source whose tones are near the given frequencies.
func NewObserver(src Source, tones []multitone.Tone, mode clock.Mode) (*Observer, error) {
	info := src.Info()
	tracker, err := clock.NewTracker(mode, info.SampleRate, tones)
	if err != nil {
		return nil, err
	}
	o := &Observer{info: info, tones: tones, tracker: tracker, monitor: recording.NewMonitor(info),
		mains: multitone.NewMains(info.SampleRate, info.Channels, tones), volts: converter{info: info}}
	o.find = sync.OnceValue(func() Mains { return mainsOf(o.mains) })
	src.Watch(o.monitor)
	return o, nil
}

func mainsOf(m *multitone.Mains) (found Mains) {
	found.MainsHz, found.MainsSigmaHz, found.Lines = m.Lines()
	return found
}

// Write takes the next block.
func (o *Observer) Write(b *Block) error {
	x := o.volts.volts(b, func(c int) bool { return !o.mains.Full() || o.tracker.Follows(c) })
	o.mains.Write(x)
	o.seen = b.First + int64(len(x[0]))
	if o.mains.Full() && !o.started {
		o.started = true
		go o.find()
	}
	return o.tracker.Write(x)
}

// Close waits for what runs beside the work.
func (o *Observer) Close() {
	if o.started {
		o.find()
	}
}

// Survey is what the samples so far show.
func (o *Observer) Survey() (*Survey, error) {
	track, err := o.tracker.Track()
	if o.started {
		return o.survey(track, o.find(), err)
	}
	return o.survey(track, mainsOf(o.mains), err)
}

// Finish ends the observation with what the whole stream shows.
func (o *Observer) Finish() (*Survey, error) {
	track, err := o.tracker.Finish()
	return o.survey(track, o.find(), err)
}

func (o *Observer) survey(track *clock.Track, found Mains, err error) (*Survey, error) {
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.info.Name, err)
	}
	return &Survey{Mains: found, Track: track, Monitor: o.monitor, tones: o.tones, info: o.info, seen: float64(o.seen) / o.info.SampleRate}, nil
}

// Observe reads a source to its end.
func Observe(ctx context.Context, src Source, tones []multitone.Tone, mode clock.Mode, progress Progress) (*Survey, error) {
	o, err := NewObserver(src, tones, mode)
	if err != nil {
		return nil, err
	}
	defer o.Close()
	err = Blocks(ctx, src, o.info.Int16, func(b *Block) error {
		progress.Report("survey", b.First, o.info.Samples)
		return o.Write(b)
	})
	if err != nil {
		return nil, err
	}
	return o.Finish()
}

// Hz are the tones' frequencies in the ADC's clock, means over what was seen.
func (s *Survey) Hz() []float64 { return s.Track.Hz(0, s.seen) }

// Flags are the faults of a stretch of samples on one channel.
func (s *Survey) Flags(channel int, start, stop int64) (f verdict.Flags) {
	seen := s.Monitor.Flags(channel, start, stop)
	if seen == 0 {
		return 0
	}
	for from, to := range map[recording.Flags]verdict.Flags{
		recording.Clipped: verdict.Clipped, recording.Gap: verdict.Gap, recording.Repeated: verdict.Repeated, recording.Stuck: verdict.Stuck,
	} {
		if seen&from != 0 {
			f |= to
		}
	}
	return f
}

// Lost reports whether a tone's reference was lost somewhere in the samples.
func (s *Survey) Lost(tone int, start, stop int64) bool {
	for _, l := range s.Track.Lost {
		if l.Tone == tone && l.Start < stop && start < l.Stop {
			return true
		}
	}
	return false
}
