package recording

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"sync"
)

// Hashing computes the SHA-256 of a recording.
type Hashing struct {
	cancel context.CancelFunc
	sum    func() (string, error)
}

// Hash starts to hash the recording on a goroutine of its own. End it with Stop.
func (r *Reader) Hash(ctx context.Context) *Hashing {
	ctx, cancel := context.WithCancel(ctx)
	h := &Hashing{cancel, sync.OnceValues(func() (string, error) { return r.SHA256(ctx) })}
	go h.sum()
	return h
}

// Wait returns the hash in hexadecimal when it is done.
func (h *Hashing) Wait() (string, error) { return h.sum() }

// Stop ends the hashing, finished or not.
func (h *Hashing) Stop() {
	h.cancel()
	h.sum()
}

// SHA256 of the data file, in hexadecimal, for the provenance of results. It reads the file once more by itself and may
// run beside a pass on another goroutine.
func (r *Reader) SHA256(ctx context.Context) (string, error) {
	sum, err := digest(sha256.New(), interruptible{ctx, r.file}, r.info.SizeBytes)
	if err != nil {
		return "", fmt.Errorf("%s: %w", r.info.Name, err)
	}
	return sum, nil
}

// digest is the hash of the first size bytes of f, in hexadecimal.
func digest(h hash.Hash, f io.ReaderAt, size int64) (string, error) {
	n, err := io.CopyBuffer(h, io.NewSectionReader(f, 0, size), make([]byte, blockBytes))
	if err == nil && n < size {
		err = io.ErrUnexpectedEOF
	}
	return hex.EncodeToString(h.Sum(nil)), err
}
