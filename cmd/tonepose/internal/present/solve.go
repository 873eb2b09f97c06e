package present

import (
	"fmt"
	"io"
	"slices"
	"time"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver/trajectory"
)

// Measured is what a measurement of a rig's tones gave, in the form of its JSON.
type Measured struct {
	Recording string            `json:"recording"`
	DurationS float64           `json:"duration_s"`
	Frames    int               `json:"frames"`
	MainsHz   float64           `json:"mains_hz"` // 0: none seen
	Averaging *stream.Averaging `json:"averaging"`
	Faults    []string          `json:"faults"` // of the samples, with channel and time
	Flags     []Flagged         `json:"flags"`  // of the table's rows
	Out       string            `json:"out"`

	lines  int
	counts *verdict.Counts
}

// MeasuredOf gathers it.
func MeasuredOf(r *measure.Result, out string) Measured {
	return Measured{Recording: r.Info.Name, DurationS: r.Info.Duration(), Frames: r.Frames, MainsHz: r.Survey.MainsHz, Averaging: r.Averaging,
		Faults: r.Survey.Faults(), Flags: FlagsOf(&r.Flags), Out: out, counts: &r.Flags, lines: len(r.Survey.Lines)}
}

// Print prints it in words.
func (m *Measured) Print(w io.Writer) error {
	p := newPage(w)
	p.line("%s: %.4g s, %d frames in %s, mains %s", m.Recording, m.DurationS, m.Frames, m.Out, m.mains())
	p.averaging(m.Averaging)
	p.flags(m.counts, "phasors")
	return p.err
}

func (m *Measured) mains() string {
	if m.MainsHz == 0 {
		return "not seen"
	}
	return fmt.Sprintf("%.3f Hz with %d lines", m.MainsHz, m.lines)
}

// Solved is what solving a recording gave, in the form of its JSON.
type Solved struct {
	Measured
	ClockPPM []float64          `json:"clock_ppm"`             // offset of each tone, mean over the recording
	Start    *engine.Start      `json:"drive_start,omitempty"` // of the drives, where the recorder plays them
	Poses    int                `json:"poses"`
	Unsolved int                `json:"unsolved"`
	Flagged  int                `json:"flagged"`
	InDoubt  int                `json:"in_doubt"`
	ElapsedS float64            `json:"elapsed_s"`
	Verdicts []*verdict.Summary `json:"integrity"` // by sensor

	result *solve.Result
}

// SolvedOf gathers it.
func SolvedOf(r *solve.Result, out string, elapsed time.Duration) Solved {
	s := Solved{Measured: MeasuredOf(&r.Result, out), Poses: r.Poses, Unsolved: r.Unsolved, Flagged: r.Flags.Flagged, InDoubt: r.InDoubt,
		ElapsedS: elapsed.Seconds(), Verdicts: r.Verdicts, Start: r.Start, result: r}
	for k, hz := range r.Survey.Hz() {
		s.ClockPPM = append(s.ClockPPM, (hz/r.Rig.Emitters[k].ToneHz-1)*1e6)
	}
	return s
}

// Print prints it in words.
func (s *Solved) Print(w io.Writer) error {
	p := newPage(w)
	p.line("%s: %.4g s, %d frames, %d poses in %s", s.Recording, s.DurationS, s.Frames, s.Poses, s.Out)
	for i, t := range s.result.Tracks {
		name := s.result.Rig.Sensors[i].Name
		switch {
		case t == nil:
		case t.Knots > 0:
			closer := ""
			if asked := s.result.Knots; t.Knots > asked && asked > 0 {
				closer = fmt.Sprintf(": the windows do not tell apart those asked for, every %s", Quantity(asked, "s"))
			}
			p.line("%s: spline, knots every %s%s", name, Quantity(t.Knots, "s"), closer)
		default:
			per := "s⁵" // of white noise in the jerk
			if s.result.Motion == trajectory.ConstantVelocity {
				per = "s³" // in the acceleration
			}
			p.line("%s: %v, process noise %.3g m²/%s and %.3g rad²/%s, latency of the filter %s", name, s.result.Trajectory,
				t.PositionNoise, per, t.RotationNoise, per, Quantity(s.Averaging.WindowS/2, "s"))
		}
	}
	for _, line := range s.Start.Words(s.result.Rig) {
		p.line("%s", line)
	}
	p.line("clock offset %s, mains %s, solved in %.2g s", spanPPM(s.ClockPPM), s.mains(), s.ElapsedS)
	p.averaging(s.Averaging)
	p.flags(s.counts, "poses")
	if s.InDoubt > 0 {
		p.line("in doubt: %d poses have no flag, but a chi-square that noise alone makes once in a thousand poses (state in integrity.parquet)", s.InDoubt)
	}
	return p.err
}

func spanPPM(ppm []float64) string {
	lo, hi := slices.Min(ppm), slices.Max(ppm)
	if hi-lo < 0.001 {
		return fmt.Sprintf("%.3f ppm", lo)
	}
	return fmt.Sprintf("%.3f to %.3f ppm", lo, hi)
}
