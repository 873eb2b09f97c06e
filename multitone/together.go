package multitone

import (
	"cmp"
	"math"
	"slices"
)

// together are intervals whose samples are gathered once for all of them. Time is cut into
// atoms, and for the noise into windows of the meter, from where an interval begins while no other
// is open. Each takes the groups of atoms, and the windows, that lie inside of it; what is
// left at its ends is gathered by itself.
type together struct {
	cfg     Config
	waiting []*Interval // that have not begun, by start
	open    []*Interval
	long    int // of them are put together from groups
	at      int64
	origin  int64
	history history
	omitted omissions

	stretches *stretches
	begun     []*Interval // those made of groups that began inside of the atom at hand

	probes  *probes
	hop     int
	sums    []complex128
	windows dyadic[*pool]
	first   []beginning
}

// beginning is the window with which the noise of intervals begins.
type beginning struct {
	start  int64
	probes *probes
	of     []*Interval
}

// The tones may turn by so much over a window of the meter against what its probes are tuned to,
// where the grid begins and further on. Its bins beside a tone, which are taken off, leave a tenth
// of the ramp that this makes of the tone's phase, and of that a Hann window lets a hundredth
// through a few bins away: 1.5e-7 of a tone's amplitude for 5e-5, a thirtieth of the noise
// there beside a tone 80 dB above a sample's noise.
const (
	probeTurns = 1e-5
	driftTurns = 5e-5
)

func newTogether(c *Config) *together {
	t := &together{cfg: *c}
	t.cfg.Tones, t.cfg.Lines, t.cfg.Foreign = slices.Clone(c.Tones), slices.Clone(c.Lines), slices.Clone(c.Foreign)
	t.stretches = newStretches(&t.cfg)
	return t
}

// suits tells whether an interval of a configuration may be one of them.
func (t *together) suits(c *Config) bool {
	return t.cfg.alike(c) && (t.cfg.Course == nil) == (c.Course == nil) &&
		(c.Course != nil || slices.EqualFunc(t.cfg.Tones, c.Tones, func(a, b Tone) bool { return a.Hz == b.Hz }))
}

// idle tells that no interval waits or is open.
func (t *together) idle() bool { return len(t.waiting) == 0 && len(t.open) == 0 }

// expect takes an interval whose samples are still to come.
func (t *together) expect(v *Interval) error {
	if t.probes == nil {
		if err := t.listen(&v.cfg); err != nil {
			return err
		}
	}
	if t.idle() {
		t.omitted = omissions{}
	}
	i, _ := slices.BinarySearchFunc(t.waiting, v.start+1, func(w *Interval, at int64) int { return cmp.Compare(w.start, at) })
	t.waiting = slices.Insert(t.waiting, i, v)
	return nil
}

// listen tunes the probes for the noise beside the tones, where these have moved.
func (t *together) listen(c *Config) (err error) {
	length := c.meterLength(maxDirect)
	if t.probes != nil && t.probes.length == length {
		if !t.probes.off(c, probeTurns) {
			return nil
		}
		return t.probes.tune(c)
	}
	if t.probes, err = newProbes(c, length, intervalProbes, Double); err != nil {
		return err
	}
	t.hop = length / 2
	t.windows = dyadic[*pool]{make: func() *pool { return newPool(t.probes, t.cfg.Channels) }, join: (*pool).join}
	t.history = history{channels: t.cfg.Channels, keep: max(length, shortest)}
	return nil
}

// retune follows a clock that drifts while intervals are open.
func (t *together) retune() error {
	if t.cfg.Course == nil {
		return nil
	}
	now := float64(t.at) / t.cfg.SampleRate
	for k := range t.cfg.Tones {
		t.cfg.Tones[k].Hz = t.cfg.Course.HzAt(k, now)
	}
	if t.probes.off(&t.cfg, driftTurns) {
		return t.probes.tune(&t.cfg)
	}
	return nil
}

// write takes samples of which the first is number first of the recording.
func (t *together) write(x [][]float64, first int64) error {
	end := first + int64(len(x[0]))
	for {
		if len(t.open) == 0 {
			if len(t.waiting) == 0 || t.waiting[0].start >= end {
				return nil
			}
			if err := t.begin(); err != nil {
				return err
			}
		}
		to := min(end, t.next())
		if to > t.at {
			t.history.add(x, int(t.at-first), int(to-t.at))
			t.at = to
		}
		if t.at == end && t.next() > end {
			return nil
		}
		if err := t.reach(); err != nil {
			return err
		}
	}
}

// begin starts the grid with the first interval that waits.
func (t *together) begin() error {
	if err := t.listen(&t.waiting[0].cfg); err != nil {
		return err
	}
	at := t.waiting[0].start
	t.at, t.origin = at, at
	t.history.begin(at)
	t.stretches.begin(at)
	t.windows.count = 0
	t.omitted.forget(at)
	return t.enter()
}

// next is the sample at which something is next to be done: the end of an atom or a window,
// an interval's beginning or its end.
func (t *together) next() int64 {
	next := t.atomEnd()
	next = min(next, t.windowEnd())
	for _, w := range t.first {
		next = min(next, w.start+int64(w.probes.length))
	}
	if len(t.waiting) > 0 {
		next = min(next, t.waiting[0].start)
	}
	for _, v := range t.open {
		next = min(next, v.stop)
	}
	return next
}

func (t *together) atomEnd() int64 { return t.origin + int64(t.stretches.groups.count+1)*atom }

func (t *together) windowEnd() int64 {
	return t.origin + int64(t.windows.count)*int64(t.hop) + int64(t.probes.length)
}

// reach does what is to be done at the sample reached.
func (t *together) reach() error {
	if t.at == t.atomEnd() {
		t.gather()
	}
	if t.at == t.windowEnd() {
		if err := t.retune(); err != nil {
			return err
		}
		t.observe()
	}
	t.first = slices.DeleteFunc(t.first, func(w beginning) bool {
		if w.start+int64(w.probes.length) > t.at {
			return false
		}
		seen := newPool(w.probes, t.cfg.Channels)
		t.see(seen, w.start)
		for _, v := range w.of {
			v.noise.add(seen)
		}
		return true
	})
	t.leave()
	if len(t.open) == 0 {
		return nil // the grid begins anew with the next
	}
	return t.enter()
}

// gather ends an atom.
func (t *together) gather() {
	s := t.stretches
	start := t.at - atom
	if t.long > 0 {
		s.project(s.groups.next(), t.history.samples(start, t.at), start, t.at, &t.omitted)
		s.groups.done()
	} else {
		s.groups.skip()
	}
	at := int64(-1)
	for _, v := range t.begun {
		if v.start != at {
			at = v.start
			s.project(s.spare, t.history.samples(at, t.at), at, t.at, &t.omitted)
		}
		v.take(s, s.spare, start, atom)
	}
	t.begun = t.begun[:0]
	for _, v := range t.open {
		s.groups.take(&v.atoms, func(g *group, at, level int) {
			v.take(s, g, t.origin+int64(at)*atom, atom<<level)
		})
	}
}

// observe ends a window.
func (t *together) observe() {
	if slices.ContainsFunc(t.open, func(v *Interval) bool { return v.windows.at < v.windows.end }) {
		t.see(t.windows.next(), t.at-int64(t.probes.length))
		t.windows.done()
	} else {
		t.windows.skip()
	}
	for _, v := range t.open {
		t.windows.take(&v.windows, func(p *pool, _, _ int) { v.noise.add(p) })
	}
}

// see measures the noise in one window.
func (t *together) see(p *pool, start int64) {
	by := p.by
	if need := by.sums.Size(); len(t.sums) < need {
		t.sums = make([]complex128, need)
	}
	sums := t.sums[:by.sums.Size()]
	sum(by.sums, sums, t.history.samples(start, start+int64(by.length)))
	p.see(sums, t.omitted.lost(by.shape, t.cfg.Channels, start))
}

// enter begins the intervals that begin at the sample reached.
func (t *together) enter() (err error) {
	for len(t.waiting) > 0 && t.waiting[0].start <= t.at {
		v := t.waiting[0]
		t.waiting = slices.Delete(t.waiting, 0, 1)
		t.open = append(t.open, v)
		since, length := v.start-t.origin, v.stop-v.start
		if length > shortest {
			t.long++
			v.sums, v.stretches, v.origin = t.stretches.newGathered(), t.stretches, t.origin
			v.atoms = run{at: int((since + atom - 1) / atom), end: int((v.stop - t.origin) / atom)}
			for atom<<(v.atoms.most+1)*leastGroups <= int(length) {
				v.atoms.most++
			}
			if since%atom != 0 {
				t.begun = append(t.begun, v)
			}
		}
		if v.own == nil && int(length) < t.probes.length { // of tones that are just nearer to each other
			if v.own, err = newProbes(&v.cfg, int(length), intervalProbes, Double); err != nil {
				return err
			}
		}
		if v.own != nil {
			v.noise = newPool(v.own, t.cfg.Channels)
			t.first = append(t.first, beginning{v.start, v.own, []*Interval{v}})
			continue
		}
		v.noise = newPool(t.probes, t.cfg.Channels)
		hop := int64(t.hop)
		v.windows = run{at: int(since / hop), end: int((v.stop-t.origin-int64(t.probes.length))/hop) + 1, most: math.MaxInt}
		if since%hop == 0 {
			continue
		}
		// A window by itself, and of the others those that overlap it by no more than half.
		v.windows.at += 2
		i := slices.IndexFunc(t.first, func(w beginning) bool { return w.start == v.start && w.probes == t.probes })
		if i < 0 {
			i = len(t.first)
			t.first = append(t.first, beginning{start: v.start, probes: t.probes})
		}
		t.first[i].of = append(t.first[i].of, v)
	}
	return nil
}

// leave ends the intervals that end at the sample reached.
func (t *together) leave() {
	at := int64(-1) // where the part of an atom at hand begins
	oldest := t.at
	before := len(t.open)
	t.open = slices.DeleteFunc(t.open, func(v *Interval) bool {
		if v.stop > t.at {
			oldest = min(oldest, v.start)
			return false
		}
		if v.sums == nil {
			v.direct(t)
		} else {
			t.long--
			s := t.stretches
			first := t.origin + int64(s.groups.count)*atom
			if first < t.at {
				if at != first {
					at = first
					s.project(s.spare, t.history.samples(at, t.at), at, t.at, &t.omitted)
				}
				v.take(s, s.spare, first, atom)
			}
			for i := int(v.start-t.origin) / (s.legAtoms * atom); ; i++ {
				l := s.leg(i * s.legAtoms)
				v.legs = append(v.legs, *l)
				if l.middle+float64(l.length)/2 >= float64(v.stop)-0.5 {
					break
				}
			}
		}
		v.keep(&t.omitted)
		v.complete = true
		return true
	})
	if len(t.open) < before {
		t.omitted.forget(oldest)
		t.stretches.forget(oldest)
	}
}
