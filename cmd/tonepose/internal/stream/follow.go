package stream

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// captureSeconds is how much of a stream the clock and the mains are found from
// before the first frame, unless a window is longer.
const captureSeconds = 0.2

// memorySeconds is how far back the clock's course and the faults are kept.
const memorySeconds = 10

// Follow measures a source as it comes: each frame with what has been seen of the
// clock, of lines beside the tones and of faults by then. The first frames wait until the
// clock is captured; so do those after a break of time. A source that does not wait is
// skipped in part where measuring does not keep up. Frames depend on the samples alone,
// unless some were skipped.
func Follow(ctx context.Context, src Source, mode clock.Mode, m Measurement, use func(*Measured) error, progress Progress) (*Survey, *Averaging, error) {
	info := src.Info()
	if m.Windows.LowPass == nil && m.Windows.Length == 0 && m.Windows.Intervals == nil {
		return nil, nil, fmt.Errorf("%s: a stream has no end that could be waited for: give windows, intervals or a low-pass", info.Name)
	}
	if _, live := src.(Live); live && info.Samples == 0 {
		info.Samples = -1 // not known
	}
	if m.Windows.Hop == 0 {
		m.Windows.Hop = m.Windows.Length
	}
	hop := m.Windows.Hop
	if m.Windows.LowPass != nil {
		var err error
		if hop, err = m.Windows.LowPass.Interval(info.SampleRate); err != nil {
			return nil, nil, err
		}
	}
	cadence := newCadence(info, &m.Windows)
	ring := newRing(src, info.Int16 && m.Windows.Successive(), cadence)
	f := &follower{info: info, block: int(cadence.longest()), hop: int64(math.Round(hop * info.SampleRate)), mode: mode, m: &m, assistant: newAssistant(), ring: ring}
	defer f.assistant.close()
	if err := f.open(0); err != nil {
		return nil, nil, err
	}
	f.queue = liveQueue(hop, &m, use)
	err := ring.follow(ctx, func(b *filled) error {
		progress.Report("measure", b.First, info.Samples)
		return f.write(b)
	})
	if err == nil && f.meter == nil && (f.averaging == nil || len(f.held) > 0) {
		// A stream that ended while the clock was captured.
		if err = f.begin(); f.averaging != nil {
			err = nil
		}
	}
	if err == nil && f.meter != nil {
		err = f.meter.close()
	}
	if failed := f.queue.wait(); failed != nil {
		err = failed
	}
	if f.averaging == nil {
		return nil, nil, err
	}
	f.survey.Skipped = 0
	last := ring.at - f.base // behind f.next where the end was skipped
	if whole := last - int64(math.Round(m.Windows.Length*info.SampleRate)) + 1; err == nil && m.Windows.Length > 0 && !f.undriven {
		f.survey.Skipped = f.unmeasured(whole)
	}
	return f.survey, f.averaging, err
}

// follower is the state of Follow. From one break of time to the next lasts a session,
// with a clock, faults and a numbering of samples of its own.
type follower struct {
	info      recording.Info
	block     int   // samples
	hop       int64 // samples from one frame to the next; 0: not known
	mode      clock.Mode
	m         *Measurement
	assistant *assistant
	ring      *ring
	queue     *queue
	observer  *Observer
	base      int64   // first sample of the session
	next      int64   // the sample to come, in the session's numbering
	held      []Block // until the clock is captured
	meter     *meter  // nil until then
	undriven  bool    // no drive is there to capture a clock from
	skipped   int     // windows before the session that no frame has told of
	strides   strides // of the clock

	survey    *Survey    // of the last session that was measured
	averaging *Averaging // alike
}

// open begins a session at a sample.
func (f *follower) open(at int64) (err error) {
	if f.meter != nil {
		if err := f.meter.close(); err != nil {
			return err
		}
	}
	if at > f.base+f.next { // samples were skipped, and with them what was held
		f.skipped = f.unmeasured(at - f.base)
	} else if f.meter != nil {
		f.skipped = f.meter.skipped
	}
	f.base, f.next, f.held, f.meter, f.strides = at, 0, nil, nil, strides{}
	f.ring.capturing.Store(true)
	info := f.info
	if at > 0 {
		info.Captures = nil
	}
	if f.observer, err = newObserver(info, f.m.Tones, f.mode); err == nil {
		f.observer.finder = &finder{assistant: f.assistant}
		f.observer.monitor.InBlocks()
		if f.m.Volts != nil {
			f.observer.tracker.Expect(f.m.Volts)
		}
	}
	return err
}

// unmeasured is how many windows were skipped since the last frame, where those of the
// session that begin before a sample are not to be measured any more.
func (f *follower) unmeasured(before int64) int {
	n, from := f.skipped, int64(0)
	if f.meter != nil {
		n, from = f.meter.skipped, f.meter.following
	}
	if f.hop > 0 && before > from {
		n += int((before - from + f.hop - 1) / f.hop)
	}
	return n
}

func (f *follower) write(b *filled) error {
	missed := b.First - f.base - f.next
	switch {
	case b.Reset && f.next+f.base > 0:
		if err := f.say(f.next, "time broke: the clock is captured again"); err != nil {
			return err
		}
		fallthrough
	case missed > 0 && f.meter == nil:
		if err := f.open(b.First); err != nil {
			return err
		}
	case missed > 0:
		if err := f.observer.skip(f.next + missed); err != nil {
			return err
		}
		if err := f.meter.skip(f.next, f.next+missed, f.survey); err != nil {
			return err
		}
	}
	b.First -= f.base
	f.next = b.First + int64(b.n)
	f.mark(b)
	if err := f.observer.Write(&b.Block); err != nil {
		return err
	}
	rate := f.info.SampleRate
	seen := float64(f.next) / rate
	if f.meter == nil {
		f.held = append(f.held, b.clone())
		if seen < max(captureSeconds, f.m.Windows.Length) {
			return nil
		}
		err := f.begin()
		if errors.Is(err, clock.ErrNoReference) {
			if err = nil; !f.undriven {
				f.undriven = true
				err = f.say(f.next, f.observer.first.Undriven()+"; frames wait for it")
			}
			if err == nil {
				err = f.open(f.base + f.next)
			}
		}
		return err
	}
	if f.observer.fresh || seen >= f.survey.seen+streamSeconds {
		f.observer.tracker.Forget(seen - memorySeconds)
		f.observer.monitor.Forget(int64((seen - memorySeconds) * rate))
		fresh := f.observer.fresh
		// A drive that is off for the moment leaves the last frequencies standing.
		if survey, err := f.observer.Survey(); err == nil {
			f.survey = survey
			if f.strides.jumped(survey.Track, f.m.Tones, seen) {
				if err := f.say(b.First, "the clock jumped: it is captured again"); err != nil {
					return err
				}
				b.First += f.base
				if err := f.open(b.First); err != nil {
					return err
				}
				b.Reset = false
				return f.write(b)
			}
			if fresh {
				if err := f.meter.prepare(survey, f.assistant, f.next); err != nil {
					return err
				}
			}
		}
	}
	if r := f.meter.renewing; r != nil && f.next >= r.due {
		if err := f.meter.renew(); err != nil {
			return err
		}
	}
	f.meter.arrived = b.Arrived
	return f.meter.write(&b.Block, f.survey)
}

// say hands over a note on a sample of the session.
func (f *follower) say(at int64, text string) error {
	if f.m.Note == nil {
		return nil
	}
	w, err := f.queue.room()
	if err == nil {
		w.note = &Note{Time: float64(f.base+at) / f.info.SampleRate, Text: text}
		f.queue.full <- w
	}
	return err
}

// mark tells the Monitor of the samples that are not finite, puts the last ones that are
// in their place, and has the others checked.
func (f *follower) mark(b *filled) {
	monitor := f.observer.monitor
	for _, m := range b.marks {
		if m.Stop > f.base {
			monitor.NonFinite(m.Channel, max(0, m.Start-f.base), m.Stop-f.base)
		}
	}
	if b.Block.Counts != nil {
		monitor.Int16(b.Block.Counts, b.First)
		return
	}
	for c, x := range b.Volts {
		last := f.observer.finite[c]
		for i, v := range x {
			if v-v == 0 {
				last = v
				continue
			}
			x[i] = last
			monitor.NonFinite(c, b.First+int64(i), b.First+int64(i)+1)
		}
		f.observer.finite[c] = last
	}
	monitor.Planar(b.Volts, b.First)
}

// begin measures what has been held.
func (f *follower) begin() error {
	f.ring.capturing.Store(false)
	survey, err := f.observer.Survey()
	if err != nil {
		return f.observer.undriven(err)
	}
	meter, err := newMeter(f.observer.info, survey, f.m, nil, f.block)
	if err != nil {
		return err
	}
	f.survey, f.meter, f.averaging = survey, meter, meter.averaging
	meter.retune, meter.live, meter.base, meter.queue = streamSeconds, true, f.base, f.queue
	meter.skipped, f.skipped = f.skipped, 0
	if f.undriven {
		f.undriven = false
		if err := f.say(0, "a drive is there: the clock is captured"); err != nil {
			return err
		}
	}
	if c, ok := meter.frames.(*multitone.Continuous); ok {
		ahead, err := newScreen(meter.info, meter.cfg, meter.screen.stretch)
		if err != nil {
			return err
		}
		for i := range f.held {
			measureNoise(c, ahead.clean(&f.held[i], survey.Monitor))
		}
	}
	for i := range f.held {
		meter.arrived = f.held[i].Arrived
		if err := meter.write(&f.held[i], survey); err != nil {
			return err
		}
	}
	f.held = nil
	return nil
}

// clone is a copy in memory of its own.
func (b *Block) clone() Block {
	c := Block{First: b.First, Counts: slices.Clone(b.Counts), Arrived: b.Arrived}
	for _, x := range b.Volts {
		c.Volts = append(c.Volts, slices.Clone(x))
	}
	return c
}
