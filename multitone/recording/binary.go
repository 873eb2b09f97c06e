package recording

import (
	"encoding/binary"
	"sort"
	"unsafe"
)

// samples are stored numbers: interleaved, all channels of one sample side by side, or planar, channel after channel as
// in NumPy's Fortran order, where each block is gathered by seeking.
type samples struct {
	file   file
	layout *layout
	scale  []float64
	decode decoder
	buf    []byte
	watch  *Monitor // sees 16-bit counts as they are stored, cheaper than the floats made of them
}

// fill reads stored samples and normalises them.
func (s *samples) fill(b []byte, offset int64) error {
	if err := readAt(s.file, b, offset); err != nil {
		return err
	}
	s.layout.typ.normalise(b)
	return nil
}

// locate finds where sample pos is, and how many follow it without a break.
func (l *layout) locate(pos int64) (offset, count int64) {
	k := max(1, sort.Search(len(l.extents), func(k int) bool { return l.extents[k].first > pos }))
	e := l.extents[k-1]
	return e.offset + (pos-e.first)*l.step(), e.first + e.count - pos
}

// step from one sample of a channel to the next [bytes].
func (l *layout) step() int64 {
	if l.planar {
		return int64(l.typ.size)
	}
	return l.frameBytes()
}

func (s *samples) read(dst [][]float64, n int, pos int64) (nonFinite bool, err error) {
	l, step := s.layout, s.layout.step()
	for done := 0; done < n; {
		offset, count := l.locate(pos + int64(done))
		count = min(count, int64(n-done), max(1, blockBytes/step))
		size := count * step
		if int64(cap(s.buf)) < size {
			s.buf = make([]byte, max(size, blockBytes))
		}
		b, end := s.buf[:size], done+int(count)
		for c, d := range dst {
			if c == 0 || l.planar {
				if err := s.fill(b, offset); err != nil {
					return false, err
				}
			}
			if c == 0 && s.watch != nil {
				s.watch.stored16(b, pos+int64(done))
			}
			at := c * l.typ.size
			if l.planar {
				at, offset = 0, offset+l.samples()*step
			}
			if s.decode(d[done:end], b[at:], int(step), s.scale[c]) {
				nonFinite = true
			}
		}
		done = end
	}
	return nonFinite, nil
}

// readInt16 reads counts of 8 or 16 bits into dst, where those of 8 bits then make room for themselves.
func (s *samples) readInt16(dst []int16, pos int64) error {
	size, channels := s.layout.typ.size, int64(s.layout.channels)
	for len(dst) > 0 {
		offset, count := s.layout.locate(pos)
		count = min(count, int64(len(dst))/channels)
		d := dst[:count*channels]
		b := bytesOf(d)[:len(d)*size]
		if err := readAt(s.file, b, offset); err != nil {
			return err
		}
		s.layout.typ.counts(d)
		pos += count
		dst = dst[len(d):]
	}
	return nil
}

// counts turns d, which begins with as many stored samples of 8 or 16 bits, into counts.
func (t sampleType) counts(d []int16) {
	b := bytesOf(d)[:len(d)*t.size]
	t.normalise(b)
	for i := len(d) - 1; i >= 0 && (t.size == 1 || !littleEndian); i-- {
		if t.size == 1 {
			d[i] = int16(int8(b[i]))
		} else {
			d[i] = int16(binary.LittleEndian.Uint16(b[2*i:]))
		}
	}
}

var littleEndian = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

// bytesOf is the memory of d as bytes.
func bytesOf(d []int16) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(d))), 2*len(d))
}
