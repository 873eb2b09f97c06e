package pair

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
)

// A phase is followed from row to row where its amplitude exceeds as many
// sigmas; else noise alone would wind it up.
const followSigmas = 3

// series makes rows of frames.
type series struct {
	*Pair
	last []float64 // unwrapped phase of each harmonic [°]; NaN before the first
	rows []tables.Demodulated
}

func (p *Pair) series() *series {
	s := &series{Pair: p}
	for range p.harmonics {
		s.last = append(s.last, math.NaN())
	}
	return s
}

func (s *series) frame(f *stream.Measured) []tables.Demodulated {
	flags := f.Flags | f.Channels[s.signal] | f.Channels[s.reference] | f.Lost[0]
	s.rows = s.rows[:0]
	for i, h := range s.harmonics {
		if !h.asked {
			continue
		}
		v, variance, phaseVariance := s.read(f, h)
		row := tables.Demodulated{Time: f.Time, Duration: f.Duration, Signal: s.info.Names[s.signal], Reference: s.info.Names[s.reference], Harmonic: int32(h.number),
			Hz: f.Hz[h.tone], InPhase: real(v), Quadrature: imag(v), Amplitude: cmplx.Abs(v), Sigma: math.Sqrt(variance),
			Phase: math.NaN(), Unwrapped: math.NaN(), SigmaPhase: math.NaN(), Flags: flags}
		if f.Lost[0] == 0 && row.Amplitude > 0 && tables.IsNumber(row.Sigma) {
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
	return s.rows
}

// Series measures the pair against time and writes the tables of demodulated
// values and of phasors, with a figure beside them in these formats.
func (p *Pair) Series(ctx context.Context, r *recording.Reader, j measure.Job, figures []string) (*measure.Result, error) {
	out := &measure.Result{Info: p.info}
	return out, j.Write(nil, r, func(set *tables.Set) (err error) {
		if out.Survey, err = p.observe(ctx, r, j.Clock, j.Progress); err != nil {
			return err
		}
		m := p.measurement(out.Survey, j.Windows)
		m.Widen = true
		drawn := report.NewDemodulation(p.info.Volts)
		rows, phasors := p.series(), measure.Phasors(p.tones, p.info.Names, nil, set.Phasors.Write)
		err = out.Measure(ctx, r, m, func(f *stream.Measured) error {
			if err := phasors(f); err != nil {
				return err
			}
			list := rows.frame(f)
			drawn.Add(list...)
			for i := range list {
				out.Flags.Add(list[i].Flags)
			}
			return set.Demodulated.Write(list...)
		}, j.Progress)
		if err != nil {
			return err
		}
		title := fmt.Sprintf("%s against %s", p.info.Names[p.signal], p.info.Names[p.reference])
		note := fmt.Sprintf("%s, %s, equivalent noise bandwidth %.4g Hz", p.info.Name, out.Averaging.Kind, out.Averaging.ENBWHz)
		out.Failed = measure.StepFailed("figures", set.Files.Together(func() error {
			return report.Save(set.Files, "", map[string]*figure.Figure{tables.DemodulatedName: drawn.Figure(title, note)}, figures)
		}))
		return nil
	}, tables.DemodulatedName, tables.PhasorsName)
}

// flags are those of the result over the whole recording.
func (r *Result) flags() verdict.Flags {
	if r.Changes {
		return verdict.Motion
	}
	return 0
}

// write writes the result over the whole recording, a row a harmonic.
func (p *Pair) write(res *Result, set *tables.Set) error {
	list := res.Harmonics
	if len(list) == 0 {
		list = []Harmonic{{1, res.Phasor}}
	}
	for _, h := range list {
		v := cmplx.Rect(h.AmplitudePeakV, h.PhaseDeg*math.Pi/180)
		row := tables.Demodulated{Time: res.DurationS / 2, Duration: res.DurationS, Signal: p.info.Names[p.signal], Reference: p.info.Names[p.reference],
			Harmonic: int32(h.Number), Hz: float64(h.Number) * res.FrequencyHz, InPhase: real(v), Quadrature: imag(v), Amplitude: h.AmplitudePeakV,
			Phase: h.PhaseDeg, Unwrapped: h.PhaseDeg, Sigma: h.SigmaAmplitudeRMSV * math.Sqrt2, SigmaPhase: h.SigmaPhaseDeg}
		row.Flags = res.flags()
		if err := set.Demodulated.Write(row); err != nil {
			return err
		}
	}
	return nil
}
