package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Stream reads a recording that comes once, as from a pipe or a socket: raw samples, WAV and RF64, or CSV. It hands out
// what has come rather than wait until a block is full, and does not know how long it will be: Info.Samples is negative.
// Memory is bounded, whatever lengths a header states. Its methods are for one goroutine.
type Stream struct {
	info   Info
	opt    Options
	in     io.Reader
	layout *layout
	decode decoder
	clock  *timeline // of a CSV with times; nil: none
	buf    []byte
	part   []byte // of a sample that has not come wholly
	left   int64  // bytes that a header promises yet; negative: it does not say
	failed error  // that came with the last samples
	pos    int64
	filled int64     // samples to be handed out in place of lost ones
	last   []float64 // last finite value of each channel
	watch  *Monitor
	view   [][]float64 // what it is shown
}

// LostError tells that so many samples were lost before the next one. A Stream reads on after it.
type LostError struct{ Samples int64 }

func (e *LostError) Error() string { return plural(int(e.Samples), "sample") + " lost" }

// NewStream reads from in what describes the samples, if anything does: raw samples need none, and nothing is read of
// them. Options are those of Open; name is for messages.
//
// The rate of a CSV has to be given. Its first column is time where a header names it t, time or time_s, or where there
// is no header and one column more than channels are expected: it then shows what was lost.
func NewStream(in io.Reader, name string, opt Options) (*Stream, error) {
	s := &Stream{opt: opt}
	if err := s.open(in, name); err != nil {
		return nil, err
	}
	s.last, s.view = make([]float64, s.info.Channels), make([][]float64, s.info.Channels)
	return s, nil
}

func (s *Stream) open(in io.Reader, name string) error {
	h := &head{in: in}
	l, left, err := h.layout(name, s.opt)
	if h.failed != nil && h.failed != io.EOF {
		return h.failed
	}
	if err != nil {
		return err
	}
	info, err := l.info(name, -1, s.opt)
	if err != nil {
		return err
	}
	info.Samples = -1
	s.info, s.layout, s.left, s.clock, s.failed, s.filled = info, l, left, nil, nil, 0
	if s.in = in; l.text != nil {
		if l.text.timed {
			s.clock = &timeline{name: name, known: true, step: 1 / info.SampleRate}
		}
		return nil
	}
	s.decode = l.typ.decoder()
	s.part = make([]byte, 0, l.frameBytes())
	if size := max(blockBytes, int(l.frameBytes())); len(s.buf) < size {
		s.buf = make([]byte, size)
	}
	return nil
}

// Restart goes on with samples from in after a break, as of a connection that was made anew: what describes them is read
// once more and must say the same. Counting goes on, and a Monitor flags a gap; what had come of a sample is dropped.
func (s *Stream) Restart(in io.Reader) error {
	before := s.info
	if err := s.open(in, before.Name); err != nil {
		return err
	}
	s.Slip()
	if now := s.info; now.Channels != before.Channels || now.SampleRate != before.SampleRate || now.Datatype != before.Datatype {
		s.info = before
		return fmt.Errorf("%s: after a break at sample %d come %s of %s at %g Hz, before it %s of %s at %g Hz: begin anew", now.Name, s.pos,
			plural(now.Channels, "channel"), now.Datatype, now.SampleRate, plural(before.Channels, "channel"), before.Datatype, before.SampleRate)
	}
	return nil
}

// Slip tells the Monitor that the time line breaks before the next sample.
func (s *Stream) Slip() {
	if s.watch != nil {
		s.watch.Slip(s.pos, s.pos)
	}
}

// Fill hands out n samples more in place of lost ones, before the next that has come: the last value of each channel,
// flagged as a gap. Counts are not filled.
func (s *Stream) Fill(n int64) { s.filled += n }

// Endless lets a header's length not count, as of a file that still grows.
func (s *Stream) Endless() { s.left = -1 }

// Info describes the stream.
func (s *Stream) Info() Info { return s.info }

// Next is the number of the next sample.
func (s *Stream) Next() int64 { return s.pos }

// Cut says what is missing of a stream that has ended; empty: nothing that is known.
func (s *Stream) Cut() string {
	switch {
	case len(s.part) > 0:
		return fmt.Sprintf("%d bytes at the end are no whole sample", len(s.part))
	case s.left > 0:
		return fmt.Sprintf("the header promises %d bytes more", s.left)
	}
	return ""
}

// Watch lets m see every block that is read from now on.
func (s *Stream) Watch(m *Monitor) { s.watch = m }

// ReadInt16 is as that of a Reader, but returns as soon as one sample of every channel has come.
func (s *Stream) ReadInt16(dst []int16) (frames int, err error) {
	if !s.info.Int16 {
		return 0, fmt.Errorf("%s: %s samples are no interleaved counts of 16 bits; read them as floats", s.info.Name, s.info.Datatype)
	}
	n := len(dst) / s.info.Channels
	if n, err = s.bytes(bytesOf(dst)[:n*s.info.Channels*s.layout.typ.size]); n == 0 {
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

// ReadPlanar is as that of a Reader, but returns as soon as one sample of every channel has come. Samples that a CSV's
// times show to be lost are a LostError before the next one.
func (s *Stream) ReadPlanar(dst [][]float64) (n int, err error) {
	if s.filled > 0 {
		return s.fill(dst), nil
	}
	var bad bool
	if s.layout.text != nil {
		n, bad, err = s.rows(dst)
	} else {
		n, bad, err = s.samples(dst)
	}
	if n == 0 {
		return 0, err
	}
	for c := range s.view {
		s.view[c] = dst[c][:n]
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

// samples decodes what has come.
func (s *Stream) samples(dst [][]float64) (n int, nonFinite bool, err error) {
	frame := int(s.layout.frameBytes())
	if n, err = s.bytes(s.buf[:min(len(dst[0]), len(s.buf)/frame)*frame]); n == 0 {
		return 0, false, err
	}
	b := s.buf[:n*frame]
	s.layout.typ.normalise(b)
	for c := range dst {
		if s.decode(dst[c][:n], b[c*s.layout.typ.size:], frame, s.info.Scale[c]) {
			nonFinite = true
		}
	}
	return n, nonFinite, nil
}

// bytes reads into b, room for whole samples, what there is, and at least one sample. What has come of the next one is
// kept for the next call.
func (s *Stream) bytes(b []byte) (samples int, err error) {
	frame := int(s.layout.frameBytes())
	have := copy(b, s.part)
	if s.left >= 0 {
		b = b[:min(int64(len(b)), int64(have)+s.left)]
	}
	s.part = s.part[:0]
	for have < frame && s.failed == nil {
		if len(b) < frame {
			if s.left >= 0 { // promised is no whole sample, or nothing, any more
				err = io.EOF
			}
			break
		}
		var n int
		n, s.failed = s.in.Read(b[have:])
		if have += n; s.left > 0 {
			s.left -= int64(n)
		}
	}
	samples = have / frame
	s.part = append(s.part, b[samples*frame:have]...)
	if samples == 0 && err == nil {
		err = s.failed
	}
	return samples, err
}

// rows parses the lines that have come, at least one.
func (s *Stream) rows(dst [][]float64) (n int, nonFinite bool, err error) {
	t := s.layout.text
	for n < len(dst[0]) && s.failed == nil && (n == 0 || t.lines.ready()) {
		text, err := t.lines.next()
		if err == nil && blank(text) {
			continue
		}
		if err == nil && s.clock != nil {
			err = s.time(text)
		}
		if err == nil {
			var bad bool
			if bad, err = t.parse(dst, n, text); err == nil {
				nonFinite = nonFinite || bad
				n++
			}
		}
		s.failed = err
	}
	if n > 0 {
		return n, nonFinite, nil
	}
	err = s.failed
	var lost *LostError
	if errors.As(err, &lost) { // reading goes on after it
		s.failed = nil
	}
	return 0, false, err
}

// time looks at the time of a row. After a LostError the row comes once more.
func (s *Stream) time(text []byte) error {
	c := s.clock
	if len(c.captures) > 1 { // the row that comes once more
		c.captures = c.captures[:1]
		return nil
	}
	if err := s.layout.text.stamp(c, text); err != nil {
		return err
	}
	if len(c.captures) > 1 {
		s.layout.text.lines.back()
		return &LostError{c.captures[1].Missing}
	}
	return nil
}

// fill hands out samples in place of lost ones.
func (s *Stream) fill(dst [][]float64) (n int) {
	n = int(min(s.filled, int64(len(dst[0]))))
	for c, d := range dst {
		for i := range n {
			d[i] = s.last[c]
		}
	}
	if s.watch != nil {
		s.watch.Lost(s.pos, s.pos+int64(n))
	}
	s.pos += int64(n)
	s.filled -= int64(n)
	return n
}

// head is the beginning of a stream, of which nothing is read that is not asked for. It keeps what was read.
type head struct {
	in     io.Reader
	bytes  []byte
	failed error
}

// maxHead bounds it.
const maxHead = 1 << 20

// ReadAt reads on as far as is needed.
func (h *head) ReadAt(b []byte, at int64) (int, error) {
	need := at + int64(len(b))
	if need > maxHead && h.failed == nil {
		h.failed = fmt.Errorf("byte %d of the header lies ahead: no more than %d are read in search of samples; it is damaged", need, maxHead)
	}
	if have := int64(len(h.bytes)); have < need && h.failed == nil {
		h.bytes = append(h.bytes, make([]byte, need-have)...)
		var n int
		n, h.failed = io.ReadFull(h.in, h.bytes[have:])
		if h.bytes = h.bytes[:have+int64(n)]; h.failed == io.ErrUnexpectedEOF {
			h.failed = io.EOF
		}
	}
	n := copy(b, h.bytes[min(at, int64(len(h.bytes))):])
	if n < len(b) {
		return n, h.failed
	}
	return n, nil
}

// layout is how the samples are stored, and how many bytes of them are promised; negative: that is not said.
func (h *head) layout(name string, opt Options) (l *layout, left int64, err error) {
	format := opt.Format
	if format == "" {
		var begin [4]byte
		n, err := h.ReadAt(begin[:], 0)
		switch b := begin[:n]; {
		case n == 0 && err == io.EOF:
			return nil, 0, fmt.Errorf("%s: empty; nothing was sent", name)
		case string(b) == "RIFF" || string(b) == "RF64" || string(b) == "BW64" || string(b) == "RIFX":
			format = "wav"
		case isText(b) || bytes.HasPrefix(b, []byte(byteOrderMark)):
			format = "csv"
		default:
			return nil, 0, fmt.Errorf("%s: starts with %q, which is neither WAV nor CSV; if the samples are raw, give their format "+
				"(as ri16_le), rate and channels", name, b)
		}
	}
	switch format {
	case "wav":
		l, _, left, err = wavHeader(h, name)
		switch {
		case errors.Is(err, io.ErrUnexpectedEOF):
			err = fmt.Errorf("%s: no data chunk within %d bytes; what sends it was cut off, or sends no WAV", name, len(h.bytes))
		case sizeUnknown(left):
			left = -1
		}
		return l, left, err
	case "csv":
		h.ReadAt(make([]byte, len(byteOrderMark)), 0)
		l, err = streamCSV(io.MultiReader(bytes.NewReader(bytes.TrimPrefix(h.bytes, []byte(byteOrderMark))), h.in), name, opt)
		return l, -1, err
	case "sigmf", "npy":
		return nil, 0, fmt.Errorf("%s: a stream cannot be %s; send raw samples (as ri16_le), wav or csv", name, format)
	}
	l, err = rawLayout(name, opt)
	return l, -1, err
}

// sizeUnknown tells the length that a writer states which could not know it: none, or about the most that signed or
// unsigned numbers hold, less what makes it whole samples or pages. (SoX writes up to 0x7ffff000 into a pipe; of other
// writers common practice.)
func sizeUnknown(length int64) bool {
	return length == 0 || length >= 0x7fff0000 && length <= 0x80000000 || length >= 0xffff0000 && length <= 0xffffffff
}
