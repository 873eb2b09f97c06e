// Package pipeline is where the libraries meet: recording → frames → couplings
// → poses, in two streaming passes with bounded memory. The first, the survey,
// finds the clock offset and the mains lines and judges the samples; the second
// measures.
package pipeline

import (
	"context"
	"fmt"
	"math"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/multitone"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
)

// Bench is a rig made ready for the libraries.
type Bench struct {
	Rig     *rig.Rig
	Tones   []multitone.Tone
	sensors []sensor
	pair    *pairing // nil with a rig
}

// sensor is one sensor of a bench with its way from frames to poses.
type sensor struct {
	name    string
	pickups []coupling.Pickup
	solver  *solver.Solver
	metal   *metal // nil: no map of static metal
}

// NewBench prepares a rig for demodulation.
func NewBench(r *rig.Rig) *Bench {
	b := &Bench{Rig: r}
	for _, e := range r.Emitters {
		t := multitone.Tone{Name: e.Name, Hz: e.ToneHz, Reference: multitone.NoReference}
		if e.Reference != nil {
			t.Reference = e.Reference.Channel
		}
		b.Tones = append(b.Tones, t)
	}
	return b
}

// PrepareSolvers computes what solving needs: fields on a grid over the
// working volume.
func (b *Bench) PrepareSolvers(o solver.Options) error {
	array, err := b.Rig.Array()
	if err != nil {
		return err
	}
	mapped, err := b.Rig.Correction()
	if err != nil {
		return err
	}
	first := fieldmodels.ParametersPerEmitter * len(array.Emitters)
	for i, s := range b.Rig.Sensors {
		device := b.Rig.Sensor(i)
		if device.Covariance, err = b.Rig.SensorCovariance(i); err != nil {
			return err
		}
		problem := solver.Problem{Array: array, Sensor: device, Volume: b.Rig.Volume()}
		var known *metal
		if mapped != nil {
			known = newMetal(mapped, fieldmodels.Array{Emitters: b.Rig.Drawn()}, device, first)
			first += solver.ParametersPerCoil * len(s.Coils)
			problem.Errors = known
		}
		sv, err := solver.New(problem, o)
		if err != nil {
			return fmt.Errorf("sensor %s: %w", s.Name, err)
		}
		prepared := sensor{name: s.Name, solver: sv, metal: known}
		for _, c := range s.Coils {
			prepared.pickups = append(prepared.pickups, coupling.Pickup{Channel: c.Channel})
		}
		b.sensors = append(b.sensors, prepared)
	}
	return nil
}

// Open opens a recording of this bench.
func (b *Bench) Open(ctx context.Context, name string, o recording.Options) (*recording.Reader, error) {
	o.Names = o.Names[:0]
	o.FullScale = nil
	scaled := true
	for _, c := range b.Rig.Channels {
		o.Names = append(o.Names, c.Name)
		o.FullScale = append(o.FullScale, c.FullScaleV)
		scaled = scaled && c.FullScaleV > 0
	}
	if !scaled {
		o.FullScale = nil
	}
	if o.SampleRate == 0 {
		o.SampleRate = b.Rig.SampleRateHz
	}
	r, err := recording.Open(ctx, name, o)
	if err != nil {
		return nil, err
	}
	if !r.Info().Volts {
		r.Close()
		return nil, fmt.Errorf("%s: samples in units of full scale: give every channel of %s its full_scale_v", name, b.Rig.File)
	}
	return r, nil
}

// respond fills the transfer functions at the measured frequencies.
func (b *Bench) respond(hz []float64) ([]coupling.Emitter, error) {
	emitters := make([]coupling.Emitter, len(hz))
	for e, em := range b.Rig.Emitters {
		emitters[e] = coupling.Emitter{Channel: multitone.NoReference}
		if em.Reference != nil {
			resp, err := b.Rig.Channels[em.Reference.Channel].Response(hz[e])
			if err != nil {
				return nil, err
			}
			emitters[e].Channel = em.Reference.Channel
			emitters[e].PerAmp = resp * complex(em.Reference.TransimpedanceOhm, 0)
		} else {
			s, c := math.Sincos(em.PhaseDeg * math.Pi / 180)
			emitters[e].CurrentA = complex(em.CurrentPeakA*c, em.CurrentPeakA*s)
		}
		for i := range b.sensors {
			for p := range b.sensors[i].pickups {
				pick := &b.sensors[i].pickups[p]
				if pick.Response == nil {
					pick.Response = make([]coupling.Channel, len(hz))
				}
				resp, err := b.Rig.Channels[pick.Channel].Response(hz[e])
				if err != nil {
					return nil, err
				}
				pick.Response[e] = resp
			}
		}
	}
	return emitters, nil
}
