package pipeline

import (
	"math"
	"math/cmplx"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
)

// series is the state of a pair's rows.
type series struct {
	last []float64 // unwrapped phase of each harmonic [°]; NaN before the first
	rows []tables.Demodulated
}

// A phase is followed from row to row where its amplitude exceeds as many
// sigmas; else noise alone would wind it up.
const followSigmas = 3

func (r *run) demodulated(f *multitone.Frame, time, duration float64, flags tables.Flags) error {
	p := r.bench.pair
	if p == nil || r.out.Demodulated == nil {
		return nil
	}
	s := &r.series
	if s.last == nil {
		s.last = make([]float64, len(p.harmonics))
		for i := range s.last {
			s.last[i] = math.NaN()
		}
	}
	names := r.bench.Rig.Channels
	flags |= r.faults[p.signal] | r.faults[p.reference] | r.lost[0]
	s.rows = s.rows[:0]
	for i, h := range p.harmonics {
		v, variance, phaseVariance := r.bench.harmonic(f, h, r.rate)
		row := tables.Demodulated{Time: time, Duration: duration, Signal: names[p.signal].Name, Reference: names[p.reference].Name, Harmonic: h,
			Hz: f.Hz[r.bench.toneOf(h)], InPhase: real(v), Quadrature: imag(v), Amplitude: cmplx.Abs(v), Sigma: math.Sqrt(variance),
			Phase: math.NaN(), Unwrapped: math.NaN(), SigmaPhase: math.NaN(), Flags: flags}
		if r.lost[0] == 0 && row.Amplitude > 0 {
			row.Phase, row.SigmaPhase = cmplx.Phase(v)*180/math.Pi, sigmaDeg(phaseVariance)
			if row.Amplitude > followSigmas*row.Sigma {
				row.Unwrapped = row.Phase
				if !math.IsNaN(s.last[i]) {
					row.Unwrapped = s.last[i] + math.Remainder(row.Phase-s.last[i], 360)
				}
				s.last[i] = row.Unwrapped
			}
		}
		s.rows = append(s.rows, row)
	}
	return r.out.Demodulated(s.rows...)
}

// PairRows is the result over a whole recording as rows of a table.
func (b *Bench) PairRows(p *Pair) (rows []tables.Demodulated) {
	list := p.Harmonics
	if len(list) == 0 {
		list = []Harmonic{{1, p.AmplitudePeakV, p.AmplitudeRMSV, p.PhaseDeg, p.SigmaAmplitudeRMSV, p.SigmaPhaseDeg}}
	}
	names := b.Rig.Channels
	for _, h := range list {
		v := cmplx.Rect(h.AmplitudePeakV, h.PhaseDeg*math.Pi/180)
		rows = append(rows, tables.Demodulated{Time: p.DurationS / 2, Duration: p.DurationS, Signal: names[b.pair.signal].Name, Reference: names[b.pair.reference].Name,
			Harmonic: h.Number, Hz: float64(h.Number) * p.FrequencyHz, InPhase: real(v), Quadrature: imag(v), Amplitude: h.AmplitudePeakV,
			Phase: h.PhaseDeg, Unwrapped: h.PhaseDeg, Sigma: h.SigmaAmplitudeRMSV * math.Sqrt2, SigmaPhase: h.SigmaPhaseDeg})
	}
	return rows
}
