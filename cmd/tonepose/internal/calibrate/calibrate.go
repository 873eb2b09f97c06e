package calibrate

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/correction"
	"tonepose/multitone/recording"
	"tonepose/solver/calibration"
)

// Options says what is calibrated, and how.
type Options struct {
	measure.Input          // with the rig of the bench as drawn
	Out           string   // rig file to write
	Force         bool     // replace an existing Out
	Intervals     string   // CSV of the stations
	Self          bool     // there are no reference poses
	Lengths       []Length // distances between emitters
	Adjust        calibration.Options
	Map           bool   // also map what static metal adds to the fields
	Degree        int    // of the map's potentials; 0: found from the couplings
	Folds         int    // of the cross-validation; 0: none, FewFolds: a few if stations suffice
	Suggest       string // CSV of positions for a further station; empty: none
}

// Length is the known distance between the centres of two emitters, by their names.
type Length struct {
	A, B      string
	M, SigmaM float64
}

// FewFolds leaves the number of folds to the number of stations.
const (
	FewFolds   = -1
	usualFolds = 5
)

// Result is a calibration, not yet written.
type Result struct {
	Info       recording.Info
	Rig        *rig.Rig // as drawn
	Missing    int      // couplings left out: faulty samples, or a lost reference
	Unsolved   int      // stations without reference for which the rig as drawn gave no pose
	Adjustment *calibration.Result
	Summary    *Summary
	Failed     error // what of the summary could not be found: an ErrStep each
	edit       *rig.Edit
	out        string
}

// Add adds the new rig and what belongs to it to files.
func (r *Result) Add(to *files.Batch) error {
	_, err := r.edit.Add(to, r.out)
	return err
}

// Run calibrates.
func Run(ctx context.Context, o Options) (*Result, error) {
	begin := time.Now()
	if err := newRigFree(o.Out, o.Rig, o.Force); err != nil {
		return nil, err
	}
	b, rec, err := o.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	rows, hash, err := o.stations(b.SensorNames())
	if err != nil {
		return nil, err
	}
	if err := o.reasonable(rows, b.Rig().Volume()); err != nil {
		return nil, err
	}
	var positions []tables.Station
	if o.Suggest != "" {
		if positions, err = tables.ReadPoses(o.Suggest, b.SensorNames()); err != nil {
			return nil, err
		}
	}
	st, err := o.measure(ctx, rec, b, rows)
	if err == nil {
		err = rec.Unchanged()
	}
	if err != nil {
		return nil, err
	}
	r := b.Rig()
	out := &Result{Info: rec.Info(), Rig: r, Missing: st.Missing, Unsolved: st.Unsolved, out: o.Out}
	if len(st.Problem.Stations) == 0 {
		return nil, fmt.Errorf("%s: %w: no station can be used", o.Recording, measure.ErrNoRow)
	}
	if st.Problem.Lengths, err = lengths(o.Lengths, r); err != nil {
		return nil, err
	}
	all := st.Rows
	o.Progress.Report("adjust", 0, 0)
	metal, agreed, err := o.adjust(out, st)
	if err != nil {
		return nil, err
	}
	if out.Summary, err = o.summarise(out, st, metal, positions); err != nil {
		return nil, err
	}
	if agreed != nil {
		out.Summary.reconcile(all, agreed, b)
	}
	if out.edit, err = st.edit(r, out.Adjustment, o.Adjust.Free, hash); err == nil && metal != nil {
		out.edit.SetCorrection(metal.Map)
	}
	out.Summary.ElapsedS = time.Since(begin).Seconds()
	return out, err
}

// stations reads the rows of the CSV and the hash of the file.
func (o *Options) stations(sensors []string) ([]tables.Station, string, error) {
	if info, err := os.Stat(o.Intervals); err == nil && info.IsDir() {
		return nil, "", fmt.Errorf("%s: is a directory: name a CSV", o.Intervals)
	}
	text, err := os.ReadFile(o.Intervals)
	if err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(text)
	if o.Self {
		intervals, err := tables.ReadIntervals(o.Intervals, sensors)
		var out []tables.Station
		for _, iv := range intervals {
			out = append(out, tables.Station{Interval: iv, SigmaPosition: math.Inf(1), SigmaRotation: math.Inf(1)})
		}
		return out, "", err
	}
	rows, err := tables.ReadReference(o.Intervals, sensors)
	for _, row := range rows {
		if !(row.SigmaPosition > 0) || !(row.SigmaRotation > 0) {
			return nil, "", fmt.Errorf("%s:%d: sigma_position_m = %g, sigma_rotation_rad = %g: must be positive: no reference is exact; a large number, such as 1e3, says that nothing is known",
				o.Intervals, row.Line, row.SigmaPosition, row.SigmaRotation)
		}
	}
	return rows, hex.EncodeToString(sum[:]), err
}

// adjust calibrates, with the map of metal if one is wanted, else with inputs that
// agree; st keeps the stations that were used.
func (o *Options) adjust(out *Result, st *Stations) (metal *Metal, agreed *calibration.Reconciled, err error) {
	if o.Map {
		if metal, err = MapMetal(&st.Problem, o.Adjust, correction.Options{Degree: o.Degree}); err == nil {
			out.Adjustment = metal.Result
		}
	} else if agreed, err = calibration.Reconcile(&st.Problem, o.Adjust); err == nil {
		out.Adjustment = agreed.Result
		st.keep(agreed)
	}
	if err != nil {
		return nil, nil, o.mapError(err)
	}
	res := out.Adjustment
	if err := res.Status.Err(); err != nil {
		return nil, nil, fmt.Errorf("%s: %w: %w after %d iterations, chi-square %.4g of %d", o.Recording, measure.ErrNoRow, err, res.Iterations, res.ChiSquare, res.DOF)
	}
	return metal, agreed, nil
}

// mapError separates data that hold no map from a wrong call.
func (o *Options) mapError(err error) error {
	switch {
	case errors.Is(err, correction.ErrNothing):
		return fmt.Errorf("%s: %w: %w: leave out --map-metal, the calibration alone is as good", o.Recording, measure.ErrNoRow, err)
	case errors.Is(err, calibration.ErrNotConverged):
		return fmt.Errorf("%s: %w: %w", o.Recording, measure.ErrNoRow, err)
	}
	return err
}

func (o *Options) summarise(out *Result, st *Stations, metal *Metal, positions []tables.Station) (*Summary, error) {
	sum, err := summarise(st, out.Adjustment)
	if err != nil {
		return nil, err
	}
	sum.Recording, sum.Rig, sum.Out, sum.Free = out.Info.Name, o.Rig, o.Out, o.Adjust.Free.String()
	if o.Folds == FewFolds {
		if o.Folds = usualFolds; o.Self || o.Map || len(st.Problem.Stations) < 3*usualFolds {
			o.Folds = 0
		}
	}
	if o.Folds > 0 {
		o.Progress.Report("hold stations out", 0, 0)
		cv, err := calibration.CrossValidate(&st.Problem, o.Adjust, o.Folds)
		if err == nil {
			sum.Validation = &Validation{o.Folds, cv.PositionDrawn, cv.RotationDrawn, cv.PositionRMS, cv.RotationRMS}
		}
		out.failed("cross-validation", err)
	}
	if metal != nil {
		m := metal.Map
		sum.Metal = &MetalSummary{Degree: m.Smoothness.Degree, Falloff: m.Smoothness.Falloff, Before: m.Before, After: m.After,
			Standardised: m.Standardised, Growth: m.Growth, MinM: vector(m.Min), MaxM: vector(m.Max)}
	}
	if metal != nil && o.Folds > 0 {
		sum.Metal.Validation, err = ValidateMetal(&st.Problem, o.Adjust, correction.Options{Degree: o.Degree}, out.Rig.Volume(), o.Folds)
		out.failed("cross-validation of the map", err)
	}
	if positions != nil {
		out.failed("suggestion of a further station", sum.suggest(st, out.Adjustment, positions))
	}
	return sum, nil
}

// failed notes that a step failed; nil: it did not.
func (r *Result) failed(step string, err error) {
	r.Failed = errors.Join(r.Failed, measure.StepFailed(step, err))
}
