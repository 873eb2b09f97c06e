package recording

import (
	"context"
	"fmt"
	"hash/crc32"
	"io"
	"os"
)

// blockBytes is read and decoded at a time: large enough that calls to the system cost little, small enough that the
// bytes are still in the nearer caches when every channel picks its own.
const blockBytes = 128 << 10

// Reader reads a recording block by block. Its methods are for one goroutine, except SHA256.
type Reader struct {
	info    Info
	file    file
	src     source
	pos     int64
	last    []float64 // last finite value of each channel
	watch   *Monitor
	view    [][]float64 // what it is shown
	stored  bool        // watch sees the stored counts instead of the floats
	hashing *hashing
	hashed  bool // who called Hash waits for Verify
	passes  *passes
	before  os.FileInfo // nil: not known
}

// file is the data: a regular file, or standard input spooled into one.
type file interface {
	io.ReaderAt
	io.Closer
}

// source decodes samples [pos, pos+n) of every channel into dst. It reports whether any was not finite.
type source interface {
	read(dst [][]float64, n int, pos int64) (nonFinite bool, err error)
}

// newReader takes over f, also when it fails.
func newReader(ctx context.Context, f file, name string, size int64, l *layout, opt Options) (*Reader, error) {
	in, err := l.info(name, size, opt)
	if err != nil {
		f.Close()
		return nil, err
	}
	p := &passes{file: f}
	p.start, p.stop = l.stretch(size)
	r := &Reader{info: in, file: f, last: make([]float64, in.Channels), view: make([][]float64, in.Channels), passes: p, before: stat(f)}
	if l.text != nil {
		l.text.lines.file = p
		r.src = l.text
	} else {
		r.src = &samples{file: p, layout: l, scale: in.Scale, decode: l.typ.decoder()}
	}
	r.hashing = newHashing(ctx, f, size, l.stated)
	if p.start < p.stop {
		r.hashing.passed = &digest{hash: crc32.New(castagnoli), start: p.start, stop: p.stop}
	}
	return r, nil
}

// Info describes the recording.
func (r *Reader) Info() Info { return r.info }

// Close releases the file.
func (r *Reader) Close() error {
	r.hashing.close()
	return r.file.Close()
}

// Rewind goes back to the first sample.
func (r *Reader) Rewind() error {
	r.pos = 0
	clear(r.last)
	return nil
}

// SeekSample goes to a sample, from 0 to Info.Samples, and reads on from there. A sample that is not finite is then replaced by
// 0 where the one before it was not read. In a CSV all lines before it are passed over.
func (r *Reader) SeekSample(sample int64) error {
	if sample < 0 || sample > r.info.Samples {
		return fmt.Errorf("%s: sample %d: must lie in 0 to %d", r.info.Name, sample, r.info.Samples)
	}
	clear(r.last)
	if t, ok := r.src.(*table); ok {
		if err := t.seek(r.pos, sample); err != nil {
			return r.readError(err)
		}
	}
	r.pos = sample
	return nil
}

// ReadPlanar fills dst[c] with the next samples of channel c, in volts (see Info.Volts), and returns how many: as many
// as dst holds except at the end, then 0 and io.EOF. A sample that is not finite is replaced by the last finite one of
// its channel (0 before the first); a Monitor counts it and flags it as a gap. dst needs one slice a channel, of equal
// lengths.
func (r *Reader) ReadPlanar(dst [][]float64) (n int, err error) {
	if len(dst) != r.info.Channels {
		panic(fmt.Sprintf("recording: ReadPlanar: %d slices for %d channels", len(dst), r.info.Channels))
	}
	n = len(dst[0])
	for _, d := range dst {
		if len(d) != n {
			panic("recording: ReadPlanar: slices of unequal length")
		}
	}
	if n, err = r.left(n); n == 0 {
		return 0, err
	}
	bad, err := r.src.read(dst, n, r.pos)
	if err != nil {
		return 0, r.readError(err)
	}
	for c := range r.view {
		r.view[c] = dst[c][:n]
	}
	if bad {
		replace(r.view, r.last, r.watch, r.pos)
	}
	for c, x := range r.view {
		r.last[c] = x[n-1]
	}
	if r.watch != nil && !r.stored {
		r.watch.Planar(r.view, r.pos)
	}
	r.pos += int64(n)
	return n, nil
}

// ReadInt16 fills dst with the next raw counts, frame after frame (all channels of a sample side by side), and returns
// the number of frames: as many as dst holds except at the end, then 0 and io.EOF. Unsigned samples become signed by
// subtracting 2^(bits−1). It is an error unless Info.Int16.
func (r *Reader) ReadInt16(dst []int16) (frames int, err error) {
	if !r.info.Int16 {
		return 0, fmt.Errorf("%s: %s samples are no interleaved counts of 16 bits; read them as floats", r.info.Name,
			r.info.Datatype)
	}
	n, err := r.left(len(dst) / r.info.Channels)
	if n == 0 {
		return 0, err
	}
	dst = dst[:n*r.info.Channels]
	if err := r.src.(*samples).readInt16(dst, r.pos); err != nil {
		return 0, r.readError(err)
	}
	if r.watch != nil {
		r.watch.Int16(dst, r.pos)
	}
	r.pos += int64(n)
	return n, nil
}

// left is how many of n samples there are yet; io.EOF when the recording has ended and is the one that was described.
func (r *Reader) left(n int) (int, error) {
	if r.pos == 0 {
		r.hashing.begin(false)
	}
	if r.pos == r.info.Samples {
		if !r.hashed {
			if err := r.Verify(); err != nil {
				return 0, err
			}
		}
		return 0, io.EOF
	}
	return int(min(int64(n), r.info.Samples-r.pos)), nil
}

func (r *Reader) readError(err error) error {
	if err == io.ErrUnexpectedEOF {
		return fmt.Errorf("%s: ends early near sample %d of %d; was it changed while being read?", r.info.Name, r.pos,
			r.info.Samples)
	}
	return err
}

// Watch lets m see every block that the Reader reads from now on. It checks each sample once, and skips
// what a second pass reads again.
func (r *Reader) Watch(m *Monitor) {
	r.watch, r.stored = m, false
	if src, ok := r.src.(*samples); ok && r.info.Int16 && src.layout.typ.size == 2 {
		src.watch, r.stored = m, true
	}
}

// replace overwrites what is not finite with the last finite value of its channel, and reports it to the Monitor.
func replace(x [][]float64, last []float64, watch *Monitor, pos int64) {
	for c, d := range x {
		last := last[c]
		for i, v := range d {
			if v-v == 0 {
				last = v
				continue
			}
			d[i] = last
			if at := pos + int64(i); watch != nil {
				watch.NonFinite(c, at, at+1)
			}
		}
	}
}
