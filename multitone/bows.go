package multitone

import "math"

// bows are how far the courses of tones leave sinusoids of constant frequency in one
// window, which both have the same phase at its middle: what the projection of each
// chunk is turned by beside its table.
type bows struct {
	tables     []Tone // with the constant frequencies
	projection *projection
	middle     float64   // of the window [samples]
	cycles     []float64 // chunks × tones
}

// mostBow is the bow [cycles] up to which a window is fitted as if its frequencies were
// constant: of a tone remains mostBow/m in another m bins away.
const mostBow = 2e-5

// reset begins a window.
func (b *bows) reset(c *Config, tables []Tone, p *projection, start int64) {
	b.tables, b.projection = tables, p
	b.middle = float64(start) + float64(p.shape.length-1)/2
	b.cycles = b.cycles[:0]
}

// follow returns those of the next chunk, one a tone; nil without a course.
func (b *bows) follow(c *Config, chunk int) []float64 {
	if c.Course == nil {
		return nil
	}
	u, _ := b.projection.middle(chunk)
	from := len(b.cycles)
	for k := range b.tables {
		b.cycles = append(b.cycles, b.at(c, k, u))
	}
	return b.cycles[from:]
}

// at is a tone's bow u samples from the middle [cycles].
func (b *bows) at(c *Config, tone int, u float64) float64 {
	t0, t := b.middle/c.SampleRate, (b.middle+u)/c.SampleRate
	return c.Course.Cycles(tone, t) - c.Course.Cycles(tone, t0) - b.tables[tone].Hz*(t-t0)
}

// mean is a tone's mean bow over a chunk about u, by Simpson's rule.
func (b *bows) mean(c *Config, tone int, u float64, length int) float64 {
	half := float64(length) / 2
	return (b.at(c, tone, u-half) + 4*b.at(c, tone, u) + b.at(c, tone, u+half)) / 6
}

// fill writes the frame's raw phasors and bends from the projections of all
// chunks. Where the courses are bowed, the fit is made for them.
func (b *bows) fill(c *Config, a *analysis, f *Frame, y []complex128) error {
	if b.flat(c) {
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

// flat tells whether the window is fitted as if the frequencies were constant.
func (b *bows) flat(c *Config) bool {
	if c.Course == nil {
		return true
	}
	n := len(b.tables)
	for i := range b.projection.chunks {
		u, _ := b.projection.middle(i)
		for k, used := range b.cycles[i*n : (i+1)*n] {
			// What was known when the chunk was projected, and what is by now.
			if math.Abs(used) > mostBow || math.Abs(b.at(c, k, u)) > mostBow {
				return false
			}
		}
	}
	return true
}
