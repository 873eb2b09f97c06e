package multitone

import (
	"fmt"
	"math"
	"slices"
)

// Interval measures all tones on all channels once, over a stretch of any
// length with equal weights: the efficient estimate for what keeps still. It
// holds no more than a chunk of the samples.
type Interval struct {
	cfg         Config
	start, stop int64
	at          int64 // the next sample expected
	plan        *plan
	*workspace        // nil once the frame is made
	filled      int   // samples of the chunk
	done        int   // chunks projected
	beginning   int64 // first sample of the meter's window
	omitted     omissions
	gone        []complex128 // projections of what is left out; nil: of nothing
	seen        int          // samples of the meter's window
}

// workspace is an Interval's memory, which goes back to its plan.
type workspace struct {
	y      []complex128 // projections
	chunk  []float64
	meter  *meter
	beside []float64 // the meter's window
	bows   bows
}

// plan is what intervals of one length share.
type plan struct {
	cfg        Config
	length     int
	analysis   *analysis
	projection *projection
	probes     *probes
	spare      []*workspace
}

// Plans makes Intervals and keeps the tables for those of equal length and
// nearly equal frequencies, so that thousands of them cost little more than
// their samples. The zero value is ready. Intervals of the same Plans are for
// one goroutine.
type Plans struct{ kept []*plan }

const (
	maxPlans = 8
	// planTurns is how far a tone may turn over an interval against the tables.
	// Its own phasor changes by (2π·1e-5)²/24, and what remains of a tone in
	// another, m bins away, by less than 1e-5/m: the clock is known no better.
	planTurns = 1e-5
)

// NewInterval prepares the measurement of samples start to stop (excluded).
func (p *Plans) NewInterval(c Config, start, stop int64) (*Interval, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if stop-start < 8 {
		return nil, fmt.Errorf("multitone: interval of %d samples: at least 8 are needed", stop-start)
	}
	c.Tones = slices.Clone(c.Tones)
	v := &Interval{cfg: c, start: start, stop: stop, at: start, beginning: start}
	var err error
	if v.plan, err = p.find(&c, int(stop-start)); err != nil {
		return nil, err
	}
	v.workspace = v.plan.workspace()
	v.bows.reset(&v.cfg, v.plan.cfg.Tones, v.plan.projection, start)
	return v, nil
}

func (k *plan) workspace() *workspace {
	if n := len(k.spare); n > 0 {
		w := k.spare[n-1]
		k.spare = k.spare[:n-1]
		clear(w.y)
		w.meter.reset()
		return w
	}
	channels := k.cfg.Channels
	return &workspace{
		y:      make([]complex128, channels*len(k.analysis.omega)),
		chunk:  make([]float64, k.projection.chunk*channels),
		meter:  newMeter(k.probes, channels, 0, slices.Repeat([]float64{1}, channels)),
		beside: make([]float64, k.probes.length*channels),
	}
}

// find returns a plan that suits, the latest first, or makes one.
func (p *Plans) find(c *Config, length int) (*plan, error) {
	for i := len(p.kept) - 1; i >= 0; i-- {
		if k := p.kept[i]; k.suits(c, length) {
			p.kept = append(slices.Delete(p.kept, i, i+1), k)
			return k, nil
		}
	}
	k := &plan{cfg: *c, length: length}
	k.cfg.Course = nil
	k.cfg.Tones, k.cfg.Lines = slices.Clone(c.Tones), slices.Clone(c.Lines)
	var err error
	if k.analysis, err = newAnalysis(&k.cfg, shape{length, []float64{1}}, false); err != nil {
		return nil, err
	}
	if k.probes, err = newProbes(&k.cfg, k.cfg.meterLength(length), intervalProbes, Double); err != nil {
		return nil, err
	}
	k.projection = newProjection(&k.cfg, k.analysis)
	if len(p.kept) == maxPlans {
		p.kept = slices.Delete(p.kept, 0, 1)
	}
	p.kept = append(p.kept, k)
	return k, nil
}

func (k *plan) suits(c *Config, length int) bool {
	if k.length != length || k.cfg.SampleRate != c.SampleRate || k.cfg.Channels != c.Channels ||
		len(k.cfg.Tones) != len(c.Tones) || !slices.Equal(k.cfg.Lines, c.Lines) ||
		!slices.EqualFunc(k.cfg.Foreign, c.Foreign, func(a, b Line) bool { return a.Hz == b.Hz }) {
		return false
	}
	for i, t := range c.Tones {
		if math.Abs(t.Hz-k.cfg.Tones[i].Hz)*float64(length) > planTurns*c.SampleRate {
			return false
		}
	}
	return true
}

// Follow tells the course of the tones' phases, as far as it is known by now.
func (v *Interval) Follow(c Course) { v.cfg.Course = c }

// Omit tells that samples [start, stop) of a channel weigh nothing, before they are
// written; see Bank.Omit.
func (v *Interval) Omit(channel int, start, stop int64) {
	v.omitted.add(v.cfg.Channels, channel, max(start, v.start), min(stop, v.stop))
}

// Break tells that the time line breaks somewhere in samples [start, stop], before they are
// written: no noise is measured across it.
func (v *Interval) Break(start, stop int64) { v.omitted.cut(start, stop) }

// Write feeds samples of which the first is number first of the recording;
// what lies outside of the interval is passed over. It reports whether the
// interval is complete.
func (v *Interval) Write(x [][]float64, first int64) (complete bool) {
	from := int(max(v.at-first, 0))
	to := int(min(v.stop-first, int64(len(x[0]))))
	if from >= to {
		return v.at >= v.stop
	}
	v.at += int64(to - from)
	channels := v.cfg.Channels
	gather := func(stretch []float64, filled *int, full func()) {
		for at := from; at < to; {
			n := min(to-at, len(stretch)/channels-*filled)
			interleave(stretch[*filled*channels:(*filled+n)*channels], x, at)
			*filled += n
			at += n
			if *filled == len(stretch)/channels {
				full()
			}
		}
	}
	gather(v.beside, &v.seen, func() {
		observe(v.meter, v.beside, v.omitted.lost(v.meter.probes.shape, channels, v.beginning))
		half := v.seen / 2 // windows overlap by half
		v.beginning += int64(half)
		v.seen -= half
		copy(v.beside, v.beside[half*channels:])
	})
	gather(v.chunk, &v.filled, v.project)
	return v.at >= v.stop
}

func (v *Interval) project() {
	channels, first := v.cfg.Channels, v.start+int64(v.done*v.plan.projection.chunk)
	chunk, bows := v.chunk[:v.filled*channels], v.bows.follow(&v.cfg, v.done)
	project(v.plan.projection, v.y, v.done, chunk, bows)
	if v.omitted.meet(first) {
		v.projectOmitted(chunk, first, bows)
	}
	v.done++
	v.filled = 0
}

// projectOmitted adds a chunk's samples that are left out to the projections of such
// samples. It leaves nothing else in the chunk.
func (v *Interval) projectOmitted(chunk []float64, first int64, bows []float64) {
	channels, any := v.cfg.Channels, false
	var list []Span
	for c := range channels {
		at := 0
		list = v.omitted.within(list, c, first, first+int64(v.filled))
		for _, s := range append(list, Span{first + int64(v.filled), 0}) {
			for ; at < int(s.Start-first); at++ {
				chunk[at*channels+c] = 0
			}
			at = int(s.Stop - first)
		}
		any = any || len(list) > 0
	}
	if any {
		if v.gone == nil {
			v.gone = make([]complex128, len(v.y))
		}
		project(v.plan.projection, v.gone, v.done, chunk, bows)
	}
}

// leaveOut measures anew the channels of which samples weigh nothing.
func (v *Interval) leaveOut(f *Frame) {
	a := v.plan.analysis
	columns := len(a.omega)
	var t *system
	var r *remnant // channels often miss the same samples
	var list []Span
	for c := range v.omitted.lists {
		if list = v.omitted.within(list, c, v.start, v.stop); len(list) == 0 {
			continue
		}
		for i := range list {
			list[i].Start, list[i].Stop = list[i].Start-v.start, list[i].Stop-v.start
		}
		if !v.bows.flat(&v.cfg) {
			a.trust(f, c, list)
			continue
		}
		if t == nil {
			t = newSystem(a.shape, a.omega, len(v.cfg.Tones), a.strong)
		}
		if r == nil || !slices.Equal(r.without, list) {
			r = newRemnant(a, t, func(column int) bool { return column < a.plain }, list)
		}
		y := v.y[c*columns : (c+1)*columns]
		if v.gone != nil {
			for j, out := range v.gone[c*columns : (c+1)*columns] {
				y[j] -= out
			}
		}
		r.fill(f, c, y)
	}
}

// Frame finishes the estimate, once. It is an error if the samples ended before
// the interval did.
func (v *Interval) Frame() (*Frame, error) {
	if v.at < v.stop {
		return nil, fmt.Errorf("multitone: samples end at %d, before the interval's end at %d", v.at, v.stop)
	}
	if v.filled > 0 {
		v.project()
	}
	f := v.cfg.newFrame()
	f.Start, f.Stop = v.start, v.stop
	if c := v.cfg.Course; c != nil {
		start, stop := float64(v.start)/v.cfg.SampleRate, float64(v.stop)/v.cfg.SampleRate
		for k := range v.cfg.Tones {
			v.cfg.Tones[k].Hz = (c.Cycles(k, stop) - c.Cycles(k, start)) / (stop - start)
		}
	}
	if err := v.bows.fill(&v.cfg, v.plan.analysis, &f, v.y); err != nil {
		return nil, err
	}
	v.leaveOut(&f)
	f.refer(&v.cfg, f.Time(v.cfg.SampleRate))
	v.plan.analysis.weigh(&f, v.meter)
	v.plan.spare = append(v.plan.spare, v.workspace)
	v.workspace = nil
	return &f, nil
}
