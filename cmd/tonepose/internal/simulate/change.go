package simulate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"tonepose/fieldmodels/rigid"
)

// Change is one thing that is turned on a bench while it is recorded: a Drive, Away,
// Leads, Noise, Mains, Clock, Move, Return, Metal or Carry.
type Change interface {
	// prepare checks the change and returns what makes it at sample at; called with
	// the Generator's lock held.
	prepare(g *Generator, at int64) (apply func(), err error)
	// moving reports whether couplings change, which are made ahead of the samples.
	moving() bool
}

// Drive multiplies the nominal current of an emitter: 0 switches it off, 1 on.
type Drive struct {
	Emitter int
	Factor  float64
}

// Away takes an emitter out of reach of every coil, or brings it back; its current goes on.
type Away struct {
	Emitter int
	Away    bool
}

// Leads multiplies what reaches a channel's amplifier: 1 as built, −1 with reversed
// leads, 0 unplugged. The channel's own noise and mains stay.
type Leads struct {
	Channel int
	Factor  float64
}

// Noise is the density of the white noise at every amplifier's input [V/√Hz].
type Noise struct{ Density float64 }

// Mains is the peak of the mains fundamental at every amplifier's input [V]. Its
// frequency is that of Options.MainsHz.
type Mains struct{ Level float64 }

// Clock is the generator's clock against the ADC's [ppm]; it glides there within 0.1 s,
// and keeps the phases.
type Clock struct{ PPM float64 }

// Move carries a sensor to a pose within so many seconds, eased at both ends, where it
// stays.
type Move struct {
	Sensor  int
	To      rigid.Pose
	Seconds float64 // at least 1 ms; default 50 ms
}

// Return carries a sensor back to its path within so many seconds.
type Return struct {
	Sensor  int
	Seconds float64 // as Move's
}

// Change makes a change at sample at, or at the first that is still to come, and returns
// which sample it is: the change holds from there on. Couplings go over within one step
// of their knots, 0.5 to 2 ms.
func (g *Generator) Change(at int64, c Change) (int64, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	at = max(at, g.made)
	if c.moving() && !math.IsInf(g.coils.asked, -1) {
		at = max(at, int64(math.Ceil(g.coils.asked*g.o.RateHz)))
	}
	apply, err := c.prepare(g, at)
	if err != nil || apply == nil {
		return at, err
	}
	i, _ := slices.BinarySearchFunc(g.pending, at+1, func(s scheduled, at int64) int { return cmp.Compare(s.at, at) })
	g.pending = slices.Insert(g.pending, i, scheduled{at, apply})
	return at, nil
}

func (Drive) moving() bool  { return false }
func (Away) moving() bool   { return false }
func (Leads) moving() bool  { return false }
func (Noise) moving() bool  { return false }
func (Mains) moving() bool  { return false }
func (Clock) moving() bool  { return false }
func (Move) moving() bool   { return true }
func (Return) moving() bool { return true }

func (c Drive) prepare(g *Generator, _ int64) (func(), error) {
	if err := among("emitter", c.Emitter, len(g.rig.Emitters)); err != nil {
		return nil, err
	}
	current := g.rig.Emitters[c.Emitter].CurrentPeakA * c.Factor
	return func() { g.synth.SetCurrent(c.Emitter, current) }, finite("the factor of a current", c.Factor)
}

func (c Away) prepare(g *Generator, _ int64) (func(), error) {
	factor := 1.0
	if c.Away {
		factor = 0
	}
	return func() { g.synth.SetCoupled(c.Emitter, factor) }, among("emitter", c.Emitter, len(g.rig.Emitters))
}

func (c Leads) prepare(g *Generator, _ int64) (func(), error) {
	if err := among("channel", c.Channel, len(g.rig.Channels)); err != nil {
		return nil, err
	}
	return func() { g.synth.SetPlugged(c.Channel, c.Factor) }, finite("the factor of a channel's leads", c.Factor)
}

func (c Noise) prepare(g *Generator, _ int64) (func(), error) {
	return func() {
		for i, size := range g.size {
			g.synth.SetNoise(i, c.Density*size)
		}
	}, positive("a noise density", c.Density)
}

func (c Mains) prepare(g *Generator, _ int64) (func(), error) {
	if g.o.MainsHz == 0 && c.Level != 0 {
		return nil, fmt.Errorf("mains of %g V without a frequency: state it from the start", c.Level)
	}
	return func() {
		for i, size := range g.size {
			g.synth.SetMains(i, c.Level*size)
		}
	}, positive("a mains level", c.Level)
}

func (c Clock) prepare(g *Generator, at int64) (func(), error) {
	if !(math.Abs(c.PPM) <= 1e4) {
		return nil, fmt.Errorf("clock off by %g ppm: must be within ±10000", c.PPM)
	}
	return func() { g.clock.turn(float64(at)/g.o.RateHz, (c.PPM-g.o.ClockPPM)*1e-6) }, nil
}

func (c Move) prepare(g *Generator, at int64) (func(), error) {
	if !c.To.Finite() || c.To.Rotation == (rigid.Pose{}).Rotation {
		return nil, fmt.Errorf("move to %v: must be a pose", c.To)
	}
	c.To.Rotation = rigid.Normalize(c.To.Rotation)
	if err := among("sensor", c.Sensor, len(g.paths)); err != nil {
		return nil, err
	}
	return nil, g.goTo(&g.coils.courses[c.Sensor], at, c.Seconds, still(c.To))
}

func (c Return) prepare(g *Generator, at int64) (func(), error) {
	if err := among("sensor", c.Sensor, len(g.paths)); err != nil {
		return nil, err
	}
	return nil, g.goTo(&g.coils.courses[c.Sensor], at, c.Seconds, g.paths[c.Sensor])
}

// goTo begins a leg of a course at a sample.
func (g *Generator) goTo(c *course, at int64, span float64, to movement) error {
	span = cmp.Or(span, 0.05)
	if !(span >= 1e-3) || math.IsInf(span, 0) {
		return fmt.Errorf("a move within %g s: must be at least 1 ms", span)
	}
	c.add(leg{float64(at) / g.o.RateHz, span, to}, g.coils.asked)
	return nil
}

func among(what string, i, n int) error {
	if i < 0 || i >= n {
		return fmt.Errorf("%s %d: there are %d", what, i, n)
	}
	return nil
}

func finite(what string, x float64) error {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Errorf("%s is %g: must be finite", what, x)
	}
	return nil
}

func positive(what string, x float64) error {
	if !(x >= 0) || math.IsInf(x, 0) {
		return fmt.Errorf("%s is %g: must be 0 or more", what, x)
	}
	return nil
}
