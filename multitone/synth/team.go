package synth

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// team does like tasks side by side, on as many goroutines as there are processors. It
// does not allocate, and leaves no goroutine behind.
type team struct {
	task    func(i int) error
	help    func()
	next    atomic.Int64 // task to be begun
	total   int64
	helpers sync.WaitGroup
	mu      sync.Mutex
	failed  int64 // first task that did
	err     error
}

func newTeam(task func(i int) error) *team {
	t := &team{task: task}
	t.help = func() { t.work(); t.helpers.Done() }
	return t
}

// run does tasks 0 to n−1 and returns the error of the first that failed.
func (t *team) run(n int) error {
	t.next.Store(0)
	t.total, t.failed, t.err = int64(n), int64(n), nil
	for range min(runtime.GOMAXPROCS(0), n) - 1 {
		t.helpers.Add(1)
		go t.help()
	}
	t.work()
	t.helpers.Wait()
	return t.err
}

func (t *team) work() {
	for i := t.next.Add(1) - 1; i < t.total; i = t.next.Add(1) - 1 {
		if err := t.task(int(i)); err != nil {
			t.mu.Lock()
			if i < t.failed {
				t.failed, t.err = i, err
			}
			t.mu.Unlock()
		}
	}
}
