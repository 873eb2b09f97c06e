package virtual

import (
	"context"
	"io"
	"math"
	"time"

	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// player hands out the samples of a generator when they are due. Where the machine does
// not keep up, the bench's time slows down: what is turned is to be seen at once, and
// nothing is skipped.
type player struct {
	from    *simulate.Generator
	ctx     context.Context
	end     context.CancelFunc
	rate    float64
	began   time.Time // of the samples, shifted where they were late
	first   time.Time
	pos     int64
	arrived time.Time
	timer   *time.Timer
}

const (
	tick    = 2e-3                  // is handed out at a time at least [s]
	mostLag = 50 * time.Millisecond // that is caught up with
)

// Source plays the samples on from where they are.
func (b *Bench) Source(ctx context.Context) source.Source {
	p := &player{from: b.generator, rate: b.generator.Info().SampleRate}
	p.ctx, p.end = context.WithCancel(ctx)
	return p
}

func (p *player) Info() recording.Info       { return p.from.Info() }
func (p *player) Watch(m *recording.Monitor) { p.from.Watch(m) }
func (p *player) Arrived() time.Time         { return p.arrived }
func (p *player) Waits() bool                { return false }
func (p *player) Lost() []stream.Gap         { return nil }
func (p *player) Start() time.Time           { return p.first }
func (p *player) Close() error               { p.end(); return nil }

// due waits for some of n samples.
func (p *player) due(n int) (int, error) {
	now := time.Now()
	if p.began.IsZero() {
		p.began, p.first = now, now
	}
	least := min(n, int(math.Ceil(p.rate*tick)))
	wait := p.at(p.pos + int64(least)).Sub(now)
	if wait < -mostLag {
		p.began = p.began.Add(-wait)
	}
	if wait > 0 {
		if p.timer == nil {
			p.timer = time.NewTimer(wait)
		} else {
			p.timer.Reset(wait)
		}
		select {
		case <-p.ctx.Done():
			p.timer.Stop()
		case now = <-p.timer.C:
		}
	}
	if p.ctx.Err() != nil {
		return 0, io.EOF
	}
	passed := int64(now.Sub(p.began).Seconds() * p.rate)
	n = int(min(int64(n), max(int64(least), passed-p.pos)))
	p.arrived = p.at(p.pos + int64(n))
	return n, nil
}

// at is when so many samples have come.
func (p *player) at(samples int64) time.Time {
	return p.began.Add(time.Duration(float64(samples) / p.rate * float64(time.Second)))
}

func (p *player) ReadPlanar(dst [][]float64) (int, error) {
	n, err := p.due(len(dst[0]))
	if err != nil {
		return 0, err
	}
	part := make([][]float64, len(dst))
	for c := range dst {
		part[c] = dst[c][:n]
	}
	n, err = p.from.ReadPlanar(part)
	p.pos += int64(n)
	return n, err
}

func (p *player) ReadInt16(dst []int16) (int, error) {
	channels := p.from.Info().Channels
	n, err := p.due(len(dst) / channels)
	if err != nil {
		return 0, err
	}
	n, err = p.from.ReadInt16(dst[:n*channels])
	p.pos += int64(n)
	return n, err
}
