package multitone

import "math"

// bows are how far the courses of tones leave sinusoids of constant frequency in one
// window, which both have the same phase at its middle: what the projection of each
// piece is turned by beside its table.
type bows struct {
	tones  []Tone    // with the constant frequencies
	middle float64   // of the window [samples]
	phase  []float64 // of the tones' courses there [cycles]
	pieces []span
	cycles []float64 // pieces × tones
	off    []float64 // by how much the tables' frequencies are higher [Hz], alike; nil: by nothing

	legs        []leg // of a window that is put together from groups, from its start to its stop
	start, stop float64
}

// span is a piece of a window: its middle from the window's, and its length [samples].
type span struct {
	u      float64
	length int
}

// mostBow is the bow [cycles] up to which a window is fitted as if its frequencies were
// constant: of a tone remains mostBow/m in another m bins away.
const mostBow = 2e-5

// reset begins a window of so many samples.
func (b *bows) reset(c *Config, tones []Tone, start int64, length int) {
	b.tones = tones
	b.middle = float64(start) + float64(length-1)/2
	b.pieces, b.cycles, b.off, b.legs = b.pieces[:0], b.cycles[:0], b.off[:0], nil
	b.refer(c)
}

// refer takes the phases in the middle from the courses as they are known by now.
func (b *bows) refer(c *Config) {
	b.phase = b.phase[:0]
	for k := range b.tones {
		b.phase = append(b.phase, c.turned(k, b.middle/c.SampleRate))
	}
}

// follow returns those of the next piece, one a tone; nil without a course.
func (b *bows) follow(c *Config, u float64, length int) []float64 {
	if c.Course == nil {
		return nil
	}
	from := len(b.cycles)
	b.pieces = append(b.pieces, span{u, length})
	for k := range b.tones {
		b.cycles = append(b.cycles, b.at(c, k, u))
	}
	return b.cycles[from:]
}

// along takes the legs of samples [start, stop), as far as they lie in these, for the pieces.
func (b *bows) along(c *Config, legs []leg, start, stop int64) {
	b.legs, b.start, b.stop = legs, float64(start), float64(stop)
	for i := range legs {
		l := &legs[i]
		from := max(b.start, l.middle-float64(l.length-1)/2)
		to := min(b.stop, l.middle+float64(l.length+1)/2)
		middle := (from + to - 1) / 2
		u := middle - b.middle
		b.pieces = append(b.pieces, span{u, int(to - from)})
		for k, tone := range b.tones {
			b.cycles = append(b.cycles, l.at(c, k, middle)-b.phase[k]-tone.Hz*u/c.SampleRate)
			b.off = append(b.off, l.hz[k]-tone.Hz)
		}
	}
}

// higher is by how much the frequency of a tone's tables is higher in a piece [rad/sample].
func (b *bows) higher(c *Config, piece, tone int) float64 {
	if len(b.off) == 0 {
		return 0
	}
	return c.omega(b.off[piece*len(b.tones)+tone])
}

// at is a tone's bow u samples from the middle [cycles].
func (b *bows) at(c *Config, tone int, u float64) float64 {
	t0, t := b.middle/c.SampleRate, (b.middle+u)/c.SampleRate
	return c.Course.Cycles(tone, t) - b.phase[tone] - b.tones[tone].Hz*(t-t0)
}

// mean is a tone's mean bow over a piece about u, by Simpson's rule.
func (b *bows) mean(c *Config, tone int, u float64, length int) float64 {
	half := float64(length) / 2
	return (b.at(c, tone, u-half) + 4*b.at(c, tone, u) + b.at(c, tone, u+half)) / 6
}

// fill writes the frame's raw phasors and bends from the projections of all
// pieces. Where the courses are bowed, the fit is made for them.
func (b *bows) fill(c *Config, a *analysis, f *Frame, y []complex128) error {
	if b.refer(c); b.flat(c) {
		a.fill(f, y, a.estimator, a.bend)
		return nil
	}
	estimator, bend, err := newCurved(c, a, b)
	if err != nil {
		return err
	}
	a.fill(f, y, estimator, bend)
	return nil
}

// courseLooks is at how many places, about, a course is looked at along a window.
const courseLooks = 64

// flat tells whether the window is fitted as if the frequencies were constant.
func (b *bows) flat(c *Config) bool {
	if c.Course == nil {
		return true
	}
	for _, used := range b.cycles { // what was known when the pieces were projected
		if math.Abs(used) > mostBow {
			return false
		}
	}
	for i := 0; i < len(b.pieces); i += 1 + len(b.pieces)/courseLooks { // and what is by now
		for k := range b.tones {
			if math.Abs(b.at(c, k, b.pieces[i].u)) > mostBow {
				return false
			}
		}
	}
	return true
}
