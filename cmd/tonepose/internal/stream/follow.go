package stream

import (
	"context"
	"fmt"
	"slices"

	"tonepose/multitone"
	"tonepose/multitone/clock"
)

// captureSeconds is how much of a stream the clock and the mains are found from
// before the first frame, unless a window is longer.
const captureSeconds = 0.2

// memorySeconds is how far back the clock's course is kept.
const memorySeconds = 10

// Follow measures a source as it comes: each frame with what has been seen of the
// clock and of faults by then. The first frames wait until the clock is captured.
func Follow(ctx context.Context, src Source, mode clock.Mode, m Measurement, use func(*Measured) error, progress Progress) (*Survey, *Averaging, error) {
	observer, err := NewObserver(src, m.Tones, mode)
	if err != nil {
		return nil, nil, err
	}
	defer observer.Close()
	f := &follower{observer: observer, m: &m, use: use}
	info := src.Info()
	err = Blocks(ctx, src, info.Int16 && m.Windows.Successive(), func(b *Block) error {
		progress.Report("measure", b.First, info.Samples)
		return f.write(b)
	})
	if err == nil && f.meter == nil {
		err = f.begin() // a stream that ended while the clock was captured
	}
	if f.meter == nil {
		return nil, nil, err
	}
	return f.survey, f.meter.averaging, f.meter.end(err)
}

// follower is the state of Follow.
type follower struct {
	observer *Observer
	m        *Measurement
	use      func(*Measured) error
	held     []Block // until the clock is captured
	survey   *Survey
	meter    *meter
}

func (f *follower) write(b *Block) error {
	if err := f.observer.Write(b); err != nil {
		return err
	}
	seen := float64(f.observer.seen) / f.observer.info.SampleRate
	if f.meter == nil {
		f.held = append(f.held, b.clone())
		if seen < max(captureSeconds, f.m.Windows.Length) {
			return nil
		}
		return f.begin()
	}
	if seen >= f.survey.seen+streamSeconds {
		// A drive that is off for the moment leaves the last frequencies standing.
		if survey, err := f.observer.Survey(); err == nil {
			f.survey = survey
		}
		f.observer.tracker.Forget(seen - memorySeconds)
	}
	return f.meter.write(b, f.survey)
}

// begin measures what has been held.
func (f *follower) begin() (err error) {
	if f.survey, err = f.observer.Survey(); err != nil {
		return err
	}
	if f.m.Windows.LowPass == nil && f.m.Windows.Length == 0 && f.m.Windows.Intervals == nil {
		return fmt.Errorf("%s: a stream has no end that could be waited for: give windows, intervals or a low-pass", f.observer.info.Name)
	}
	meter, err := newMeter(f.observer.info, f.survey, f.m, f.use)
	if err != nil {
		return err
	}
	meter.retune = streamSeconds
	f.meter = meter
	if c, ok := meter.frames.(*multitone.Continuous); ok {
		ahead, err := newScreen(meter.info, meter.cfg)
		if err != nil {
			return err
		}
		for i := range f.held {
			measureNoise(c, ahead.clean(&f.held[i], f.survey.Monitor))
		}
	}
	for i := range f.held {
		if err := meter.write(&f.held[i], f.survey); err != nil {
			return err
		}
	}
	f.held = nil
	return nil
}

// clone is a copy in memory of its own.
func (b *Block) clone() Block {
	c := Block{First: b.First, Counts: slices.Clone(b.Counts)}
	for _, x := range b.Volts {
		c.Volts = append(c.Volts, slices.Clone(x))
	}
	return c
}
