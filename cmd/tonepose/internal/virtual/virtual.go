// Package virtual is the bench that is simulated in real time and turned meanwhile:
// knobs with their ranges, what each changes, and the samples.
//
// A Bench has two rigs: the one that makes the samples, and the one by which they are
// solved, which knows no better. They differ in some of its variants.
package virtual

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/metal"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/clock"
	"tonepose/multitone/window"
)

// Bench is one variant of the virtual bench. Its methods may be called by many
// goroutines.
type Bench struct {
	ctx       context.Context
	known     *rig.Rig
	generator *simulate.Generator

	mu    sync.Mutex
	state State
	balls map[float64]int // numbers of the balls made, by radius [m]
	shown int             // of the ball that is there; −1: none
}

// State is how all knobs stand.
type State struct {
	Variant        string     `json:"variant"`
	Noise          float64    `json:"noise"` // [V/√Hz] at every amplifier's input
	Mains          float64    `json:"mains"` // [V], peak of the fundamental, alike
	ClockPPM       float64    `json:"clock"` // generator against converter
	ClockIgnored   bool       `json:"clock_ignored"`
	Window         float64    `json:"window"` // [s]
	Hop            float64    `json:"hop"`    // [s]
	Taper          string     `json:"taper"`
	Drive          []float64  `json:"drive"`    // by emitter, of its nominal current
	Away           []bool     `json:"away"`     // by emitter
	Reversed       []bool     `json:"reversed"` // by coil: leads
	Metal          bool       `json:"metal"`
	MetalPlace     [3]float64 `json:"metal_position"` // [m]
	MetalRadius    float64    `json:"metal_radius"`   // [m]
	FollowPath     bool       `json:"follow_path"`
	Place          [3]float64 `json:"sensor_position"` // [m]
	RotationVector [3]float64 `json:"sensor_rotation"` // [rad]
}

// Start is how the knobs stand at first on a rig.
func start(r *rig.Rig, variant string) State {
	s := State{Variant: variant, Noise: 5e-9, Mains: 10e-6, ClockPPM: 31, Window: 10e-3, Hop: 10e-3, Taper: "hann",
		Drive: slices.Repeat([]float64{1}, len(r.Emitters)), Away: make([]bool, len(r.Emitters)), Reversed: make([]bool, len(r.Sensors[0].Coils)),
		MetalPlace: [3]float64{0.1, 0, 0.2}, MetalRadius: 0.02, FollowPath: true}
	v := r.WorkingVolume
	s.Place = [3]float64{(v.Min.X + v.Max.X) / 2, (v.Min.Y + v.Max.Y) / 2, (v.Min.Z + v.Max.Z) / 2}
	return s
}

// New makes a variant of the bench; equal seeds give equal samples. It ends with ctx.
func New(ctx context.Context, variant string, seed uint64) (*Bench, error) {
	real, known, err := rigs(variant)
	if err != nil {
		return nil, err
	}
	path, err := simulate.BuiltinPath("sweep", real, 0, seed)
	if err != nil {
		return nil, err
	}
	s := start(known, variant)
	g, err := simulate.NewGenerator(ctx, real, path, simulate.Options{Bits: 16, Noise: s.Noise, FlickerHz: 300, MainsHz: 50, MainsV: s.Mains,
		ClockPPM: s.ClockPPM, CurrentDrift: 5e-4, MetalYields: true, Seed: seed}, 0)
	if err != nil {
		return nil, err
	}
	return &Bench{ctx: ctx, known: known, generator: g, state: s, balls: map[float64]int{}, shown: -1}, nil
}

// Rig is the one by which samples are solved.
func (b *Bench) Rig() *rig.Rig { return b.known }

// Pose is where a sensor truly is at a time [s].
func (b *Bench) Pose(sensor int, t float64) rigid.Pose { return b.generator.Pose(sensor, t) }

// State is how the knobs stand.
func (b *Bench) State() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.state
	s.Drive, s.Away, s.Reversed = slices.Clone(s.Drive), slices.Clone(s.Away), slices.Clone(s.Reversed)
	return s
}

// Measuring is how the samples are to be averaged, and what is unknown of the clock.
func (b *Bench) Measuring() (stream.Windows, clock.Mode) {
	s := b.State()
	mode := clock.Common
	if s.ClockIgnored {
		mode = clock.None
	}
	t, _ := window.ByName(s.Taper) // one of the choices
	return stream.Windows{Length: s.Window, Hop: s.Hop, Taper: stream.Taper{Name: s.Taper, Cosine: t.Coefficients()}}, mode
}

// Set turns knobs, by their names; each value is checked before any is turned. anew tells
// that measuring must begin anew; another variant wants another Bench.
func (b *Bench) Set(values map[string]json.RawMessage) (anew bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	next := b.state
	next.Drive, next.Away, next.Reversed = slices.Clone(next.Drive), slices.Clone(next.Away), slices.Clone(next.Reversed)
	for _, k := range b.knobs() {
		text, ok := values[k.ID]
		if !ok {
			continue
		}
		if err := k.take(&next, text); err != nil {
			return false, fmt.Errorf("%s: %w", k.ID, err)
		}
		delete(values, k.ID)
	}
	for name := range values {
		return false, fmt.Errorf("%s: there is no such knob", name)
	}
	if next.Hop > next.Window {
		next.Hop = next.Window
	}
	return b.turn(next)
}

// Reset turns all knobs back to where they stand at first.
func (b *Bench) Reset() (anew bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.turn(start(b.known, b.state.Variant))
}

// turn makes the changes from how knobs stand to how they shall.
func (b *Bench) turn(next State) (anew bool, err error) {
	have := b.state
	var changes []simulate.Change
	if next.Noise != have.Noise {
		changes = append(changes, simulate.Noise{Density: next.Noise})
	}
	if next.Mains != have.Mains {
		changes = append(changes, simulate.Mains{Level: next.Mains})
	}
	if next.ClockPPM != have.ClockPPM {
		changes = append(changes, simulate.Clock{PPM: next.ClockPPM})
	}
	for e := range next.Drive {
		if next.Drive[e] != have.Drive[e] {
			changes = append(changes, simulate.Drive{Emitter: e, Factor: next.Drive[e]})
		}
		if next.Away[e] != have.Away[e] {
			changes = append(changes, simulate.Away{Emitter: e, Away: next.Away[e]})
		}
	}
	for k, reversed := range next.Reversed {
		if reversed != have.Reversed[k] {
			factor := 1.0
			if reversed {
				factor = -1
			}
			changes = append(changes, simulate.Leads{Channel: b.known.Sensors[0].Coils[k].Channel, Factor: factor})
		}
	}
	switch {
	case next.FollowPath && !have.FollowPath:
		changes = append(changes, simulate.Return{Sensor: 0, Seconds: 0.3})
	case !next.FollowPath && (have.FollowPath || next.Place != have.Place || next.RotationVector != have.RotationVector):
		seconds := 0.05
		if have.FollowPath {
			seconds = 0.3
		}
		to := rigid.Pose{Position: vec(next.Place), Rotation: rigid.Exp(vec(next.RotationVector))}
		changes = append(changes, simulate.Move{Sensor: 0, To: to, Seconds: seconds})
	}
	metals, shown, err := b.metal(&next)
	if err != nil {
		return false, err
	}
	for _, c := range append(changes, metals...) {
		if _, err := b.generator.Change(0, c); err != nil {
			return false, err
		}
	}
	b.shown, b.state = shown, next
	return next.Window != have.Window || next.Hop != have.Hop || next.Taper != have.Taper || next.ClockIgnored != have.ClockIgnored, nil
}

// metal has the ball of a state be there, and no other.
func (b *Bench) metal(s *State) (changes []simulate.Change, shown int, err error) {
	if !s.Metal {
		if b.shown >= 0 {
			changes = append(changes, simulate.Metal{Metal: b.shown})
		}
		return changes, -1, nil
	}
	// Balls once made are kept: so few radii there are.
	s.MetalRadius = math.Round(s.MetalRadius/radiusStep) * radiusStep
	n, ok := b.balls[s.MetalRadius]
	if !ok {
		n, err = b.generator.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: vec(s.MetalPlace), RadiusM: s.MetalRadius,
			Material: metal.Materials["aluminium"]})
		if err != nil {
			return nil, b.shown, err
		}
		b.balls[s.MetalRadius] = n
	}
	if n != b.shown {
		if b.shown >= 0 {
			changes = append(changes, simulate.Metal{Metal: b.shown})
		}
		changes = append(changes, simulate.Metal{Metal: n, Present: true})
	}
	return append(changes, simulate.Carry{Metal: n, To: vec(s.MetalPlace), Seconds: 0.05}), n, nil
}

// radiusStep is the step of the ball's radius [m].
const radiusStep = 1e-3

func vec(v [3]float64) r3.Vec { return r3.Vec{X: v[0], Y: v[1], Z: v[2]} }
