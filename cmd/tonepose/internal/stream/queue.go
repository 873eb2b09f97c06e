package stream

import "tonepose/multitone"

// queue lets frames be used, in order, beside the measuring of the next.
type queue struct {
	free, full chan *waiting
	failed     chan struct{} // closed when use has failed
	done       chan struct{}
	err        error // of use; valid when failed or done is closed
}

// waiting is a frame with what was known of the stream when it was measured.
type waiting struct {
	frame  multitone.Frame
	survey *Survey
}

// phasorsAhead is how many phasors may wait in frames: enough to go on measuring
// while a page of a table is compressed, in some 2 MB.
const phasorsAhead = 48 << 10

// newQueue lets frames of so many phasors wait for use.
func newQueue(phasors int, use func(*multitone.Frame, *Survey) error) *queue {
	ahead := min(max(phasorsAhead/max(phasors, 1), 8), 512)
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
				if q.err = use(&w.frame, w.survey); q.err != nil {
					close(q.failed)
				}
			}
			q.free <- w
		}
	}()
	return q
}

// emit hands over a copy of f; after use has failed it returns that error.
func (q *queue) emit(f *multitone.Frame, s *Survey) error {
	select {
	case <-q.failed:
		return q.err
	case w := <-q.free:
		f.CopyTo(&w.frame)
		w.survey = s
		q.full <- w // never blocks
		return nil
	}
}

// wait ends the goroutine and returns the error of use.
func (q *queue) wait() error {
	close(q.full)
	<-q.done
	return q.err
}
