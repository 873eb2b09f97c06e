package pipeline

import (
	"math"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/coupling"
)

// faultFlags are what a single channel or tone can be blamed for.
const faultFlags = tables.Clipped | tables.Gap | tables.Repeated | tables.Stuck | tables.ReferenceLost

// judge collects what the survey saw of the frame's samples.
func (r *run) judge(f *multitone.Frame) {
	for c := range r.faults {
		r.faults[c] = r.summary.Survey.faults(c, f.Start, f.Stop)
	}
	for k := range r.lost {
		r.lost[k] = 0
		if r.summary.Survey.lost(k, f.Start, f.Stop) {
			r.lost[k] = tables.ReferenceLost
		}
	}
}

// doubts gathers the faults of all that a sensor's pose rests on.
func (r *run) doubts(s *sensor) (f tables.Flags) {
	for _, p := range s.pickups {
		f |= r.faults[p.Channel]
	}
	for k, t := range r.bench.Tones {
		f |= r.lost[k]
		if t.Reference != multitone.NoReference {
			f |= r.faults[t.Reference]
		}
	}
	return f
}

func (r *run) phasors(f *multitone.Frame, time, duration float64, flags tables.Flags) error {
	if r.out.Phasors == nil {
		return nil
	}
	r.phasorRows = r.phasorRows[:0]
	for k, t := range r.bench.Tones {
		for c := range f.Channels {
			v, variance := f.At(k, c)
			flags := flags | r.faults[c] | r.lost[k]
			if t.Reference != multitone.NoReference {
				flags |= r.faults[t.Reference]
			}
			r.phasorRows = append(r.phasorRows, tables.Phasor{Time: time, Duration: duration, Channel: r.bench.Rig.Channels[c].Name, Tone: t.Name, ToneHz: f.Hz[k],
				InPhase: real(v), Quadrature: imag(v), Sigma: math.Sqrt(variance), Flags: flags})
		}
	}
	return r.out.Phasors(r.phasorRows...)
}

func (r *run) coupled(s *sensor, m coupling.Matrix, time, duration float64, flags tables.Flags) error {
	if r.out.Couplings == nil {
		return nil
	}
	r.couplingRows = r.couplingRows[:0]
	for e, t := range r.bench.Tones {
		for p, pick := range s.pickups {
			i := e*len(s.pickups) + p
			flags := flags&^faultFlags | r.faults[pick.Channel] | r.lost[e]
			if t.Reference != multitone.NoReference {
				flags |= r.faults[t.Reference]
			}
			row := tables.Coupling{Time: time, Duration: duration, Emitter: t.Name, Sensor: s.name, Channel: r.bench.Rig.Channels[pick.Channel].Name,
				Value: real(m.Value[i]), Quadrature: imag(m.Value[i]), Sigma: math.Sqrt(m.Variance[i]), Flags: flags}
			if math.IsInf(row.Sigma, 1) {
				row.Sigma = math.NaN()
			}
			r.couplingRows = append(r.couplingRows, row)
		}
	}
	return r.out.Couplings(r.couplingRows...)
}
