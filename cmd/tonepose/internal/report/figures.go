// Package report makes figures and pages from the results of a run.
package report

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
	"tonepose/multitone/spectrum"
	"tonepose/solver/assessment"
)

// Path draws emitters, solved positions and the truth in three views.
func Path(a *assess.Result, title, note string) (*figure.Figure, error) {
	d := figure.PathData{Title: title, Note: note, Emitters: emitters(a.Rig)}
	for _, s := range a.Rig.Sensors {
		truth, solved := figure.Track{Name: s.Name + ", true"}, figure.Track{Name: s.Name + ", solved"}
		for i, sample := range a.Samples {
			if a.Rows[i].Sensor == s.Name {
				truth.Points = append(truth.Points, sample.Truth.Position)
				solved.Points = append(solved.Points, sample.Estimate.Position)
			}
		}
		d.True, d.Estimated = append(d.True, truth), append(d.Estimated, solved)
	}
	return figure.Path(d), nil
}

// Accuracy draws the errors of one sensor against their prediction.
func Accuracy(a *assess.Result, sensor, title, note string) *figure.Figure {
	d := figure.AccuracyData{Title: title, Note: note, Freedoms: 6}
	for i, s := range a.Samples {
		if a.Rows[i].Sensor != sensor {
			continue
		}
		e := assessment.Of(s)
		d.Freedoms = e.Freedom
		d.Time = append(d.Time, s.Time)
		d.Position = append(d.Position, r3.Norm(e.Position))
		d.PositionSigma = append(d.PositionSigma, e.PredictedM)
		d.Rotation = append(d.Rotation, r3.Norm(e.Rotation))
		d.RotationSigma = append(d.RotationSigma, e.PredictedRd)
		d.Normalised = append(d.Normalised, math.Sqrt(e.NormalSq))
	}
	return figure.Accuracy(d)
}

// Coupling draws the coupling matrix of a sensor in the run's first window.
func Coupling(dir string, r *rig.Rig, sensor int, title, note string) (*figure.Figure, error) {
	rows, err := tables.Open[tables.Coupling](filepath.Join(dir, tables.CouplingsName+".parquet"))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	s := r.Sensors[sensor]
	d := figure.MatrixData{Title: title, Note: note, Quantity: "coupling", Unit: "H"}
	for _, e := range r.Emitters {
		d.Rows = append(d.Rows, e.Name)
	}
	for _, c := range s.Coils {
		d.Columns = append(d.Columns, r.Channels[c.Channel].Name)
	}
	d.Value = slices.Repeat([]float64{math.NaN()}, len(d.Rows)*len(d.Columns))
	first := math.NaN()
	for row, err := range rows.All() {
		if err != nil {
			return nil, err
		}
		if row.Sensor != s.Name {
			continue
		}
		if math.IsNaN(first) {
			first = row.Time
		}
		if row.Time != first {
			break
		}
		d.Value[slices.Index(d.Rows, row.Emitter)*len(d.Columns)+slices.Index(d.Columns, row.Channel)] = row.Value
	}
	return figure.Matrix(d), nil
}

// Spectrum draws the density of every channel, with the rig's tones and the
// mains lines marked.
func Spectrum(ctx context.Context, rec *recording.Reader, r *rig.Rig, s *engine.Survey, title, note string) (*figure.Figure, error) {
	info := rec.Info()
	var welch []*spectrum.Welch
	size := spectrum.SmoothSize(int(min(info.Samples, int64(info.SampleRate/10))))
	for range info.Channels {
		w, err := spectrum.NewWelch(info.SampleRate, spectrum.Options{Size: size})
		if err != nil {
			return nil, err
		}
		welch = append(welch, w)
	}
	if err := rec.Rewind(); err != nil {
		return nil, err
	}
	block := make([][]float64, info.Channels)
	for c := range block {
		block[c] = make([]float64, 8192)
	}
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, err := rec.ReadPlanar(block)
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		for c := range block {
			welch[c].Add(block[c][:n])
		}
	}
	d := figure.SpectrumData{Title: title, Note: note, Unit: "V/√Hz", LogFrequency: true, Mains: s.Lines}
	for c, w := range welch {
		density := w.Density()
		if c == 0 {
			for k := range density.PSD {
				d.Hz = append(d.Hz, density.Hz(k))
			}
		}
		ch := figure.Channel{Name: info.Names[c]}
		for _, p := range density.PSD {
			ch.Density = append(ch.Density, math.Sqrt(p))
		}
		d.Channels = append(d.Channels, ch)
	}
	hz := s.Track.Hz(0, info.Duration())
	for k, e := range r.Emitters {
		d.Tones = append(d.Tones, figure.Mark{Hz: hz[k], Name: e.Name})
	}
	d.MinHz, d.MaxHz = 20, info.SampleRate/2
	if len(d.Hz) == 0 {
		return nil, fmt.Errorf("%s is too short for a spectrum", info.Name)
	}
	return figure.Spectrum(d), nil
}
