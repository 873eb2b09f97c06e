package stream

import (
	"fmt"
	"math"
	"slices"

	"tonepose/multitone"
)

// What a live stream holds beside its tones is found from stretches of it: of the first
// one again and again as it grows, then of the last seconds, every linesEvery. A search
// runs beside the work. What it has found counts from a sample on that is known when it
// begins, whenever it ends: the same stream gives the same frames.

const linesEvery = 8.0 // [s]

// searchedAfter is how much of the first stretch is searched [s]; of others all. Lines that
// are no mains are found at capture and in whole stretches: shorter ones see what changes.
var searchedAfter = [...]float64{0.5, 1, 2, foreignSeconds}

// counts is how long a search of so much of a stream may take before it is waited for [s].
func counts(stretch float64) float64 { return max(0.1, stretch/4) }

// finder runs searches, one at a time, on a goroutine of its own.
type finder struct {
	jobs  chan func() lines
	done  chan lines
	begun int64 // first sample of the stretch at hand
	next  int   // of searchedAfter
	due   int64 // sample from which the search counts that runs; 0: none does
}

func newFinder() *finder {
	f := &finder{jobs: make(chan func() lines), done: make(chan lines, 1)}
	go func() {
		defer close(f.done)
		for job := range f.jobs {
			f.done <- job()
		}
	}()
	return f
}

// restart prepares for a stream that begins anew; what a search finds that runs is lost.
func (f *finder) restart() {
	if f.due > 0 {
		<-f.done
	}
	f.begun, f.next, f.due = 0, 0, 0
}

// close ends the goroutine, and returns when it has ended.
func (f *finder) close() {
	close(f.jobs)
	for range f.done {
	}
}

// look takes in what was found if it counts by now, and begins the next search if it is
// time for it.
func (o *Observer) look() {
	f := o.finder
	if f.due > 0 && o.seen >= f.due {
		o.takeIn()
	}
	if f.due > 0 || o.track == nil {
		return
	}
	stretch := float64(o.seen-f.begun) / o.info.SampleRate
	last := len(searchedAfter) - 1
	switch {
	case f.next > last && stretch >= linesEvery:
		o.anew(o.seen)
	case f.next == last && o.full(), f.next < last && stretch >= searchedAfter[f.next]:
		f.due = o.seen + int64(counts(searchedAfter[f.next])*o.info.SampleRate)
		f.next++
		mains, known := o.mains.Snapshot(), o.found.foreign
		if f.next <= last || o.foreign == nil {
			f.jobs <- func() lines {
				found := searched(mains, nil, nil, false)
				found.foreign = known
				return found
			}
			return
		}
		foreign, tracked, from := o.foreign.Snapshot(), o.tracked, float64(f.begun)/o.info.SampleRate
		hz := o.track.Hz(from, from+foreign.Seconds())
		f.jobs <- func() lines { return searched(mains, foreign, hz, tracked) }
	}
}

// current is the Survey of a live stream.
func (o *Observer) current() (*Survey, error) {
	track, err := o.tracker.Look()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.info.Name, err)
	}
	o.track = track
	o.noteSlips(track)
	s := o.kept
	if s == nil {
		o.found = o.search(track)
		o.fresh = true
		s = &Survey{Monitor: o.monitor, tones: o.tones, info: o.info}
		o.kept = s
	}
	s.Track, s.seen = track, float64(o.seen)/o.info.SampleRate
	if o.fresh {
		o.fresh = false
		s.Mains, s.Foreign, s.shares = o.found.Mains, o.found.foreign, nil
		for _, hz := range s.Hz() {
			s.shares = append(s.shares, s.share(hz))
		}
	}
	return s, nil
}

// takeIn waits for the search that runs.
func (o *Observer) takeIn() {
	o.found, o.finder.due, o.fresh = <-o.finder.done, 0, true

}

// anew begins the next stretch at a sample.
func (o *Observer) anew(at int64) {
	o.mains.Restart()
	if o.foreign != nil {
		o.foreign.Restart()
	}
	last := len(searchedAfter) - 1
	o.finder.begun, o.finder.next = at, min(o.finder.next, last)
	if o.finder.next == last { // only all of it tells more than the stretch before
		return
	}
	o.finder.next = 0
}

// skip passes over samples that were not measured, up to a number.
func (o *Observer) skip(to int64) error {
	o.seen = to
	if o.finder.due > 0 {
		o.takeIn()
	}
	o.anew(to)
	return o.tracker.Skip(to)
}

// renew takes in other lines beside the tones, where they are others. Behind a low-pass
// those found first stay.
func (v *meter) renew(s *Survey) error {
	v.survey = s
	lines := s.lines(v.m.Joint)
	if v.frames != nil {
		if _, ok := v.frames.(*multitone.Bank); !ok || v.alike(lines, s.Foreign) {
			return nil
		}
	}
	v.cfg.Lines, v.cfg.Foreign = lines, s.Foreign
	mender, err := multitone.NewMender(v.cfg, v.screen.stretch)
	if err != nil {
		return err
	}
	v.screen.mender = mender
	bank, ok := v.frames.(*multitone.Bank)
	if !ok {
		return nil
	}
	v.averaging.disturb(&v.cfg, s, &v.m.Windows, v.m.Windows.Length)
	return bank.Disturb(lines, s.Foreign)
}

// alikeTurns is by how much of a turn over a window a line may be off for its estimate to
// stand: it leaves a hundredth of it at the window's ends.
const alikeTurns = 0.003

// alike tells whether lines are those in use.
func (v *meter) alike(lines []float64, foreign []multitone.Line) bool {
	near := func(a, b float64) bool { return math.Abs(a-b)*v.length < alikeTurns }
	return slices.EqualFunc(lines, v.cfg.Lines, near) && slices.EqualFunc(foreign, v.cfg.Foreign, func(a, b multitone.Line) bool {
		if !near(a.Hz, b.Hz) {
			return false
		}
		for c := range a.Power { // half as much again, where it matters
			low, high := min(a.Power[c], b.Power[c]), max(a.Power[c], b.Power[c])
			if high > 1.5*low && high > a.Noise[c]/(v.length*v.info.SampleRate) {
				return false
			}
		}
		return true
	})
}

// place says where in the stream a frame lies, and what was skipped before it.
func (v *meter) place(j *Measured) {
	f := j.Frame
	j.Skipped, v.skipped = v.skipped, 0
	if _, ok := v.frames.(*multitone.Bank); ok {
		hop := int64(math.Round(v.m.Windows.Hop * v.info.SampleRate))
		j.Skipped += int((f.Start - v.following) / hop)
		v.following = f.Start + hop
	} else {
		v.following = f.Stop
	}
	j.Time += float64(v.base) / v.info.SampleRate
	f.Start, f.Stop = f.Start+v.base, f.Stop+v.base
}

// skip passes over samples that were not measured, up to a number. A low-pass and
// intervals take them in as samples without weight.
func (v *meter) skip(from, to int64, s *Survey) error {
	if bank, ok := v.frames.(*multitone.Bank); ok {
		bank.Skip(to)
		return nil
	}
	for c := range v.info.Channels {
		s.Monitor.NonFinite(c, from, to)
	}
	for size := int64(v.screen.stretch); from < to; from += size {
		b := Block{First: from}
		if n := int(min(size, to-from)); v.counts {
			b.Counts = make([]int16, n*v.info.Channels)
		} else {
			b.Volts = planes(v.info.Channels, n)
		}
		if err := v.write(&b, s); err != nil {
			return err
		}
	}
	return nil
}
