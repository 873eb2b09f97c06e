package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/fieldmodels/correction"
	"tonepose/solver/calibration"
)

type calibrateOptions struct {
	calibrate.Options
	figures []string
	output  outputFlags
}

func newCalibrate(s Streams) *cobra.Command {
	var o calibrateOptions
	cmd := &cobra.Command{
		Use:   "calibrate RECORDING --rig RIG --intervals CSV --out NEW_RIG",
		Short: "Find the array that was really built, and write it as a new rig",
		Long: `Calibrate adjusts positions, axes and strengths of the emitters, axes and
sensitivities of the pickups, and all poses together, to the couplings measured
at stations whose poses a reference device has measured. NEW_RIG is RIG with the
values found instead of the drawn ones; their covariance is written beside it,
and solve adds it to its uncertainties. RIG itself is never overwritten.

The CSV has one row a station: start_s, stop_s and, if wanted, sensor, then the
pose x_m y_m z_m qw qx qy qz and its sigma_position_m and sigma_rotation_rad.

What is known beforehand are the tolerances in RIG, one sigma each. Changes of many
parameters together that change no coupling (all strengths against all
sensitivities) are named, and bounded by the tolerances, or by usual ones where
none is stated: such a combination is then known no better than its tolerance.

What contradicts the rest is said on standard error, with what to do: a single
station is left out, and the sigmas of couplings, references or tolerances are
counted as large as the misfit shows them to be, so that the new rig's covariance
holds. References that agree much better than their sigmas are counted as that good.

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

Exit code: 0 done, 1 the adjustment did not converge, or a step after it failed, as
figures, 2 the call or a file was wrong.`,
		Example: `  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --intervals stations.csv --out built.rig.yaml
  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --intervals stations.csv --out built.rig.yaml \
    --free default,frame,marker --robust huber --cross-validate 5 --figures svg
  tonepose calibrate run.sigmf-meta --rig bench.rig.yaml --self --intervals rests.csv --length e1,e5,400mm,0.1mm --out built.rig.yaml
  tonepose calibrate channels common.wav --rig bench.rig.yaml --reference rx1 --out matched.rig.yaml`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			return runCalibrate(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	addNeeded(f, &o.Rig, "rig", "rig file of the bench as drawn", "calibrating starts from the rig file of the bench as drawn")
	addNeeded(f, &o.Out, "out", "rig file to write", "name the rig file to write")
	f.BoolVar(&o.Force, "force", false, "replace an existing NEW_RIG")
	addNeeded(f, &o.Intervals, "intervals", "CSV of the stations and their reference poses", "name the CSV of the stations")
	addValue(f, &o.Adjust.Free, "free", "default", "list", calibration.ParseFree, "parameters that may move")
	addLoss(f, &o.Adjust.Loss, "give outliers less weight: huber, cauchy, tukey or none")
	addClock(f, &o.Input)
	addBaseline(f, &o.Input)
	addFigures(f, &o.figures, "none", "the figures NEW_RIG-residuals, -parameters and -correlations beside NEW_RIG")
	addValue(f, &o.Folds, "cross-validate", "", "int", whole(0, 1000), "number of calibrations without a share of the stations, each of which then solves that share, with the bench as drawn and as found; 0: none (default 5 where there are 15 stations)")
	o.Folds = calibrate.FewFolds
	f.StringVar(&o.Suggest, "suggest", "", "CSV of positions for a further station (x_m … qz, and the sigmas if wanted): say which adds most")
	f.BoolVar(&o.Map, "map-metal", false, "also map what static metal adds to the fields, and let solve use it")
	addValue(f, &o.Degree, "map-degree", "0", "int", whole(0, correction.MaxDegree), "degree of the map's potentials, 1 to 12; 0: found from the couplings")
	alone(f, []string{"map-metal"}, "map-degree")
	reads(f, "rig", "intervals", "suggest")
	f.BoolVar(&o.Self, "self", false, "there are no reference poses")
	f.Var((*lengths)(&o.Lengths), "length", "distance between the centres of two emitters and its one sigma, as e1,e5,400mm,0.1mm; may be repeated")
	o.output.add(f)
	addReading(f, &o.Input, s)
	cmd.AddCommand(newCalibrateChannels(s))
	return cmd
}

func runCalibrate(ctx context.Context, o *calibrateOptions, s Streams) error {
	if o.Map && o.Self {
		return errors.New("--map-metal needs reference poses: it and --self exclude each other")
	}
	if o.Folds > 0 && (o.Folds < 2 || o.Self) {
		return fmt.Errorf("--cross-validate %d: must be 2 or more, with reference poses", o.Folds)
	}
	res, err := run(s, &o.output, &o.Progress, func() (*calibrate.Result, error) { return calibrate.Run(ctx, o.Options) })
	if err != nil {
		return err
	}
	if res.Rig.Calibration != nil {
		warn(s, fmt.Sprintf("%s is calibrated: its tolerances are those of the bench as drawn, and its map of metal is left out; start from the drawn rig", o.Rig))
	}
	warn(s, res.Info.Warnings...)
	if res.Missing > 0 || res.Unsolved > 0 {
		say(s.Err, "%d couplings with faulty samples or a lost reference are left out, %d stations gave no pose to start from", res.Missing, res.Unsolved)
	}
	warn(s, res.Summary.Contradictions...)
	out := files.Batch{Force: o.Force}
	defer out.Abort()
	if err := res.Add(&out); err != nil {
		return err
	}
	drawn := measure.StepFailed("figures", out.Together(func() error {
		return draw(s, &o.output, func() error { return report.SaveCalibration(&out, rigStem(o.Out)+"-", res, o.figures) })
	}))
	if err := out.Commit(); err != nil {
		return err
	}
	return errors.Join(o.output.show(s, present.CalibrationOf(res.Summary), func(w io.Writer) error { return present.Calibration(w, res.Summary) }), res.Failed, drawn)
}

// lengths are the values of --length.
type lengths []calibrate.Length

func (l *lengths) String() string { return "" }
func (l *lengths) Type() string   { return "length" }

func (l *lengths) Set(text string) error {
	part := strings.Split(text, ",")
	if len(part) != 4 {
		return errors.New("must be two emitters, their distance and its one sigma, as e1,e5,400mm,0.1mm")
	}
	for i := range part {
		part[i] = strings.TrimSpace(part[i])
	}
	next := calibrate.Length{A: part[0], B: part[1]}
	for i, to := range []*float64{&next.M, &next.SigmaM} {
		var err error
		if *to, err = aboveZero(metres)(part[2+i]); err != nil {
			return fmt.Errorf("%s: %w", part[2+i], err)
		}
	}
	*l = append(*l, next)
	return nil
}

// rigStem is the name of a rig file without its endings.
func rigStem(file string) string {
	return strings.TrimSuffix(strings.TrimSuffix(file, filepath.Ext(file)), ".rig")
}
