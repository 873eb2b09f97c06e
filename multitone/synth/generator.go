package synth

import (
	"io"
	"math"
)

// chunk is the number of samples over which phases go on from an exact one, stretch that
// of those computed at a time: channels side by side, so long that this pays. Both start
// at their multiples, so that the samples do not depend on the caller's block lengths.
const (
	chunk   = 256
	stretch = 4 * chunk
)

// Generator draws the samples that a Config describes.
type Generator struct {
	cfg      Config
	position int64       // next sample to hand out
	volts    [][]float64 // the present stretch, [channel][stretch]
	at, have int         // within the present stretch
	knots    *knots      // nil: no pickup
	turns    []rotations // by tone
	groups   []*currents
	channels []channelState
	early    float64 // smallest and
	late     float64 // largest delay of a pickup [s]
	clipped  []int64
	coupled  []float64 // by tone: factor on its couplings
	first    int64     // sample of the present stretch
	count    int       // of its samples
	team     *team     // computes its channels
	err      error
}

type channelState struct {
	group   *currents
	pickup  int     // −1: none
	plugged float64 // factor on what reaches the amplifier
	noise   *noiseSource
	hum     *hum
}

// New checks a Config and prepares its samples.
func New(c Config) (*Generator, error) {
	c.Channels = append([]Channel(nil), c.Channels...)
	c.Tones = append([]Tone(nil), c.Tones...)
	if err := c.check(); err != nil {
		return nil, err
	}
	g := &Generator{cfg: c, turns: newRotations(&c), clipped: make([]int64, len(c.Channels))}
	for range c.Tones {
		g.coupled = append(g.coupled, 1)
	}
	pickups := 0
	for i, ch := range c.Channels {
		delay := ch.Delay
		if ch.Response != nil {
			delay = 0
		}
		s := channelState{
			group:  g.group(delay),
			pickup: -1, plugged: 1,
			noise: newNoise(ch.Noise, c.Rate, newNormals(c.Seed, uint64(2*i))),
			hum:   newHum(c.Mains, ch.Mains, newNormals(c.Seed, uint64(2*i+1)).random),
		}
		if ch.Pickup {
			if pickups == 0 {
				g.early, g.late = delay, delay
			}
			g.early, g.late = min(g.early, delay), max(g.late, delay)
			s.pickup = pickups
			pickups++
		}
		g.channels = append(g.channels, s)
		g.volts = append(g.volts, make([]float64, stretch+humAtOnce))
	}
	if pickups > 0 {
		g.knots = &knots{source: c.Couplings, step: c.KnotStep, width: pickups * len(c.Tones)}
	}
	g.team = newTeam(g.channel)
	return g, nil
}

func (g *Generator) group(delay float64) *currents {
	for _, c := range g.groups {
		if c.delay == delay {
			return c
		}
	}
	c := newCurrents(delay, len(g.cfg.Tones))
	g.groups = append(g.groups, c)
	return c
}

// Clipped returns how many samples of each channel the quantiser has clipped,
// of all stretches begun.
func (g *Generator) Clipped() []int64 { return append([]int64(nil), g.clipped...) }

// ReadPlanar fills dst[channel][sample] with the next volts, those of the
// quantiser's codes where there is one, and returns how many samples each
// channel got: less than asked for, with io.EOF once none is left, only at the
// end. An error of Couplings stays.
func (g *Generator) ReadPlanar(dst [][]float64) (n int, err error) {
	for n < len(dst[0]) {
		if err := g.fill(); err == io.EOF && n > 0 {
			break
		} else if err != nil {
			return n, err
		}
		m := 0
		for c := range dst {
			m = copy(dst[c][n:], g.volts[c][g.at:g.have])
		}
		g.at += m
		g.position += int64(m)
		n += m
	}
	return n, nil
}

// fill computes the next stretch if the present one is used up.
func (g *Generator) fill() error {
	if g.err != nil {
		return g.err
	}
	if g.at < g.have {
		return nil
	}
	end := g.position - g.position%stretch + stretch
	if g.cfg.Samples > 0 {
		end = min(end, g.cfg.Samples)
	}
	if end == g.position {
		g.err = io.EOF
		return g.err
	}
	if g.cfg.Before != nil {
		again, err := g.cfg.Before(g.position)
		if err != nil {
			g.err = err
			return err
		}
		end = min(end, max(again, g.position+1))
	}
	n := int(end - g.position)
	if g.err = g.compute(g.position, n); g.err != nil {
		return g.err
	}
	g.at, g.have = 0, n
	return nil
}

func (g *Generator) compute(first int64, n int) error {
	rate := g.cfg.Rate
	for at := 0; at < n; {
		end := min(at+chunk-int((first+int64(at))%chunk), n)
		for _, c := range g.groups {
			c.fill(&g.cfg, g.turns, first, at, end)
		}
		at = end
	}
	if g.knots != nil {
		if err := g.knots.cover(float64(first)/rate-g.late, float64(first+int64(n))/rate-g.early); err != nil {
			return err
		}
	}
	g.first, g.count = first, n
	return g.team.run(len(g.channels))
}

// channel computes the present stretch of channel c.
func (g *Generator) channel(c int) error {
	ch, s, v := &g.cfg.Channels[c], &g.channels[c], g.volts[c][:g.count]
	s.hum.set(v, g.first, g.cfg.Rate)
	if ch.Offset != 0 || ch.Drift != 0 {
		for i := range v {
			v[i] += ch.Offset + ch.Drift*(float64(g.first+int64(i))/g.cfg.Rate)
		}
	}
	if s.pickup >= 0 {
		if err := g.pickUp(v, c, g.first); err != nil {
			return err
		}
	}
	for k, z := range ch.Transimpedance {
		if z *= ch.gain(k) * complex(s.plugged, 0); z == 0 {
			continue
		}
		re, im := s.group.tones[k].re[:len(v)], s.group.tones[k].im[:len(v)]
		for i := range v {
			v[i] += real(z)*re[i] - imag(z)*im[i]
		}
	}
	s.noise.add(v)
	if q := ch.Quantiser; q.Bits != 0 {
		g.clipped[c] += q.apply(v)
	}
	return nil
}

// pickUp adds −dλ/dt of every tone on channel c, interval by interval of the
// couplings' knots.
func (g *Generator) pickUp(v []float64, c int, first int64) error {
	ch, s := &g.cfg.Channels[c], &g.channels[c]
	step, tones := 1/g.cfg.Rate, len(g.cfg.Tones)
	for i := 0; i < len(v); {
		t := float64(first+int64(i))/g.cfg.Rate - s.group.delay
		knot := int64(math.Floor(t / g.knots.step))
		u := t - float64(knot)*g.knots.step
		end := i + max(1, int(math.Ceil((g.knots.step-u)/step)))
		end = min(end, len(v))
		for k := range tones {
			m, err := g.knots.interval(knot, s.pickup*tones+k)
			if err != nil {
				return err
			}
			gain := ch.gain(k) * complex(s.plugged*g.coupled[k], 0)
			if gain == 0 {
				continue
			}
			m.subtract(v[i:end], s.group.tones[k], i, u, step, gain)
		}
		i = end
	}
	return nil
}

// gain is a tone's factor beside the delay that the currents already have.
func (c *Channel) gain(tone int) complex128 {
	if c.Response != nil {
		return c.Response[tone]
	}
	return complex(c.Gain, 0)
}
