package recording

import (
	"context"
	"runtime"
	"sync"
)

// Hashing is the SHA-256 of a recording in the making.
type Hashing struct {
	cancel context.CancelFunc
	sum    func() (string, error)
}

// Hash starts to hash the recording beside all else, or within the next pass
// where there is only one processor. End it with Stop.
func (r *Reader) Hash(ctx context.Context) *Hashing {
	ctx, cancel := context.WithCancel(ctx)
	h := &Hashing{cancel, sync.OnceValues(func() (string, error) { return r.SHA256(ctx) })}
	if runtime.GOMAXPROCS(0) == 1 {
		r.HashReads()
	} else {
		go h.sum()
	}
	return h
}

// Wait returns the hash in hexadecimal once it is there.
func (h *Hashing) Wait() (string, error) { return h.sum() }

// Stop ends the hashing, finished or not.
func (h *Hashing) Stop() {
	h.cancel()
	h.sum()
}
