// Package calibrate finds the array that was really built: from a recording with
// known poses to a new rig file, with or without a map of static metal.
package calibrate

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

// Stations is what a recording holds of a bench to be calibrated.
type Stations struct {
	Problem calibration.Problem
	Rows    []tables.Station // of each station of Problem
	// Missing counts the couplings left out because their samples were faulty or
	// their reference lost.
	Missing  int
	Flags    verdict.Counts // of the couplings' samples
	Unsolved int            // stations without reference for which the bench as drawn gave no pose
	Survey   *stream.Survey

	bench *bench.Bench
	tones []multitone.Tone

	channels []int // of the rig, for each of Problem.Channels
}

// measure measures the couplings of every row, with the rig as drawn for the
// rest of the Problem: priors are the rig's tolerances. A row with infinite
// sigmas has no reference; its first guess is the pose that the rig as drawn
// gives.
func (o *Options) measure(ctx context.Context, r *recording.Reader, b *bench.Bench, rows []tables.Station) (*Stations, error) {
	out := &Stations{bench: b, tones: b.Tones()}
	if b.Rig().Playback != nil {
		return nil, fmt.Errorf("%s: calibrating %w: calibrate with one, then play", r.Info().Name, engine.ErrUndriven)
	}
	out.channels = draw(b.Rig(), &out.Problem)
	baseline, err := o.Crosstalk(ctx, b)
	if err != nil {
		return nil, err
	}
	if out.Survey, err = stream.Observe(ctx, r, out.tones, o.Clock, o.Progress); err != nil {
		return nil, err
	}
	rows, intervals, err := distinct(rows, r.Info().SampleRate)
	if err != nil {
		return nil, err
	}
	var frames []*multitone.Frame
	at := map[[2]int64]*multitone.Frame{}
	measured := stream.Measurement{Tones: out.tones, Windows: stream.Windows{Intervals: intervals}}
	_, err = stream.Measure(ctx, r, out.Survey, measured, func(f *stream.Measured) error {
		kept := new(multitone.Frame)
		f.CopyTo(kept)
		frames, at[[2]int64{f.Start, f.Stop}] = append(frames, kept), kept
		return nil
	}, o.Progress)
	if err != nil {
		return nil, err
	}
	steady(frames)
	coupler := b.Coupler()
	for _, row := range rows {
		f, i := at[stretch(&row, r.Info().SampleRate)], slices.Index(b.SensorNames(), row.Sensor)
		if f == nil {
			return nil, fmt.Errorf("%s:%d: the recording ends before %g s", row.File, row.Line, row.Stop)
		}
		if err := coupler.Tune(f.Hz); err != nil {
			return nil, err
		}
		m := coupler.Matrix(i)
		coupler.Fill(m, i, f)
		if baseline != nil {
			if err := m.Subtract(baseline[i]); err != nil {
				return nil, err
			}
		}
		st, err := out.station(i, f, m, row)
		if err != nil {
			return nil, err
		}
		if st != nil {
			out.Problem.Stations, out.Rows = append(out.Problem.Stations, *st), append(out.Rows, row)
		}
	}
	return out, nil
}

// noisier is the share of the common noise beyond which a frame counts as
// disturbed and keeps its own.
const noisier = 2

// steady gives all frames the noise density that they have in common on each
// channel and tone. The noise of a short frame is known to some 20 %, and as
// weights go with its inverse, chi-squares by so uncertain a noise would come
// out too large on average, by the square of that.
func steady(frames []*multitone.Frame) {
	if len(frames) == 0 {
		return
	}
	length := func(f *multitone.Frame) float64 { return float64(f.Stop - f.Start) }
	densities := make([]float64, len(frames))
	for k := range frames[0].Variance {
		for i, f := range frames {
			densities[i] = f.Variance[k] * length(f)
		}
		slices.Sort(densities)
		limit, sum, n := noisier*densities[len(densities)/2], 0.0, 0
		for _, d := range densities {
			if d <= limit {
				sum += d
				n++
			}
		}
		for _, f := range frames {
			if common := sum / float64(n); f.Variance[k]*length(f) <= limit {
				f.Variance[k] = common / length(f)
			}
		}
	}
}

// stretch is a row's first sample, and the one after its last.
func stretch(row *tables.Station, rate float64) [2]int64 {
	return [2]int64{int64(math.Round(row.Start * rate)), int64(math.Round(row.Stop * rate))}
}

// distinct are the rows without repetitions of others, and their intervals.
func distinct(rows []tables.Station, rate float64) (all []tables.Station, intervals []stream.Interval, err error) {
	for _, row := range rows {
		same := slices.IndexFunc(all, func(o tables.Station) bool { return o.Sensor == row.Sensor && stretch(&o, rate) == stretch(&row, rate) })
		if same < 0 {
			all, intervals = append(all, row), append(intervals, measure.Interval(&row.Interval))
		} else if row.Pose != all[same].Pose {
			return nil, nil, fmt.Errorf("%s:%d: sensor %s was elsewhere at these times in line %d", row.File, row.Line, row.Sensor, all[same].Line)
		}
	}
	return all, intervals, nil
}

// station makes the station of one row; nil where it has no reference and no
// pose was found.
func (out *Stations) station(i int, f *multitone.Frame, m coupling.Matrix, row tables.Station) (*calibration.Station, error) {
	st := &calibration.Station{Name: fmt.Sprintf("line %d", row.Line), Sensor: i,
		Reference: row.Pose, SigmaPosition: row.SigmaPosition, SigmaRotation: row.SigmaRotation}
	st.Couplings.Common = slices.Clone(m.Common)
	channels := out.bench.Sensors()[i].Channels
	for k, v := range m.Value {
		variance := m.Variance[k]
		flags := out.flags(k/len(channels), channels[k%len(channels)], f)
		if out.Flags.Add(flags); flags != 0 {
			variance = math.Inf(1)
		}
		if math.IsInf(variance, 1) {
			out.Missing++
			v = 0
		}
		st.Couplings.Value = append(st.Couplings.Value, real(v))
		st.Quadrature = append(st.Quadrature, imag(v))
		st.Couplings.Variance = append(st.Couplings.Variance, variance)
	}
	if math.IsInf(row.SigmaPosition, 1) && math.IsInf(row.SigmaRotation, 1) {
		s, err := out.bench.Solver(i)
		if err != nil {
			return nil, err
		}
		found := s.Cold(st.Couplings)
		if found.Status != solver.Converged || !found.Pose.Finite() {
			out.Unsolved++
			return nil, nil
		}
		st.Reference = found.Pose
	}
	return st, nil
}

// flags says why the samples behind a coupling can't be trusted.
func (out *Stations) flags(tone, channel int, f *multitone.Frame) verdict.Flags {
	flags := out.Survey.Flags(channel, f.Start, f.Stop)
	if ref, ok := out.tones[tone].Reference.Channel(); ok {
		flags |= out.Survey.Flags(ref, f.Start, f.Stop)
	}
	if out.Survey.Lost(tone, f.Start, f.Stop) {
		flags |= verdict.ReferenceLost
	}
	return flags
}

// draw fills in the bench as the rig file draws it, and returns the rig's index
// of each of the problem's channels: those that pickups are on.
func draw(r *rig.Rig, p *calibration.Problem) (channels []int) {
	for i, e := range r.Drawn() {
		drawn := &r.Emitters[i]
		p.Emitters = append(p.Emitters, calibration.Emitter{Emitter: e, Hz: drawn.ToneHz,
			Tolerance: calibration.EmitterTolerance{Position: drawn.Tolerance.CenterM, Axis: drawn.Tolerance.AxisRad, Strength: drawn.Tolerance.Strength}})
	}
	for i := range r.Sensors {
		s := calibration.Sensor{Name: r.Sensors[i].Name}
		coils := r.Sensor(i).Coils
		for k, c := range r.Sensors[i].Coils {
			at := slices.Index(channels, c.Channel)
			if at < 0 {
				at = len(channels)
				channels = append(channels, c.Channel)
				ch := &r.Channels[c.Channel]
				p.Channels = append(p.Channels, calibration.Channel{Name: ch.Name,
					Tolerance: calibration.ChannelTolerance{Gain: ch.Tolerance.Gain, Delay: ch.Tolerance.DelayS}})
			}
			s.Coils = append(s.Coils, calibration.Coil{Coil: coils[k], Channel: at,
				Tolerance: calibration.CoilTolerance{Axis: c.Tolerance.AxisRad, Position: c.Tolerance.CenterM, Sensitivity: c.Tolerance.Sensitivity}})
		}
		p.Sensors = append(p.Sensors, s)
	}
	return channels
}
