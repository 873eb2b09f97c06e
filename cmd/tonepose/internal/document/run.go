// Package document makes one HTML page of solved runs: what was recorded, the five
// questions answered, figures, tables, flags with their next step, and provenance.
//
// ReadRun reads a run, Document.Write writes the page.
package document

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
)

// Run is one solved run as its document needs it, in memory that does not grow with
// the recording.
type Run struct {
	Dir      string
	Metadata tables.Metadata
	Rig      *rig.Rig
	Start    float64 // of the first window, from the recording's first sample [s]
	End      float64 // of the last window [s]
	Window   float64 // median length of a window [s]

	Rows     int
	Unsolved int // rows without a pose
	Flags    verdict.Counts
	InDoubt  int       // rows in doubt
	Skipped  int       // windows of a live stream that were passed over
	Latency  []float64 // [s]; empty: from a recording

	Sensors    []*SensorRun
	Findings   []Finding           // what was named wrong, the most frequent first
	Inspection *inspect.Inspection // of the recording; nil: it is not at hand
	plan       *planned            // nil: none is known
	calibrated *calibrate.Summary  // nil: none is known
	Assessment *assess.Summary     // nil: no truth is known

	Truth, Plan, Calibration string // the files of these
}

// SensorRun is what a run shows of one sensor.
type SensorRun struct {
	*SensorEvidence
	Series   series
	Coupling *couplings // nil: the run kept none
	Tones    *levels    // nil alike
}

// RunOptions say what a document takes in beside the run's folder.
type RunOptions struct {
	// What is not named is looked for beside the run, and "none" is not. Truth is a CSV of
	// known poses, or the folder of another run; Recording that of the run; Plan the directory
	// of plan --out, or its plan.json; Calibration a file that holds what calibrate --json
	// printed.
	Truth, Recording, Plan, Calibration string

	Assess   assess.Options
	Reading  recording.Options
	Progress stream.Progress // of looking at the recording
}

// ReadRun reads the folder of a run, or of the parts of a live one.
func ReadRun(ctx context.Context, dir string, o RunOptions) (*Run, error) {
	poses, err := tables.Open[tables.Pose](filepath.Join(dir, tables.PosesName+".parquet"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: holds no %s.parquet and no parts of one: name the folder that solve or live wrote (--out)", dir, tables.PosesName)
	}
	if err != nil {
		return nil, err
	}
	defer poses.Close()
	run := &Run{Dir: dir, Metadata: poses.Metadata, Start: math.Inf(1), End: math.Inf(-1)}
	name := cmp.Or(poses.Metadata.Options["rig"], filepath.Join(dir, "rig"))
	if run.Rig, err = rig.Parse(name, []byte(poses.Metadata.Rig), rig.Options{}); err != nil {
		return nil, fmt.Errorf("%s: the rig stored in the table: %w", dir, err)
	}
	for _, s := range run.Rig.Sensors {
		run.Sensors = append(run.Sensors, &SensorRun{SensorEvidence: NewSensorEvidence(s.Name), Series: newSeries()})
	}
	var lengths thinned[float64]
	var latencies thinned[float64]
	for p, err := range poses.All() {
		if err := errors.Join(err, ctx.Err()); err != nil {
			return nil, err
		}
		s := run.sensor(p.Sensor)
		if s == nil {
			return nil, fmt.Errorf("%s: sensor %s is not in the rig stored with it", dir, p.Sensor)
		}
		run.Rows++
		run.Flags.Add(p.Flags)
		run.Start, run.End = min(run.Start, p.Time-p.Duration/2), max(run.End, p.Time+p.Duration/2)
		lengths.add(p.Duration)
		if p.Live != nil {
			run.Skipped += p.Live.Skipped
			latencies.add(p.Live.Latency)
		}
		if fit := (verdict.Verdict{Chi2: p.Chi2, DOF: p.DOF}); fit.State(p.Flags) == verdict.InDoubt {
			run.InDoubt++
		}
		if p.Estimate == nil {
			run.Unsolved++
		}
		s.Pose(&p)
		s.Series.pose(&p)
	}
	if run.Rows == 0 {
		return nil, fmt.Errorf("%s: its table of poses has no row", dir)
	}
	run.Window = middle(lengths.kept)
	run.Latency = latencies.kept
	if err := errors.Join(run.integrity(ctx), run.couplings(ctx), run.phasors(ctx)); err != nil {
		return nil, err
	}
	run.Sensors = slices.DeleteFunc(run.Sensors, func(s *SensorRun) bool { return s.Rows == 0 })
	if err := run.look(ctx, &o); err != nil {
		return nil, err
	}
	if err := run.before(&o); err != nil {
		return nil, err
	}
	return run, run.assess(ctx, &o)
}

func (run *Run) sensor(name string) *SensorRun {
	for _, s := range run.Sensors {
		if s.Name == name {
			return s
		}
	}
	return nil
}

// rows calls each with the rows of a table of the run; a table that the run did not
// keep has none.
func rowsOf[T tables.Row](ctx context.Context, run *Run, table string, each func(*T) error) error {
	r, err := tables.Open[T](filepath.Join(run.Dir, table+".parquet"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer r.Close()
	for row, err := range r.All() {
		if err := cmp.Or(err, ctx.Err()); err != nil {
			return err
		}
		if err := each(&row); err != nil {
			return err
		}
	}
	return nil
}

func (run *Run) integrity(ctx context.Context) error {
	found, doubtful := Findings{}, 0
	err := rowsOf(ctx, run, tables.IntegrityName, func(v *tables.Integrity) error {
		found.Add(v.Finding)
		if v.State(v.Flags) == verdict.InDoubt {
			doubtful++
		}
		if s := run.sensor(v.Sensor); s != nil {
			s.Worth(v)
			s.Series.judged(v)
		}
		return nil
	})
	run.InDoubt = max(run.InDoubt, doubtful) // which knows of quadrature too
	run.Findings = found.Listed()
	return err
}

// Evidence is what the five questions are answered from.
func (run *Run) Evidence() *Evidence {
	v := &Evidence{Rows: run.Rows, Unsolved: run.Unsolved, Flags: run.Flags, Margin: run.margin(), Assessment: run.Assessment}
	for _, e := range run.Rig.Emitters {
		v.Emitters = append(v.Emitters, e.Name)
	}
	for _, s := range run.Sensors {
		one := *s.SensorEvidence
		for _, p := range s.Series.all() { // of many rows, of some
			if p.DOF > 0 && p.Flags == 0 {
				one.Judged++
				if p.state == verdict.InDoubt {
					one.Doubtful++
				}
			}
		}
		if s.Tones != nil {
			one.Clear, one.At = s.Tones.Clear, s.Tones.At
		}
		v.Sensors = append(v.Sensors, &one)
	}
	return v
}

// thinned keeps some of very many values: all, every second, every fourth …
type thinned[T any] struct {
	kept        []T
	every, seen int
}

// mostKept is how many are kept at most: several a printed dot.
const mostKept = 1 << 14

// add takes a value and tells whether it was kept.
func (t *thinned[T]) add(v T) {
	if t.every == 0 {
		t.every = 1
	}
	if t.seen%t.every == 0 {
		t.kept = append(t.kept, v)
	}
	if t.seen++; len(t.kept) > mostKept {
		t.every *= 2
		n := 0
		for i := 0; i < len(t.kept); i += 2 {
			t.kept[n] = t.kept[i]
			n++
		}
		t.kept = t.kept[:n]
	}
}

// middle is the median of the numbers among values; NaN: there are none.
func middle(values []float64) float64 { return quantile(values, 0.5) }

// quantile is the smallest of the numbers among values that a share of them does not
// exceed.
func quantile(values []float64, share float64) float64 {
	sorted := slices.DeleteFunc(slices.Clone(values), func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
	if len(sorted) == 0 {
		return math.NaN()
	}
	slices.Sort(sorted)
	return sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]
}
