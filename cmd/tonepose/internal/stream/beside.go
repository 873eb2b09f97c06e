package stream

// What takes long is done beside the measuring of a live stream. What comes of it counts
// from a sample on that is known when it begins, whenever it ends: the same stream gives
// the same frames.

// assistant does such work, one task after the other, on a goroutine of its own.
type assistant struct {
	work  chan func()
	ended chan struct{}
}

func newAssistant() *assistant {
	a := &assistant{work: make(chan func(), 1), ended: make(chan struct{})}
	go func() {
		defer close(a.ended)
		for do := range a.work {
			do()
		}
	}()
	return a
}

// close returns when all work has ended.
func (a *assistant) close() {
	close(a.work)
	<-a.ended
}

// task is work of which the outcome counts from sample due on.
type task[T any] struct {
	due     int64
	outcome chan T
}

// beside has the assistant do some work.
func beside[T any](a *assistant, due int64, do func() T) *task[T] {
	t := &task[T]{due: due, outcome: make(chan T, 1)}
	a.work <- func() { t.outcome <- do() }
	return t
}

// wait is the outcome, once there is one.
func (t *task[T]) wait() T { return <-t.outcome }
