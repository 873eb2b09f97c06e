package stream

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/drives"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Survey is what an Observer has learnt. It does not change any more, but for the
// faults that its Monitor goes on to find.
type Survey struct {
	Mains
	Foreign []multitone.Line // beside the tones, in rising order
	Track   *clock.Track
	Monitor *recording.Monitor // faults of the samples

	tones []multitone.Tone
	info  recording.Info
	seen  float64 // how much of the stream was seen [s]
	// Skipped are windows of a stream that were skipped after its last frame.
	Skipped int
	// shares words what shares each tone's frequency as far as can be told.
	shares []string
	drives drives.Found // where the rig was asked
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
	seen    int64         // samples
	slips   int           // told to the monitor
	first   *drives.First // nil: no clock is looked for, and nobody asks for the drives

	foreign  *multitone.Foreign // nil: tones too close to each other to look between them
	tracked  bool               // frequencies are measured
	searched int                // values of the mains' series that found rests on

	// What the first seconds hold of the mains and of other lines is found beside the
	// rest of the work.
	find    func() lines
	started bool
	found   lines // so far

	// Of a live stream they are found again and again.
	finder *finder // nil: of no live stream
	track  *clock.Track
	kept   *Survey
	finite []float64 // last finite value of each channel
	fresh  bool      // found has changed since it was last asked for
}

// lines are what a stream shows beside its tones.
type lines struct {
	Mains
	foreign []multitone.Line
}

// Mains is what a stream shows of the mains.
type Mains struct {
	MainsHz      float64 // fundamental, 0: none seen
	MainsSigmaHz float64
	Lines        []multitone.Line // its harmonics that stand out
}

// NewObserver watches a source whose tones are near the given frequencies.
func NewObserver(src Source, tones []multitone.Tone, mode clock.Mode) (*Observer, error) {
	o, err := newObserver(src.Info(), tones, mode)
	if err == nil {
		src.Watch(o.monitor)
	}
	return o, err
}

func newObserver(info recording.Info, tones []multitone.Tone, mode clock.Mode) (*Observer, error) {
	tracker, err := clock.NewTracker(mode, info.SampleRate, tones)
	if err != nil {
		return nil, err
	}
	o := &Observer{info: info, tones: tones, tracker: tracker, monitor: recording.NewMonitor(info),
		mains: multitone.NewMains(info.SampleRate, info.Channels, tones), volts: converter{info: info}, finite: make([]float64, info.Channels)}
	if o.tracked = mode != clock.None; o.tracked && len(tones) > 0 {
		o.first = drives.NewFirst(info, tones)
	}
	cfg := multitone.Config{SampleRate: info.SampleRate, Channels: info.Channels, Tones: tones}
	if info.Int16 {
		cfg.CountVolts = info.Scale
	}
	if len(tones) > 0 {
		if o.foreign, err = multitone.NewForeign(cfg); err != nil {
			o.foreign = nil // measuring the tones says what is wrong with them
		}
	}
	if o.mains.Expect(info.Samples); o.foreign != nil {
		o.foreign.Expect(info.Samples)
	}
	return o, nil
}

// search looks for lines in what has been seen so far, beside tones of the
// frequencies that the clock tells.
func (o *Observer) search(track *clock.Track) lines {
	var hz []float64
	if o.foreign != nil {
		hz = track.Hz(0, o.foreign.Seconds())
	}
	return searched(o.mains, o.foreign, hz, o.tracked)
}

func searched(mains *multitone.Mains, foreign *multitone.Foreign, hz []float64, tracked bool) (found lines) {
	found.MainsHz, found.MainsSigmaHz, found.Lines = mains.Lines()
	if foreign != nil {
		found.foreign = foreign.Lines(hz, tracked)
	}
	return found
}

// full tells that the first seconds are seen.
func (o *Observer) full() bool { return o.mains.Full() && (o.foreign == nil || o.foreign.Full()) }

// Write takes the next block.
func (o *Observer) Write(b *Block) error {
	collects := !o.mains.Full()
	x := o.volts.volts(b, func(c int) bool { return collects || o.tracker.Follows(c) })
	o.mains.Write(x)
	if err := o.writeForeign(b, x); err != nil {
		return err
	}
	if o.first != nil {
		o.first.Write(x)
	}
	o.seen = b.First + int64(len(x[0]))
	if err := o.tracker.Write(x); err != nil {
		return err
	}
	if o.finder != nil {
		o.look()
		return nil
	}
	if o.full() && !o.started {
		track, err := o.tracker.Track()
		if err != nil { // no reference carries its tone: Survey says so
			return nil
		}
		o.started = true
		o.find = sync.OnceValue(func() lines { return o.search(track) })
		go o.find()
	}
	return nil
}

func (o *Observer) writeForeign(b *Block, x [][]float64) error {
	switch {
	case o.foreign == nil:
		return nil
	case b.Counts != nil:
		return o.foreign.WriteInt16(b.Counts)
	}
	return o.foreign.Write(x)
}

// Close waits for what runs beside the work.
func (o *Observer) Close() {
	if o.started {
		o.find()
	}
}

// Survey is what the samples so far show. Of a live stream the next one overwrites it.
func (o *Observer) Survey() (*Survey, error) {
	if o.finder != nil {
		return o.current()
	}
	track, err := o.tracker.Track()
	return o.survey(track, err)
}

// Finish ends the observation with what the whole stream shows.
func (o *Observer) Finish() (*Survey, error) {
	track, err := o.tracker.Finish()
	o.searched = 0 // with all there is
	return o.survey(track, err)
}

func (o *Observer) survey(track *clock.Track, err error) (*Survey, error) {
	if err != nil {
		return nil, o.undriven(fmt.Errorf("%s: %w", o.info.Name, err))
	}
	switch seen := o.mains.Values(); {
	case o.started:
		o.found = o.find()
	case o.searched == 0 || seen >= 2*o.searched: // of a stream, as its beginning grows
		o.found, o.searched = o.search(track), max(seen, 1)
	}
	o.noteSlips(track)
	s := &Survey{Mains: o.found.Mains, Foreign: o.found.foreign, Track: track, Monitor: o.monitor, tones: o.tones, info: o.info, seen: float64(o.seen) / o.info.SampleRate}
	for _, hz := range s.Hz() {
		s.shares = append(s.shares, s.share(hz))
	}
	return s, nil
}

// undriven adds to the error that no drive is there what was found on the channels that
// should have them.
func (o *Observer) undriven(err error) error {
	if !errors.Is(err, clock.ErrNoReference) || o.first == nil {
		return err
	}
	return fmt.Errorf("%w: %s", err, o.first.Undriven())
}

func (o *Observer) noteSlips(track *clock.Track) {
	for _, slip := range track.Slips[min(o.slips, len(track.Slips)):] {
		o.monitor.Slip(slip.Start, slip.Stop)
	}
	o.slips = max(o.slips, len(track.Slips))
}

// Observe reads a source to its end.
func Observe(ctx context.Context, src Source, tones []multitone.Tone, mode clock.Mode, progress Progress) (*Survey, error) {
	return observe(ctx, src, tones, mode, nil, progress)
}

func observe(ctx context.Context, src Source, tones []multitone.Tone, mode clock.Mode, first *drives.First, progress Progress) (*Survey, error) {
	o, err := NewObserver(src, tones, mode)
	if err != nil {
		return nil, err
	}
	defer o.Close()
	if first != nil {
		o.first = first
	}
	err = Blocks(ctx, src, o.info.Int16, func(b *Block) error {
		progress.Report("survey", b.First, o.info.Samples)
		return o.Write(b)
	})
	if err != nil {
		return nil, err
	}
	return o.Finish()
}

// ObserveDriven is Observe for a recording whose drives are digitised, and reads once
// more where tones are not on their channels: these say nothing of the clock. volts are
// what the drives' amplitudes should be, by tone; 0: not known.
func ObserveDriven(ctx context.Context, src Source, tones []multitone.Tone, volts []float64, mode clock.Mode, progress Progress) (*Survey, error) {
	first := drives.NewFirst(src.Info(), tones)
	s, err := observe(ctx, src, tones, mode, first, progress)
	if err != nil {
		return nil, err
	}
	found := first.Compare(volts)
	if slices.Contains(found.Absent, true) && slices.Contains(found.Absent, false) {
		sound := slices.Clone(tones)
		for k, absent := range found.Absent {
			if absent {
				sound[k].Reference = multitone.Reference{}
			}
		}
		if s, err = Observe(ctx, src, sound, mode, progress); err != nil {
			return nil, err
		}
		s.tones = tones
	}
	s.drives = found
	return s, nil
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
	if s.Absent(tone) {
		return true
	}
	for _, l := range s.Track.Lost {
		if l.Tone == tone && l.Start < stop && start < l.Stop {
			return true
		}
	}
	return false
}

// Absent tells whether a tone was not found on the channel of its drive.
func (s *Survey) Absent(tone int) bool { return s.drives.Absent != nil && s.drives.Absent[tone] }
