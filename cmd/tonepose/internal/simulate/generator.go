package simulate

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/multitone/synth"
)

// Generator draws the samples that a rig would record of its sensors on a path, sample
// by sample, in constant memory and without allocating: a stream.Source. Reading is for
// one goroutine; others may meanwhile Change the bench and ask where its sensors are.
type Generator struct {
	rig   *rig.Rig
	o     Options
	info  recording.Info
	synth *synth.Generator
	size  []float64 // by channel: of a voltage at the ADC over that at the amplifier's input
	watch *recording.Monitor
	pos   int64       // next sample to hand out
	volts [][]float64 // room for ReadInt16
	view  [][]float64

	mu      sync.Mutex
	coils   *couplingMap
	paths   []movement // of the sensors
	clock   clockCourse
	pending []scheduled // by rising sample
	made    int64       // samples that no change can reach any more
}

// scheduled is a change that is still to come.
type scheduled struct {
	at    int64
	apply func()
}

// piece is how many samples are converted to counts at a time.
const piece = 1024

// NewGenerator makes the generator of so many samples a channel; 0: without end. A path
// of timed poses goes on straight and evenly after its end. It ends with ctx.
func NewGenerator(ctx context.Context, r *rig.Rig, p *Path, o Options, samples int64) (*Generator, error) {
	o.fill(r, p)
	coils, err := newCouplingMap(r, p)
	if err != nil {
		return nil, err
	}
	coils.yields = o.MetalYields
	g := &Generator{rig: r, o: o, coils: coils, view: make([][]float64, len(r.Channels))}
	for i := range p.Tracks {
		g.paths = append(g.paths, p.Tracks[i].motion)
	}
	config, err := g.config(p)
	if err != nil {
		return nil, err
	}
	config.Samples, config.Before, config.Clock = samples, g.before, g.ahead
	// Between blocks there may be seconds of couplings.
	config.Couplings = func(t float64, m, dm []complex128) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		g.mu.Lock()
		defer g.mu.Unlock()
		return g.coils.fill(t, m, dm)
	}
	if g.synth, err = synth.New(config); err != nil {
		return nil, err
	}
	g.describe(samples)
	for range r.Channels {
		g.volts = append(g.volts, make([]float64, piece))
	}
	if o.Scene != "" {
		scene, err := rig.LoadScene(o.Scene, r)
		if err != nil {
			return nil, err
		}
		if err := g.Play(scene); err != nil {
			return nil, fmt.Errorf("%s: %w", o.Scene, err)
		}
	}
	return g, nil
}

// describe fills what a reader of the samples must know.
func (g *Generator) describe(samples int64) {
	g.info = recording.Info{Name: "bench", Format: "simulated", Datatype: "rf64_le", SampleRate: g.o.RateHz,
		Channels: len(g.rig.Channels), Samples: samples, Volts: true, Captures: []recording.Capture{{}}}
	if samples == 0 {
		g.info.Samples = -1
	}
	bits := g.o.Bits
	if bits > 0 {
		g.info.Integer, g.info.Int16, g.info.Bits = true, bits <= 16, bits
		g.info.Datatype = fmt.Sprintf("ri%d_le", bits)
	}
	if bits == 8 {
		g.info.Datatype = "ri8"
	}
	for _, c := range g.rig.Channels {
		g.info.Names = append(g.info.Names, c.Name)
		if bits > 0 {
			g.info.Scale = append(g.info.Scale, math.Ldexp(c.FullScaleV, 1-bits))
		}
	}
}

// Info describes the samples; their number is negative when they have no end.
func (g *Generator) Info() recording.Info { return g.info }

// Watch lets m see every sample that is handed out from now on.
func (g *Generator) Watch(m *recording.Monitor) { g.watch = m }

// Clipped is how many samples of each channel exceeded its full scale so far.
func (g *Generator) Clipped() []int64 { return g.synth.Clipped() }

// ReadPlanar fills dst, one slice a channel, with the next volts and returns how many
// each got: fewer than asked for only at the end, then 0 and io.EOF.
func (g *Generator) ReadPlanar(dst [][]float64) (int, error) {
	n, err := g.synth.ReadPlanar(dst)
	if n > 0 && g.watch != nil {
		for c := range g.view {
			g.view[c] = dst[c][:n]
		}
		g.watch.Planar(g.view, g.pos)
	}
	g.pos += int64(n)
	return n, err
}

// ReadInt16 fills dst with the next counts, all channels of a sample side by side, and
// returns the number of samples of each, as ReadPlanar. It is an error unless Info.Int16.
func (g *Generator) ReadInt16(dst []int16) (n int, err error) {
	if !g.info.Int16 {
		return 0, fmt.Errorf("%s: %d bits a sample do not fit in counts of 16", g.info.Name, g.info.Bits)
	}
	channels := g.info.Channels
	for want := len(dst) / channels; n < want; {
		for c := range g.view {
			g.view[c] = g.volts[c][:min(want-n, piece)]
		}
		var m int
		if m, err = g.synth.ReadPlanar(g.view); m == 0 {
			break
		}
		for c, v := range g.view {
			// A volt is a count times a step, so that this gives the count back.
			unit, at := 1/g.info.Scale[c], n*channels+c
			for _, x := range v[:m] {
				dst[at] = int16(math.RoundToEven(x * unit))
				at += channels
			}
		}
		n += m
	}
	if n == 0 {
		return 0, err
	}
	if g.watch != nil {
		g.watch.Int16(dst[:n*channels], g.pos)
	}
	g.pos += int64(n)
	return n, nil
}

// Pose is where a sensor of the rig is at t [s] after the first sample, up to a minute
// back: the truth that samples are made from.
func (g *Generator) Pose(sensor int, t float64) rigid.Pose {
	g.mu.Lock()
	defer g.mu.Unlock()
	p, _, _ := g.coils.courses[sensor].At(t)
	return p
}

// carried reports whether a sensor is carried away from its path.
func (g *Generator) carried() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.ContainsFunc(g.coils.courses, func(c course) bool { return len(c) > 1 })
}

// before is synth.Config.Before: it makes the changes that are due, and tells when the
// next one is.
func (g *Generator) before(first int64) (int64, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for len(g.pending) > 0 && g.pending[0].at <= first {
		g.pending[0].apply()
		g.pending = slices.Delete(g.pending, 0, 1)
	}
	again := first + synthAtOnce
	if len(g.pending) > 0 {
		again = min(again, g.pending[0].at)
	}
	g.made = again
	return again, nil
}

// synthAtOnce samples are made together at most, or fewer.
const synthAtOnce = 1024

// ahead is synth.Config.Clock.
func (g *Generator) ahead(t float64) (ahead, rate float64) {
	if g.o.Clock != nil {
		ahead, rate = g.o.Clock(t)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	a, r := g.clock.at(t)
	return ahead + a, rate + r
}
