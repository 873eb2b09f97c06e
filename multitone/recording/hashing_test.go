package recording

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"errors"
	"fmt"
	"io"
	"sync/atomic"
	"testing"
)

// countedFile counts the bytes that are read of it.
type countedFile struct {
	io.ReaderAt
	read atomic.Int64
}

func (f *countedFile) ReadAt(b []byte, at int64) (int, error) {
	n, err := f.ReaderAt.ReadAt(b, at)
	f.read.Add(int64(n))
	return n, err
}

func someBytes(n int) []byte {
	data := make([]byte, n)
	for i := range data {
		data[i] = byte(i*i>>7 + i)
	}
	return data
}

// The sum of the whole and that of a stretch of it come from one reading.
func TestHashesShareAReading(t *testing.T) {
	data := someBytes(7*blockBytes + 12)
	const from, size = blockBytes + 3, 4*blockBytes + 1
	f := &countedFile{ReaderAt: bytes.NewReader(data)}
	h := newHashing(t.Context(), f, int64(len(data)), &stated{offset: from, size: size, sum: fmt.Sprintf("%x", sha512.Sum512(data[from:from+size]))})
	defer h.close()
	h.begin(true)
	r := &Reader{hashing: h}
	if got, err := r.SHA256(); err != nil || got != fmt.Sprintf("%x", sha256.Sum256(data)) {
		t.Errorf("%s, %v", got, err)
	}
	if err := r.Verify(); err != nil {
		t.Error(err)
	}
	if n := f.read.Load(); n != int64(len(data)) {
		t.Errorf("%d bytes read of %d", n, len(data))
	}
}

// Asked for one after the other, each has a reading of its own.
func TestHashesAskedForLate(t *testing.T) {
	data := someBytes(3*blockBytes + 5)
	r := &Reader{hashing: newHashing(t.Context(), bytes.NewReader(data), int64(len(data)), &stated{size: 1, sum: "00"})}
	defer r.hashing.close()
	if err := r.Verify(); !errors.Is(err, ErrHash) {
		t.Errorf("%v, expected ErrHash", err)
	}
	if _, err := r.SHA256(); !errors.Is(err, ErrHash) {
		t.Errorf("%v, expected ErrHash", err)
	}
}

// What ends early, or is ended, has no sum.
func TestHashesOfAnUnfinishedReading(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for want, h := range map[error]*hashing{
		io.ErrUnexpectedEOF: newHashing(t.Context(), bytes.NewReader(someBytes(9)), 10, nil),
		context.Canceled:    newHashing(ctx, bytes.NewReader(someBytes(9)), 9, nil),
	} {
		if _, err := (&Reader{hashing: h}).SHA256(); !errors.Is(err, want) {
			t.Errorf("%v, expected %v", err, want)
		}
		h.close()
	}
}
