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

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/correction"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/solver/calibration"
)

// Options says what is calibrated, and how.
type Options struct {
	Recording string
	Reading   recording.Options
	Rig, Out  string // rig file of the bench as drawn, and the one to write
	Force     bool   // replace an existing Out
	Intervals string // CSV of the stations
	Clock     clock.Mode
	Baseline  string   // recording with the sensor far away: crosstalk to subtract; empty: none
	Self      bool     // there are no reference poses
	Lengths   []string // distances between emitters, each as A,B,METRES,SIGMA
	Adjust    calibration.Options
	Map       bool   // also map what static metal adds to the fields
	Degree    int    // of the map's potentials; 0: as the couplings ask for
	Folds     int    // of the cross-validation; 0: none
	Suggest   string // CSV of places for a further station; empty: none
	Progress  engine.Progress
}

// Result is a calibration, not yet written.
type Result struct {
	Info       recording.Info
	Rig        *rig.Rig // as drawn
	Missing    int      // couplings left out: faulty samples, or a lost reference
	Unsolved   int      // stations without reference for which the rig as drawn gave no pose
	Adjustment *calibration.Result
	Summary    *Summary
	edit       *rig.Edit
	out        string
}

// Save writes the new rig and what belongs to it.
func (r *Result) Save() error {
	_, err := r.edit.Save(r.out)
	return err
}

// Run calibrates.
func Run(ctx context.Context, o Options) (*Result, error) {
	begin := time.Now()
	if err := newRigFree(o.Out, o.Rig, o.Force); err != nil {
		return nil, err
	}
	r, err := rig.Load(o.Rig, rig.Options{})
	if err != nil {
		return nil, err
	}
	b := bench.New(r)
	var names []string
	for _, s := range b.Sensors() {
		names = append(names, s.Name)
	}
	rows, hash, err := o.stations(names)
	if err != nil {
		return nil, err
	}
	rec, err := b.Open(ctx, o.Recording, o.Reading)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	how := StationOptions{Clock: o.Clock, Progress: o.Progress}
	if o.Baseline != "" {
		if how.Baseline, err = b.Open(ctx, o.Baseline, o.Reading); err != nil {
			return nil, err
		}
		defer how.Baseline.Close()
	}
	st, err := Measure(ctx, rec, b, rows, how)
	if err != nil {
		return nil, err
	}
	out := &Result{Info: rec.Info(), Rig: r, Missing: st.Missing, Unsolved: st.Unsolved, out: o.Out}
	if len(st.Problem.Stations) == 0 {
		return nil, fmt.Errorf("%s: %w: no station can be used", o.Recording, measure.ErrNoRow)
	}
	if st.Problem.Lengths, err = parseLengths(o.Lengths, r); err != nil {
		return nil, err
	}
	metal, err := o.adjust(out, &st.Problem)
	if err != nil {
		return nil, err
	}
	if out.Summary, err = o.summarise(out, st, metal, names); err != nil {
		return nil, err
	}
	out.edit, err = st.Edit(r, out.Adjustment, Calibrated{Date: time.Now().UTC().Truncate(time.Second), ReferenceSHA256: hash, Free: o.Adjust.Free, Metal: metal.Correction()})
	out.Summary.ElapsedS = time.Since(begin).Seconds()
	return out, err
}

// stations reads the rows of the CSV and the hash of the file.
func (o *Options) stations(sensors []string) ([]tables.Station, string, error) {
	text, err := os.ReadFile(o.Intervals)
	if err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(text)
	if o.Self {
		intervals, err := tables.ReadIntervals(o.Intervals, sensors)
		out := make([]tables.Station, len(intervals))
		for i, iv := range intervals {
			out[i] = tables.Station{Interval: iv, SigmaPosition: math.Inf(1), SigmaRotation: math.Inf(1)}
		}
		return out, "", err
	}
	rows, err := tables.ReadReference(o.Intervals, sensors)
	for _, row := range rows {
		if !(row.SigmaPosition > 0) || !(row.SigmaRotation > 0) {
			return nil, "", fmt.Errorf("%s:%d: sigma_position_m = %g, sigma_rotation_rad = %g: must be positive: no reference is exact; a large number, such as 1e3, says that it tells nothing",
				o.Intervals, row.Line, row.SigmaPosition, row.SigmaRotation)
		}
	}
	return rows, hex.EncodeToString(sum[:]), err
}

// adjust calibrates, with the map of metal if one is wanted.
func (o *Options) adjust(out *Result, p *calibration.Problem) (metal *Metal, err error) {
	if o.Map {
		if metal, err = MapMetal(p, o.Adjust, correction.Options{Degree: o.Degree}); err == nil {
			out.Adjustment = metal.Result
		}
	} else {
		out.Adjustment, err = calibration.Calibrate(p, o.Adjust)
	}
	if err != nil {
		return nil, o.mapError(err)
	}
	res := out.Adjustment
	if err := res.Status.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w: %w after %d iterations, chi-square %.4g of %d", o.Recording, measure.ErrNoRow, err, res.Iterations, res.ChiSquare, res.DOF)
	}
	return metal, nil
}

// mapError tells data that hold no map from a wrong call.
func (o *Options) mapError(err error) error {
	switch {
	case errors.Is(err, correction.ErrNothing):
		return fmt.Errorf("%s: %w: %w: leave out --map-metal, the calibration alone is as good", o.Recording, measure.ErrNoRow, err)
	case errors.Is(err, calibration.ErrNotConverged):
		return fmt.Errorf("%s: %w: %w", o.Recording, measure.ErrNoRow, err)
	}
	return err
}

func (o *Options) summarise(out *Result, st *Stations, metal *Metal, sensors []string) (*Summary, error) {
	sum, err := summarise(st, out.Adjustment)
	if err != nil {
		return nil, err
	}
	sum.Recording, sum.Rig, sum.Out, sum.Free = out.Info.Name, o.Rig, o.Out, o.Adjust.Free.String()
	if o.Folds > 0 {
		if err := sum.crossValidate(st, o.Adjust, o.Folds); err != nil {
			return nil, err
		}
	}
	if metal != nil {
		if err := metal.add(sum, st, o.Adjust, correction.Options{Degree: o.Degree}, out.Rig.Volume(), o.Folds); err != nil {
			return nil, o.mapError(err)
		}
	}
	if o.Suggest != "" {
		places, err := tables.ReadPoses(o.Suggest, sensors)
		if err != nil {
			return nil, err
		}
		if err := sum.suggest(st, out.Adjustment, places); err != nil {
			return nil, err
		}
	}
	return sum, nil
}
