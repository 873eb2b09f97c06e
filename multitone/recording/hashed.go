package recording

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
)

// hashed is a file whose bytes can be hashed while they are read in their order.
type hashed struct {
	file
	sum  hash.Hash // nil: not wanted
	next int64     // the bytes before it are in the sum
}

// ReadAt hashes what continues the bytes hashed so far, headers left out by the
// caller included. What lies farther ahead is left for later.
func (h *hashed) ReadAt(b []byte, at int64) (int, error) {
	n, err := h.file.ReadAt(b, at)
	if h.sum == nil || at+int64(n) <= h.next || at > h.next+blockBytes {
		return n, err
	}
	if skipped := at - h.next; skipped > 0 {
		if err := h.hash(make([]byte, skipped)); err != nil {
			return n, err
		}
	}
	h.sum.Write(b[h.next-at : n])
	h.next = at + int64(n)
	return n, err
}

// hash reads the next bytes into b and hashes them.
func (h *hashed) hash(b []byte) error {
	if err := readAt(h.file, b, h.next); err != nil {
		return err
	}
	h.sum.Write(b)
	h.next += int64(len(b))
	return nil
}

// HashReads lets the next pass hash what it reads, so that SHA256 has less to
// read, or nothing: the cheapest way where no processor is free to hash beside
// the pass.
func (r *Reader) HashReads() { r.file.sum, r.file.next = sha256.New(), 0 }

// SHA256 of the data file, in hexadecimal, for the provenance of results. It
// reads the file once more by itself and may run beside a pass on another
// goroutine; after HashReads it reads what no pass has read, and may not.
func (r *Reader) SHA256(ctx context.Context) (string, error) {
	h := r.file
	if h.sum == nil {
		h = &hashed{file: r.file.file, sum: sha256.New()}
	}
	buf := make([]byte, blockBytes)
	for h.next < r.info.SizeBytes {
		if err := ctx.Err(); err != nil {
			return "", err
		}
		if err := h.hash(buf[:min(int64(len(buf)), r.info.SizeBytes-h.next)]); err != nil {
			return "", fmt.Errorf("%s: %w", r.info.Name, err)
		}
	}
	return hex.EncodeToString(h.sum.Sum(nil)), nil
}
