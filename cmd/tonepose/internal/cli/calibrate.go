package cli

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/correction"
	"tonepose/multitone/clock"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

type calibrateOptions struct {
	recording recordingFlags
	rig       string
	out       string
	force     bool
	intervals string
	free      string
	robust    string
	clock     string
	baseline  string
	figures   string
	folds     int
	suggest   string
	metal     bool
	degree    int
	self      bool
	lengths   []string
	json      bool
	quiet     bool
}

func newCalibrate(s Streams) *cobra.Command {
	var o calibrateOptions
	cmd := &cobra.Command{
		Use:   "calibrate RECORDING --rig RIG --intervals CSV --out NEW_RIG",
		Short: "Find the array that was really built, and write it as a new rig",
		Long: `Calibrate adjusts places, axes and strengths of the emitters, axes and
sensitivities of the pickups, and all poses together, to the couplings measured
at stations whose poses a reference device has told. NEW_RIG is RIG with the
found values in place of the drawn ones; beside it appears their covariance,
with which solve widens its uncertainties. RIG itself is never overwritten.

The CSV has one row a station: start_s, stop_s and, if wanted, sensor, then the
pose x_m y_m z_m qw qx qy qz and its sigma_position_m and sigma_rotation_rad.

What is known beforehand are the tolerances in RIG, one sigma each. Moves of many
parameters at once that no coupling notices (all strengths against all
sensitivities) are named, and held by the tolerances, or where none is stated by
usual ones: what such a move alone would tell is then known to no more than that.

--free takes default, or names separated by commas: emitter-place, emitter-axis,
emitter-strength, coil-axis, coil-place, coil-sensitivity, channel-gain,
channel-phase, channel-delay, frame (of the reference device in the rig frame),
marker (the sensor in the frame of the reference's marker), crosstalk (straight
from drive to pickup; not written: solve takes it off with --baseline).

--map-metal is for a bench with metal near it that never moves: what the calibrated
bench does not explain becomes a smooth field without sources between the
stations, one for each emitter, beside NEW_RIG. solve adds it, and takes the errors
of map and bench together into its uncertainties, which grow outside of the
stations.

--self needs no reference: the CSV then has start_s and stop_s alone, and one
--length fixes the scale. The frame stays that of the rig as drawn, to no more
than its tolerances. For two sensors at a known distance, describe both as one.

Exit code: 0 done, 1 the adjustment did not converge, 2 the call or a file was
wrong.`,
		Example: `  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --intervals stations.csv --out built.rig.yaml
  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --intervals stations.csv --out built.rig.yaml \
    --free default,frame,marker --robust huber --cross-validate 5 --figures figures
  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --self --intervals rests.csv --length e1,e5,0.4,1e-4 --out built.rig.yaml
  tonepose calibrate channels common.wav --rig bench.rig.yaml --reference rx1 --out matched.rig.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCalibrate(cmd.Context(), args[0], &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file of the bench as drawn")
	f.StringVar(&o.out, "out", "", "rig file to write")
	f.BoolVar(&o.force, "force", false, "replace an existing NEW_RIG")
	f.StringVar(&o.intervals, "intervals", "", "CSV of the stations and their reference poses")
	f.StringVar(&o.free, "free", "default", "what may move")
	f.StringVar(&o.robust, "robust", "none", "give outliers less weight: huber, cauchy or tukey")
	addClock(f, &o.clock)
	f.StringVar(&o.baseline, "baseline", "", "recording with the sensor far away: crosstalk to subtract")
	f.StringVar(&o.figures, "figures", "", "directory for figures: residuals, parameters, correlations")
	f.IntVar(&o.folds, "cross-validate", 0, "calibrate so many times without a share of the stations, and solve these")
	f.StringVar(&o.suggest, "suggest", "", "CSV of places for a further station (x_m … qz, and the sigmas if wanted): say which tells most")
	f.BoolVar(&o.metal, "map-metal", false, "also map what static metal adds to the fields, and let solve use it")
	f.IntVar(&o.degree, "map-degree", 0, "degree of the map's potentials, 1 to 12; 0: as the couplings ask for")
	f.BoolVar(&o.self, "self", false, "there are no reference poses")
	f.StringArrayVar(&o.lengths, "length", nil, "distance between the centres of two emitters, as e1,e5,0.4,1e-4 (metres, one sigma); may be repeated")
	f.BoolVar(&o.json, "json", false, "print the summary as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress, no summary")
	o.recording.add(f)
	cmd.AddCommand(newCalibrateChannels(s))
	return cmd
}

// check reads what the flags state, before any file is opened.
func (o *calibrateOptions) check() (calibration.Options, clock.Mode, error) {
	var lib calibration.Options
	if err := needed("rig", o.rig, "calibrating starts from the rig file of the bench as drawn"); err != nil {
		return lib, 0, err
	}
	if err := needed("out", o.out, "name the rig file to write"); err != nil {
		return lib, 0, err
	}
	if err := needed("intervals", o.intervals, "name the CSV of the stations"); err != nil {
		return lib, 0, err
	}
	if o.metal && (o.self || o.degree < 0 || o.degree > correction.MaxDegree) {
		return lib, 0, fmt.Errorf("--map-metal --map-degree %d: needs reference poses and a degree up to %d", o.degree, correction.MaxDegree)
	}
	if o.folds != 0 && (o.folds < 2 || o.self) {
		return lib, 0, fmt.Errorf("--cross-validate %d: must be 2 or more, with reference poses", o.folds)
	}
	var err error
	if lib.Free, err = calibration.ParseFree(o.free); err != nil {
		return lib, 0, fmt.Errorf("--free: %w", err)
	}
	if lib.Loss, err = pipeline.ParseLoss(o.robust); err != nil {
		return lib, 0, fmt.Errorf("--%w", err)
	}
	mode, err := clock.ParseMode(o.clock)
	if err != nil {
		return lib, 0, err
	}
	return lib, mode, pipeline.NewRigFree(o.out, o.rig, o.force)
}

func runCalibrate(ctx context.Context, name string, o *calibrateOptions, s Streams) error {
	begin := time.Now()
	lib, mode, err := o.check()
	if err != nil {
		return err
	}
	r, err := rig.Load(o.rig, rig.Options{})
	if err != nil {
		return err
	}
	if r.Calibration != nil {
		fmt.Fprintf(s.Err, "tonepose: warning: %s is calibrated: its tolerances speak of the bench as drawn, and its map of metal is left out; start from the drawn rig\n", o.rig)
	}
	rows, hash, err := o.stations(sensorNames(r))
	if err != nil {
		return err
	}
	bench := pipeline.NewBench(r)
	rec, err := bench.Open(ctx, name, o.recording.options(s))
	if err != nil {
		return err
	}
	defer rec.Close()
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	run := pipeline.StationOptions{Clock: mode, Progress: show}
	if o.baseline != "" {
		if run.Baseline, err = bench.Open(ctx, o.baseline, o.recording.options(s)); err != nil {
			return err
		}
		defer run.Baseline.Close()
	}
	if o.self {
		if err := bench.PrepareSolvers(solver.Options{}); err != nil {
			return err
		}
	}
	st, err := bench.Stations(ctx, rec, rows, run)
	clear()
	if err != nil {
		return err
	}
	warnAll(s, rec.Info().Warnings)
	if st.Missing > 0 || st.Unsolved > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d couplings with faulty samples or a lost reference are left out, %d stations gave no pose to start from\n", st.Missing, st.Unsolved)
	}
	if len(st.Problem.Stations) == 0 {
		return fmt.Errorf("%s: %w: no station can be used", name, errNoRow)
	}
	if st.Problem.Lengths, err = pipeline.ParseLengths(o.lengths, r); err != nil {
		return err
	}
	res, metal, err := o.adjust(&st.Problem, lib)
	if err != nil {
		return mapError(name, err)
	}
	if err := res.Status.Err(); err != nil {
		return fmt.Errorf("%s: %w: %w after %d iterations, chi-square %.4g of %d", name, errNoRow, err, res.Iterations, res.ChiSquare, res.DOF)
	}
	sum, err := pipeline.SummariseCalibration(st, res)
	if err != nil {
		return err
	}
	sum.Recording, sum.Rig, sum.Out, sum.Free = rec.Info().Name, o.rig, o.out, lib.Free.String()
	if o.folds > 0 {
		if err := sum.CrossValidate(st, lib, o.folds); err != nil {
			return err
		}
	}
	if metal != nil {
		if err := metal.Add(sum, st, lib, correction.Options{Degree: o.degree}, r.Volume(), o.folds); err != nil {
			return mapError(name, err)
		}
	}
	if o.suggest != "" {
		places, err := tables.ReadPlaces(o.suggest, sensorNames(r))
		if err != nil {
			return err
		}
		if err := sum.Suggest(st, res, places); err != nil {
			return err
		}
	}
	edit, err := st.Edit(r, res, pipeline.Calibrated{Date: time.Now().UTC().Truncate(time.Second), ReferenceSHA256: hash, Free: lib.Free, Metal: metal.Correction()})
	if err != nil {
		return err
	}
	if o.figures != "" {
		if err := saveCalibrationFigures(o.figures, r.Name, sum, res); err != nil {
			return err
		}
	}
	if _, err := edit.Save(o.out); err != nil {
		return err
	}
	sum.ElapsedS = time.Since(begin).Seconds()
	return printCalibration(s, sum, o.json, o.quiet)
}

// stations reads the rows of the CSV and the hash of the file.
func (o *calibrateOptions) stations(sensors []string) ([]tables.Station, string, error) {
	text, err := os.ReadFile(o.intervals)
	if err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(text)
	hash := hex.EncodeToString(sum[:])
	if o.self {
		intervals, err := tables.ReadIntervals(o.intervals, sensors)
		return pipeline.Unreferenced(intervals), "", err
	}
	rows, err := tables.ReadReference(o.intervals, sensors)
	for _, row := range rows {
		if !(row.SigmaPosition > 0) || !(row.SigmaRotation > 0) {
			return nil, "", withHint(fmt.Errorf("%s:%d: sigma_position_m = %g, sigma_rotation_rad = %g: must be positive", o.intervals, row.Line, row.SigmaPosition, row.SigmaRotation),
				"no reference is exact; a large number, such as 1e3, says that it tells nothing")
		}
	}
	return rows, hash, err
}

// adjust calibrates, with the map of metal if one is wanted.
func (o *calibrateOptions) adjust(p *calibration.Problem, lib calibration.Options) (*calibration.Result, *pipeline.Metal, error) {
	if !o.metal {
		res, err := calibration.Calibrate(p, lib)
		return res, nil, err
	}
	metal, err := pipeline.MapMetal(p, lib, correction.Options{Degree: o.degree})
	if err != nil {
		return nil, nil, err
	}
	return metal.Result, metal, nil
}

// mapError tells data that hold no map from a wrong call.
func mapError(name string, err error) error {
	switch {
	case errors.Is(err, correction.ErrNothing):
		return withHint(fmt.Errorf("%s: %w: %w", name, errNoRow, err), "leave out --map-metal: the calibration alone is as good")
	case errors.Is(err, calibration.ErrNotConverged):
		return fmt.Errorf("%s: %w: %w", name, errNoRow, err)
	}
	return err
}

func moved(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
