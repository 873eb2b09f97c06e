package recording

import (
	"fmt"
	"io"
)

// Stream reads a recording that comes once, as from a pipe or a socket. It hands out what has come rather than wait until
// a block is full, and does not know how long it will be: Info.Samples is negative. Its methods are for one goroutine.
type Stream struct {
	info   Info
	opt    Options
	in     io.Reader
	layout *layout
	decode decoder
	buf    []byte
	part   []byte // of a sample that has not come wholly
	failed error  // that came with the last bytes
	pos    int64
	last   []float64 // last finite value of each channel
	watch  *Monitor
	view   [][]float64 // what it is shown
}

// NewStream reads from in what describes the samples, if anything does: raw samples need none, and nothing is read of
// them. Options are those of Open; name is for messages.
func NewStream(in io.Reader, name string, opt Options) (*Stream, error) {
	s := &Stream{opt: opt}
	if err := s.open(in, name); err != nil {
		return nil, err
	}
	s.last, s.view = make([]float64, s.info.Channels), make([][]float64, s.info.Channels)
	return s, nil
}

func (s *Stream) open(in io.Reader, name string) error {
	l, err := rawLayout(name, s.opt)
	if err != nil {
		return err
	}
	info, err := l.info(name, -1, s.opt)
	if err != nil {
		return err
	}
	info.Samples = -1
	s.info, s.in, s.layout, s.decode = info, in, l, l.typ.decoder()
	s.part, s.failed = make([]byte, 0, l.frameBytes()), nil
	if size := max(blockBytes, int(l.frameBytes())); len(s.buf) < size {
		s.buf = make([]byte, size)
	}
	return nil
}

// Restart goes on with samples from in after a break, as of a connection that was made anew: what describes them is read
// once more and must say the same. Counting goes on, and a Monitor flags a gap; what had come of a sample is dropped.
func (s *Stream) Restart(in io.Reader) error {
	before := s.info
	if s.watch != nil {
		s.watch.Slip(s.pos, s.pos)
	}
	if err := s.open(in, before.Name); err != nil {
		return err
	}
	if now := s.info; now.Channels != before.Channels || now.SampleRate != before.SampleRate || now.Datatype != before.Datatype {
		return fmt.Errorf("%s: after a break at sample %d come %s of %s at %g Hz, before it %s of %s at %g Hz: begin anew", now.Name, s.pos,
			plural(now.Channels, "channel"), now.Datatype, now.SampleRate, plural(before.Channels, "channel"), before.Datatype, before.SampleRate)
	}
	return nil
}

// Info describes the stream.
func (s *Stream) Info() Info { return s.info }

// Next is the number of the next sample.
func (s *Stream) Next() int64 { return s.pos }

// Part is how many bytes have come of a sample that is not whole.
func (s *Stream) Part() int { return len(s.part) }

// Watch lets m see every block that is read from now on.
func (s *Stream) Watch(m *Monitor) { s.watch = m }

// ReadInt16 is as that of a Reader, but returns as soon as one sample of every channel has come.
func (s *Stream) ReadInt16(dst []int16) (frames int, err error) {
	if !s.info.Int16 {
		return 0, fmt.Errorf("%s: %s samples are no interleaved counts of 16 bits; read them as floats", s.info.Name, s.info.Datatype)
	}
	n := len(dst) / s.info.Channels
	dst = dst[:n*s.info.Channels]
	if n, err = s.fill(bytesOf(dst)[:len(dst)*s.layout.typ.size]); n == 0 {
		return 0, err
	}
	dst = dst[:n*s.info.Channels]
	s.layout.typ.counts(dst)
	if s.watch != nil {
		s.watch.Int16(dst, s.pos)
	}
	s.pos += int64(n)
	return n, nil
}

// ReadPlanar is as that of a Reader, but returns as soon as one sample of every channel has come.
func (s *Stream) ReadPlanar(dst [][]float64) (n int, err error) {
	frame := int(s.layout.frameBytes())
	if n, err = s.fill(s.buf[:min(len(dst[0]), len(s.buf)/frame)*frame]); n == 0 {
		return 0, err
	}
	b := s.buf[:n*frame]
	s.layout.typ.normalise(b)
	bad := false
	for c := range s.view {
		s.view[c] = dst[c][:n]
		if s.decode(s.view[c], b[c*s.layout.typ.size:], frame, s.info.Scale[c]) {
			bad = true
		}
	}
	if bad {
		replace(s.view, s.last, s.watch, s.pos)
	}
	for c, x := range s.view {
		s.last[c] = x[n-1]
	}
	if s.watch != nil {
		s.watch.Planar(s.view, s.pos)
	}
	s.pos += int64(n)
	return n, nil
}

// fill reads into b, room for whole samples, what there is, and at least one sample. What has come of the next one is
// kept for the next call.
func (s *Stream) fill(b []byte) (samples int, err error) {
	frame := int(s.layout.frameBytes())
	have := copy(b, s.part)
	s.part = s.part[:0]
	for have < frame && len(b) >= frame && s.failed == nil {
		var n int
		n, s.failed = s.in.Read(b[have:])
		have += n
	}
	samples = have / frame
	s.part = append(s.part, b[samples*frame:have]...)
	if samples == 0 {
		return 0, s.failed
	}
	return samples, nil
}
