package report

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/multitone/spectrum"
	"tonepose/multitone/stability"
)

// SaveInspection adds the figures of an inspection to files: the spectrum, and with a
// rig the stability of the drives.
func SaveInspection(to *files.Batch, in *inspect.Inspection, formats []string) error {
	return Save(to, "", map[string]*figure.Figure{"spectrum": Inspected(in), "stability": drives(in)}, formats)
}

// Inspected draws the density of every channel with tones, mains harmonics and
// the lines that the rig does not explain.
func Inspected(in *inspect.Inspection) *figure.Figure {
	densities := in.Densities
	d := figure.SpectrumData{Title: in.Name + ": spectrum", Unit: in.Unit,
		Note: fmt.Sprintf("Welch, %d segments, bins of %.3g Hz (noise bandwidth); the truth is within %.2f and %.2f times the density of a bin, 95 %%", densities[0].Segments, in.Resolution, math.Sqrt(in.ConfidentLo), math.Sqrt(in.ConfidentHi))}
	for k := range densities[0].PSD {
		d.Hz = append(d.Hz, densities[0].Hz(k))
	}
	for c, density := range densities {
		ch := figure.Channel{Name: in.Channels[c].Name}
		for _, p := range density.PSD {
			ch.Density = append(ch.Density, math.Sqrt(p))
		}
		for _, l := range in.Lines {
			known := l.Kind == spectrum.MainsHarmonic.String() || l.Kind == inspect.Sideband // marked, or of a motion
			if l.Channel == ch.Name && !known && len(ch.Lines) < namedLines {
				ch.Lines = append(ch.Lines, figure.Mark{Hz: l.Hz, Name: l.Name})
			}
		}
		d.Channels = append(d.Channels, ch)
	}
	for _, t := range in.Tones {
		d.Tones = append(d.Tones, figure.Mark{Hz: t.Hz, Name: t.Name})
	}
	if in.Mains != nil {
		for _, h := range in.Mains.Harmonics {
			d.Mains = append(d.Mains, h.Hz)
		}
	}
	if in.Unit != "V" {
		d.Unit = ""
	}
	d.MinHz, d.MaxHz = 2*densities[0].StepHz, in.SampleRate/2
	return figure.Spectrum(d)
}

// namedLines is how many lines of a channel a figure has room to name.
const namedLines = 6

// drives draws the overlapping Allan deviation of the drives' amplitude and
// phase; nil if there are too few windows or no references.
func drives(in *inspect.Inspection) *figure.Figure {
	amplitude := figure.StabilityPanel{Quantity: "relative amplitude"}
	phase := figure.StabilityPanel{Quantity: "phase", Unit: "rad"}
	for _, s := range in.Drives {
		radians := floats.ScaleTo(make([]float64, len(s.PhaseTurn)), 2*math.Pi, s.PhaseTurn)
		for panel, values := range map[*figure.StabilityPanel][]float64{&amplitude: s.Amplitude, &phase: radians} {
			curve, err := allan(s.Name, values, s.IntervalS)
			if err != nil {
				return nil
			}
			panel.Curves = append(panel.Curves, curve)
		}
	}
	if len(amplitude.Curves) == 0 || len(amplitude.Curves[0].Tau) < 2 {
		return nil
	}
	return figure.Stability(figure.StabilityData{Title: in.Name + ": stability of the drives",
		Note:   "overlapping Allan deviation, bars: 95 % confidence",
		Panels: []figure.StabilityPanel{amplitude, phase}})
}

// allan is the deviation of values that are interval apart [s].
func allan(name string, values []float64, interval float64) (d figure.Deviation, err error) {
	s, err := stability.Values(values, interval)
	if err != nil {
		return d, err
	}
	points, err := stability.Deviations(s, stability.Overlapping, stability.Octaves(s.Len()), 0.95)
	d.Name = name
	for _, p := range points {
		d.Tau, d.Value = append(d.Tau, p.TauS), append(d.Value, p.Deviation)
		d.Low, d.High = append(d.Low, p.Lo), append(d.High, p.Hi)
	}
	return d, err
}
