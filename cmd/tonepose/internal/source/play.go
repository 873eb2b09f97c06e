package source

import (
	"context"
	"io"
	"math"
	"time"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// played is a recording that is handed out as fast as it was made, or so many times faster.
type played struct {
	reader *recording.Reader
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
	info := reader.Info()
	p := &played{reader: reader, parent: ctx, view: make([][]float64, info.Channels)}
	if p.pacer, err = newPacer(info.SampleRate, o.Pace); err != nil {
		reader.Close()
		return nil, err
	}
	p.ctx, p.end = context.WithCancel(ctx)
	return p, nil
}

func (p *played) Info() recording.Info       { return p.reader.Info() }
func (p *played) Watch(m *recording.Monitor) { p.reader.Watch(m) }
func (p *played) Arrived() time.Time         { return p.pacer.arrived }
func (p *played) Waits() bool                { return math.IsInf(p.pacer.rate, 1) }
func (p *played) Lost() []stream.Gap         { return nil }

// Start is when the recording was made, where it says so, else when playing began.
func (p *played) Start() time.Time {
	if start := p.reader.Info().Start; !start.IsZero() {
		return start
	}
	return p.pacer.began
}

func (p *played) Close() error {
	p.end()
	return p.reader.Close()
}

// due waits for some of n samples; none are left at the end.
func (p *played) due(n int) (int, error) {
	left := p.reader.Info().Samples - p.pos
	n, err := p.pacer.due(p.ctx, p.pos, int(min(int64(n), left)))
	if err != nil && p.parent.Err() == nil {
		err = io.EOF // closed
	}
	return n, err
}

func (p *played) ReadInt16(dst []int16) (int, error) {
	n, err := p.due(len(dst) / p.reader.Info().Channels)
	if err != nil {
		return 0, err
	}
	n, err = p.reader.ReadInt16(dst[:n*p.reader.Info().Channels])
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
	n, err = p.reader.ReadPlanar(p.view)
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
