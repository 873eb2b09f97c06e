package recording

import (
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"strings"
	"sync"
)

// Hashing computes the SHA-256 of a recording, and compares its SHA-512 with the one that its metadata state.
type Hashing struct {
	reader *Reader
	sum    background
}

// Hash starts to hash the recording on a goroutine of its own. End it with Stop. Who calls it need not wait for the
// SHA-512 at the end of a pass: Wait does that.
func (r *Reader) Hash(ctx context.Context) *Hashing {
	r.hashed = true
	return &Hashing{r, inBackground(ctx, func(ctx context.Context) (string, error) { return r.SHA256(ctx) })}
}

// Wait returns the SHA-256 in hexadecimal when it is done; an error that is ErrHash if the SHA-512 is not the stated one.
func (h *Hashing) Wait() (string, error) {
	if err := h.reader.Verify(); err != nil {
		return "", err
	}
	return h.sum.wait()
}

// Stop ends the hashing, finished or not.
func (h *Hashing) Stop() { h.sum.stop() }

// SHA256 of the data file, in hexadecimal, for the provenance of results. It reads the file by itself and may run
// beside a pass on another goroutine.
func (r *Reader) SHA256(ctx context.Context) (string, error) {
	sum, err := digest(sha256.New(), interruptible{ctx, r.file}, 0, r.info.SizeBytes)
	if err != nil {
		return "", fmt.Errorf("%s: %w", r.info.Name, err)
	}
	return sum, nil
}

// Verify waits until the SHA-512 of the data is known, and returns an error that is ErrHash if it is not the one that
// the metadata state; nil where they state none.
func (r *Reader) Verify() error {
	if r.check == nil {
		return nil
	}
	_, err := r.check.wait()
	return err
}

// stated is the SHA-512 that metadata state of a stretch of the file.
type stated struct {
	sum          string
	offset, size int64
	meta, data   string // for messages
}

// verify starts to compare the data with what is stated of them.
func (r *Reader) verify(ctx context.Context, s *stated) {
	check := inBackground(ctx, func(ctx context.Context) (string, error) {
		found, err := digest(sha512.New(), interruptible{ctx, r.file}, s.offset, s.size)
		if err != nil {
			return "", fmt.Errorf("%s: %w", s.data, err)
		}
		if !strings.EqualFold(found, s.sum) {
			return "", fmt.Errorf("%s: %w: found %.12s…, %s states %.12s…; the data are not the ones described: fetch them "+
				"again, or ignore the hash", s.data, ErrHash, found, s.meta, s.sum)
		}
		return found, nil
	})
	r.check = &check
}

// digest is the hash of size bytes of f, in hexadecimal.
func digest(h hash.Hash, f io.ReaderAt, offset, size int64) (string, error) {
	n, err := io.CopyBuffer(h, io.NewSectionReader(f, offset, size), make([]byte, blockBytes))
	if err == nil && n < size {
		err = io.ErrUnexpectedEOF
	}
	return hex.EncodeToString(h.Sum(nil)), err
}

// background is work on a goroutine of its own.
type background struct {
	cancel context.CancelFunc
	wait   func() (string, error)
}

func inBackground(ctx context.Context, work func(context.Context) (string, error)) background {
	ctx, cancel := context.WithCancel(ctx)
	b := background{cancel, sync.OnceValues(func() (string, error) { return work(ctx) })}
	go b.wait()
	return b
}

// stop ends it, finished or not.
func (b *background) stop() {
	b.cancel()
	b.wait()
}
