package stream

import "fmt"

// What a live stream holds beside its tones is found from stretches of it: of the first
// one again and again as it grows, then of the last seconds, every linesEvery. A search
// runs beside the work; what it has found counts from a sample on.

const linesEvery = 8.0 // [s]

// searchedAfter is how much of the first stretch is searched [s]; of others all. Lines that
// are no mains are found at capture and in whole stretches: shorter ones see what changes.
var searchedAfter = [...]float64{0.5, 1, 2, foreignSeconds}

// counts is how long a search of so much of a stream may take before it is waited for [s].
func counts(stretch float64) float64 { return max(0.1, stretch/4) }

// finder searches, one stretch after the other.
type finder struct {
	assistant *assistant
	begun     int64        // first sample of the stretch at hand
	next      int          // of searchedAfter
	search    *task[lines] // that runs; nil: none does
}

// look takes in what was found if it counts by now, and begins the next search if it is
// time for it.
func (o *Observer) look() {
	f := o.finder
	if f.search != nil && o.seen >= f.search.due {
		o.takeIn()
	}
	if f.search != nil || o.track == nil {
		return
	}
	stretch := float64(o.seen-f.begun) / o.info.SampleRate
	last := len(searchedAfter) - 1
	switch {
	case f.next > last && stretch >= linesEvery:
		o.anew(o.seen)
	case f.next == last && o.full(), f.next < last && stretch >= searchedAfter[f.next]:
		due := o.seen + int64(counts(searchedAfter[f.next])*o.info.SampleRate)
		f.next++
		mains, known := o.mains.Snapshot(), o.found.foreign
		if f.next <= last || o.foreign == nil {
			f.search = beside(f.assistant, due, func() lines {
				found := searched(mains, nil, nil, false)
				found.foreign = known
				return found
			})
			return
		}
		foreign, tracked, from := o.foreign.Snapshot(), o.tracked, float64(f.begun)/o.info.SampleRate
		hz := o.track.Hz(from, from+foreign.Seconds())
		f.search = beside(f.assistant, due, func() lines { return searched(mains, foreign, hz, tracked) })
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
	o.found, o.finder.search, o.fresh = o.finder.search.wait(), nil, true
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
