package stream

import (
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
)

// queue lets frames be used, in order, beside the measuring of the next.
type queue struct {
	free, full chan *waiting
	failed     chan struct{} // closed when use has failed
	done       chan struct{}
	err        error // of use; valid when failed or done is closed
}

// waiting is a frame with what was known of the stream when it was measured, or a note.
type waiting struct {
	frame    multitone.Frame
	survey   *Survey
	measured Measured // of a live stream: what is told of the frame already
	note     *Note
}

// phasorsAhead is how many phasors may wait in frames: enough to go on measuring
// while a page of a table is compressed, in some 2 MB.
const phasorsAhead = 48 << 10

// ahead is how many frames of so many phasors may wait.
func ahead(phasors int) int { return min(max(phasorsAhead/max(phasors, 1), 8), 512) }

// newQueue lets so many frames wait for use.
func newQueue(ahead int, use func(*waiting) error) *queue {
	q := &queue{
		free: make(chan *waiting, ahead), full: make(chan *waiting, ahead),
		failed: make(chan struct{}), done: make(chan struct{}),
	}
	for range ahead {
		q.free <- new(waiting)
	}
	go func() {
		defer close(q.done)
		for w := range q.full {
			if q.err == nil {
				if q.err = use(w); q.err != nil {
					close(q.failed)
				}
			}
			q.free <- w
		}
	}()
	return q
}

// room is one to be filled and handed over; after use has failed it returns that error.
func (q *queue) room() (*waiting, error) {
	select {
	case <-q.failed:
		return nil, q.err
	case w := <-q.free:
		w.note = nil
		return w, nil
	}
}

// emit hands over a copy of f; after use has failed it returns that error.
func (q *queue) emit(f *multitone.Frame, s *Survey) error {
	w, err := q.room()
	if err != nil {
		return err
	}
	f.CopyTo(&w.frame)
	w.survey = s
	q.full <- w // never blocks
	return nil
}

// wait ends the goroutine and returns the error of use.
func (q *queue) wait() error {
	close(q.full)
	<-q.done
	return q.err
}

// liveAhead is how long frames of a live stream may wait for use [s]: where it is slow,
// the ring before them skips.
const liveAhead = 0.05

// liveQueue is the queue of a stream whose frames follow each other by hop [s]; 0: not known.
func liveQueue(hop float64, m *Measurement, use func(*Measured) error) *queue {
	n := 8
	if hop > 0 {
		n = int(min(max(liveAhead/hop, 4), 512))
	}
	return newQueue(n, func(w *waiting) error {
		if w.note != nil {
			m.Note(*w.note)
			return nil
		}
		return use(&w.measured)
	})
}

// tell hands over a frame with what the meter has to say of it by now.
func (q *queue) tell(v *meter, f *multitone.Frame, of *span) error {
	w, err := q.room()
	if err != nil {
		return err
	}
	f.CopyTo(&w.frame)
	j := &w.measured
	if j.Channels == nil {
		j.Channels, j.Lost = make([]verdict.Flags, len(v.measured.Channels)), make([]verdict.Flags, len(v.measured.Lost))
	}
	if err := v.tell(j, &w.frame, v.survey, of); err != nil {
		return err
	}
	q.full <- w
	return nil
}

// Note is what a live stream shows beside its frames.
type Note struct {
	Time float64 // [s]
	Text string
}
