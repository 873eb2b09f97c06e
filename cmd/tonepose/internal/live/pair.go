package live

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

// headSeconds is how much of a stream the tone of the reference is sought in.
const headSeconds = 0.5

// RunPair follows a signal against the tone that a reference carries.
func RunPair(ctx context.Context, o Options, of pair.Options) (*Result, error) {
	o.PartSeconds = cmp.Or(o.PartSeconds, 10)
	if err := checkRecord(o.Record, o.Force); err != nil {
		return nil, err
	}
	parts, err := o.parts(nil)
	if err != nil {
		return nil, err
	}
	defer parts.Abort()
	reading := o.Source
	reading.Reading = o.Reading
	src, err := source.Open(ctx, o.Recording, reading)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	out := &Result{Info: src.Info()}
	read := src
	var kept *recorder
	if o.Record != "" {
		if kept, err = o.record(src, o.Reading.FullScale); err != nil {
			return nil, err
		}
		read = kept
	}
	head, err := newHead(ctx, read, max(headSeconds, o.Windows.Length))
	if err != nil {
		return nil, errors.Join(err, kept.end())
	}
	found, err := pair.Find(ctx, &piece{info: head.Info(), planes: head.planes, marks: head.marks}, of)
	if err != nil {
		return nil, errors.Join(err, kept.end())
	}
	line, err := newPipeline(ctx, &o, nil, src, parts)
	if err != nil {
		return nil, err
	}
	rows := found.Rows()
	m, mode := found.Follow(o.Windows, o.Clock)
	out.Survey, out.Averaging, err = stream.Follow(ctx, head, mode, m, func(f *stream.Measured) error {
		return line.pairs(f, rows(f))
	}, o.Progress)
	err = line.end(ctx, err)
	if failed := kept.end(); err == nil {
		err = failed
	}
	out.Counts, out.Latency, out.Parts = line.counts, &line.latency, line.written
	if parts != nil {
		out.Continued = parts.Earlier.Parts
	}
	if out.Interrupted = ended(ctx, err); out.Interrupted {
		err = nil
	}
	if err != nil {
		return nil, err
	}
	if src.Close(); out.Survey != nil {
		out.Lost = src.Lost()
		out.Counts.Skipped += out.Survey.Skipped
	}
	if out.Counts.Frames == 0 && !out.Interrupted {
		return out, fmt.Errorf("%s: %w: the stream is shorter than a window", o.Recording, measure.ErrNoRow)
	}
	return out, nil
}

// pairs hands on the rows of one frame.
func (p *pipeline) pairs(seen *stream.Measured, rows []tables.Demodulated) error {
	if !p.began {
		p.begin()
	}
	f, err := p.next()
	if err != nil {
		return err
	}
	f.arrived, f.skipped = seen.Arrived, seen.Skipped
	f.demodulated = append(f.demodulated[:0], rows...)
	for i := range f.demodulated {
		f.demodulated[i].Time += p.shift
	}
	return p.hand(f)
}

// head is a source of which the first samples were read ahead. They are handed out
// first, in volts.
type head struct {
	source.Source
	planes [][]float64
	marks  []recording.Mark // what of it was not finite
	used   int
}

func newHead(ctx context.Context, src source.Source, seconds float64) (*head, error) {
	info := src.Info()
	n := int(seconds*info.SampleRate) + 1
	h := &head{Source: src, planes: make([][]float64, info.Channels)}
	view := make([][]float64, info.Channels)
	for c := range h.planes {
		h.planes[c] = make([]float64, n)
	}
	marks := recording.NewMarks(info)
	src.Watch(marks)
	defer func() { h.marks = marks.TakeMarks(nil) }()
	for at := 0; at < n; {
		for c := range view {
			view[c] = h.planes[c][at:]
		}
		got, err := src.ReadPlanar(view)
		at += got
		if errors.Is(err, io.EOF) || at == n {
			for c := range h.planes {
				h.planes[c] = h.planes[c][:at]
			}
			break
		}
		if err := cmp.Or(err, ctx.Err()); err != nil {
			return nil, err
		}
	}
	return h, nil
}

// Info implements stream.Source.
func (h *head) Info() recording.Info {
	info := h.Source.Info()
	info.Int16 = false
	return info
}

// Watch implements stream.Source.
func (h *head) Watch(m *recording.Monitor) {
	h.Source.Watch(m)
	tell(m, h.marks)
}

// tell tells a Monitor what was found before it came.
func tell(m *recording.Monitor, marks []recording.Mark) {
	for _, k := range marks {
		m.NonFinite(k.Channel, k.Start, k.Stop)
	}
}

// ReadInt16 is none: the samples are in volts.
func (h *head) ReadInt16([]int16) (int, error) {
	return 0, errors.New("samples in volts are no counts")
}

// ReadPlanar implements stream.Source.
func (h *head) ReadPlanar(dst [][]float64) (n int, err error) {
	if h.used == len(h.planes[0]) {
		return h.Source.ReadPlanar(dst)
	}
	for c := range dst {
		n = copy(dst[c], h.planes[c][h.used:])
	}
	h.used += n
	return n, nil
}

// piece is the samples of a head as a source that ends.
type piece struct {
	info   recording.Info
	planes [][]float64
	marks  []recording.Mark
	used   int
}

func (p *piece) Info() recording.Info {
	info := p.info
	info.Samples = int64(len(p.planes[0]))
	return info
}

func (p *piece) ReadInt16([]int16) (int, error) {
	return 0, errors.New("samples in volts are no counts")
}
func (p *piece) Watch(m *recording.Monitor) { tell(m, p.marks) }

func (p *piece) ReadPlanar(dst [][]float64) (n int, err error) {
	if p.used == len(p.planes[0]) {
		return 0, io.EOF
	}
	for c := range dst {
		n = copy(dst[c], p.planes[c][p.used:])
	}
	p.used += n
	return n, nil
}
