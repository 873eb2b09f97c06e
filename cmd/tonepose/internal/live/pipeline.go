package live

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// How many frames may wait to be shown, and how many more to be kept.
const (
	showAhead = 2
	keepAhead = 254
	// patience is how long an interrupted run waits for a reader of its rows.
	patience = 100 * time.Millisecond
)

// frame is the rows of one frame on their way.
type frame struct {
	arrived   time.Time // of its last sample
	skipped   int       // windows before it
	rows      []solve.Row
	integrity []tables.Integrity

	demodulated []tables.Demodulated // instead, of a pair
}

// pipeline takes rows from the engine to where they are wanted.
type pipeline struct {
	options *Options
	bench   *bench.Bench
	src     source.Source
	parts   *tables.Parts
	joiners []*joiner  // by sensor; nil: poses are of single windows
	held    []held     // frames that wait for joiners
	pose    rigid.Pose // of the window at hand
	began   bool
	first   time.Time // when the first frame was there
	shift   float64   // added to times [s]

	run              context.Context // of the run
	ctx              context.Context // ends with the first failure
	cancel           context.CancelCauseFunc
	free, full, keep chan *frame
	shown, kept      chan struct{} // closed when the stages have ended

	poses  []tables.Pose // of the frame that is kept
	part   int64         // of the frame shown last
	mark   frame         // has a part completed
	turned chan struct{} // it is

	mu      sync.Mutex // of what follows
	over    bool       // nothing is counted any more
	buffer  []byte
	latency Latency
	counts  Counts
	state   State
	written int // parts
}

func newPipeline(ctx context.Context, o *Options, b *bench.Bench, src source.Source, parts *tables.Parts) (*pipeline, error) {
	p := &pipeline{run: ctx, options: o, bench: b, src: src, parts: parts, shown: make(chan struct{}), kept: make(chan struct{}),
		free: make(chan *frame, showAhead+keepAhead), full: make(chan *frame, showAhead), keep: make(chan *frame, showAhead+keepAhead+2), turned: make(chan struct{}, 1)}
	if o.Joined {
		for i := range b.Sensors() {
			j, err := newJoiner(o, b, i)
			if err != nil {
				return nil, err
			}
			p.joiners = append(p.joiners, j)
		}
	}
	p.ctx, p.cancel = context.WithCancelCause(context.Background())
	sensors := 0
	if b != nil {
		sensors = len(b.Sensors())
	}
	for range cap(p.free) {
		p.free <- &frame{rows: make([]solve.Row, 0, sensors)}
	}
	go p.show()
	go p.keepAll()
	return p, nil
}

// begin notes when the stream began, once its first frame is there.
func (p *pipeline) begin() {
	p.began, p.first = true, time.Now()
	start := p.src.Start()
	if p.parts == nil {
		return
	}
	p.shift = shift(&p.parts.Earlier, start)
	if p.parts.Metadata.Recording.Start = start; p.parts.Earlier.Parts > 0 {
		p.parts.Metadata.Recording.Start = p.parts.Earlier.Start
	}
}

// gather makes rows of what one frame shows.
func (p *pipeline) gather(seen *engine.Observation) error {
	if !p.began {
		p.begin()
	}
	f, err := p.next()
	if err != nil {
		return err
	}
	f.arrived, f.skipped = seen.Arrived, seen.Skipped
	for i := range seen.Sensors {
		v := &seen.Sensors[i]
		s := &p.bench.Sensors()[v.Sensor]
		f.rows = f.rows[:len(f.rows)+1]
		row := &f.rows[len(f.rows)-1]
		row.Fill(s, seen.Measured, v)
		row.Time += p.shift
		f.integrity = append(f.integrity, tables.Integrity{Time: row.Time, Duration: row.Duration, Sensor: s.Name, Verdict: v.Verdict, Flags: v.Flags})
	}
	if p.joiners != nil {
		return p.join(f, seen)
	}
	return p.hand(f)
}

// next is a frame to fill.
func (p *pipeline) next() (*frame, error) {
	select {
	case f := <-p.free:
		f.rows, f.integrity = f.rows[:0], f.integrity[:0]
		return f, nil
	case <-p.run.Done():
		return nil, p.run.Err()
	case <-p.ctx.Done():
		return nil, context.Cause(p.ctx)
	}
}

// hand hands a frame on. It waits where the frames before it were not shown yet.
func (p *pipeline) hand(f *frame) error {
	select {
	case p.full <- f:
		return nil
	case <-p.run.Done():
		return p.run.Err()
	case <-p.ctx.Done():
		return context.Cause(p.ctx)
	}
}

// show writes the rows of frames as they come.
func (p *pipeline) show() {
	defer close(p.shown)
	o := p.options
	if o.Rows != nil {
		if _, err := o.Stdout.Write(o.Rows.Head(p.bench == nil)); err != nil {
			p.cancel(err)
			return
		}
	}
	for f := range p.full {
		if !p.turn(f) {
			return
		}
		late := f.late()
		if o.Rows != nil {
			p.buffer = p.buffer[:0]
			for i := range f.rows {
				f.came(i, late)
				p.buffer = o.Rows.Pose(p.buffer, &f.rows[i].Pose)
			}
			for i := range f.demodulated {
				p.buffer = o.Rows.Pair(p.buffer, &f.demodulated[i], tables.Live{Latency: late, Skipped: f.skipped})
			}
			if _, err := o.Stdout.Write(p.buffer); err != nil {
				p.cancel(fmt.Errorf("rows: %w", err))
				return
			}
			late = f.late()
		}
		for i := range f.rows {
			f.came(i, late)
		}
		if !p.count(f, late) {
			return
		}
		if o.Look != nil {
			p.look(f)
		}
		p.keep <- f // never blocks: it holds all frames there are
	}
}

// turn has the part before that of a frame completed before a row of the frame is shown:
// whatever a reader has seen, no more than one part of it can be lost. False: that failed.
func (p *pipeline) turn(f *frame) bool {
	var at float64
	switch {
	case p.parts == nil:
		return true
	case len(f.rows) > 0:
		at = f.rows[0].Time
	case len(f.demodulated) > 0:
		at = f.demodulated[0].Time
	default:
		return true
	}
	part := int64(at / p.options.PartSeconds)
	if part == p.part {
		return true
	}
	p.part = part
	p.keep <- &p.mark // never blocks
	select {
	case <-p.turned:
		return true
	case <-p.ctx.Done():
		return false
	}
}

// late is how long ago a frame's last sample came in [s]; NaN: not known.
func (f *frame) late() float64 {
	if f.arrived.IsZero() {
		return math.NaN()
	}
	return time.Since(f.arrived).Seconds()
}

// came notes in a row how it came.
func (f *frame) came(i int, late float64) {
	f.rows[i].Came(tables.Live{Latency: late, Skipped: f.skipped})
}

// count counts what was shown; false: too late to be counted and kept.
func (p *pipeline) count(f *frame, late float64) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.over {
		return false
	}
	c := &p.counts
	switch {
	case math.IsNaN(late):
	case f.arrived.Before(p.first):
		c.Waited++
	default:
		p.latency.Add(late)
	}
	c.Frames++
	c.Skipped += f.skipped
	for i := range f.demodulated {
		row := &f.demodulated[i]
		if math.IsNaN(row.Phase) {
			c.Unsolved++
		} else {
			c.Solved++
		}
		c.Flags.Add(row.Flags)
	}
	for i := range f.rows {
		row := &f.rows[i]
		if row.Estimate != nil {
			c.Solved++
		} else {
			c.Unsolved++
		}
		c.Flags.Add(row.Flags)
	}
	return true
}

func (p *pipeline) look(f *frame) {
	p.state.Poses = p.state.Poses[:0]
	for i := range f.rows {
		p.state.Poses = append(p.state.Poses, f.rows[i].Pose)
	}
	p.state.Demodulated = f.demodulated
	p.state.Latency, p.state.Counts = &p.latency, p.counts
	p.options.Look(&p.state)
}

// keepAll writes the parts.
func (p *pipeline) keepAll() {
	defer close(p.kept)
	for f := range p.keep {
		switch f {
		case nil:
			return
		case &p.mark:
			if err := p.parts.Close(); err != nil {
				p.cancel(err)
				return
			}
			p.turned <- struct{}{}
			continue
		}
		if p.parts != nil {
			if err := p.write(f); err != nil {
				p.cancel(err)
				return
			}
		}
		p.free <- f // never blocks
	}
}

func (p *pipeline) write(f *frame) error {
	if len(f.demodulated) > 0 {
		if err := p.parts.Turn(f.demodulated[0].Time); err != nil {
			return err
		}
		return p.parts.Demodulated.Write(f.demodulated...)
	}
	if len(f.rows) == 0 {
		return nil
	}
	if err := p.parts.Turn(f.rows[0].Time); err != nil {
		return err
	}
	p.poses = p.poses[:0]
	for i := range f.rows {
		p.poses = append(p.poses, f.rows[i].Pose)
	}
	if err := p.parts.Poses.Write(p.poses...); err != nil {
		return err
	}
	if p.parts.Integrity != nil {
		return p.parts.Integrity.Write(f.integrity...)
	}
	return nil
}

// end lets the frames pass that are on their way, and completes the last part. err is how
// the engine ended.
func (p *pipeline) end(ctx context.Context, err error) error {
	if err == nil {
		err = p.flush()
	}
	for _, j := range p.joiners {
		j.follower.Close()
	}
	close(p.full)
	select {
	case <-p.shown:
	case <-p.ctx.Done():
	case <-interrupted(ctx):
		// Who reads the rows does not; what was shown is kept all the same.
	}
	p.mu.Lock()
	p.over = true
	p.mu.Unlock()
	p.keep <- nil // never blocks
	<-p.kept
	if failed := context.Cause(p.ctx); failed != nil {
		err = failed
	}
	p.cancel(nil)
	if p.parts == nil {
		return err
	}
	closed := p.parts.Close()
	p.written = p.parts.Written()
	return cmp.Or(err, closed)
}

// interrupted is closed when the context has been done for some time.
func interrupted(ctx context.Context) <-chan struct{} {
	c := make(chan struct{})
	context.AfterFunc(ctx, func() { time.AfterFunc(patience, func() { close(c) }) })
	return c
}
