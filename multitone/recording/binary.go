package recording

import (
	"encoding/binary"
	"unsafe"
)

// binarySource is what interleaved and planar samples share.
type binarySource struct {
	file   file
	layout *layout
	scale  []float64
	decode decoder
	buf    []byte
}

// bytes reads size bytes into the buffer, in little-endian order.
func (s *binarySource) bytes(size, offset int64) ([]byte, error) {
	if int64(cap(s.buf)) < size {
		s.buf = make([]byte, max(size, blockBytes))
	}
	b := s.buf[:size]
	if err := readAt(s.file, b, offset); err != nil {
		return nil, err
	}
	if s.layout.typ.big {
		swap(b, s.layout.typ.size)
	}
	return b, nil
}

// locate finds where sample pos is, and how many follow it without a break.
func (l *layout) locate(pos int64) (offset, count int64) {
	lo, hi := 0, len(l.extents)
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; l.extents[mid].first <= pos {
			lo = mid
		} else {
			hi = mid
		}
	}
	e := l.extents[lo]
	size := l.frameBytes()
	if l.planar {
		size = int64(l.typ.size)
	}
	return e.offset + (pos-e.first)*size, e.first + e.count - pos
}

// interleaved samples: all channels of one sample side by side.
type interleaved struct {
	binarySource
	watch *Monitor // sees 16-bit counts as they are stored, cheaper than the floats made of them
}

func (s *interleaved) read(dst [][]float64, n int, pos int64) (nonFinite bool, err error) {
	frame, size := s.layout.frameBytes(), s.layout.typ.size
	for done := 0; done < n; {
		offset, count := s.layout.locate(pos + int64(done))
		count = min(count, int64(n-done), max(1, blockBytes/frame))
		b, err := s.bytes(count*frame, offset)
		if err != nil {
			return false, err
		}
		end := done + int(count)
		if s.watch != nil {
			s.watch.stored16(b, s.layout.typ, pos+int64(done))
		}
		for c, d := range dst {
			if s.decode(d[done:end], b[c*size:], int(frame), s.scale[c]) {
				nonFinite = true
			}
		}
		done = end
	}
	return nonFinite, nil
}

// readInt16 reads counts of 8 or 16 bits. On little-endian machines 16-bit samples go from the file to dst directly.
func (s *interleaved) readInt16(dst []int16, pos int64) error {
	typ, channels := s.layout.typ, int64(s.layout.channels)
	for len(dst) > 0 {
		offset, count := s.layout.locate(pos)
		count = min(count, int64(len(dst))/channels)
		direct := typ.size == 2 && littleEndian
		if !direct {
			count = min(count, max(1, blockBytes/s.layout.frameBytes()))
		}
		d := dst[:count*channels]
		if direct {
			b := bytesOf(d)
			if err := readAt(s.file, b, offset); err != nil {
				return err
			}
			if typ.big {
				swap(b, 2)
			}
			if typ.kind == 'u' {
				for i := range d {
					d[i] ^= -1 << 15
				}
			}
		} else {
			b, err := s.bytes(count*s.layout.frameBytes(), offset)
			if err != nil {
				return err
			}
			countsOf(d, b, typ)
		}
		pos += count
		dst = dst[len(d):]
	}
	return nil
}

// countsOf widens little-endian samples to signed counts.
func countsOf(d []int16, b []byte, typ sampleType) {
	flip := uint16(0)
	if typ.kind == 'u' {
		flip = 1 << (8*typ.size - 1)
	}
	for i := range d {
		if typ.size == 1 {
			d[i] = int16(int8(b[i] ^ byte(flip)))
		} else {
			d[i] = int16(binary.LittleEndian.Uint16(b[2*i:]) ^ flip)
		}
	}
}

var littleEndian = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

// bytesOf is the memory of d as bytes.
func bytesOf(d []int16) []byte {
	if len(d) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&d[0])), 2*len(d))
}

// planar samples: channel after channel, as in NumPy's Fortran order. Each block is gathered by seeking.
type planar struct{ binarySource }

func (s *planar) read(dst [][]float64, n int, pos int64) (nonFinite bool, err error) {
	size := int64(s.layout.typ.size)
	for c, d := range dst {
		for done := 0; done < n; {
			offset, count := s.layout.locate(pos + int64(done))
			count = min(count, int64(n-done), blockBytes/size)
			b, err := s.bytes(count*size, offset+int64(c)*s.layout.samples()*size)
			if err != nil {
				return false, err
			}
			end := done + int(count)
			if s.decode(d[done:end], b, int(size), s.scale[c]) {
				nonFinite = true
			}
			done = end
		}
	}
	return nonFinite, nil
}
