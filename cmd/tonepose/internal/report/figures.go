// Package report makes figures and pages from the results of a run.
package report

import (
	"bytes"
	"cmp"
	"math"
	"path/filepath"
	"runtime"
	"slices"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver/assessment"
)

// Save adds figures to files under prefix and their names, in each of the formats; nil
// ones are left out. They are drawn side by side, the formats of one after another.
func Save(to *files.Batch, prefix string, figures map[string]*figure.Figure, formats []string) error {
	var work sync.WaitGroup
	var adding sync.Mutex
	var failed error
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for name, f := range figures {
		if f == nil {
			continue
		}
		work.Go(func() {
			free <- struct{}{}
			defer func() { <-free }()
			for _, format := range formats {
				var data bytes.Buffer
				err := f.Write(&data, format)
				adding.Lock()
				if err == nil {
					err = to.Write(prefix+name+"."+format, data.Bytes())
				}
				failed = cmp.Or(failed, err)
				adding.Unlock()
				if err != nil {
					return
				}
			}
		})
	}
	work.Wait()
	return failed
}

// Path draws emitters, solved positions and the truth in three views.
func Path(a *assess.Result, title, note string) *figure.Figure {
	d := figure.PathData{Title: title, Note: note, Emitters: Emitters(a.Rig)}
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
	return figure.Path(d)
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
	d, err := couplings(dir, r, sensor)
	if err != nil {
		return nil, err
	}
	d.Title, d.Note = title, note
	return figure.Matrix(d), nil
}

// couplings reads the matrix of a sensor in the run's first window.
func couplings(dir string, r *rig.Rig, sensor int) (d figure.MatrixData, err error) {
	rows, err := tables.Open[tables.Coupling](filepath.Join(dir, tables.CouplingsName+".parquet"))
	if err != nil {
		return d, err
	}
	defer rows.Close()
	s := r.Sensors[sensor]
	d.Quantity, d.Unit = "coupling", "H"
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
			return d, err
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
	return d, nil
}
