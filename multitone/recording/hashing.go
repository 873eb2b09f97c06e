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

// hashing computes the hashes of a recording on goroutines of their own, all from one reading of the file beside the
// passes over its samples.
type hashing struct {
	file   io.ReaderAt // ends with the context
	cancel context.CancelFunc
	mu     sync.Mutex
	sha256 digest  // of the whole file
	sha512 *digest // of the stretch that stated is about; nil: nothing is stated
	passed *digest // of the samples, to be compared with what passes read; nil: it can't be
	stated *stated
}

// stated is the SHA-512 that metadata state of a stretch of the file.
type stated struct {
	sum          string
	offset, size int64
	meta, data   string // for messages
}

func newHashing(ctx context.Context, f io.ReaderAt, size int64, s *stated) *hashing {
	ctx, cancel := context.WithCancel(ctx)
	h := &hashing{file: interruptible{ctx, f}, cancel: cancel, stated: s, sha256: digest{hash: sha256.New(), stop: size}}
	if s != nil {
		h.sha512 = &digest{hash: sha512.New(), start: s.offset, stop: s.offset + s.size}
	}
	return h
}

// begin starts the SHA-512 where one is stated, and the SHA-256 if asked for, unless they are under way.
func (h *hashing) begin(all bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []*digest
	if d := h.sha512; d != nil && d.done == nil {
		list = append(list, d)
	}
	for _, d := range []*digest{&h.sha256, h.passed} {
		if all && d != nil && d.done == nil {
			list = append(list, d)
		}
	}
	for _, d := range list {
		d.done, d.blocks = make(chan struct{}), make(chan *hashed, hashedAhead)
		go d.run()
	}
	if list != nil {
		go h.read(list)
	}
}

// hashedAhead is how many blocks the file is read ahead of the slowest hash.
const hashedAhead = 3

// hashed is a block of the file; it is read anew when all are done with it.
type hashed struct {
	bytes []byte
	at    int64
	users sync.WaitGroup
}

// read hands the file to digests, block by block.
func (h *hashing) read(list []*digest) {
	ring := make([]hashed, hashedAhead)
	at, stop := list[0].start, list[0].stop
	for _, d := range list {
		at, stop = min(at, d.start), max(stop, d.stop)
	}
	var err error
	for i := 0; at < stop && err == nil; i++ {
		b := &ring[i%len(ring)]
		b.users.Wait()
		if b.bytes == nil {
			b.bytes = make([]byte, blockBytes)
		}
		b.at, b.bytes = at, b.bytes[:min(blockBytes, stop-at)]
		if err = readAt(h.file, b.bytes, at); err != nil {
			break
		}
		b.users.Add(len(list))
		for _, d := range list {
			d.blocks <- b
		}
		at += int64(len(b.bytes))
	}
	for _, d := range list {
		d.err = err
		close(d.blocks)
	}
}

// digest is the hash of a stretch of the file.
type digest struct {
	hash        hash.Hash
	start, stop int64
	blocks      chan *hashed
	done        chan struct{} // closed at the end; nil before it has begun
	sum         string        // in hexadecimal
	err         error         // of reading
}

func (d *digest) run() {
	for b := range d.blocks {
		from, to := max(d.start-b.at, 0), min(d.stop-b.at, int64(len(b.bytes)))
		if from < to {
			d.hash.Write(b.bytes[from:to])
		}
		b.users.Done()
	}
	d.sum = hex.EncodeToString(d.hash.Sum(nil))
	close(d.done)
}

// close ends what is under way.
func (h *hashing) close() {
	h.cancel()
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, d := range []*digest{&h.sha256, h.sha512, h.passed} {
		if d != nil && d.done != nil {
			<-d.done
		}
	}
}

// Hash starts to hash the recording for SHA256, in the same reading as what Verify needs if it is called before the
// first sample is read. Who calls it need not wait for Verify at the end of a pass: SHA256 does that.
func (r *Reader) Hash() {
	r.hashed = true
	r.hashing.begin(true)
}

// SHA256 waits for that of the data file, in hexadecimal, for the provenance of results; an error that is ErrHash if
// the SHA-512 is not the stated one, or ErrChanged if this is not the hash of what passes read. It may be called beside
// a pass on another goroutine.
func (r *Reader) SHA256() (string, error) {
	r.hashing.begin(true)
	if err := r.Verify(); err != nil {
		return "", err
	}
	d := &r.hashing.sha256
	if <-d.done; d.err != nil {
		return "", fmt.Errorf("%s: %w", r.info.Name, d.err)
	}
	if err := r.Unchanged(); err != nil {
		return "", err
	}
	return d.sum, nil
}

// Verify waits until the SHA-512 of the data is known, and returns an error that is ErrHash if it is not the one that
// the metadata state; nil where they state none.
func (r *Reader) Verify() error {
	d, s := r.hashing.sha512, r.hashing.stated
	if d == nil {
		return nil
	}
	r.hashing.begin(false)
	if <-d.done; d.err != nil {
		return fmt.Errorf("%s: %w", s.data, d.err)
	}
	if !strings.EqualFold(d.sum, s.sum) {
		return fmt.Errorf("%s: %w: found %.12s…, %s states %.12s…; the data are not the ones described: fetch them "+
			"again, or ignore the hash", s.data, ErrHash, d.sum, s.meta, s.sum)
	}
	return nil
}
