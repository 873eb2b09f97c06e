package recording

import (
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"slices"
	"sync"
)

// passes is a file that is read from one byte to another, several times. It sums what each
// such reading gave: a file that is written to meanwhile may give another each time.
type passes struct {
	file
	start, stop int64

	next int64 // byte that follows what was read; −1: not all before it was
	sum  uint32
	mu   sync.Mutex
	sums []uint32 // of whole readings, each once
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func (p *passes) ReadAt(b []byte, at int64) (int, error) {
	n, err := p.file.ReadAt(b, at)
	if at == p.start {
		p.sum, p.next = 0, at
	}
	if at != p.next {
		p.next = -1
		return n, err
	}
	b = b[:min(int64(n), max(0, p.stop-at))]
	p.sum = crc32.Update(p.sum, castagnoli, b)
	if p.next += int64(len(b)); p.next == p.stop && len(b) > 0 {
		p.mu.Lock()
		if !slices.Contains(p.sums, p.sum) {
			p.sums = append(p.sums, p.sum)
		}
		p.mu.Unlock()
	}
	return n, err
}

// stretch is where the samples are, if they are read in the order in which they lie; else
// it is empty.
func (l *layout) stretch(size int64) (start, stop int64) {
	switch {
	case l.text != nil:
		return l.text.first.offset, size
	case !l.planar && len(l.extents) == 1:
		e := l.extents[0]
		return e.offset, e.offset + e.count*l.frameBytes()
	}
	return math.MaxInt64, math.MaxInt64
}

// statted is a file that tells its size and times.
type statted interface {
	Stat() (os.FileInfo, error)
}

func stat(f file) os.FileInfo {
	if s, ok := f.(statted); ok {
		if info, err := s.Stat(); err == nil {
			return info
		}
	}
	return nil
}

// Unchanged returns an error that is ErrChanged if the recording was written to since it was
// opened: its size is another, passes over it gave other bytes than others or than its hash
// was made of, or its times are others and the bytes are, too. SHA256 asks this. Call it
// after all passes.
func (r *Reader) Unchanged() error {
	changed := func(format string, values ...any) error {
		return fmt.Errorf("%s: %w: %s; nothing that was found of it can be relied on: run again when it is complete, or on a copy", r.info.Name, ErrChanged, fmt.Sprintf(format, values...))
	}
	sums, err := r.sums()
	if err != nil {
		return err
	}
	if len(sums) > 1 {
		return changed("it was not the same each time it was read")
	}
	now := stat(r.file)
	if now == nil || r.before == nil {
		return nil
	}
	if now.Size() != r.info.SizeBytes {
		return changed("it had %d bytes and has %d now", r.info.SizeBytes, now.Size())
	}
	if now.ModTime().Equal(r.before.ModTime()) && changeTime(now).Equal(changeTime(r.before)) {
		return nil
	}
	// It may only have been touched, or got another name.
	if len(sums) == 0 {
		return changed("it was written to at %s", now.ModTime().Format("15:04:05"))
	}
	sum, err := r.passes.again(r.hashing.file)
	if err != nil {
		return fmt.Errorf("%s: %w", r.info.Name, err)
	}
	if sum != sums[0] {
		return changed("other bytes are in it now, of %s", now.ModTime().Format("15:04:05"))
	}
	return nil
}

// sums are those of all whole readings, of the hashes too; one, unless they differ.
func (r *Reader) sums() ([]uint32, error) {
	p := r.passes
	if p == nil {
		return nil, nil
	}
	p.mu.Lock()
	sums := slices.Clone(p.sums)
	p.mu.Unlock()
	if d := r.hashing.passed; d != nil && d.done != nil {
		if <-d.done; d.err != nil {
			return nil, fmt.Errorf("%s: %w", r.info.Name, d.err)
		}
		if sum := d.hash.(interface{ Sum32() uint32 }).Sum32(); !slices.Contains(sums, sum) {
			sums = append(sums, sum)
		}
	}
	return sums, nil
}

// again sums the samples once more.
func (p *passes) again(f io.ReaderAt) (sum uint32, err error) {
	buf := make([]byte, blockBytes)
	for at := p.start; at < p.stop; {
		b := buf[:min(blockBytes, p.stop-at)]
		if err := readAt(f, b, at); err != nil {
			return 0, err
		}
		sum = crc32.Update(sum, castagnoli, b)
		at += int64(len(b))
	}
	return sum, nil
}
