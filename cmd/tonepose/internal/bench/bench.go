// Package bench makes a rig ready for measuring and solving. A Bench is made
// from a rig once, never changes and is shared between goroutines; what one
// goroutine needs of its own, a Coupler or a solver, is made from it.
package bench

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/multitone"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
)

// Bench is a rig made ready: immutable, safe for use by many goroutines.
type Bench struct {
	rig     *rig.Rig
	tones   []multitone.Tone
	sensors []Sensor
	prepare func() ([]*solver.Solver, error)
}

// Sensor is one sensor of a bench.
type Sensor struct {
	Name     string
	Channels []int    // of its coils, indices of the rig's channels
	Coils    []string // names of these channels
	Tip      *r3.Vec  // point of interest in the sensor's frame [m]; nil: none
}

// New prepares a rig.
func New(r *rig.Rig) *Bench {
	b := &Bench{rig: r}
	var pickups []int
	for _, s := range r.Sensors {
		for _, c := range s.Coils {
			pickups = append(pickups, c.Channel)
		}
	}
	for _, e := range r.Emitters {
		t := multitone.Tone{Name: e.Name, Hz: e.ToneHz}
		if e.Reference != nil {
			t.Reference = multitone.OnChannel(e.Reference.Channel)
		} else if r.Playback != nil {
			t.Pickups = pickups
		}
		b.tones = append(b.tones, t)
	}
	for _, s := range r.Sensors {
		of := Sensor{Name: s.Name, Tip: s.TipM}
		for _, c := range s.Coils {
			of.Channels = append(of.Channels, c.Channel)
			of.Coils = append(of.Coils, r.Channels[c.Channel].Name)
		}
		b.sensors = append(b.sensors, of)
	}
	b.prepare = sync.OnceValues(b.solvers)
	return b
}

// Rig is what the bench was made from. It must not be changed.
func (b *Bench) Rig() *rig.Rig { return b.rig }

// Tones are the emitters' tones at the frequencies that the rig states, in the
// rig's order. The slice is the caller's own.
func (b *Bench) Tones() []multitone.Tone { return slices.Clone(b.tones) }

// Sensors are the rig's sensors. They must not be changed.
func (b *Bench) Sensors() []Sensor { return b.sensors }

// SensorNames are the names of the sensors.
func (b *Bench) SensorNames() (names []string) {
	for _, s := range b.sensors {
		names = append(names, s.Name)
	}
	return names
}

// Solver returns a solver for poses of sensor i, for one goroutine. The first call
// computes the fields on a grid over the working volume; further calls share them.
func (b *Bench) Solver(i int) (*solver.Solver, error) {
	all, err := b.prepare()
	if err != nil {
		return nil, err
	}
	return all[i].Clone(), nil
}

func (b *Bench) solvers() ([]*solver.Solver, error) {
	problems, err := Problems(b.rig)
	if err != nil {
		return nil, err
	}
	var out []*solver.Solver
	for i := range problems {
		sv, err := solver.New(problems[i], solver.Options{})
		if err != nil {
			return nil, fmt.Errorf("sensor %s: %w", b.rig.Sensors[i].Name, err)
		}
		out = append(out, sv)
	}
	return out, nil
}

// Problems are what is solved for each sensor of a rig, with the errors that its
// calibration left.
func Problems(r *rig.Rig) ([]solver.Problem, error) {
	array, err := r.Array()
	if err != nil {
		return nil, err
	}
	mapped, err := r.Correction()
	if err != nil {
		return nil, err
	}
	var out []solver.Problem
	first := fieldmodels.ParametersPerEmitter * len(array.Emitters)
	for i, s := range r.Sensors {
		device := r.Sensor(i)
		if device.Covariance, err = r.SensorCovariance(i); err != nil {
			return nil, err
		}
		problem := solver.Problem{Array: array, Sensor: device, Volume: r.Volume()}
		if mapped != nil {
			problem.Errors = NewMetal(mapped, fieldmodels.Array{Emitters: r.Drawn()}, device, first)
			first += mutual.ParametersPerCoil * len(s.Coils)
		}
		out = append(out, problem)
	}
	return out, nil
}

// Open opens a recording of this bench, read as Reading says.
func (b *Bench) Open(ctx context.Context, name string, o recording.Options) (*recording.Reader, error) {
	r, err := recording.Open(ctx, name, b.Reading(o))
	if err != nil {
		return nil, err
	}
	info := r.Info()
	if err := b.InVolts(&info); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// Reading says how samples of this bench are read: channel names, full scales and, where
// they are not stated otherwise, the sample rate and the number of channels are the rig's.
func (b *Bench) Reading(o recording.Options) recording.Options {
	o.Names, o.FullScale = nil, nil
	scaled := true
	for _, c := range b.rig.Channels {
		o.Names = append(o.Names, c.Name)
		o.FullScale = append(o.FullScale, c.FullScaleV)
		scaled = scaled && c.FullScaleV > 0
	}
	if !scaled {
		o.FullScale = nil
	}
	if o.SampleRate == 0 {
		o.SampleRate = b.rig.SampleRateHz
	}
	return o
}

// InVolts is an error where samples have no volts.
func (b *Bench) InVolts(info *recording.Info) error {
	if !info.Volts {
		return fmt.Errorf("%s: samples in units of full scale: give every channel of %s its full_scale_v", info.Name, b.rig.File)
	}
	return nil
}

// DriveVolts are the amplitudes [V] that the rig states of each tone at the
// converter's input of its drive channel; 0: without one, or not stated.
func (b *Bench) DriveVolts() []float64 {
	out := make([]float64, len(b.tones))
	for e := range b.rig.Emitters {
		em := &b.rig.Emitters[e]
		if em.Reference == nil {
			continue
		}
		if response, err := b.rig.Channels[em.Reference.Channel].Response(em.ToneHz); err == nil {
			out[e] = em.CurrentPeakA * math.Abs(em.Reference.TransimpedanceOhm) * cmplx.Abs(response)
		}
	}
	return out
}

// Coupler turns frames into couplings. It is for one goroutine.
type Coupler struct {
	bench    *Bench
	hz       []float64 // of the transfer functions
	emitters []coupling.Emitter
	pickups  [][]coupling.Pickup // by sensor
}

// Coupler makes a Coupler for the calling goroutine.
func (b *Bench) Coupler() *Coupler {
	c := &Coupler{bench: b, emitters: make([]coupling.Emitter, len(b.tones))}
	for _, s := range b.sensors {
		pickups := make([]coupling.Pickup, len(s.Channels))
		for p := range pickups {
			pickups[p] = coupling.Pickup{Channel: s.Channels[p], Response: make([]complex128, len(b.tones))}
		}
		c.pickups = append(c.pickups, pickups)
	}
	return c
}

// Matrix makes room for the couplings of one sensor.
func (c *Coupler) Matrix(sensor int) coupling.Matrix {
	return coupling.NewMatrix(len(c.emitters), len(c.pickups[sensor]))
}

// Tune takes the transfer functions of all channels at the frequencies of a
// frame [Hz], one a tone. Channels whose response is a table have an error
// outside of it.
func (c *Coupler) Tune(hz []float64) error {
	if slices.Equal(hz, c.hz) {
		return nil
	}
	c.hz = c.hz[:0] // tuned only when all is well
	channels := c.bench.rig.Channels
	for e := range c.bench.rig.Emitters {
		em := &c.bench.rig.Emitters[e]
		c.emitters[e] = coupling.Emitter{}
		if em.Reference != nil {
			response, err := channels[em.Reference.Channel].Response(hz[e])
			if err != nil {
				return err
			}
			c.emitters[e].Reference = multitone.OnChannel(em.Reference.Channel)
			c.emitters[e].PerAmp = response * complex(em.Reference.TransimpedanceOhm, 0)
		} else {
			c.drive(e, em.PhaseDeg*math.Pi/180)
		}
		for _, pickups := range c.pickups {
			for p := range pickups {
				response, err := channels[pickups[p].Channel].Response(hz[e])
				if err != nil {
					return err
				}
				pickups[p].Response[e] = response
			}
		}
	}
	c.hz = append(c.hz, hz...)
	return nil
}

func (c *Coupler) drive(emitter int, phase float64) {
	c.emitters[emitter].CurrentA = cmplx.Rect(c.bench.rig.Emitters[emitter].CurrentPeakA, phase)
}

// Drive takes the phase of each current that is not digitised [rad], in place of the
// rig's, for the frames that follow, and its standard deviation [rad]. An error δ of it leaves cos δ of the couplings: 1 − δ²/2,
// of which the mean square is 3σ⁴/4.
func (c *Coupler) Drive(phases, sigmas []float64) {
	for e := range c.emitters {
		if c.emitters[e].Reference.None() {
			c.drive(e, phases[e])
			c.emitters[e].Relative = 0.75 * math.Pow(sigmas[e], 4)
		}
	}
}

// Fill computes the couplings of one sensor from a frame for whose frequencies
// the Coupler is tuned.
func (c *Coupler) Fill(m coupling.Matrix, sensor int, f *multitone.Frame) {
	m.Fill(f, c.emitters, c.pickups[sensor])
}
