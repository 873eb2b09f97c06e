package multitone

import (
	"fmt"
	"math"
	"slices"
)

// Intervals measures all tones on all channels over stretches of any length with equal
// weights: the efficient estimate for what keeps still. Each stretch is an Interval that gives
// one Frame.
//
// They may overlap in any number: samples are gathered once for all that are open,
// in atoms that are joined to groups, and an interval is put together from a few dozen of
// these, so that intervals cost what the samples do and, each, a few samples at its ends and
// the solution of its own fit, for which it does not matter how long it is: where the clock bends, the
// phases at its ends tell the most of that. Of the samples no more are held than the longest window of
// the noise; of an interval that is open, its sums.
//
// The zero value is ready. It is for one goroutine.
type Intervals struct {
	kept     []*plan
	together []*together
	course   Course
	shelf    shelf
}

// Interval is one stretch.
type Interval struct {
	of          *Intervals
	cfg         Config
	start, stop int64
	complete    bool

	plan    *plan // of a short one, from the beginning
	y       []complex128
	bows    bows
	omitted [][]Span     // by channel, in the interval; nil: none
	gone    []complex128 // projections of these samples; nil: of none

	sums, without gathered // of one put together from groups, and of its samples that weigh nothing
	atoms         run
	stretches     *stretches
	origin        int64 // of these
	legs          []leg

	own     *probes // of one that is shorter than the meter's windows
	windows run
	noise   *pool
}

// plan is what intervals of one length share.
type plan struct {
	cfg        Config
	length     int
	held       bool // by intervals, from their beginning
	analysis   *analysis
	projection *projection // of short ones
	probes     *probes     // of those shorter than the meter's windows
}

const (
	maxPlans = 8
	// planTurns is how far a tone may turn over an interval against the tables.
	// Its own phasor changes by (2π·1e-5)²/24, and what remains of a tone in
	// another, m bins away, by less than 1e-5/m: the clock is known no better.
	planTurns = 1e-5
)

// Begin prepares the measurement of samples start to stop (excluded), of which none was
// written yet.
func (p *Intervals) Begin(c Config, start, stop int64) (*Interval, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if stop-start < 8 {
		return nil, fmt.Errorf("multitone: interval of %d samples: at least 8 are needed", stop-start)
	}
	c.Tones = slices.Clone(c.Tones)
	v := &Interval{of: p, cfg: c, start: start, stop: stop}
	p.Follow(c.Course)
	if length := int(stop - start); length <= max(shortest, c.meterLength(maxDirect)) {
		var err error
		if v.plan, err = p.find(&c, length); err != nil {
			return nil, err
		}
		v.own, v.plan.held = v.plan.probes, true
	}
	i := slices.IndexFunc(p.together, func(t *together) bool { return t.suits(&c) })
	if i < 0 {
		p.together = slices.DeleteFunc(p.together, (*together).idle)
		i = len(p.together)
		p.together = append(p.together, newTogether(&c))
	}
	return v, p.together[i].expect(v)
}

// find returns a plan that suits, the latest first, or makes one.
func (p *Intervals) find(c *Config, length int) (*plan, error) {
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
	if k.analysis, err = newAnalysis(&k.cfg, shape{length, []float64{1}}, false, &p.shelf); err != nil {
		return nil, err
	}
	if length <= shortest {
		k.projection = newProjection(&k.cfg, k.analysis)
	}
	if l := k.cfg.meterLength(length); l == length && l < k.cfg.meterLength(maxDirect) {
		if k.probes, err = newProbes(&k.cfg, l, intervalProbes, Double); err != nil {
			return nil, err
		}
	}
	if len(p.kept) == maxPlans {
		if !p.kept[0].held {
			p.kept[0].analysis.system.release()
		}
		p.kept = slices.Delete(p.kept, 0, 1)
	}
	p.kept = append(p.kept, k)
	return k, nil
}

func (k *plan) suits(c *Config, length int) bool {
	if k.length != length || !k.cfg.alike(c) {
		return false
	}
	for i, t := range c.Tones {
		if math.Abs(t.Hz-k.cfg.Tones[i].Hz)*float64(length) > planTurns*c.SampleRate {
			return false
		}
	}
	return true
}

// alike tells whether two configurations differ at most in the tones' frequencies.
func (c *Config) alike(d *Config) bool {
	return c.SampleRate == d.SampleRate && c.Channels == d.Channels && slices.Equal(c.Lines, d.Lines) &&
		slices.EqualFunc(c.Tones, d.Tones, func(a, b Tone) bool { return a.Reference == b.Reference }) &&
		slices.EqualFunc(c.Foreign, d.Foreign, func(a, b Line) bool { return a.Hz == b.Hz })
}

// Follow tells the course of the tones' phases, as far as it is known by now.
func (p *Intervals) Follow(c Course) {
	p.course = c
	for _, t := range p.together {
		t.cfg.Course = c
	}
}

// Omit tells that samples [start, stop) of a channel weigh nothing, before they are
// written; see Bank.Omit.
func (p *Intervals) Omit(channel int, start, stop int64) {
	for _, t := range p.together {
		if !t.idle() {
			t.omitted.add(t.cfg.Channels, channel, start, stop)
		}
	}
}

// Break tells that the time line breaks somewhere in samples [start, stop], before they are
// written: no noise is measured across it.
func (p *Intervals) Break(start, stop int64) {
	for _, t := range p.together {
		if !t.idle() {
			t.omitted.cut(start, stop)
		}
	}
}

// Write feeds samples of which the first is number first of the recording; what lies
// outside of the intervals is passed over.
func (p *Intervals) Write(x [][]float64, first int64) error {
	for _, t := range p.together {
		if err := t.write(x, first); err != nil {
			return err
		}
	}
	return nil
}

// Complete tells that all samples of the interval were written.
func (v *Interval) Complete() bool { return v.complete }

// take adds a group of so many samples, from one on.
func (v *Interval) take(s *stretches, g *group, start int64, size int) {
	u := float64(start-v.start) + float64(size-1)/2 - float64(v.stop-v.start-1)/2
	s.gather(v.sums, g.y, size, u, int(v.stop-v.start))
	if g.gone == nil {
		return
	}
	if v.without == nil {
		v.without = s.newGathered()
	}
	s.gather(v.without, g.gone, size, u, int(v.stop-v.start))
}

// direct projects a short interval.
func (v *Interval) direct(t *together) {
	p, x := v.plan.projection, t.history.samples(v.start, v.stop)
	v.y = make([]complex128, v.cfg.Channels*len(p.omega))
	v.cfg.Course = v.of.course
	v.bows.reset(&v.cfg, v.plan.cfg.Tones, v.start, p.shape.length)
	var part []float64
	for i := range p.chunks {
		u, length := p.middle(i)
		first := v.start + int64(i*p.chunk)
		chunk, bows := x[i*p.chunk*v.cfg.Channels:][:length*v.cfg.Channels], v.bows.follow(&v.cfg, u, length)
		project(p, v.y, i, chunk, bows)
		if part = append(part[:0], chunk...); t.omitted.meet(first) && t.omitted.keep(part, v.cfg.Channels, first) {
			if v.gone == nil {
				v.gone = make([]complex128, len(v.y))
			}
			project(p, v.gone, i, part, bows)
		}
	}
}

// keep remembers which of the interval's samples are left out.
func (v *Interval) keep(o *omissions) {
	if !o.meet(v.start) {
		return
	}
	v.omitted = make([][]Span, v.cfg.Channels)
	for c := range v.omitted {
		v.omitted[c] = o.within(nil, c, v.start, v.stop)
		for i := range v.omitted[c] {
			v.omitted[c][i].Start -= v.start
			v.omitted[c][i].Stop -= v.start
		}
	}
}

// leaveOut measures anew the channels of which samples weigh nothing.
func (v *Interval) leaveOut(f *Frame) {
	a := v.plan.analysis
	columns := len(a.omega)
	var t *system
	var r *remnant // channels often miss the same samples
	for c, list := range v.omitted {
		if len(list) == 0 {
			continue
		}
		if !v.bows.flat(&v.cfg) {
			a.trust(f, c, list)
			continue
		}
		if t == nil {
			t = newSystem(a.shape, a.omega, len(v.cfg.Tones), a.strong, nil)
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
	if !v.complete {
		return nil, fmt.Errorf("multitone: samples end before the interval does, at %d", v.stop)
	}
	v.cfg.Course = v.of.course
	if c := v.cfg.Course; c != nil {
		start, stop := float64(v.start)/v.cfg.SampleRate, float64(v.stop)/v.cfg.SampleRate
		for k := range v.cfg.Tones {
			v.cfg.Tones[k].Hz = (c.Cycles(k, stop) - c.Cycles(k, start)) / (stop - start)
		}
	}
	if v.sums != nil {
		if err := v.assemble(); err != nil {
			return nil, err
		}
	}
	f := v.cfg.newFrame()
	f.Start, f.Stop = v.start, v.stop
	if err := v.bows.fill(&v.cfg, v.plan.analysis, &f, v.y); err != nil {
		return nil, err
	}
	v.leaveOut(&f)
	f.refer(&v.cfg, f.Time(v.cfg.SampleRate))
	m := newMeter(v.noise.by, v.cfg.Channels, 0, slices.Repeat([]float64{1}, v.cfg.Channels))
	m.learn(v.noise)
	v.plan.analysis.weigh(&f, m)
	return &f, nil
}

// assemble makes the projections of an interval that is put together from groups.
func (v *Interval) assemble() (err error) {
	length := int(v.stop - v.start)
	if v.plan, err = v.of.find(&v.cfg, length); err != nil {
		return err
	}
	v.bows.reset(&v.cfg, v.plan.cfg.Tones, v.start, length)
	v.bows.along(&v.cfg, v.legs, v.start, v.stop)
	v.y = v.stretches.projections(v.sums, v.plan.analysis, &v.cfg, v.bows.middle, v.origin)
	if v.without != nil {
		v.gone = v.stretches.projections(v.without, v.plan.analysis, &v.cfg, v.bows.middle, v.origin)
	}
	return nil
}
