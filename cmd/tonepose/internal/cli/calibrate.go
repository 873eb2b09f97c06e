package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/correction"
	"tonepose/multitone/clock"
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
	output    outputFlags
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
	f.StringVar(&o.free, "free", "default", "parameters that may move")
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
	o.output.add(f)
	o.recording.add(f)
	cmd.AddCommand(newCalibrateChannels(s))
	return cmd
}

// job is what the flags ask for.
func (o *calibrateOptions) job(name string, s Streams) (calibrate.Options, error) {
	job := calibrate.Options{Recording: name, Reading: o.recording.options(s), Rig: o.rig, Out: o.out, Force: o.force, Intervals: o.intervals,
		Baseline: o.baseline, Self: o.self, Lengths: o.lengths, Map: o.metal, Degree: o.degree, Folds: o.folds, Suggest: o.suggest}
	if err := needed("rig", o.rig, "calibrating starts from the rig file of the bench as drawn"); err != nil {
		return job, err
	}
	if err := needed("out", o.out, "name the rig file to write"); err != nil {
		return job, err
	}
	if err := needed("intervals", o.intervals, "name the CSV of the stations"); err != nil {
		return job, err
	}
	if o.metal && (o.self || o.degree < 0 || o.degree > correction.MaxDegree) {
		return job, fmt.Errorf("--map-metal --map-degree %d: needs reference poses and a degree up to %d", o.degree, correction.MaxDegree)
	}
	if o.folds != 0 && (o.folds < 2 || o.self) {
		return job, fmt.Errorf("--cross-validate %d: must be 2 or more, with reference poses", o.folds)
	}
	var err error
	if job.Adjust.Free, err = calibration.ParseFree(o.free); err != nil {
		return job, fmt.Errorf("--free: %w", err)
	}
	if job.Adjust.Loss, err = verdict.ParseLoss(o.robust); err != nil {
		return job, fmt.Errorf("--%w", err)
	}
	job.Clock, err = clock.ParseMode(o.clock)
	return job, err
}

func runCalibrate(ctx context.Context, name string, o *calibrateOptions, s Streams) error {
	run, err := o.job(name, s)
	if err != nil {
		return err
	}
	var clear func()
	run.Progress, clear = o.output.progress(s)
	defer clear()
	res, err := calibrate.Run(ctx, run)
	clear()
	if err != nil {
		return err
	}
	if res.Rig.Calibration != nil {
		warn(s, fmt.Sprintf("%s is calibrated: its tolerances speak of the bench as drawn, and its map of metal is left out; start from the drawn rig", o.rig))
	}
	warn(s, res.Info.Warnings...)
	if res.Missing > 0 || res.Unsolved > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d couplings with faulty samples or a lost reference are left out, %d stations gave no pose to start from\n", res.Missing, res.Unsolved)
	}
	if err := report.SaveCalibration(o.figures, res); err != nil {
		return err
	}
	if err := res.Save(); err != nil {
		return err
	}
	return o.output.show(s, res.Summary, func(w io.Writer) error { return present.Calibration(w, res.Summary) })
}
