package source

import (
	"context"
	"io"
	"math"
	"time"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// played is samples that are there before their time, handed out as fast as they would be made, or so many times faster:
// a recording, or the simulated bench.
type played struct {
	from   stream.Source
	file   io.Closer // of a recording; nil: none
	pacer  *pacer
	ctx    context.Context
	parent context.Context
	end    context.CancelFunc
	pos    int64
	view   [][]float64
}

func openPlay(ctx context.Context, _, path string, o Options) (Source, error) {
	reader, err := recording.Open(ctx, path, o.Reading)
	if err != nil {
		return nil, err
	}
	p, err := newPlayed(ctx, reader, reader, o)
	if err != nil {
		reader.Close()
	}
	return p, err
}

func newPlayed(ctx context.Context, from stream.Source, file io.Closer, o Options) (Source, error) {
	info := from.Info()
	pacer, err := newPacer(info.SampleRate, o.Pace)
	if err != nil {
		return nil, err
	}
	p := &played{from: from, file: file, pacer: pacer, parent: ctx, view: make([][]float64, info.Channels)}
	p.ctx, p.end = context.WithCancel(ctx)
	return p, nil
}

func (p *played) Info() recording.Info       { return p.from.Info() }
func (p *played) Watch(m *recording.Monitor) { p.from.Watch(m) }
func (p *played) Arrived() time.Time         { return p.pacer.arrived }
func (p *played) Waits() bool                { return math.IsInf(p.pacer.rate, 1) }
func (p *played) Lost() []stream.Gap         { return nil }

// Start is when the samples were made, where they say so, else when playing began.
func (p *played) Start() time.Time {
	if start := p.from.Info().Start; !start.IsZero() {
		return start
	}
	return p.pacer.began
}

func (p *played) Close() error {
	p.end()
	if p.file == nil {
		return nil
	}
	return p.file.Close()
}

// due waits for some of n samples. At the end it waits for none: reading on tells of it.
func (p *played) due(n int) (int, error) {
	if samples := p.from.Info().Samples; samples == p.pos {
		return n, nil
	} else if samples > p.pos {
		n = int(min(int64(n), samples-p.pos))
	}
	n, err := p.pacer.due(p.ctx, p.pos, n)
	if err != nil && p.parent.Err() == nil {
		err = io.EOF // closed
	}
	return n, err
}

func (p *played) ReadInt16(dst []int16) (int, error) {
	n, err := p.due(len(dst) / p.from.Info().Channels)
	if err != nil {
		return 0, err
	}
	n, err = p.from.ReadInt16(dst[:n*p.from.Info().Channels])
	return p.passed(n, err)
}

func (p *played) ReadPlanar(dst [][]float64) (int, error) {
	n, err := p.due(len(dst[0]))
	if err != nil {
		return 0, err
	}
	for c := range p.view {
		p.view[c] = dst[c][:n]
	}
	n, err = p.from.ReadPlanar(p.view)
	return p.passed(n, err)
}

// passed counts what was read.
func (p *played) passed(n int, err error) (int, error) {
	p.pos += int64(n)
	if err != nil && p.ctx.Err() != nil && p.parent.Err() == nil {
		err = io.EOF // the file was closed meanwhile
	}
	return n, err
}
